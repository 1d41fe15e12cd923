//! Light away from one long edge of a ruler, and the shadow in it.

use super::ACROSS_MM;
use crate::grid::median;

/// Cloth this near to the edge is the ruler's side, or blurred with it; the shadow is deepest before
/// the second.
const SIDE_MM: f64 = 1.0;
const DEEPEST_MM: f64 = 6.0;
/// Cloth that far away is taken for unshaded: for how wide a shadow is, and for how it fades, which the
/// light's unevenness far away would hide.
const UNSHADED_MM: (f64, f64) = (20.0, 32.0);
const NEARER_MM: (f64, f64) = (10.0, 16.0);
/// Where the photo ends nearer, the outermost so much of it is, if it begins beyond the second.
const OUTERMOST_MM: f64 = 6.0;
const OUTERMOST_FROM_MM: f64 = 8.0;
/// Fewer lines do not tell the unshaded cloth's light.
const FAR_MIN: usize = 8;
/// Shadows fainter than this (natural logarithm of light) are not looked at; nor how those fade that
/// are fainter than the second: a pattern of the cloth does as well.
const MIN_DEPTH: f64 = 0.1;
const FADING_MIN_DEPTH: f64 = 0.2;

/// Residue far away that is brighter than the cloth by as much is not taken for unshaded cloth where
/// the ruler's other side shows that it is none.
const RESIDUE_MAX: f64 = 0.25;

/// Light (natural logarithm) on lines [`ACROSS_MM`] apart, from line `edge` on one way, `1` or `-1`.
pub(super) struct Profile<'a> {
    pub(super) course: &'a [Option<f64>],
    pub(super) edge: usize,
    /// The ruler's other long edge.
    pub(super) other: Option<usize>,
    pub(super) direction: i64,
}

/// A shadow and the line where it is deepest, in millimetres from the edge.
struct Dip {
    unshaded: f64,
    depth: f64,
    deepest_mm: f64,
}

/// Distance from the edge at which the shadow has faded to half.
pub(super) fn width_mm(profile: &Profile) -> Option<f64> {
    let unshaded = profile
        .unshaded(UNSHADED_MM)
        .or_else(|| profile.outermost())?;
    let dip = profile.dip(unshaded, MIN_DEPTH)?;
    profile.faded_mm(&dip, 0.5)
}

/// Distance over which it fades from three quarters of its depth to one quarter.
pub(super) fn fading_mm(profile: &Profile) -> Option<f64> {
    let dip = profile.dip(profile.unshaded(NEARER_MM)?, FADING_MIN_DEPTH)?;
    Some(profile.faded_mm(&dip, 0.25)? - profile.faded_mm(&dip, 0.75)?)
}

impl Profile<'_> {
    fn at(&self, mm: f64) -> Option<f64> {
        let k = self.edge as i64 + self.direction * (mm / ACROSS_MM).round() as i64;
        self.course.get(usize::try_from(k).ok()?).copied()?
    }

    /// Usual light between two distances.
    fn light(&self, (from, to): (f64, f64)) -> Option<f64> {
        let mut light: Vec<f64> = steps(from, to).filter_map(|mm| self.at(mm)).collect();
        (light.len() >= FAR_MIN).then(|| median(&mut light))
    }

    /// Usual light of the cloth between two distances, by the darker side of the ruler.
    fn unshaded(&self, range_mm: (f64, f64)) -> Option<f64> {
        let own = self.light(range_mm)?;
        let behind = self.other.and_then(|edge| {
            let behind = Profile {
                edge,
                direction: -self.direction,
                ..*self
            };
            behind.light(range_mm)
        });
        Some(behind.map_or(own, |behind| behind.clamp(own - RESIDUE_MAX, own)))
    }

    fn outermost(&self) -> Option<f64> {
        let seen = steps(OUTERMOST_FROM_MM, UNSHADED_MM.1).take_while(|mm| self.at(*mm).is_some());
        let from = seen.last()? - OUTERMOST_MM;
        (from >= OUTERMOST_FROM_MM).then(|| self.light((from, from + OUTERMOST_MM)))?
    }

    fn dip(&self, unshaded: f64, min_depth: f64) -> Option<Dip> {
        let near = steps(SIDE_MM, DEEPEST_MM).filter_map(|mm| Some((self.at(mm)?, mm)));
        let (least, deepest_mm) = near.min_by(|a, b| a.0.total_cmp(&b.0))?;
        let depth = unshaded - least;
        (depth >= min_depth).then_some(Dip {
            unshaded,
            depth,
            deepest_mm,
        })
    }

    /// Distance at which a shadow has faded to this share of its depth.
    fn faded_mm(&self, dip: &Dip, share: f64) -> Option<f64> {
        let left = |mm: f64| self.at(mm).map(|light| (dip.unshaded - light) / dip.depth);
        let dark = |mm: &f64| left(*mm).is_none_or(|left| left > share);
        let mm = steps(dip.deepest_mm, UNSHADED_MM.0)
            .take_while(dark)
            .last()?;
        let on = left(mm).zip(left(mm + ACROSS_MM));
        let beyond = on.map_or(0.0, |(before, after)| (before - share) / (before - after));
        Some(mm + ACROSS_MM * beyond.clamp(0.0, 1.0))
    }
}

/// Distances [`ACROSS_MM`] apart.
fn steps(from: f64, to: f64) -> impl Iterator<Item = f64> {
    let count = ((to - from) / ACROSS_MM) as i32;
    (0..count).map(move |k| from + f64::from(k) * ACROSS_MM)
}
