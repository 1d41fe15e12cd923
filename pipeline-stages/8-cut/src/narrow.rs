//! Where an outline is narrower than the material can hold, or its gaps narrower than can be
//! cleared.
//!
//! The width at a place is the diameter of the largest disc inside the material (or the gap) that
//! touches the outline there: a point of the medial axis, found by shrinking a disc until nothing
//! of the outline is inside it (Ma, Bae, Choi: "3D medial axis point approximation using nearest
//! neighbors and the normal field", The Visual Computer 28, 2012; here in the plane). In a corner
//! such discs shrink to nothing; so only those count whose two contacts lie nearly opposite.

use std::collections::BTreeMap;

use kurbo::{ParamCurve, ParamCurveArclen, ParamCurveDeriv, PathSeg, Point, Vec2};
use measures::{Mm, Outline};

/// What is too narrow.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Narrow {
    /// Material between two edges.
    Stroke,
    /// Free space between two edges.
    Gap,
}

/// A place where an outline is too narrow.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NarrowPlace {
    /// What is too narrow.
    pub kind: Narrow,
    /// The middle of its narrowest spot, on the outline's plane.
    pub at: measures::Point<Mm>,
    /// Width there, in millimetres.
    pub width_mm: f64,
    /// How far the place too narrow extends, in millimetres.
    pub length_mm: f64,
}

impl NarrowPlace {
    /// The place in a shop's words: what, how narrow, where on the emblem as worn (`frame` is its
    /// bounding box), and what the material needs.
    pub fn words(&self, frame: kurbo::Rect, limit_mm: f64) -> String {
        let what = match self.kind {
            Narrow::Stroke => "Material only",
            Narrow::Gap => "A gap of only",
        };
        format!(
            "{what} {:.1} mm wide over {:.0} mm, {:.0} mm from the left and {:.0} mm from the top \
             of the emblem; the material needs {limit_mm} mm.",
            self.width_mm,
            self.length_mm.max(1.0),
            self.at.x - frame.x0,
            self.at.y - frame.y0,
        )
    }
}

/// Distance between neighbouring samples of the outline, in relation to the narrowest width asked
/// for, and at most.
const SPACING: f64 = 0.04;
const LARGEST_SPACING_MM: f64 = 0.05;
/// Cosine of 150°: contacts further apart face each other; a point sharper than about 30° counts
/// as a narrow stroke, a blunter one as a corner.
const OPPOSITE_COSINE: f64 = -0.866_025_403_784_438_6;
/// Share of its radius within which the outline counts as touching a disc.
const TOUCHING: f64 = 2e-3;
/// Distances of samples that a narrow place must exceed in some way to be one.
const RESOLVED: f64 = 3.0;
/// Bounds the time for an outline that is nothing but edge.
const MOST_SAMPLES: f64 = 400_000.0;

/// All places narrower than `min_stroke_mm` (material) or `min_gap_mm` (free space), the
/// narrowest first. A limit of 0 asks for nothing.
pub fn narrow_places<H>(
    outline: &Outline<Mm, H>,
    min_stroke_mm: f64,
    min_gap_mm: f64,
) -> Vec<NarrowPlace> {
    let limits = [
        (Narrow::Stroke, min_stroke_mm, 1.0),
        (Narrow::Gap, min_gap_mm, -1.0),
    ];
    let mut places: Vec<NarrowPlace> = limits
        .into_iter()
        .filter(|(_, limit, _)| *limit > 0.0)
        .flat_map(|(kind, limit, side)| {
            let edge = Edge::new(outline, limit, side);
            places(kind, &edge.narrow_discs(limit), limit)
        })
        .collect();
    places.sort_by(|a, b| a.width_mm.total_cmp(&b.width_mm).then(a.kind.cmp(&b.kind)));
    places
}

/// A point of the outline and the direction into what is measured.
#[derive(Clone, Copy)]
struct Sample {
    at: Point,
    inward: Vec2,
}

/// The largest disc that touches the outline at a sample.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Disc {
    pub(crate) centre: Point,
    pub(crate) diameter: f64,
}

/// The outline as samples, found by place.
pub(crate) struct Edge {
    samples: Vec<Sample>,
    cells: BTreeMap<(i32, i32), Vec<usize>>,
    cell: f64,
    /// Distance between neighbouring samples, at most.
    spacing: f64,
}

