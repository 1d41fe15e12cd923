//! Sub-pixel alignment of a shape to a whitened region.
//!
//! The region is modelled as cloth plus local contrast times the blurred, spread coverage of the
//! shape. Whitened by the cloth's own spectrum the residuals are close to independent, so the
//! least-squares fit (Gauss–Newton, robust weights after Huber 1964) is the maximum-likelihood
//! one. The local contrasts, one for each tile of the emblem, are eliminated at every step
//! (variable projection, Golub & Pereyra 1973).

use measures::ClothPlane;
use nalgebra::{Matrix3, Vector3};

use crate::coarse::robust_spread;
use crate::pose::{
    BLEED, BLUR, DEPTH, Information, Pose, Prior, SIZE, SLOPE_X, SLOPE_Y, TURN, UNKNOWNS, Unknowns,
    X, Y,
};
use crate::region::Region;
use crate::shape::Distance;

/// Beyond this many standard deviations a sample counts less (Huber 1964).
const HUBER: f32 = 2.5;
const ITERATIONS_MAX: usize = 14;
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
    /// Inverse covariance if the noise is as modelled, prior included.
    pub(crate) information: Information,
    /// Covariance of the score, tile by tile: what the residuals really do.
    pub(crate) score_covariance: Information,
    /// Half the drop of the squared, robust residuals that the shape brings.
    pub(crate) gain: f64,
    /// Share of the shape's signal that lies in tiles with a contrast near the mean or above.
    pub(crate) present_share: f64,
    /// Matched-filter signal-to-noise ratio.
    pub(crate) snr: f64,
    /// Standard deviation of the whitened residuals; 1 when the noise is as modelled.
    pub(crate) spread: f64,
}

pub(crate) struct Aligner<'a> {
    pub(crate) region: &'a Region,
    pub(crate) distance: &'a Distance,
    pub(crate) plane: &'a ClothPlane,
    pub(crate) prior: &'a Prior,
    /// Tiles along the longer side.
    pub(crate) tiles: usize,
}

/// The shape drawn on the region at one pose, whitened.
pub(crate) struct Drawing {
    /// Samples on and near the emblem: index and tile.
    pub(crate) near: Vec<(usize, usize)>,
    /// Coverage, not whitened.
    pub(crate) cover: Vec<f32>,
    pub(crate) white: Vec<f32>,
}

