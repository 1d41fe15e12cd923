//! The rim of an emblem's residue: glue that was squeezed out along the emblem's edge while it was
//! pressed lies thicker there than inside (common practice, no source; not every emblem has one).
//!
//! Where the residue has a rim along its outer edge, a hole that was made has one too. A hole that
//! has worn has none: what is left beside it is what lay there before.

use imageproc::distance_transform::Norm;
use imageproc::image::{GrayImage, Luma};
use imageproc::morphology::dilate;

use super::Presence;

/// Where an edge's rim is looked for, in from the edge; outside that of a hole.
pub(super) const RIM_MM: [f64; 2] = [0.3, 0.9];
/// No edge's rim reaches as deep as this.
const DEEP_MM: f32 = 1.8;
/// Holes' rims are looked at where the outer edge's own does not matter any more.
const CLEAR_MM: f32 = 1.3;
/// Least area that tells anything.
const TELLING_MM2: [f64; 2] = [8.0, 1.0];
/// A rim that shows less over the inside is none,
const STRENGTH_MIN: f64 = 1.2;
/// and none is told from an inside that varies more (standard deviation): there are stripes in it.
const UNEVEN_MAX: f64 = 0.25;

/// How much more residue shows along the artwork's edge than deep inside.
pub(super) struct Rim {
    deep: f64,
    strength: f64,
}

impl Rim {
    /// The rim, if there is one to speak of.
    pub(super) fn of(seen: &Presence) -> Option<Self> {
        let near_gone = seen.near_gone(DEEP_MM.into());
        let between = |from: f32, to: f32| -> Vec<usize> {
            let there = |&k: &usize| {
                (from..to).contains(&seen.depth[k]) && seen.cloth[k] > 0.5 && !near_gone[k]
            };
            (0..seen.depth.len()).filter(there).collect()
        };
        let inside = between(DEEP_MM, f32::INFINITY);
        let deep = seen.mean_share(&inside, TELLING_MM2[0])?;
        let off = |&k: &usize| (f64::from(seen.share[k]) / deep - 1.0).powi(2);
        let uneven = (inside.iter().map(off).sum::<f64>() / inside.len() as f64).sqrt();
        let edge = between(RIM_MM[0] as f32, RIM_MM[1] as f32);
        let strength = seen.mean_share(&edge, TELLING_MM2[0])? / deep;
        (strength > STRENGTH_MIN && uneven < UNEVEN_MAX).then_some(Self { deep, strength })
    }

    /// Log odds of a hole being made, by the residue in the ring about it.
    ///
    /// On painted residue with rims (19 scenes), what shows beside a worn hole is less than deep
    /// inside by some 0.15 of the rim, and beside a made one, in part worn itself, more by 0.75
    /// of it: the log likelihood ratio of two normal distributions of the same spread.
    pub(super) fn log_odds(&self, seen: &Presence, ring: &[usize]) -> Option<f64> {
        const WORN: f64 = -0.15;
        const MADE: f64 = 0.75;
        const SPREAD: f64 = 0.3;
        /// By how much the residue's strength varies from place to place.
        const UNEVEN: f64 = 0.09;
        const LEAST: f64 = -0.5;
        /// What shows more than the rim of the outer edge is no rim: a stripe, or a seam.
        const MOST: f64 = 1.3;
        let clear = |&&k: &&usize| seen.depth[k] > CLEAR_MM && !seen.gone[k];
        let ring: Vec<usize> = ring.iter().filter(clear).copied().collect();
        let beside = seen.mean_share(&ring, TELLING_MM2[1])? / self.deep;
        let rim = self.strength - 1.0;
        let variance = SPREAD.powi(2) + (UNEVEN / rim).powi(2);
        let lean = ((beside - 1.0) / rim).max(LEAST);
        (lean < MOST).then(|| (MADE - WORN) / variance * (lean - 0.5 * (MADE + WORN)))
    }
}

impl Presence {
    /// Samples within `reach_mm` of what has gone, across or along.
    fn near_gone(&self, reach_mm: f64) -> Vec<bool> {
        let (width, height) = (self.width as u32, self.height as u32);
        let gone = GrayImage::from_fn(width, height, |i, j| {
            let k = j as usize * self.width + i as usize;
            Luma([if self.gone[k] { u8::MAX } else { 0 }])
        });
        let reach = (reach_mm / self.pitch_mm).round().min(f64::from(u8::MAX)) as u8;
        let near = dilate(&gone, Norm::LInf, reach);
        near.into_raw().into_iter().map(|v| v > 0).collect()
    }

    /// Mean of what shows at `samples`, if they cover as much as `least_mm2`.
    fn mean_share(&self, samples: &[usize], least_mm2: f64) -> Option<f64> {
        let area_mm2 = samples.len() as f64 * self.pitch_mm.powi(2);
        let sum: f64 = samples.iter().map(|&k| f64::from(self.share[k])).sum();
        (area_mm2 >= least_mm2).then(|| sum / samples.len() as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SIDE, presence};
    use super::*;

    /// A hole of 3 mm radius beside the straight edge of residue that has a rim of 1.5 there, and
    /// one of `about` around the hole.
    fn log_odds(about: f32) -> Option<f64> {
        let from_hole = |u: f64, v: f64| (u - 15.0).hypot(v - 15.0) - 3.0;
        let mut seen = presence(&|u, v| from_hole(u, v) < 0.0);
        for k in 0..SIDE * SIDE {
            let [u, v] = [k % SIDE, k / SIDE].map(|v| v as f64 * seen.pitch_mm);
            if u < 1.0 {
                seen.share[k] = 1.5;
            } else if (0.0..1.0).contains(&from_hole(u, v)) {
                seen.share[k] = about;
            }
        }
        let hole = (0..SIDE * SIDE).filter(|&k| seen.gone[k]);
        let hole: Vec<usize> = hole.collect();
        let ring = seen.ring(&hole, &|k| seen.gone[k]);
        Rim::of(&seen).and_then(|rim| rim.log_odds(&seen, &ring))
    }

    #[test]
    fn holes_without_the_edges_rim_look_worn() {
        let [bare, half, rimmed] = [1.0, 1.15, 1.4].map(|r| log_odds(r).expect("a rim"));
        assert!(bare < -2.0 && rimmed > 2.0, "{bare} {rimmed}");
        assert!(half.abs() < 0.5, "{half}");
        assert!(log_odds(2.2).is_none());
    }

    #[test]
    fn without_a_rim_nothing_is_said() {
        let seen = presence(&|u, v| (u - 15.0).hypot(v - 15.0) < 3.0);
        assert!(Rim::of(&seen).is_none());
    }

    #[test]
    fn stripes_are_no_rim() {
        let striped = |stripe: f32| {
            let mut seen = presence(&|_, _| false);
            for k in 0..SIDE * SIDE {
                let [u, v] = [k % SIDE, k / SIDE].map(|v| v as f64 * seen.pitch_mm);
                let light = if v.rem_euclid(6.0) < 3.0 {
                    stripe
                } else {
                    -stripe
                };
                seen.share[k] = light + if u < 1.0 { 1.5 } else { 1.0 };
            }
            Rim::of(&seen)
        };
        assert!(striped(0.1).is_some() && striped(0.4).is_none());
    }
}
