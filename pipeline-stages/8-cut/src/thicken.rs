//! What must be added to an outline, and taken away, for the material to hold it: no more than
//! that.
//!
//! Where a stroke is too narrow, its middle line (the centres of the largest discs inside it) is
//! drawn again with a round pen as wide as the material needs; where a gap is, it is cleared the
//! same way. Short points stay as they are drawn.

use kurbo::{BezPath, Cap, Join, Point, Stroke, StrokeOpts};
use measures::{Mm, Outline};

use crate::narrow::{Edge, Narrow};

/// What an outline needs, as areas.
#[derive(Clone, Debug, Default)]
pub struct Thickening {
    /// Areas to add.
    pub add: Vec<BezPath>,
    /// Areas to take away.
    pub take: Vec<BezPath>,
    /// How far the outline moves at most, in millimetres.
    pub deviation_mm: f64,
}

/// Middle lines keep their place to within this.
const SMOOTH_MM: f64 = 0.01;
/// A stroke is made wider than the limit by this, so that it is not found too narrow again.
const SPARE_MM: f64 = 0.01;
/// Discs further apart than this share of the limit do not belong to one stroke.
const NEIGHBOURS: f64 = 0.25;

/// What brings strokes (or gaps) narrower than `limit_mm` to that width; nothing where all is
/// wide enough.
pub fn thickening<H>(outline: &Outline<Mm, H>, kind: Narrow, limit_mm: f64) -> Thickening {
    if limit_mm <= 0.0 {
        return Thickening::default();
    }
    let side = match kind {
        Narrow::Stroke => 1.0,
        Narrow::Gap => -1.0,
    };
    let edge = Edge::new(outline, limit_mm, side);
    let discs = edge.without_points(&edge.narrow_discs(limit_mm), limit_mm);
    let Some(narrowest) = discs.iter().map(|d| d.diameter).reduce(f64::min) else {
        return Thickening::default();
    };
    let width_mm = limit_mm + SPARE_MM;
    let pen = Stroke::new(width_mm)
        .with_join(Join::Round)
        .with_caps(Cap::Round);
    let centres: Vec<Point> = discs.iter().map(|d| d.centre).collect();
    let lines = centres.chunk_by(|a, b| a.distance(*b) < NEIGHBOURS * limit_mm);
    let areas = lines
        .map(|line| kurbo::stroke(drawn(line), &pen, &StrokeOpts::default(), 0.1 * SMOOTH_MM))
        .collect();
    let (add, take) = match kind {
        Narrow::Stroke => (areas, Vec::new()),
        Narrow::Gap => (Vec::new(), areas),
    };
    Thickening {
        add,
        take,
        deviation_mm: (width_mm - narrowest) / 2.0,
    }
}

/// The line through the points, with few corners.
fn drawn(points: &[Point]) -> BezPath {
    let mut path = BezPath::new();
    let kept = simplified(points);
    path.move_to(kept[0]);
    for p in kept.iter().skip(1) {
        path.line_to(*p);
    }
    if kept.len() == 1 {
        // A dot: a round pen needs a direction all the same.
        path.line_to(kept[0] + kurbo::Vec2::new(1e-3, 0.0));
    }
    path
}

/// Points that keep the line within [`SMOOTH_MM`] (Douglas & Peucker 1973).
fn simplified(points: &[Point]) -> Vec<Point> {
    let mut keep = vec![false; points.len()];
    let mut stack = vec![(0, points.len() - 1)];
    keep[0] = true;
    keep[points.len() - 1] = true;
    while let Some((from, to)) = stack.pop() {
        let line = kurbo::Line::new(points[from], points[to]);
        let off = |i: &usize| {
            use kurbo::ParamCurveNearest;
            line.nearest(points[*i], 0.0).distance_sq
        };
        let furthest = (from + 1..to).max_by(|a, b| off(a).total_cmp(&off(b)));
        if let Some(i) = furthest.filter(|i| off(i) > SMOOTH_MM * SMOOTH_MM) {
            keep[i] = true;
            stack.extend([(from, i), (i, to)]);
        }
    }
    let kept = points.iter().zip(&keep).filter(|(_, k)| **k);
    let mut kept: Vec<Point> = kept.map(|(p, _)| *p).collect();
    kept.dedup_by(|a, b| a.distance(*b) < 1e-6);
    kept
}
