//! The samples an alignment looks at, tile by tile, and what it sums over them.

use std::ops::Range;

use rayon::prelude::*;

use crate::pose::{BLEED, Information, SIZE, TURN, UNKNOWNS, Unknowns, X, Y};

/// By how much real errors exceed what the residuals let expect: bleed, contrast and blur are not
/// as even as the model has them. Measured on painted scenes, with the plane known exactly.
const MODEL_DOUBT: f64 = 1.4;

/// The samples an alignment looks at. They and their weights stay the same while the pose moves,
/// so that the cost of different poses can be compared.
pub(crate) struct Frame {
    /// Index and tile of every sample on and about the emblem.
    pub(crate) near: Vec<(usize, usize)>,
    /// For each tile, the runs of samples that lie in it.
    pub(crate) runs: Vec<Vec<Range<usize>>>,
    /// Robust weight of each, over the noise's variance.
    pub(crate) weights: Vec<f32>,
    /// Standard deviation of the whitened residuals.
    pub(crate) spread: f32,
    /// Mean contrast,
    pub(crate) contrast: f64,
    /// and the weight that draws a tile's contrast to it.
    pub(crate) pull: f64,
    /// How many times more the scores vary than those of independent residuals would: what the
    /// image says of the pose counts so many times less against what was known before.
    pub(crate) dispersion: f64,
    /// The same in millimetres of edge, noise taken off.
    pub(crate) stray_mm: f64,
}

impl Frame {
    /// Products of the derivatives with each other, summed tile by tile.
    pub(crate) fn squares(&self, slopes: &[Vec<f32>]) -> Vec<Information> {
        let of_run = |run: &Range<usize>| {
            // Few enough to be summed in single precision. A multiple of four wide, for four are
            // worked on as fast as one.
            let mut sums = [[0.0f32; 12]; UNKNOWNS];
            let mut d = [0.0f32; 12];
            for (k, weight) in self.samples(std::slice::from_ref(run)) {
                for (d, slope) in d.iter_mut().zip(slopes) {
                    *d = slope[k];
                }
                for (sums, db) in sums.iter_mut().zip(d) {
                    let wb = weight * db;
                    for (sum, da) in sums.iter_mut().zip(d) {
                        *sum += wb * da;
                    }
                }
            }
            Information::from_fn(|a, b| f64::from(sums[b][a]))
        };
        let runs = self.runs.par_iter();
        runs.map(|runs| runs.iter().map(of_run).sum()).collect()
    }

    /// Index and weight of the samples of some runs.
    pub(crate) fn samples(&self, runs: &[Range<usize>]) -> impl Iterator<Item = (usize, f32)> {
        let of_run = |run: &Range<usize>| {
            let near = self.near[run.clone()].iter();
            near.zip(&self.weights[run.clone()])
        };
        let samples = runs.iter().flat_map(of_run);
        samples.map(|(&(k, _), &weight)| (k, weight))
    }
}

/// What the residuals say of the unknowns, block by block: residuals hang together within one.
pub(crate) struct Blocks {
    pub(crate) scores: Vec<Unknowns>,
    /// Of each unknown by itself.
    pub(crate) information: Vec<Unknowns>,
    /// How many of the unknowns are sought.
    pub(crate) unknowns: usize,
}

impl Blocks {
    /// Quasi-likelihood dispersion (McCullagh & Nelder 1989, section 9.2.3): the variance of the
    /// scores over what independent residuals would give.
    pub(crate) fn dispersion(&self) -> f64 {
        const TELLING: [usize; 5] = [X, Y, TURN, SIZE, BLEED];
        let telling = || TELLING.iter().filter(|k| **k < self.unknowns);
        let used = self.scores.iter().filter(|g| g.norm_squared() > 0.0);
        let used = used.count() as f64;
        // The fit has taken part of the scores' spread away.
        let lost = used / (used - telling().count() as f64).max(0.25 * used).max(1.0);
        let mean = telling().map(|k| self.ratio(*k)).sum::<f64>() / telling().count().max(1) as f64;
        (lost * MODEL_DOUBT * MODEL_DOUBT * mean).max(1.0)
    }

    /// Variance of the scores for an unknown over what independent residuals would give.
    fn ratio(&self, k: usize) -> f64 {
        let spread: f64 = self.scores.iter().map(|g| g[k] * g[k]).sum();
        let information: f64 = self.information.iter().map(|m| m[k]).sum();
        spread / information.max(1e-12)
    }

    /// How far the blocks' edges stray from the shape beyond what noise explains, root mean square:
    /// along, across, and outwards together.
    pub(crate) fn stray_mm(&self) -> f64 {
        const IN_MM: [usize; 3] = [X, Y, BLEED];
        let squared = |k: usize| {
            let sum =
                |power: i32| -> f64 { self.information.iter().map(|m| m[k].powi(power)).sum() };
            (self.ratio(k) - 1.0).max(0.0) * sum(1) / sum(2).max(1e-12)
        };
        let sought = IN_MM.into_iter().filter(|k| *k < self.unknowns);
        sought.map(squared).sum::<f64>().sqrt()
    }
}

pub(crate) struct Sums {
    pub(crate) tiles: Vec<Tile>,
    pub(crate) cost: f64,
    pub(crate) pull: f64,
    pub(crate) dispersion: f64,
}

/// Sums over one tile: q = C·C, s = C·I, e = r·C, c = C·D, g = r·D, with C the drawing, D its
/// derivatives, I the image, r the residual; and a, the tile's contrast.
#[derive(Clone)]
pub(crate) struct Tile {
    pub(crate) a: f64,
    pub(crate) q: f64,
    pub(crate) s: f64,
    pub(crate) e: f64,
    pub(crate) c: Unknowns,
    pub(crate) g: Unknowns,
}

impl Default for Tile {
    fn default() -> Self {
        Self {
            a: 0.0,
            q: 0.0,
            s: 0.0,
            e: 0.0,
            c: Unknowns::zeros(),
            g: Unknowns::zeros(),
        }
    }
}

impl Tile {
    /// Normal matrix and right-hand side with the tile's own contrast eliminated.
    pub(crate) fn projected(&self, squares: &Information, pull: f64) -> (Information, Unknowns) {
        let q = self.q + pull;
        let m = (squares - self.c * self.c.transpose() / q) * (self.a * self.a);
        let g = (self.g - self.c * (self.e / q)) * self.a;
        (m, g)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Blocks that know their place to 0.01 mm each (k = 1), and are off by `off_mm` to either side.
    fn blocks(off_mm: f64) -> Blocks {
        let information = 0.01f64.powi(-2);
        let off = |k: usize| if k.is_multiple_of(2) { off_mm } else { -off_mm };
        Blocks {
            scores: (0..16)
                .map(|k| Unknowns::from_fn(|_, _| information * off(k)))
                .collect(),
            information: vec![Unknowns::repeat(information); 16],
            unknowns: UNKNOWNS,
        }
    }

    #[test]
    fn stretches_that_stray_are_measured_in_millimetres() {
        let [noise, far] = [blocks(0.01), blocks(0.2)];
        assert!(noise.stray_mm() < 1e-6, "{}", noise.stray_mm());
        // By as much along, across and outwards.
        let expected = 0.2 * 3.0f64.sqrt();
        assert!((far.stray_mm() / expected - 1.0).abs() < 0.01);
        // Twenty times the noise: the scores vary four hundred times more.
        let rise = far.dispersion() / noise.dispersion();
        assert!((rise / 400.0 - 1.0).abs() < 0.01, "{rise}");
    }
}
