//! The marks round the ends of a ruler.

use measures::{Point, Px, Ruler, Vector};

use super::view::View;

/// Height of the letters beside the marks, and the marks' radius, in widths of the pen.
pub(super) const LETTER_PENS: f64 = 22.0;
const MARK_PENS: f64 = 11.0;

/// A mark round an end of the ruler.
pub(super) struct EndMark {
    pub(super) outline: Vec<Point<Px>>,
    pub(super) letter: &'static str,
    /// Where the letter's baseline begins.
    pub(super) letter_at: Point<Px>,
}

/// A ring around the first tick used and a square around the last, with their letters; those that
/// lie in a picture of this size, and whole in it.
pub(super) fn end_marks(ruler: &Ruler, view: &View, size: [f64; 2]) -> Vec<EndMark> {
    let pen = view.pen();
    let radius = MARK_PENS * pen;
    let within =
        |v: f64, most: f64| v.clamp(radius + 2.0 * pen, (most - radius - 2.0 * pen).max(radius));
    let ring: Vec<(f64, f64)> = (0..=48)
        .map(|i| (f64::from(i) / 48.0 * std::f64::consts::TAU).sin_cos())
        .collect();
    let square = vec![
        (1.0, 1.0),
        (1.0, -1.0),
        (-1.0, -1.0),
        (-1.0, 1.0),
        (1.0, 1.0),
    ];
    let ends = ruler.ends.map(|p| view.place(p));
    let inside = |p: &Point<Px>| (0.0..=size[0]).contains(&p.x) && (0.0..=size[1]).contains(&p.y);
    let shapes = ends.into_iter().zip([(ring, "A"), (square, "B")]);
    shapes
        .filter(|(end, _)| inside(end))
        .map(|(end, (shape, letter))| {
            let middle = Point::new(within(end.x, size[0]), within(end.y, size[1]));
            let letter_width = 0.75 * LETTER_PENS * pen;
            let aside = if middle.x + radius + 2.0 * pen + letter_width < size[0] {
                radius + 4.0 * pen
            } else {
                -radius - 3.0 * pen - letter_width
            };
            let shape = shape.into_iter();
            EndMark {
                outline: shape
                    .map(|(x, y)| middle + Vector::new(x, y) * radius)
                    .collect(),
                letter,
                letter_at: Point::new(
                    middle.x + aside,
                    (middle.y - 4.0 * pen).max(0.85 * LETTER_PENS * pen),
                ),
            }
        })
        .collect()
}