impl Edge {
    /// `side` is 1 to look into the material, −1 to look out of it.
    pub(crate) fn new<H>(outline: &Outline<Mm, H>, limit_mm: f64, side: f64) -> Self {
        let spacing = (SPACING * limit_mm)
            .min(LARGEST_SPACING_MM)
            .max(outline.perimeter() / MOST_SAMPLES);
        let samples: Vec<Sample> = outline
            .contours()
            .iter()
            .flat_map(kurbo::BezPath::segments)
            .flat_map(|s| samples(s, spacing, side))
            .collect();
        let mut edge = Self {
            samples,
            cells: BTreeMap::new(),
            cell: limit_mm / 2.0,
            spacing,
        };
        for (i, sample) in edge.samples.iter().enumerate() {
            edge.cells
                .entry(edge.cell_of(sample.at))
                .or_default()
                .push(i);
        }
        edge
    }

    fn cell_of(&self, p: Point) -> (i32, i32) {
        (
            (p.x / self.cell).floor() as i32,
            (p.y / self.cell).floor() as i32,
        )
    }

    /// The discs narrower than the limit, in order along the outline.
    pub(crate) fn narrow_discs(&self, limit_mm: f64) -> Vec<Disc> {
        let discs: Vec<Disc> = self
            .samples
            .iter()
            .filter_map(|s| self.narrow_disc(s, limit_mm / 2.0))
            .collect();
        let mut real = vec![false; discs.len()];
        for group in groups(&discs, limit_mm) {
            let is_resolved = self.is_resolved(group.iter().map(|&i| discs[i]));
            for i in group {
                real[i] = is_resolved;
            }
        }
        let kept = discs.into_iter().zip(real).filter(|(_, real)| *real);
        kept.map(|(disc, _)| disc).collect()
    }

    /// The discs of strokes, without those of points: where short sides run out to nothing, no pen
    /// can go without a knob at its end.
    pub(crate) fn without_points(&self, discs: &[Disc], limit_mm: f64) -> Vec<Disc> {
        let mut stroke = vec![false; discs.len()];
        for group in groups(discs, limit_mm) {
            let place = group.iter().map(|&i| discs[i]);
            let ends_in_a_point = place.clone().any(|d| d.diameter < RESOLVED * self.spacing);
            let is_stroke = !ends_in_a_point || extent(place) > limit_mm;
            for i in group {
                stroke[i] = is_stroke;
            }
        }
        let kept = discs.iter().zip(stroke).filter(|(_, stroke)| *stroke);
        kept.map(|(disc, _)| *disc).collect()
    }

    /// Whether discs are more than what unevenly spaced samples make of a corner's tip: some of
    /// them larger than the samples' distance, or all of them along a line longer than it.
    fn is_resolved(&self, discs: impl Iterator<Item = Disc> + Clone) -> bool {
        let smallest = RESOLVED * self.spacing;
        extent(discs.clone()) > smallest || discs.map(|d| d.diameter).fold(0.0, f64::max) > smallest
    }

    /// The largest disc at a sample, if it is smaller than `radius` and squeezed between opposite
    /// edges.
    fn narrow_disc(&self, sample: &Sample, limit: f64) -> Option<Disc> {
        let mut radius = limit;
        loop {
            let centre = sample.at + radius * sample.inward;
            let Some(intruder) = self.deepest_inside(centre, radius) else {
                let squeezed = radius < limit && self.is_touched_opposite(centre, radius, sample);
                return squeezed.then_some(Disc {
                    centre,
                    diameter: 2.0 * radius,
                });
            };
            let to = intruder - sample.at;
            // The disc through both points that still touches the outline here.
            let smaller = to.hypot2() / (2.0 * to.dot(sample.inward));
            if !(smaller > 0.0 && smaller < radius) {
                return None;
            }
            radius = smaller;
        }
    }

    /// The sample nearest to the centre, if it lies inside the disc; touching is not inside.
    fn deepest_inside(&self, centre: Point, radius: f64) -> Option<Point> {
        self.within(centre, radius * (1.0 - TOUCHING))
            .min_by(|a, b| {
                a.distance_squared(centre)
                    .total_cmp(&b.distance_squared(centre))
            })
    }

