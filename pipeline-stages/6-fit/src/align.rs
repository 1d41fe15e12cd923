//! Sub-pixel alignment of a shape to a whitened region.
//!
//! The region is modelled as cloth plus local contrast times the blurred, spread coverage of the
//! shape. Whitened by the cloth's own spectrum the residuals are close to independent, so the
//! least-squares fit (Gauss–Newton, robust weights after Huber 1964) is the maximum-likelihood
//! one. The local contrasts, one for each tile of the emblem, are eliminated at every step
//! (variable projection, Golub & Pereyra 1973).

use std::ops::Range;

use measures::{ClothPlane, Mm, Point};
use nalgebra::Vector3;
use rayon::prelude::*;

use crate::coarse::robust_spread;
use crate::pen::{Pen, carried};
use crate::pose::{
    BLEED, BLUR, DEPTH, Information, Pose, Prior, SIZE, SLOPE_X, SLOPE_Y, TURN, UNKNOWNS, Unknowns,
    X, Y,
};
use crate::region::Region;
use crate::shape::Distance;
use crate::sums::{Blocks, Frame, Sums, Tile};

/// Beyond this many standard deviations a sample counts less (Huber 1964).
const HUBER: f32 = 2.5;
/// Mean of the robust square of a standard normal variable.
const HUBER_OF_NOISE: f64 = 0.977;
/// Times the samples used, their weights and the mean contrast are settled anew.
const ROUNDS: usize = 3;
const STEPS_MAX: usize = 10;
/// Derivatives are drawn anew when the outline has moved farther since, in samples: on the way,
const STALE: f64 = 0.5;
/// and where it ends. A step as short as this needs no check, and is a descent's last.
const SHORT: f64 = 0.1;
/// Residuals hang together over blocks of this many tiles each way.
const BLOCK_TILES: usize = 2;
/// A tile's contrast may stray from the mean by about this share of it (standard deviation).
const CONTRAST_SPREAD: f64 = 0.6;

/// What an alignment found.
#[derive(Clone, Debug)]
pub(crate) struct Alignment {
    pub(crate) pose: Pose,
    /// Mean contrast, in the region's image units.
    pub(crate) contrast: f64,
    /// Local contrast of each tile.
    pub(crate) contrasts: Vec<f64>,
    /// How much each tile says of the contrast.
    pub(crate) tile_signals: Vec<f64>,
    /// Inverse covariance, prior included.
    pub(crate) information: Information,
    /// The same, were residuals independent and the plane known: what no estimate can beat
    /// (Cramér 1946, Rao 1945).
    pub(crate) information_at_most: Information,
    /// How many times more the scores vary than those of independent residuals would.
    pub(crate) dispersion: f64,
    /// How far stretches of the edge stray from the shape beyond what noise explains (root mean
    /// square).
    pub(crate) stray_mm: f64,
    /// Half the drop of the squared, robust residuals that the shape brings.
    pub(crate) gain: f64,
    /// Share of the shape's signal that lies in tiles with a contrast near the mean or above.
    pub(crate) present_share: f64,
    /// Share of what stands out of the noise on and about the emblem that the shape explains.
    pub(crate) explained: f64,
    /// Matched-filter signal-to-noise ratio.
    pub(crate) snr: f64,
    /// Standard deviation of the whitened residuals; 1 when the noise is as modelled.
    pub(crate) spread: f64,
}

impl Alignment {
    /// How far the shape stands out, in standard deviations: the root of the deviance that it
    /// takes away, over the dispersion.
    pub(crate) fn significance(&self) -> f64 {
        self.signal() / self.dispersion.sqrt()
    }

    /// Sum of squares of the tiles' contrasts about their mean, in the standard deviations that are
    /// usual: large where whole parts of the shape do not show.
    pub(crate) fn contrasts_astray(&self) -> f64 {
        let off = |a: &f64| ((a - self.contrast) / (CONTRAST_SPREAD * self.contrast)).powi(2);
        self.contrasts.iter().map(off).sum()
    }

