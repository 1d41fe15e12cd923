//! A piece as the cells of a grid that it touches.

use kurbo::{BezPath, Point, Rect, Shape};

/// Columns from the first to before the second.
pub(super) type Span = (i32, i32);

/// How far the polygon that is drawn into the cells may lie from the curves, in cells.
pub(super) const FLATNESS_CELLS: f64 = 0.05;
/// What touches a cell's edge by less does not reach into it, in cells.
const TOUCH_CELLS: f64 = 1e-6;

/// Cells row by row, from the upper left corner of the piece's own box.
#[derive(Clone, Debug, Default)]
pub(super) struct Mask {
    pub(super) rows: Vec<Vec<Span>>,
    pub(super) columns: i32,
}

impl Mask {
    /// Every cell that the contours' inside touches, so that no part of the piece is outside.
    pub(super) fn covering(contours: &[BezPath], frame: Rect, cell_mm: f64) -> Self {
        let cells = |mm: f64| ((mm / cell_mm - TOUCH_CELLS).ceil() as i32).max(1);
        let (columns, height) = (cells(frame.width()), cells(frame.height()));
        let mut mask = Self {
            rows: vec![Vec::new(); height as usize],
            columns,
        };
        let mut crossings: Vec<Vec<f64>> = vec![Vec::new(); height as usize];
        for (a, b) in edges(contours, frame, cell_mm) {
            mask.touch(a, b);
            cross(a, b, &mut crossings);
        }
        for (row, crossings) in mask.rows.iter_mut().zip(&mut crossings) {
            crossings.sort_by(f64::total_cmp);
            let inside = |c: &[f64]| (c[0] as i32, (c[1] - TOUCH_CELLS).ceil() as i32);
            row.extend(crossings.chunks_exact(2).map(inside));
            *row = joined(std::mem::take(row), columns);
        }
        mask
    }

    /// Marks the cells that an edge goes through.
    fn touch(&mut self, a: Point, b: Point) {
        let (top, bottom) = if a.y <= b.y { (a, b) } else { (b, a) };
        let last = self.rows.len() as i32 - 1;
        let low = ((top.y + TOUCH_CELLS) as i32).min(last);
        let high = ((bottom.y - TOUCH_CELLS).max(0.0) as i32).clamp(low, last);
        let slope = (bottom.x - top.x) / (bottom.y - top.y).max(f64::MIN_POSITIVE);
        let at = |y: f64| {
            if y <= top.y {
                top.x
            } else if y >= bottom.y {
                bottom.x
            } else {
                top.x + slope * (y - top.y)
            }
        };
        for row in low..=high {
            let (x0, x1) = (at(f64::from(row)), at(f64::from(row + 1)));
            let first = (x0.min(x1) + TOUCH_CELLS) as i32;
            let end = (x0.max(x1) - TOUCH_CELLS).ceil() as i32;
            // Along the edge between two cells it touches neither.
            self.rows[row as usize].push((first, end));
        }
    }

    /// All cells that lie nearer than `reach` cells to one of the mask's own, and how far their
    /// first row and column lie before the mask's.
    pub(super) fn spread(&self, reach: f64) -> (Self, i32) {
        let before = reach.ceil() as i32;
        // Boxes of cells, not their middles: a cell's neighbour has no distance.
        let apart = |cells: i32| f64::from((cells.abs() - 1).max(0));
        let aside: Vec<(i32, i32)> = (-before..=before)
            .filter(|dy| apart(*dy) < reach)
            .map(|dy| {
                let width = (reach * reach - apart(dy).powi(2)).sqrt();
                (dy, width.ceil() as i32)
            })
            .collect();
        let height = self.rows.len() as i32 + 2 * before;
        let columns = self.columns + 2 * before;
        let mut rows: Vec<Vec<Span>> = vec![Vec::new(); height as usize];
        for (y, row) in self.rows.iter().enumerate() {
            for &(dy, width) in &aside {
                let spans = row
                    .iter()
                    .map(|(a, b)| (a + before - width, b + before + width));
                rows[(y as i32 + before + dy) as usize].extend(spans);
            }
        }
        let rows = rows.into_iter().map(|row| joined(row, columns)).collect();
        (Self { rows, columns }, before)
    }