    /// Whether the outline touches the disc across from `sample` too.
    fn is_touched_opposite(&self, centre: Point, radius: f64, sample: &Sample) -> bool {
        self.within(centre, radius * (1.0 + TOUCHING))
            .any(|p| (p - centre).normalize().dot(-sample.inward) <= OPPOSITE_COSINE)
    }

    fn within(&self, centre: Point, radius: f64) -> impl Iterator<Item = Point> {
        let reach = Vec2::new(radius, radius);
        let (low, high) = (self.cell_of(centre - reach), self.cell_of(centre + reach));
        (low.0..=high.0)
            .flat_map(move |x| (low.1..=high.1).map(move |y| (x, y)))
            .filter_map(|key| self.cells.get(&key))
            .flatten()
            .map(|&i| self.samples[i].at)
            .filter(move |p| p.distance_squared(centre) < radius * radius)
    }
}

/// Points of a segment with the direction to the left of its course, where the material lies;
/// never at its ends, which may be corners.
fn samples(segment: PathSeg, spacing: f64, side: f64) -> impl Iterator<Item = Sample> {
    let cubic = segment.to_cubic();
    let length = segment.arclen(0.1 * spacing);
    let count = (length / spacing).ceil().max(1.0) as usize;
    let derivative = cubic.deriv();
    (0..count).filter_map(move |i| {
        let t = (i as f64 + 0.5) / count as f64;
        let along = derivative.eval(t).to_vec2();
        let inward = Vec2::new(-along.y, along.x) * (side / along.hypot());
        inward.is_finite().then(|| Sample {
            at: segment.eval(t),
            inward,
        })
    })
}

/// How far the discs' middles lie apart.
fn extent(discs: impl Iterator<Item = Disc>) -> f64 {
    discs
        .map(|d| kurbo::Rect::from_points(d.centre, d.centre))
        .reduce(|a, b| a.union(b))
        .map_or(0.0, |r| r.width().hypot(r.height()))
}

/// Groups of discs that overlap or lie side by side, by their indices, in order.
fn groups(discs: &[Disc], limit_mm: f64) -> Vec<Vec<usize>> {
    let cell = limit_mm / 2.0;
    let cell_of = |p: Point| ((p.x / cell).floor() as i32, (p.y / cell).floor() as i32);
    let mut by_cell: BTreeMap<(i32, i32), Vec<usize>> = BTreeMap::new();
    for (i, disc) in discs.iter().enumerate() {
        by_cell.entry(cell_of(disc.centre)).or_default().push(i);
    }
    let mut found = Vec::new();
    let mut seen = vec![false; discs.len()];
    for first in 0..discs.len() {
        if seen[first] {
            continue;
        }
        seen[first] = true;
        let mut group = vec![first];
        let mut next = 0;
        while let Some(&member) = group.get(next) {
            next += 1;
            let (x, y) = cell_of(discs[member].centre);
            for key in (-1..=1).flat_map(|dx| (-1..=1).map(move |dy| (x + dx, y + dy))) {
                for &other in by_cell.get(&key).into_iter().flatten() {
                    let near = discs[other].centre.distance(discs[member].centre) < cell;
                    if near && !seen[other] {
                        seen[other] = true;
                        group.push(other);
                    }
                }
            }
        }
        group.sort_unstable();
        found.push(group);
    }
    found
}

/// The places that discs make.
fn places(kind: Narrow, discs: &[Disc], limit_mm: f64) -> Vec<NarrowPlace> {
    groups(discs, limit_mm)
        .iter()
        .filter_map(|group| place(kind, group.iter().map(|&i| discs[i])))
        .collect()
}

fn place(kind: Narrow, discs: impl Iterator<Item = Disc> + Clone) -> Option<NarrowPlace> {
    let narrowest = discs
        .clone()
        .min_by(|a, b| a.diameter.total_cmp(&b.diameter))?;
    let extent = discs
        .map(|d| kurbo::Rect::from_points(d.centre, d.centre))
        .reduce(|a, b| a.union(b))?;
    Some(NarrowPlace {
        kind,
        at: narrowest.centre.into(),
        width_mm: narrowest.diameter,
        length_mm: extent.width().hypot(extent.height()),
    })
}