    /// The root of the deviance that the shape takes away.
    pub(crate) fn signal(&self) -> f64 {
        (2.0 * self.gain.max(0.0)).sqrt()
    }

    /// What places are ranked by: their significance, held down where the fit had to assume a
    /// bleed that is not believed, and where most of the signal comes from a few spots: a seam, a
    /// ruler's edge.
    pub(crate) fn standing(&self, prior_bleed_mm: [f64; 2]) -> f64 {
        /// Standard deviations beyond which, and by what factor.
        const BELIEVED: f64 = 3.5;
        const HELD_DOWN: f64 = 0.3;
        /// Share of the shape that worn residue shows at least, usually.
        const PRESENT: f64 = 0.6;
        let strange = (self.pose.0[BLEED] - prior_bleed_mm[0]).abs() > BELIEVED * prior_bleed_mm[1];
        let spread = (self.present_share / PRESENT).min(1.0);
        self.significance() * spread * if strange { HELD_DOWN } else { 1.0 }
    }
}

/// The square that the tiles divide, along the shape's own axes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Tiling {
    pub(crate) middle: Point<Mm>,
    pub(crate) size_mm: f64,
}

pub(crate) struct Aligner<'a> {
    pub(crate) region: &'a Region,
    pub(crate) distance: &'a Distance,
    pub(crate) plane: &'a ClothPlane,
    pub(crate) prior: &'a Prior,
    /// Tiles along the longer side,
    pub(crate) tiles: usize,
    /// which lie so; about the pose where that is left open.
    pub(crate) tiling: Option<Tiling>,
    /// How many of the unknowns may move, from the first on.
    pub(crate) free: usize,
    /// A descent that moves the outline by less, in samples, is the last.
    pub(crate) settled: f64,
}

/// The shape drawn on the region at one pose.
pub(crate) struct Drawing {
    /// Coverage, not whitened.
    pub(crate) cover: Vec<f32>,
    pub(crate) white: Vec<f32>,
    /// Whitened derivatives of the coverage by every free unknown, or none,
    pub(crate) slopes: Vec<Vec<f32>>,
    /// at this pose, which is near the one that the rest was drawn at.
    slopes_at: Pose,
}

