//! The samples an alignment looks at, tile by tile, and what it sums over them.

use std::ops::Range;

use rayon::prelude::*;

use crate::pose::{Information, UNKNOWNS, Unknowns};

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