    /// Spans in the order to try them: neighbours say much the same, so they lie far apart.
    pub(super) fn probes(&self) -> Vec<(i32, Span)> {
        let spans = self.rows.iter().enumerate();
        let all: Vec<(i32, Span)> = spans
            .flat_map(|(y, row)| row.iter().map(move |s| (y as i32, *s)))
            .collect();
        let stride = (all.len() as f64 * 0.618) as usize;
        let stride = (stride.max(1)..=all.len() + 1)
            .find(|s| gcd(*s, all.len()) == 1)
            .unwrap_or(1);
        (0..all.len())
            .map(|i| all[i * stride % all.len()])
            .collect()
    }
}

fn gcd(a: usize, b: usize) -> usize {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// Overlapping and adjoining spans made one, inside the columns.
fn joined(mut spans: Vec<Span>, columns: i32) -> Vec<Span> {
    spans.sort_unstable();
    let mut out: Vec<Span> = Vec::new();
    for (a, b) in spans {
        let (a, b) = (a.max(0), b.min(columns));
        match out.last_mut() {
            _ if a >= b => {}
            Some(last) if a <= last.1 => last.1 = last.1.max(b),
            _ => out.push((a, b)),
        }
    }
    out
}

/// The contours' edges in cells, from the frame's corner.
fn edges(contours: &[BezPath], frame: Rect, cell_mm: f64) -> Vec<(Point, Point)> {
    let mut edges = Vec::new();
    let place = |p: Point| ((p - frame.origin()) / cell_mm).to_point();
    for contour in contours {
        let (mut first, mut at) = (Point::ORIGIN, Point::ORIGIN);
        kurbo::flatten(contour, FLATNESS_CELLS * cell_mm, |element| match element {
            kurbo::PathEl::MoveTo(p) => {
                first = place(p);
                at = first;
            }
            kurbo::PathEl::LineTo(p) => {
                edges.push((at, place(p)));
                at = place(p);
            }
            _ => edges.push((at, first)),
        });
    }
    edges
}

/// Notes where an edge crosses the middles of rows.
fn cross(a: Point, b: Point, crossings: &mut [Vec<f64>]) {
    let (top, bottom) = if a.y <= b.y { (a, b) } else { (b, a) };
    let row = |y: f64| (y - 0.5).ceil().max(0.0) as usize;
    for (y, line) in crossings
        .iter_mut()
        .enumerate()
        .take(row(bottom.y))
        .skip(row(top.y))
    {
        let share = (y as f64 + 0.5 - top.y) / (bottom.y - top.y);
        line.push((top.x + share * (bottom.x - top.x)).max(0.0));
    }
}

/// The box round all contours.
pub(super) fn frame_of(contours: &[BezPath]) -> Rect {
    contours
        .iter()
        .map(Shape::bounding_box)
        .reduce(|a, b| a.union(b))
        .unwrap_or(Rect::ZERO)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mask(d: &str) -> Mask {
        let contours = [BezPath::from_svg(d).expect("valid")];
        Mask::covering(&contours, frame_of(&contours), 1.0)
    }

    #[test]
    fn whole_cells_are_covered_and_no_more() {
        assert_eq!(mask("M3 3 h4 v2 h-4 z").rows, [[(0, 4)], [(0, 4)]]);
    }

    #[test]
    fn every_touched_cell_counts() {
        let triangle = mask("M0 0 L3 3 L0 3 Z");
        assert_eq!(triangle.rows, [[(0, 1)], [(0, 2)], [(0, 3)]]);
        let slant = mask("M0 0.5 L4 0 L4 1 Z");
        assert_eq!(slant.rows, [[(0, 4)]]);
    }

    #[test]
    fn a_bay_stays_free() {
        let bay = mask("M0 0 h6 v1 h-5 v3 h5 v1 h-6 z");
        assert_eq!(bay.rows[2], [(0, 1)]);
    }

    #[test]
    fn what_is_spread_keeps_its_distance_from_cell_to_cell() {
        let (wide, before) = mask("M0 0 h1 v1 h-1 z").spread(2.0);
        assert_eq!(before, 2);
        // A cell two away leaves one free between: nearer than 2.
        assert_eq!(wide.rows[2], [(0, 5)]);
        assert_eq!(wide.rows[0], [(0, 5)]);
    }
}