impl Aligner<'_> {
    /// Draws the shape at `pose` on the samples of `near`; with `slopes`, its derivatives too.
    pub(crate) fn draw(&self, pose: &Pose, near: &[(usize, usize)], slopes: bool) -> Drawing {
        let mut planes = self.planes(pose, near, if slopes { self.free } else { 0 });
        let derivatives = planes.split_off(1);
        let cover = planes.pop().unwrap_or_default();
        let whiten = || {
            derivatives
                .par_iter()
                .map(|plane| self.region.whiten(plane))
        };
        let (white, slopes) = rayon::join(|| self.region.whiten(&cover), || whiten().collect());
        Drawing {
            cover,
            white,
            slopes,
            slopes_at: *pose,
        }
    }

    /// Coverage at `pose` on the samples of `near`.
    pub(crate) fn cover(&self, pose: &Pose, near: &[(usize, usize)]) -> Vec<f32> {
        self.planes(pose, near, 0).pop().unwrap_or_default()
    }

    /// Coverage and its derivatives by the first `free` unknowns.
    fn planes(&self, pose: &Pose, near: &[(usize, usize)], free: usize) -> Vec<Vec<f32>> {
        /// Samples drawn at a time.
        const PART: usize = 2048;
        let pen = Pen::new(self, pose);
        let parts: Vec<(Vec<f32>, Vec<_>)> = near
            .par_chunks(PART)
            .map(|part| {
                let mut edge = Vec::new();
                let drawn = part.iter().map(|&(k, _)| {
                    let spot = pen.spot(k);
                    if free > 0 {
                        edge.extend(pen.slopes(&spot).map(|slopes| (k, slopes)));
                    }
                    pen.cover(&spot)
                });
                (drawn.collect(), edge)
            })
            .collect();
        let mut planes = vec![vec![0.0f32; self.region.grid.len()]; 1 + free];
        let (cover, derivatives) = planes.split_at_mut(1);
        for (part, (drawn, edge)) in near.chunks(PART).zip(parts) {
            for (&(k, _), c) in part.iter().zip(drawn) {
                cover[0][k] = c;
            }
            for (k, slopes) in edge {
                for (plane, slope) in derivatives.iter_mut().zip(slopes) {
                    plane[k] = slope;
                }
            }
        }
        planes
    }

    /// The samples on and about the emblem at `pose`, each in a tile of the emblem.
    pub(crate) fn near(&self, pose: &Pose) -> Vec<(usize, usize)> {
        let grid = &self.region.grid;
        let per_mm = 1.0 / pose.size_mm();
        let (sin, cos) = pose.0[TURN].sin_cos();
        let (sin, cos) = (sin * per_mm, cos * per_mm);
        let correction = pose.correction(self.plane);
        let most = self.tiles - 1;
        let tiling = self.tiling.unwrap_or(Tiling {
            middle: pose.middle(),
            size_mm: pose.size_mm(),
        });
        let off = pose.middle() - tiling.middle;
        let off = [cos * off.x + sin * off.y, cos * off.y - sin * off.x];
        let per_side = pose.size_mm() / tiling.size_mm;
        let tile = |w: f64, off: f64| {
            let place = (w + off) * per_side + 0.5;
            ((place * self.tiles as f64) as u32 as usize).min(most)
        };
        let row = |j: usize| {
            let cloth = &self.region.cloth[j * grid.width..][..grid.width];
            let seen = cloth.iter().enumerate().filter(|(_, cloth)| **cloth > 0.0);
            seen.filter_map(move |(i, _)| {
                let place = grid.place(i as f64, j as f64);
                let (px, py) = carried(&correction, &Vector3::new(place.x, place.y, 1.0));
                let (rx, ry) = (px - pose.0[X], py - pose.0[Y]);
                let (u, v) = (cos * rx + sin * ry, cos * ry - sin * rx);
                self.distance.covers(u, v).then(|| {
                    (
                        j * grid.width + i,
                        tile(v, off[1]) * self.tiles + tile(u, off[0]),
                    )
                })
            })
        };
        (0..grid.height)
            .into_par_iter()
            .flat_map_iter(row)
            .collect()
    }

    fn runs(&self, near: &[(usize, usize)]) -> Vec<Vec<Range<usize>>> {
        let mut runs = vec![Vec::new(); self.tiles * self.tiles];
        let mut first = 0;
        for run in near.chunk_by(|a, b| a.1 == b.1) {
            runs[run[0].1].push(first..first + run.len());
            first += run.len();
        }
        runs
    }

    /// Where sample `k` lies on the shape, in shape units.
    pub(crate) fn spot_of(&self, pose: &Pose, k: usize) -> (f64, f64) {
        let grid = &self.region.grid;
        let size = pose.size_mm();
        let (sin, cos) = pose.0[TURN].sin_cos();
        let place = grid.place((k % grid.width) as f64, (k / grid.width) as f64);
        let on_cloth = Vector3::new(place.x, place.y, 1.0);
        let (px, py) = carried(&pose.correction(self.plane), &on_cloth);
        let (rx, ry) = (px - pose.0[X], py - pose.0[Y]);
        ((cos * rx + sin * ry) / size, (cos * ry - sin * rx) / size)
    }

    /// Millimetres inside the residue's edge, negative outside, at every sample of the region;
    /// −∞ at those not `near`.
    pub(crate) fn depths_mm(&self, pose: &Pose, near: &[(usize, usize)]) -> Vec<f64> {
        let mut depths = vec![f64::NEG_INFINITY; self.region.grid.len()];
        for &(k, _) in near {
            let (u, v) = self.spot_of(pose, k);
            if let Some((d, _)) = self.distance.at(u, v) {
                depths[k] = d * pose.size_mm() + pose.0[BLEED];
            }
        }
        depths
    }

    /// Settles samples, weights and mean contrast for the poses about `pose`; the shape as drawn
    /// there comes with them. The samples and derivatives of `before` serve again if they are from
    /// near by.
    fn frame(&self, pose: &Pose, before: Option<(Frame, Drawing)>) -> (Frame, Drawing) {
        let is_near =
            |(_, drawing): &(Frame, Drawing)| self.travel(&(pose.0 - drawing.slopes_at.0)) < SHORT;
        let (near, drawing) = if let Some((Frame { near, .. }, before)) = before.filter(is_near) {
            let drawing = Drawing {
                slopes: before.slopes,
                slopes_at: before.slopes_at,
                ..self.draw(pose, &near, false)
            };
            (near, drawing)
        } else {
            let near = self.near(pose);
            let drawing = self.draw(pose, &near, true);
            (near, drawing)
        };
        let white = &self.region.white;
        let mut frame = Frame {
            weights: vec![1.0; near.len()],
            runs: self.runs(&near),
            near,
            spread: 1.0,
            contrast: 0.0,
            pull: 1e-12,
            dispersion: 1.0,
            stray_mm: 0.0,
        };
        for _ in 0..3 {
            let tiles = self.contrasts(&drawing.white, &frame);
            let (s, q) = tiles
                .iter()
                .fold((0.0, 0.0), |(s, q), t| (s + t.s, q + t.q));
            frame.contrast = s / q.max(1e-12);
            frame.pull = (CONTRAST_SPREAD * frame.contrast.abs()).max(1e-6).powi(-2);
            let tiles = self.contrasts(&drawing.white, &frame);
            let left: Vec<f32> = frame
                .near
                .iter()
                .map(|&(k, t)| white[k] - tiles[t].a as f32 * drawing.white[k])
                .collect();
            frame.spread = robust_spread(&left, &vec![1.0; left.len()]).max(0.2);
            for (w, r) in frame.weights.iter_mut().zip(&left) {
                let z = (r / frame.spread).abs();
                *w = (HUBER / z.max(HUBER)) / (frame.spread * frame.spread);
            }
        }
        let blocks = self.blocks(&drawing, &frame);
        frame.dispersion = blocks.dispersion();
        frame.stray_mm = blocks.stray_mm();
        (frame, drawing)
    }

    /// What the residuals say of the unknowns, summed over blocks within which they hang together.
    fn blocks(&self, drawing: &Drawing, frame: &Frame) -> Blocks {
        let sums = self.sums(&drawing.white, &drawing.slopes, frame);
        let squares = frame.squares(&drawing.slopes);
        let side = self.tiles.div_ceil(BLOCK_TILES);
        let mut blocks = Blocks {
            scores: vec![Unknowns::zeros(); side * side],
            information: vec![Unknowns::zeros(); side * side],
            unknowns: drawing.slopes.len(),
        };
        for (k, (t, squares)) in sums.tiles.iter().zip(&squares).enumerate() {
            let (m, g) = t.projected(squares, frame.pull);
            let (row, column) = (k / self.tiles / BLOCK_TILES, k % self.tiles / BLOCK_TILES);
            blocks.scores[row * side + column] += g;
            blocks.information[row * side + column] += m.diagonal();
        }
        blocks
    }

    /// Moves `start` to the nearest best pose.
    ///
    /// The samples looked at and the shape as drawn there come with it.
    pub(crate) fn align(&self, start: Pose) -> (Alignment, Vec<(usize, usize)>, Drawing) {
        let mut pose = start;
        let (mut frame, mut drawing) = self.frame(&pose, None);
        for round in 0..ROUNDS {
            let (next, last) = self.descend(pose, &frame, drawing);
            let moved = self.travel(&(next.0 - pose.0));
            pose = next;
            (frame, drawing) = self.frame(&pose, Some((frame, last)));
            if moved < self.settled * if round == 0 { 1.0 } else { 4.0 } {
                break;
            }
        }
        let alignment = self.conclude(pose, &frame, &drawing);
        (alignment, frame.near, drawing)
    }

    /// What the shape at `pose` adds to the image, by the contrasts that suit it there.
    pub(crate) fn model(&self, pose: &Pose) -> Vec<f32> {
        let (frame, drawing) = self.frame(pose, None);
        let tiles = self.contrasts(&drawing.white, &frame);
        let mut model = drawing.cover;
        for &(k, t) in &frame.near {
            model[k] *= tiles[t].a as f32;
        }
        model
    }

    /// Gauss–Newton steps from `start`, where `drawing` was drawn, shortened until they lower the
    /// cost. The last derivatives drawn come with the end.
    fn descend(&self, start: Pose, frame: &Frame, mut drawing: Drawing) -> (Pose, Drawing) {
        let mut pose = start;
        let mut squares = frame.squares(&drawing.slopes);
        let mut sums = self.sums(&drawing.white, &drawing.slopes, frame);
        for _ in 0..STEPS_MAX {
            let Some(step) = self.step(&sums, &squares, &pose) else {
                break;
            };
            let travel = self.travel(&step);
            if travel < SHORT {
                pose.0 += step;
                break;
            }
            let mut share = (2.5 / travel).min(1.0);
            let mut found = false;
            for _ in 0..4 {
                let next = Pose(pose.0 + step * share);
                let white = self.draw(&next, &frame.near, false).white;
                let next_sums = self.sums(&white, &drawing.slopes, frame);
                if self.cost(&next_sums, &next) < self.cost(&sums, &pose) {
                    (pose, sums) = (next, next_sums);
                    found = true;
                    break;
                }
                share *= 0.35;
            }
            // Where no step helps, old derivatives may mislead: try once more with new ones.
            let stale = if found { STALE } else { SHORT };
            if self.travel(&(pose.0 - drawing.slopes_at.0)) > stale {
                drawing = self.draw(&pose, &frame.near, true);
                squares = frame.squares(&drawing.slopes);
                sums = self.sums(&drawing.white, &drawing.slopes, frame);
            } else if !found {
                break;
            }
        }
        (pose, drawing)
    }

    fn conclude(&self, pose: Pose, frame: &Frame, drawing: &Drawing) -> Alignment {
        let sums = self.sums(&drawing.white, &drawing.slopes, frame);
        let squares = frame.squares(&drawing.slopes);
        let mut seen = Information::zeros();
        for (t, squares) in sums.tiles.iter().zip(&squares) {
            seen += t.projected(squares, frame.pull).0;
        }
        let mut information_at_most = self.prior.precision + seen;
        for k in [SLOPE_X, SLOPE_Y, DEPTH] {
            information_at_most[(k, k)] += 1e12;
        }
        let white = &self.region.white;
        let (mut cost, mut cost_without) = (0.0f64, 0.0f64);
        for &(k, t) in &frame.near {
            let r = white[k] - sums.tiles[t].a as f32 * drawing.white[k];
            cost += huber(r / frame.spread);
            cost_without += huber(white[k] / frame.spread);
        }
        let noise = f64::from(frame.spread).powi(2);
        let (s, q) = sums
            .tiles
            .iter()
            .fold((0.0, 0.0), |(s, q), t| (s + t.s, q + t.q));
        let present = |t: &&Tile| t.s / t.q.max(1e-12) / frame.contrast > 0.4;
        Alignment {
            pose,
            contrast: frame.contrast,
            contrasts: sums.tiles.iter().map(|t| t.a).collect(),
            tile_signals: sums.tiles.iter().map(|t| t.q).collect(),
            information: self.prior.precision + seen / frame.dispersion,
            information_at_most,
            dispersion: frame.dispersion,
            stray_mm: frame.stray_mm,
            gain: 0.5 * (cost_without - cost),
            explained: (cost_without - cost)
                / (cost_without - HUBER_OF_NOISE * frame.near.len() as f64).max(1.0),
            present_share: sums.tiles.iter().filter(present).map(|t| t.q).sum::<f64>()
                / q.max(1e-12),
            snr: s / q.max(1e-12).sqrt() * noise.sqrt(),
            spread: noise.sqrt(),
        }
    }

    /// How far a change of the unknowns moves the outline at most, about, in samples.
    fn travel(&self, change: &Unknowns) -> f64 {
        let grid = &self.region.grid;
        let reach = 0.35 * grid.pitch_mm * grid.width.min(grid.height) as f64;
        let moved = change[X].hypot(change[Y])
            + reach * (change[TURN].abs() + change[SIZE].abs())
            + 0.15 * reach * change[SLOPE_X].hypot(change[SLOPE_Y])
            + change[BLEED].abs()
            + change[BLUR].abs() * grid.pitch_mm;
        moved / grid.pitch_mm
    }

    fn cost(&self, sums: &Sums, pose: &Pose) -> f64 {
        let away = pose.0 - self.prior.mean;
        sums.cost / sums.dispersion + (away.transpose() * self.prior.precision * away)[0]
    }

    fn step(&self, sums: &Sums, squares: &[Information], pose: &Pose) -> Option<Unknowns> {
        let mut normal = self.prior.precision;
        let mut right = self.prior.precision * (self.prior.mean - pose.0);
        for (t, squares) in sums.tiles.iter().zip(squares) {
            let (m, g) = t.projected(squares, sums.pull);
            normal += m / sums.dispersion;
            right += g / sums.dispersion;
        }
        // Unknowns that nothing determines stay where they are.
        for k in 0..UNKNOWNS {
            normal[(k, k)] *= 1.0 + 1e-6;
            normal[(k, k)] += 1e-9;
        }
        normal.cholesky().map(|c| c.solve(&right))
    }

    /// The tiles with their own sums and contrasts, for the whitened shape `drawn`.
    fn contrasts(&self, drawn: &[f32], frame: &Frame) -> Vec<Tile> {
        let runs = frame.runs.par_iter();
        runs.map(|runs| self.contrast(drawn, frame, runs)).collect()
    }

    fn contrast(&self, drawn: &[f32], frame: &Frame, runs: &[Range<usize>]) -> Tile {
        let white = &self.region.white;
        let mut t = Tile::default();
        for (k, w) in frame.samples(runs) {
            let c = f64::from(drawn[k]);
            let wc = f64::from(w) * c;
            t.q += wc * c;
            t.s += wc * f64::from(white[k]);
        }
        let a = (t.s + frame.pull * frame.contrast) / (t.q + frame.pull);
        // A residue that turns into its opposite is none.
        t.a = if a * frame.contrast < 0.0 { 0.0 } else { a };
        t
    }

    /// Everything one step needs besides [`Frame::squares`], summed tile by tile.
    fn sums(&self, drawn: &[f32], slopes: &[Vec<f32>], frame: &Frame) -> Sums {
        let white = &self.region.white;
        let of_tile = |runs: &Vec<Range<usize>>| {
            let mut tile = self.contrast(drawn, frame, runs);
            let mut cost = frame.pull * (tile.a - frame.contrast).powi(2);
            for (k, weight) in frame.samples(runs) {
                let c = drawn[k];
                let r = white[k] - tile.a as f32 * c;
                let wr = f64::from(weight * r);
                let wc = f64::from(weight * c);
                cost += wr * f64::from(r);
                tile.e += wr * f64::from(c);
                for (a, slope) in slopes.iter().enumerate() {
                    let d = f64::from(slope[k]);
                    tile.c[a] += wc * d;
                    tile.g[a] += wr * d;
                }
            }
            (tile, cost)
        };
        let (tiles, costs): (Vec<Tile>, Vec<f64>) = frame.runs.par_iter().map(of_tile).unzip();
        Sums {
            tiles,
            cost: costs.iter().sum(),
            pull: frame.pull,
            dispersion: frame.dispersion,
        }
    }
}

fn huber(z: f32) -> f64 {
    let z = f64::from(z.abs());
    let h = f64::from(HUBER);
    if z > h { h * (2.0 * z - h) } else { z * z }
}
