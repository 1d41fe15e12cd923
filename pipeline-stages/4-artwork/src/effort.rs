//! How much work a drawing asks for, told before it is done: a file of a few kilobytes can ask for more
//! than a computer has.

use kurbo::{BezPath, ParamCurve, Point, Rect};

use crate::Error;
use crate::layers::Shape;
use crate::trace_back::{contours, piece_count, steps, within};

/// Straight pieces that stand for the curves.
const PIECES_MAX: u64 = 5_000_000;
/// Pairs of curves that meet in a cell of a grid of this many cells each way.
const MEETINGS_MAX: u64 = 500_000;
const CELLS: usize = 512;

/// # Errors
/// When the shapes' curves are too many, reach too far beyond the `frame` of what is cut, or cross one
/// another too often.
pub(crate) fn check<'a>(
    shapes: impl Iterator<Item = &'a Shape>,
    flatness: f64,
    frame: Rect,
    file: &str,
) -> Result<(), Error> {
    let too_complex = |seen: &str, limit: u64| Error::TooComplex {
        file: file.to_owned(),
        seen: seen.to_owned(),
        limit: limit as usize,
    };
    let paths: Vec<_> = shapes.flat_map(|shape| contours(&shape.path)).collect();
    let whole = paths
        .iter()
        .map(BezPath::control_box)
        .fold(frame, |whole, path| whole.union(path));
    let mut grids = [Grid::new(frame, None), Grid::new(whole, Some(frame))];
    let mut pieces = 0u64;
    for (number, segment) in (1..).zip(paths.iter().flat_map(BezPath::segments)) {
        pieces += piece_count(segment, flatness) as u64;
        if pieces > PIECES_MAX {
            let seen =
                "curves that take very many straight pieces, for their length beside what is cut";
            return Err(too_complex(seen, PIECES_MAX));
        }
        for grid in &mut grids {
            let t: Vec<f64> = steps(segment, grid.cell / 4.0).collect();
            for pair in t.windows(2) {
                grid.add(number, [pair[0], pair[1]].map(|t| segment.eval(t)));
            }
        }
        if grids.iter().any(|grid| grid.meetings > MEETINGS_MAX) {
            return Err(too_complex("very many lines that cross", MEETINGS_MAX));
        }
    }
    Ok(())
}

/// Which curves meet where.
struct Grid {
    frame: Rect,
    /// What is looked at more closely elsewhere.
    but: Option<Rect>,
    cell: f64,
    /// Curves in each cell, and the number of the last of them.
    cells: Vec<[u32; 2]>,
    meetings: u64,
}

impl Grid {
    fn new(frame: Rect, but: Option<Rect>) -> Self {
        Self {
            frame,
            but,
            cell: frame.width().max(frame.height()) / CELLS as f64,
            cells: vec![[0; 2]; CELLS * CELLS],
            meetings: 0,
        }
    }

    /// Curves are numbered from 1.
    fn add(&mut self, curve: u32, ends: [Point; 2]) {
        let Some([a, b]) = within(self.frame, ends) else {
            return;
        };
        let spots = (2.0 * a.distance(b) / self.cell).ceil().max(1.0) as usize;
        for i in 0..=spots {
            let spot = a.lerp(b, i as f64 / spots as f64);
            if self.but.is_some_and(|but| but.contains(spot)) {
                continue;
            }
            let [x, y] = [spot.x - self.frame.x0, spot.y - self.frame.y0]
                .map(|v| ((v / self.cell) as usize).min(CELLS - 1));
            let [count, last] = &mut self.cells[y * CELLS + x];
            if *last != curve {
                self.meetings += u64::from(*count);
                *count += 1;
                *last = curve;
            }
        }
    }
}
