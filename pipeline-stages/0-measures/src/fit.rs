//! What the fit stage hands on.

use serde::{Deserialize, Serialize};

use crate::cloth::ClothPlane;
use crate::map::Map;
use crate::unit::{Art, Mm, Point, Px};

/// What the figures allow. Ordered from best to worst, so that a job's verdict is the maximum of
/// its emblems'.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// The figures support cutting material now.
    Cut,
    /// A person should look at the named reasons first.
    Look,
    /// Do not cut.
    Hold,
}

/// One place on the fitted outline, compared with the residue there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EdgeSample {
    /// The place on the fitted outline.
    pub at: Point<Px>,
    /// How far the residue's edge lies outside (+) or inside (−) the fitted outline, bleed
    /// removed, in millimetres on the cloth; `None` where no edge is seen.
    pub offset_mm: Option<f64>,
    /// Length of outline that this sample stands for, in millimetres.
    pub length_mm: f64,
}

/// A place where the residue and the artwork differ as two versions of an emblem would.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Suspicion {
    /// What is suspected there.
    pub what: Suspected,
    /// The place in the photo, where there is one.
    pub at: Option<Point<Px>>,
    /// The area that differs, in mm²; of surplus and missing parts that of all together, the largest
    /// of which lies at `at`.
    pub area_mm2: f64,
}

/// How the residue differs from the artwork.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Suspected {
    /// Residue where the artwork has none.
    Surplus,
    /// A hole in the residue that looks made, not worn.
    MadeHole,
    /// Whole parts of the artwork left no residue.
    MissingParts,
}

/// An artwork registered to the residue.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// Artwork units to millimetres on the cloth plane: size, turn and place.
    pub art_to_cloth: Map<Art, Mm>,
    /// Artwork units to photo pixels, remaining tilt included.
    pub art_to_photo: Map<Art, Px>,
    /// Millimetres for one artwork unit: the size to cut.
    pub mm_per_art: f64,
    /// Clockwise as seen, from the photo's x axis, in degrees.
    pub rotation_deg: f64,
    /// Even offset of the residue's edge outside the artwork's, in millimetres.
    pub bleed_mm: f64,
    /// Mean absolute distance between fitted and seen edge, in millimetres.
    pub edge_mean_mm: f64,
    /// 95th percentile of that distance, in millimetres.
    pub edge_p95_mm: f64,
    /// Share of the outline's length that the residue supports, 0 to 1.
    pub outline_seen: f64,
    /// Expanded uncertainty (k = 2) of the size, in per cent, the scale's included.
    pub u_size_percent: f64,
    /// Expanded uncertainty (k = 2) of the place, in millimetres.
    pub u_shift_mm: f64,
    /// Expanded uncertainty (k = 2) of the rotation, in degrees.
    pub u_rotation_deg: f64,
    /// Largest expanded uncertainty (k = 2) of any outline point across the outline's course, size,
    /// place, turn and tilt taken together, in millimetres.
    pub u_outline_mm: f64,
    /// Expanded uncertainty (k = 2) of where the emblem's middle is seen in the photo, in
    /// millimetres of cloth there: the plane's doubt hardly matters to it.
    pub u_middle_mm: f64,
    /// How far the residue stands out of the cloth's own noise: the matched filter's
    /// signal-to-noise ratio.
    pub signal_to_noise: f64,
    /// The outline against the residue, place by place.
    pub samples: Vec<EdgeSample>,
}

impl Fit {
    /// Where the artwork lies on the cloth as `plane` lays it flat. What the artwork's own shape
    /// said of the tilt is in `art_to_cloth`, but not in anything else seen through that plane.
    pub fn lies_on(&self, plane: &ClothPlane) -> Map<Art, Mm> {
        let n = self.samples.len().max(1) as f64;
        let middle = self.samples.iter().fold(Point::new(0.0, 0.0), |sum, s| {
            Point::new(sum.x + s.at.x / n, sum.y + s.at.y / n)
        });
        plane
            .as_straight(&self.art_to_photo, middle)
            .then(plane.to_cloth())
    }
}
