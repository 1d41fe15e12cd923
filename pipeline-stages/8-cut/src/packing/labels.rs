//! Places for the pieces' numbers: outside all shapes, beside the piece that they name.

use kurbo::{BezPath, Point, Rect, Shape, Size, Vec2};

use super::board::Board;
use super::mask::{Mask, frame_of};

const CELL_MM: f64 = 0.5;
/// Free space round a number, in cells.
const ROOM: i32 = 2;
/// A place further from its piece is no better than none.
const REACH_MM: f64 = 20.0;

/// Where a number stands: the box for it and the point of its piece that it belongs to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Label {
    /// The number's box on the sheet.
    pub(crate) frame: Rect,
    /// The nearest place of the piece's own outline.
    pub(crate) points_at: Point,
}

/// A place for a number of each size beside each piece on a sheet; `None` where all is full.
pub(crate) fn labels(pieces: &[&[BezPath]], sizes: &[Size], sheet: Size) -> Vec<Option<Label>> {
    let cells = |mm: f64| (mm / CELL_MM).ceil() as i32;
    let mut board = Board::new(cells(sheet.width), None);
    for piece in pieces {
        let frame = frame_of(piece);
        // Whole cells, so that the mask lies where the piece does.
        let corner = ((frame.x0 / CELL_MM).floor(), (frame.y0 / CELL_MM).floor());
        let from = Rect::new(corner.0 * CELL_MM, corner.1 * CELL_MM, frame.x1, frame.y1);
        let mask = Mask::covering(piece, from, CELL_MM);
        board.take(&mask, (corner.0 as i32, corner.1 as i32), 0);
    }
    let mut found = Vec::with_capacity(pieces.len());
    for (piece, size) in pieces.iter().zip(sizes) {
        let (w, h) = (cells(size.width) + 2 * ROOM, cells(size.height) + 2 * ROOM);
        let points = outline_points(piece);
        let area = frame_of(piece).inflate(REACH_MM, REACH_MM);
        let rows = cells(area.y0).max(0)..cells(area.y1.min(sheet.height)) - h + 1;
        let columns = cells(area.x0).max(0)..cells(area.x1.min(sheet.width)) - w + 1;
        let middle = frame_of(piece).center();
        let free = rows
            .flat_map(|y| columns.clone().map(move |x| (x, y)))
            .filter(|&(x, y)| board.is_free((x, x + w), (y, y + h)));
        let spots = free.map(|(x, y)| {
            let at = CELL_MM * Vec2::new(f64::from(2 * x + w), f64::from(2 * y + h)) / 2.0;
            // Beside the piece first; of those the lowest, as one writes below a picture.
            let far = distance(&points, at.to_point()) - 0.02 * (at.y - middle.y);
            let in_a_hole = piece.iter().any(|c| c.winding(at.to_point()) != 0);
            (far + if in_a_hole { REACH_MM } else { 0.0 }, x, y)
        });
        let spot = spots.min_by(|a, b| a.0.total_cmp(&b.0).then((a.2, a.1).cmp(&(b.2, b.1))));
        found.push(spot.map(|(_, x, y)| {
            let mask = Mask {
                rows: vec![vec![(0, w)]; h as usize],
                columns: w,
            };
            board.take(&mask, (x, y), 0);
            let corner = Point::new(f64::from(x + ROOM) * CELL_MM, f64::from(y + ROOM) * CELL_MM);
            let frame = Rect::from_origin_size(corner, *size);
            Label {
                frame,
                points_at: nearest(&points, frame.center()),
            }
        }));
    }
    found
}

/// Points of the piece's outline, close enough together to measure from.
fn outline_points(piece: &[BezPath]) -> Vec<Point> {
    use kurbo::{ParamCurve, ParamCurveArclen};
    piece
        .iter()
        .flat_map(BezPath::segments)
        .flat_map(|s| {
            let n = (s.arclen(0.1) / 2.0).ceil().max(1.0) as usize;
            (0..n).map(move |i| s.eval(i as f64 / n as f64))
        })
        .collect()
}

fn nearest(points: &[Point], to: Point) -> Point {
    let near = |p: &&Point| p.distance_squared(to);
    let best = points.iter().min_by(|a, b| near(a).total_cmp(&near(b)));
    best.copied().unwrap_or(to)
}

fn distance(points: &[Point], to: Point) -> f64 {
    nearest(points, to).distance(to)
}
