//! Lines of one height through a grid of samples (marching squares: Lorensen & Cline 1987, in the plane).

use std::collections::BTreeMap;

use kurbo::Point;

/// A sample by its column and row.
pub type Samples<'a> = dyn Fn(usize, usize) -> f64 + 'a;

/// An edge between two neighbouring samples: column and row of the first, and whether the second
/// lies below it.
type Crossing = (usize, usize, bool);

/// The lines on which samples reach `level`, from the crossing after one sample to that after the next,
/// straight in between: loops with what is higher to their left (x right, y down, left by the sense of
/// positive area), not closed where they end at the grid's. A sample's own place is its column and row.
pub fn loops([columns, rows]: [usize; 2], at: &Samples, level: f64) -> Vec<Vec<Point>> {
    let mut next: BTreeMap<Crossing, Crossing> = BTreeMap::new();
    let mut order: Vec<Crossing> = Vec::new();
    for y in 0..rows.saturating_sub(1) {
        for x in 0..columns.saturating_sub(1) {
            for (from, to) in steps(at, level, x, y) {
                next.insert(from, to);
                order.push(from);
            }
        }
    }
    let mut loops = Vec::new();
    for start in order {
        let mut ring = Vec::new();
        let mut from = start;
        while let Some(to) = next.remove(&from) {
            ring.push(place(at, level, from));
            from = to;
        }
        if ring.len() > 2 {
            loops.push(ring);
        }
    }
    loops
}

/// The lines through the square between four samples, from crossing to crossing.
fn steps(at: &Samples, level: f64, x: usize, y: usize) -> Vec<(Crossing, Crossing)> {
    let corner = |dx: usize, dy: usize| at(x + dx, y + dy);
    let corners = [corner(0, 0), corner(1, 0), corner(1, 1), corner(0, 1)];
    let inside = corners.map(|s| s >= level);
    let sides: [Crossing; 4] = [
        (x, y, false),
        (x + 1, y, true),
        (x, y + 1, false),
        (x, y, true),
    ];
    // Going round the square with x right and y down, what is higher is entered over one side and
    // left over another; the line that keeps it to its left leads from the one to the other.
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
            // A saddle: its middle decides whether what is higher hangs together.
            let joined = corners.iter().sum::<f64>() / 4.0 >= level;
            let turn = if joined { 3 } else { 1 };
            [*a, *b].map(|e| (sides[(e + turn) % 4], sides[e])).to_vec()
        }
        _ => Vec::new(),
    }
}

fn place(at: &Samples, level: f64, (x, y, down): Crossing) -> Point {
    let (dx, dy) = if down { (0, 1) } else { (1, 0) };
    let (a, b) = (at(x, y), at(x + dx, y + dy));
    let t = ((level - a) / (b - a)).clamp(0.0, 1.0);
    Point::new(x as f64 + t * dx as f64, y as f64 + t * dy as f64)
}