impl Aligner<'_> {
    pub(crate) fn tile_count(&self) -> usize {
        self.tiles * self.tiles
    }

    /// Draws the shape at `pose`; with `slopes`, its derivatives by every unknown as well.
    pub(crate) fn draw(&self, pose: &Pose, slopes: bool) -> (Drawing, Vec<Vec<f32>>) {
        let grid = &self.region.grid;
        let mut near = Vec::new();
        let mut cover = vec![0.0f32; grid.len()];
        let mut derivatives: Vec<Vec<f32>> = if slopes {
            vec![vec![0.0f32; grid.len()]; UNKNOWNS]
        } else {
            Vec::new()
        };
        let size = pose.size_mm();
        let blur = pose.0[BLUR].exp();
        let bleed = pose.0[BLEED];
        let (sin, cos) = pose.0[TURN].sin_cos();
        let correction = pose.correction(self.plane);
        let nudged = [SLOPE_X, SLOPE_Y].map(|k| {
            let mut other = *pose;
            other.0[k] += NUDGE;
            other.correction(self.plane)
        });
        let reach = self.distance.band() * size;
        let margin = 0.5 * size + reach;
        for j in 0..grid.height {
            for i in 0..grid.width {
                let k = j * grid.width + i;
                let place = grid.place(i as f64, j as f64);
                let on_cloth = Vector3::new(place.x, place.y, 1.0);
                let (px, py) = carried(&correction, &on_cloth);
                let (rx, ry) = (px - pose.0[X], py - pose.0[Y]);
                if rx.abs().max(ry.abs()) > 1.5 * margin {
                    continue;
                }
                let (u, v) = ((cos * rx + sin * ry) / size, (cos * ry - sin * rx) / size);
                let Some((d, g)) = self.distance.at(u, v) else {
                    continue;
                };
                if self.region.cloth[k] == 0.0 {
                    continue;
                }
                let tile = |w: f64| {
                    (((w + 0.5) * self.tiles as f64).max(0.0) as usize).min(self.tiles - 1)
                };
                near.push((k, tile(v) * self.tiles + tile(u)));
                let d = d * size;
                let z = (d + bleed) / blur;
                cover[k] = normal_cdf(z) as f32;
                if !slopes || z.abs() > 5.0 {
                    continue;
                }
                let density = (-0.5 * z * z).exp() / (2.506_628_274_631 * blur);
                let n = [cos * g[0] - sin * g[1], sin * g[0] + cos * g[1]];
                let mut by = [0.0; UNKNOWNS];
                by[X] = -n[0];
                by[Y] = -n[1];
                by[TURN] = n[0] * ry - n[1] * rx;
                by[SIZE] = d - (n[0] * rx + n[1] * ry);
                for (k, moved) in [SLOPE_X, SLOPE_Y].into_iter().zip(&nudged) {
                    let (qx, qy) = carried(moved, &on_cloth);
                    by[k] = (n[0] * (qx - px) + n[1] * (qy - py)) / NUDGE;
                }
                by[DEPTH] = n[0] * px + n[1] * py;
                by[BLEED] = 1.0;
                by[BLUR] = -(d + bleed);
                for (plane, b) in derivatives.iter_mut().zip(by) {
                    plane[k] = (density * b) as f32;
                }
            }
        }
        let white = self.region.whiten(&cover);
        for plane in &mut derivatives {
            *plane = self.region.whiten(plane);
        }
        (Drawing { near, cover, white }, derivatives)
    }

    /// Moves `start` to the nearest best pose.
    pub(crate) fn align(&self, start: Pose) -> Alignment {
        let mut pose = start;
        let (mut drawing, mut slopes) = self.draw(&pose, true);
        let mut drawn_at = pose;
        // The noise's level is settled once, so that costs of different poses can be compared.
        let spread = self.spread(&drawing);
        let mut sums = self.sums(&drawing, &slopes, spread);
        for _ in 0..ITERATIONS_MAX {
            let Some(step) = self.step(&sums, &pose) else {
                break;
            };
            let mut share = self.limit(&step);
            let mut better = None;
            for _ in 0..4 {
                let next = Pose(pose.0 + step * share);
                let far = self.travel(&(next.0 - drawn_at.0)) > 0.7;
                let (d, s) = self.draw(&next, far);
                let next_slopes = if far { s } else { Vec::new() };
                let used = if far { &next_slopes } else { &slopes };
                let next_sums = self.sums(&d, used, spread);
                if self.cost(&next_sums, &next) < self.cost(&sums, &pose) {
                    better = Some((next, d, next_slopes, next_sums, far));
                    break;
                }
                share *= 0.35;
            }
            let Some((next, d, s, next_sums, far)) = better else {
                break;
            };
            let moved = self.travel(&(next.0 - pose.0));
            (pose, drawing, sums) = (next, d, next_sums);
            if far {
                slopes = s;
                drawn_at = pose;
            }
            if moved < 0.003 {
                break;
            }
        }
        if drawn_at != pose {
            (drawing, slopes) = self.draw(&pose, true);
        }
        sums = self.sums(&drawing, &slopes, self.spread(&drawing));
        self.conclude(pose, &sums)
    }

    fn conclude(&self, pose: Pose, sums: &Sums) -> Alignment {
        let mut information = self.prior.precision;
        let mut score_covariance = self.prior.precision;
        for t in &sums.tiles {
            let (m, g) = t.projected(sums.pull);
            information += m;
            score_covariance += g * g.transpose();
        }
        let (s, q) = sums
            .tiles
            .iter()
            .fold((0.0, 0.0), |(s, q), t| (s + t.s, q + t.q));
        Alignment {
            pose,
            contrast: sums.contrast,
            contrasts: sums.tiles.iter().map(|t| t.a).collect(),
            information,
            score_covariance,
            gain: 0.5 * (sums.cost_without - sums.cost),
            present_share: sums
                .tiles
                .iter()
                .filter(|t| t.s / t.q.max(1e-12) / sums.contrast > 0.4)
                .map(|t| t.q)
                .sum::<f64>()
                / q.max(1e-12),
            snr: s / q.max(1e-12).sqrt(),
            spread: sums.spread,
        }
    }

    /// How far a change of the unknowns moves the outline at most, about, in samples.
    fn travel(&self, change: &Unknowns) -> f64 {
        let size =
            self.region.grid.pitch_mm * self.region.grid.width.min(self.region.grid.height) as f64;
        let reach = 0.35 * size;
        let blur = change[BLUR].abs() * self.region.grid.pitch_mm;
        let moved = change[X].hypot(change[Y])
            + reach * (change[TURN].abs() + change[SIZE].abs())
            + 0.15 * reach * change[SLOPE_X].hypot(change[SLOPE_Y])
            + change[BLEED].abs()
            + blur;
        moved / self.region.grid.pitch_mm
    }

    /// The share of a step that keeps it within what the linear model can answer for.
    fn limit(&self, step: &Unknowns) -> f64 {
        (2.5 / self.travel(step).max(1e-9)).min(1.0)
    }

    fn cost(&self, sums: &Sums, pose: &Pose) -> f64 {
        let away = pose.0 - self.prior.mean;
        sums.cost + (away.transpose() * self.prior.precision * away)[0]
    }

    fn step(&self, sums: &Sums, pose: &Pose) -> Option<Unknowns> {
        let mut normal = self.prior.precision;
        let mut right = self.prior.precision * (self.prior.mean - pose.0);
        for t in &sums.tiles {
            let (m, g) = t.projected(sums.pull);
            normal += m;
            right += g;
        }
        // Unknowns that nothing determines stay where they are.
        for k in 0..UNKNOWNS {
            normal[(k, k)] *= 1.0 + 1e-6;
            normal[(k, k)] += 1e-9;
        }
        normal.cholesky().map(|c| c.solve(&right))
    }

    /// Standard deviation of what a drawing leaves of the whitened image.
    fn spread(&self, drawing: &Drawing) -> f32 {
        let (tiles, _, _) = self.contrasts(drawing);
        let left: Vec<f32> = drawing
            .near
            .iter()
            .map(|&(k, t)| self.region.white[k] - tiles[t].a as f32 * drawing.white[k])
            .collect();
        robust_spread(&left, &vec![1.0; left.len()]).max(0.2)
    }

    /// The tiles with their contrasts, the mean contrast, and the weight that draws to it.
    fn contrasts(&self, drawing: &Drawing) -> (Vec<Tile>, f64, f64) {
        let white = &self.region.white;
        let mut tiles = vec![Tile::default(); self.tile_count()];
        for &(k, t) in &drawing.near {
            let c = f64::from(drawing.white[k]);
            tiles[t].q += c * c;
            tiles[t].s += c * f64::from(white[k]);
        }
        let mean = mean_contrast(&tiles);
        let pull = (CONTRAST_SPREAD * mean.abs()).max(1e-6).powi(-2);
        for t in &mut tiles {
            t.a = contrast_towards(t, mean, pull);
        }
        (tiles, mean, pull)
    }

    /// Everything one step needs, summed tile by tile.
    fn sums(&self, drawing: &Drawing, slopes: &[Vec<f32>], spread: f32) -> Sums {
        let white = &self.region.white;
        let (mut tiles, mean, pull) = self.contrasts(drawing);
        for t in &mut tiles {
            *t = Tile {
                a: t.a,
                ..Tile::default()
            };
        }
        let (mut cost, mut cost_without) = (0.0f64, 0.0f64);
        for &(k, t) in &drawing.near {
            let r = white[k] - tiles[t].a as f32 * drawing.white[k];
            let z = r / spread;
            let w = if z.abs() > HUBER {
                HUBER / z.abs()
            } else {
                1.0
            };
            cost += huber(z);
            cost_without += huber(white[k] / spread);
            let weight = w / (spread * spread);
            let tile = &mut tiles[t];
            let c = drawing.white[k];
            let wc = f64::from(weight * c);
            tile.q += wc * f64::from(c);
            tile.s += wc * f64::from(white[k]);
            let wr = f64::from(weight * r);
            tile.e += wr * f64::from(c);
            if slopes.is_empty() {
                continue;
            }
            let d: [f32; UNKNOWNS] = std::array::from_fn(|n| slopes[n][k]);
            for a in 0..UNKNOWNS {
                let da = f64::from(d[a]);
                tile.c[a] += wc * da;
                tile.g[a] += wr * da;
                let wa = f64::from(weight) * da;
                for (b, &db) in d.iter().enumerate().skip(a) {
                    tile.m[(a, b)] += wa * f64::from(db);
                }
            }
        }
        for t in &mut tiles {
            t.m.fill_lower_triangle_with_upper_triangle();
        }
        Sums {
            tiles,
            contrast: mean,
            pull,
            cost,
            cost_without,
            spread: f64::from(spread),
        }
    }
}

