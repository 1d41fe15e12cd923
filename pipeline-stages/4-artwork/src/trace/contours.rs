//! The line of half material, between the middles of pixels (marching squares: Lorensen & Cline
//! 1987, in the plane).

use std::collections::BTreeMap;

use kurbo::Point;

use super::picture::Picture;

const HALF: f64 = 0.5;

/// An edge between two neighbouring pixels: column and row of the first, and whether the second
/// lies below it.
type Crossing = (usize, usize, bool);

/// Closed loops with material to their left (x right, y down, left by the sense of positive area).
pub(super) fn loops(picture: &Picture) -> Vec<Vec<Point>> {
    let (columns, rows) = picture.size();
    let mut next: BTreeMap<Crossing, Crossing> = BTreeMap::new();
    let mut order: Vec<Crossing> = Vec::new();
    for y in 0..rows - 1 {
        for x in 0..columns - 1 {
            for (from, to) in steps(picture, x, y) {
                next.insert(from, to);
                order.push(from);
            }
        }
    }
    let mut loops = Vec::new();
    for start in order {
        let mut ring = Vec::new();
        let mut at = start;
        while let Some(to) = next.remove(&at) {
            ring.push(place(picture, at));
            at = to;
        }
        if ring.len() > 2 {
            loops.push(ring);
        }
    }
    loops
}

/// The lines through the square between four pixels, from crossing to crossing.
fn steps(picture: &Picture, x: usize, y: usize) -> Vec<(Crossing, Crossing)> {
    let corner = |dx: usize, dy: usize| picture.share(x + dx, y + dy);
    let corners = [corner(0, 0), corner(1, 0), corner(1, 1), corner(0, 1)];
    let inside = corners.map(|s| s >= HALF);
    let sides: [Crossing; 4] = [
        (x, y, false),
        (x + 1, y, true),
        (x, y + 1, false),
        (x, y, true),
    ];
    // Going round the square with x right and y down, material is entered over one side and left
    // over another; the line that keeps it to its left leads from the one to the other.
    let mut enters = Vec::new();
    let mut leaves = Vec::new();
    for i in 0..4 {
        match (inside[i], inside[(i + 1) % 4]) {
            (false, true) => enters.push(i),
            (true, false) => leaves.push(i),
            _ => {}
        }
    }
    match (enters.as_slice(), leaves.as_slice()) {
        ([e], [l]) => vec![(sides[*l], sides[*e])],
        ([a, b], [_, _]) => {
            // A saddle: its middle decides whether the material hangs together.
            let joined = corners.iter().sum::<f64>() / 4.0 >= HALF;
            let turn = if joined { 3 } else { 1 };
            [*a, *b].map(|e| (sides[(e + turn) % 4], sides[e])).to_vec()
        }
        _ => Vec::new(),
    }
}

fn place(picture: &Picture, (x, y, down): Crossing) -> Point {
    let (dx, dy) = if down { (0, 1) } else { (1, 0) };
    let (a, b) = (picture.share(x, y), picture.share(x + dx, y + dy));
    let t = ((HALF - a) / (b - a)).clamp(0.0, 1.0);
    Picture::middle(x as f64 + t * dx as f64, y as f64 + t * dy as f64)
}

/// Signed area of a loop.
pub(super) fn area(ring: &[Point]) -> f64 {
    let pairs = ring.iter().zip(ring.iter().cycle().skip(1));
    pairs
        .map(|(a, b)| a.to_vec2().cross(b.to_vec2()))
        .sum::<f64>()
        / 2.0
}
