//! Fit: artwork registered to the residue.
//!
//! `register` finds each version of the artwork without a starting guess and ranks the
//! versions by how much better one explains the photo than another; `judge` says what the
//! figures allow.

mod align;
mod border;
mod certainty;
mod coarse;
mod colour;
mod evidence;
mod find;
mod holes;
mod level;
mod pen;
mod pose;
mod refine;
mod region;
mod shape;
mod stripes;
mod structure;
mod sums;
mod turns;
mod verdict;
mod versions;

use measures::{Artwork, ClothPlane, Fit, Point, Px, ResidueField};
use serde::Deserialize;

pub use verdict::{Job, VerdictSettings, judge, suspicions};

/// The stage's section of the settings.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Smallest emblem looked for, its longer side.
    pub size_min_mm: f64,
    /// Largest emblem looked for, its longer side.
    pub size_max_mm: f64,
    /// Largest turn looked for at first, and thoroughly, either way; residue that is plain to see
    /// is found at any turn.
    pub rotation_max_deg: f64,
    /// Candidates kept from the coarse search.
    pub candidates_max: usize,
    /// Most samples along a side of the region in which the fit is refined.
    pub region_samples_max: usize,
    /// Side of the tiles from which the cloth's noise spectrum is estimated, in samples.
    pub noise_tile_samples: usize,
    /// Usual bleed of the adhesive past the emblem's edge.
    pub bleed_mm: f64,
    /// Standard uncertainty (k = 1) of that.
    pub u_bleed_mm: f64,
    /// Usual blur of the residue's edge (standard deviation).
    pub blur_mm: f64,
}

/// What the job says of the emblem, used to search the likely first.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Hint {
    /// Expected width of the emblem.
    pub expected_width_mm: Option<f64>,
}

/// One version of the artwork, fitted.
#[derive(Clone, Debug)]
pub struct Ranked {
    /// Which of the artworks handed in.
    pub artwork: usize,
    /// The artwork's file.
    pub file: String,
    /// Probability that this version is the one, 0 to 1.
    pub score: f64,
    /// The fit.
    pub fit: Fit,
    /// What speaks for and against this fit besides its figures.
    pub evidence: Evidence,
}

/// What speaks for and against a fit besides its own figures.
#[derive(Clone, Debug, Default)]
pub struct Evidence {
    /// Probability that the residue is rather the artwork's mirror image; 0 where the two look
    /// alike.
    pub mirrored_probability: f64,
    /// Signal-to-noise ratio of the best other place, as a share of this one's.
    pub rival_share: f64,
    /// Length of outline that should be visible, since the residue about it is, but is not.
    pub missing_detail_mm: f64,
    /// Area where there is residue though the artwork has none.
    pub surplus_mm2: f64,
    /// A place of the largest of it in the photo.
    pub surplus_at: Option<Point<Px>>,
    /// The hole in the residue that looks most like another version's.
    pub made_hole: MadeHole,
    /// Area of whole parts of the artwork that the residue lacks.
    pub missing_parts_mm2: f64,
    /// A place of the largest of them in the photo.
    pub missing_part_at: Option<Point<Px>>,
    /// Share of what stands out of the cloth's noise on and about the emblem that the artwork
    /// explains.
    pub explained: f64,
    /// By how many standard deviations the emblem's own shape contradicts the plane that the
    /// ruler gave.
    pub plane_pull: f64,
    /// Ratio of what the residuals do to what the cloth's noise would do; near 1 when the
    /// artwork explains all there is.
    pub residual_ratio: f64,
    /// By how much the residue is wider than the artwork's proportion, in per cent, and the
    /// standard uncertainty (k = 1) of that.
    pub stretch_percent: [f64; 2],
    /// How far the emblem stands out, in standard deviations, residuals that hang together
    /// counted as such.
    pub significance: f64,
    /// How far whole stretches of the residue's edge stray from the artwork's, in millimetres (root
    /// mean square): far where the artwork is not the one that was there.
    pub stray_mm: f64,
    /// What even the best estimate would err by.
    pub least_deviation: LeastDeviation,
}

/// The Cramér–Rao bound (k = 1) for the cloth's noise, the plane known: bleed, blur and local
/// contrasts are estimated too.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LeastDeviation {
    /// Of the size.
    pub size_percent: f64,
    /// Of the place, both directions together.
    pub place_mm: f64,
}

/// A hole in the residue where the artwork has none.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct MadeHole {
    /// Probability that it was made, not worn, among holes of which one in five was.
    pub probability: f64,
    /// Its area.
    pub area_mm2: f64,
    /// Its middle in the photo; `None` when there is no such hole.
    pub at: Option<Point<Px>>,
}

/// Every version, best first.
#[derive(Clone, Debug, Default)]
pub struct Ranking {
    /// The versions that could be fitted.
    pub versions: Vec<Ranked>,
    /// Probability that none of them is the one.
    pub none_of_these: f64,
}

impl Ranking {
    /// The most probable version.
    pub fn best(&self) -> Option<&Ranked> {
        self.versions.first()
    }
}

/// Registers every artwork to the residue and ranks them.
///
/// An artwork whose outline has no area, or that fits nowhere in the grid, is left out.
pub fn register(
    field: &ResidueField,
    plane: &ClothPlane,
    artworks: &[Artwork],
    hint: &Hint,
    settings: &Settings,
) -> Ranking {
    let levels = level::Level::pyramid(field, settings);
    versions::rank(&levels, plane, artworks, hint, settings)
}
