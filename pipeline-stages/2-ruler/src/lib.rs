//! Second stage: finds the rulers in a photo, locates their ticks and reads their unit.
//!
//! Long straight edges (`edges`) and spectra of small tiles (`propose`, `tiles`) propose where
//! regular marks might be; the phase of the marks is followed along a strip (`strip`, `row`); each
//! mark is located to a fraction of a pixel and a projective grid fitted (`marks`, `grid`); the
//! order of long and short marks tells the unit (`lengths`, `hierarchy`). Marks that keep no such
//! order are no ruler's. Where there is no row of marks, a scale of blocks is sought (`blocks`).

mod alone;
mod blocks;
mod edges;
mod figures;
mod grid;
mod hierarchy;
mod lengths;
mod marks;
mod plane;
mod propose;
mod ranked;
mod reading;
mod row;
mod scatter;
mod schemes;
mod shadow;
mod slips;
mod strip;
mod template;
mod tiles;

use measures::Photo;
use measures::ruler::{RulerHint, RulerSearch};
use rayon::prelude::*;
use serde::Deserialize;

use plane::Plane;
use propose::Candidate;
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
    /// … where a ruler is known already: others are seldom far down the list.
    pub max_candidates_beside_ruler: usize,
}

/// Candidates examined before those are dropped that lie on what has been found: as many with any
/// number of threads, so that the result is the same.
const AT_A_TIME: usize = 4;

/// A row of so few ticks may be the one divided block of a longer scale.
const TICKS_OF_ONE_BLOCK: usize = 18;

/// Finds every ruler in the photo.
///
/// The two graduated edges of one ruler are reported as two rulers, each with its own ticks: both
/// help to find the cloth's plane. The most useful (longest, surest) comes first.
pub fn find(photo: &Photo, hint: &RulerHint, settings: &Settings) -> RulerSearch {
    let planes = Plane::pyramid(&photo.rgb, 48);
    let mut found = Vec::new();
    examine(
        &planes,
        &edges::candidates(&planes),
        &mut found,
        hint,
        settings,
    );
    // Other rulers beside one that is known lie about as far from the camera.
    let finest_px = found
        .iter()
        .filter_map(Found::finest_pitch_px)
        .fold(f64::INFINITY, f64::min);
    let finest_px = if finest_px.is_finite() {
        finest_px
    } else {
        0.0
    };
    let others = propose::candidates(&planes, finest_px, settings.max_candidates);
    examine(&planes, &others, &mut found, hint, settings);
    let mut rulers = reading::settle(&planes, found, &photo.camera, hint, settings);
    if rulers.iter().all(|r| r.ticks.len() <= TICKS_OF_ONE_BLOCK) {
        let blocks = blocks::find(&planes, hint, &photo.camera);
        if !blocks.is_empty() {
            rulers = blocks;
        }
    }
    RulerSearch {
        reasons: reading::reasons(&rulers, settings),
        rulers,
    }
}

/// Adds what is found at the candidates that do not lie on rulers found before.
fn examine(
    planes: &[Plane],
    candidates: &[Candidate],
    found: &mut Vec<Found>,
    hint: &RulerHint,
    settings: &Settings,
) {
    let mut beside_known = 0;
    let mut waiting: Vec<&Candidate> = candidates.iter().collect();
    while !waiting.is_empty() {
        let unexplained = |c: &&Candidate| !found.iter().any(|f| f.explains(c));
        waiting.retain(unexplained);
        let few = first_apart(&mut waiting);
        if found.iter().any(|f| f.finest_pitch_px().is_some()) {
            beside_known += few.len();
        }
        if beside_known > settings.max_candidates_beside_ruler {
            return;
        }
        let examined = few
            .par_iter()
            .filter_map(|c| reading::examine(planes, c, hint, settings));
        found.extend(examined.collect::<Vec<Found>>());
    }
}

/// Takes the first few that do not lie beside each other: of those that do, the first may explain
/// the rest.
fn first_apart<'a>(waiting: &mut Vec<&'a Candidate>) -> Vec<&'a Candidate> {
    let mut few: Vec<&Candidate> = Vec::new();
    waiting.retain(|c| {
        let now = few.len() < AT_A_TIME && !few.iter().any(|f| f.is_beside(c));
        if now {
            few.push(c);
        }
        !now
    });
    few
}
