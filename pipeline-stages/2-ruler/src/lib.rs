//! Second stage: finds the rulers in a photo, locates their ticks and reads their unit.
//!
//! Spectra of small tiles propose where regular marks might be (`propose`); the phase of the
//! marks is followed along a strip (`strip`, `row`); each mark is located to a fraction of a pixel and
//! a projective grid fitted (`marks`, `grid`); the order of long and short marks tells the
//! unit (`lengths`, `hierarchy`). Marks that keep no such order are no ruler's.

mod grid;
mod hierarchy;
mod lengths;
mod marks;
mod plane;
mod propose;
mod reading;
mod row;
mod scatter;
mod schemes;
mod strip;

use measures::Photo;
use measures::ruler::{RulerHint, RulerSearch};
use rayon::prelude::*;
use serde::Deserialize;

use plane::Plane;
use reading::Found;

/// What a shop may set about finding rulers.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// A row of fewer ticks is not taken for a ruler.
    pub min_ticks: usize,
    /// A reading less probable than this is named together with the ones that compete.
    pub sure_reading_probability: f64,
    /// Places in the photo that are looked at closely.
    pub max_candidates: usize,
}

/// Finds every ruler in the photo.
///
/// The two graduated edges of one ruler are reported as two rulers, each with its own ticks: both
/// help to find the cloth's plane. The most useful (longest, surest) comes first.
pub fn find(photo: &Photo, hint: &RulerHint, settings: &Settings) -> RulerSearch {
    let planes = Plane::pyramid(&photo.rgb, 48);
    let candidates = propose::candidates(&planes, settings.max_candidates);
    let found: Vec<Found> = candidates
        .par_iter()
        .filter_map(|c| reading::examine(&planes, c, hint, settings))
        .collect();
    reading::settle(found, &photo.camera, settings)
}
