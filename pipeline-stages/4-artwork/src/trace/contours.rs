//! The line of half material, between the middles of pixels.

use kurbo::Point;
use measures::level;

use super::picture::Picture;

const HALF: f64 = 0.5;

/// Closed loops with material to their left (x right, y down, left by the sense of positive area).
pub(super) fn loops(picture: &Picture) -> Vec<Vec<Point>> {
    let (columns, rows) = picture.size();
    let mut loops = level::loops([columns, rows], &|x, y| picture.share(x, y), HALF);
    for point in loops.iter_mut().flatten() {
        *point = Picture::middle(point.x, point.y);
    }
    loops
}

/// Signed area of a loop.
pub(super) fn area(ring: &[Point]) -> f64 {
    let pairs = ring.iter().zip(ring.iter().cycle().skip(1));
    pairs
        .map(|(a, b)| a.to_vec2().cross(b.to_vec2()))
        .sum::<f64>()
        / 2.0
}