const NUDGE: f64 = 1e-4;

struct Sums {
    tiles: Vec<Tile>,
    contrast: f64,
    /// Weight that draws a tile's contrast to the mean.
    pull: f64,
    cost: f64,
    cost_without: f64,
    spread: f64,
}

/// Sums over one tile: C the drawing, D its derivatives, I the image, r the residual.
#[derive(Clone)]
struct Tile {
    a: f64,
    q: f64,
    s: f64,
    e: f64,
    c: Unknowns,
    g: Unknowns,
    m: Information,
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
            m: Information::zeros(),
        }
    }
}

impl Tile {
    /// Normal matrix and right-hand side with the tile's own contrast eliminated.
    fn projected(&self, pull: f64) -> (Information, Unknowns) {
        let q = self.q + pull;
        let m = (self.m - self.c * self.c.transpose() / q) * (self.a * self.a);
        let g = (self.g - self.c * (self.e / q)) * self.a;
        (m, g)
    }
}

fn mean_contrast(tiles: &[Tile]) -> f64 {
    let (s, q) = tiles
        .iter()
        .fold((0.0, 0.0), |(s, q), t| (s + t.s, q + t.q));
    s / q.max(1e-12)
}

/// The tile's contrast, drawn towards the mean; a residue that turns into its opposite is none.
fn contrast_towards(tile: &Tile, mean: f64, pull: f64) -> f64 {
    let a = (tile.s + pull * mean) / (tile.q + pull);
    if a * mean < 0.0 { 0.0 } else { a }
}

fn huber(z: f32) -> f64 {
    let z = f64::from(z.abs());
    let h = f64::from(HUBER);
    if z > h { h * (2.0 * z - h) } else { z * z }
}

fn carried(m: &Matrix3<f64>, p: &Vector3<f64>) -> (f64, f64) {
    let v = m * p;
    (v.x / v.z, v.y / v.z)
}

/// The normal distribution function, to 7e-8 (Abramowitz & Stegun 1964, formula 26.2.17).
pub(crate) fn normal_cdf(z: f64) -> f64 {
    if z.abs() > 6.0 {
        return if z > 0.0 { 1.0 } else { 0.0 };
    }
    let t = 1.0 / (1.0 + 0.231_641_9 * z.abs());
    let poly = t
        * (0.319_381_530
            + t * (-0.356_563_782
                + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    let tail = (-0.5 * z * z).exp() * 0.398_942_280_4 * poly;
    if z > 0.0 { 1.0 - tail } else { tail }
}
