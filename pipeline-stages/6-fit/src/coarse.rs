//! The search without a starting guess: the artwork's area as a matched filter against whitened
//! cloth, over place, turn and size.
//!
//! In noise of power spectrum P the filter that shows a known shape T best is T/P
//! (the matched filter; North 1943, Turin 1960), and its output in units of its own noise is
//! the signal-to-noise ratio that candidates are compared by.

use std::f64::consts::PI;

use measures::spectrum::{Bin, Fft2};
use measures::{Grid, Mm, Point};
use rayon::prelude::*;

use crate::Settings;
use crate::level::Level;
use crate::region::kept_of_light;
use crate::shape::Shape;

/// How finely the search looks.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Raster {
    /// Longer side of the template at the smallest size of a level, in samples; a level serves
    /// one octave of sizes from there.
    template_samples: f64,
    size_step: f64,
    turn_step_rad: f64,
}

/// What is searched.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Look {
    pub(crate) raster: Raster,
    /// Least and greatest longer side.
    pub(crate) sizes_mm: [f64; 2],
    /// Turns, either way of the first by at most the second.
    pub(crate) turns_rad: [f64; 2],
    /// Corners of the part of the cloth that is searched; all of it otherwise.
    pub(crate) window: Option<[Point<Mm>; 2]>,
}

impl Raster {
    /// Enough for residue that is plain to see: the steps move the outline of the template by
    /// less than a sample.
    pub(crate) const QUICK: Self = Self {
        template_samples: 13.0,
        size_step: 1.08,
        turn_step_rad: PI / 22.0,
    };
    /// For faint residue.
    pub(crate) const THOROUGH: Self = Self {
        template_samples: 20.0,
        size_step: 1.06,
        turn_step_rad: PI / 36.0,
    };
}

/// Whitened samples beyond this many standard deviations are cut down to it, so that seams,
/// prints and the rim of the cloth do not outshine the residue.
const CLIP: f32 = 5.0;
/// Places kept from one size and turn.
const PEAKS: usize = 4;

/// A place where the shape may be.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Candidate {
    pub(crate) middle: Point<Mm>,
    pub(crate) turn_rad: f64,
    pub(crate) size_mm: f64,
    /// Signal-to-noise ratio over all channels.
    pub(crate) snr: f64,
    /// Colour direction that separates inside from outside best.
    pub(crate) direction: [f64; 3],
    /// Index of the level it was found at.
    pub(crate) level: usize,
}

/// The best places for the shape, best first, no two alike.
pub(crate) fn search(
    levels: &[Level],
    shape: &Shape,
    look: &Look,
    settings: &Settings,
) -> Vec<Candidate> {
    let mut found = Vec::new();
    let step = look.raster.size_step;
    for (k, level) in levels.iter().enumerate() {
        let low = look.raster.template_samples * level.pitch_mm();
        let low = if k == 0 {
            look.sizes_mm[0]
        } else {
            low.max(look.sizes_mm[0])
        };
        let high = if k + 1 == levels.len() {
            look.sizes_mm[1]
        } else {
            (2.0 * look.raster.template_samples * level.pitch_mm()).min(look.sizes_mm[1])
        };
        let extent = level.pitch_mm() * level.field.grid.width.max(level.field.grid.height) as f64;
        let count = ((high.min(1.2 * extent) / low).ln() / step.ln()).ceil();
        if count >= 1.0 {
            let sizes: Vec<f64> = (0..count as usize)
                .map(|i| low * step.powi(i as i32))
                .collect();
            if let Some(sweep) = Sweep::new(level, k, look.window) {
                found.extend(sweep.run(shape, &sizes, look));
            }
        }
    }
    distinct(found, settings.candidates_max)
}

/// The angle between two directions, 0 to π.
pub(crate) fn angle_between(a: f64, b: f64) -> f64 {
    let d = (a - b).rem_euclid(2.0 * PI);
    d.min(2.0 * PI - d)
}

/// Keeps the best of each neighbourhood, best first: `most` in all, and a few of every level, since
/// a part of the residue can show a small copy of a shape better than all of it shows the shape.
fn distinct(mut found: Vec<Candidate>, most: usize) -> Vec<Candidate> {
    const OF_EACH_LEVEL: usize = 3;
    /// Turns kept of one place and size: a shape that looks much the same at every turn would fill
    /// the list with one place.
    const TURNS: usize = 3;
    found.sort_by(|a, b| b.snr.total_cmp(&a.snr));
    let mut kept: Vec<Candidate> = Vec::new();
    for c in found {
        let beside = |k: &&Candidate| {
            k.middle.distance(c.middle) < 0.08 * c.size_mm
                && (k.size_mm / c.size_mm).ln().abs() < 0.09
        };
        let turned = |k: &Candidate| angle_between(k.turn_rad, c.turn_rad) < 0.15;
        let mut there = kept.iter().filter(beside);
        let known = there.clone().any(turned) || there.nth(TURNS - 1).is_some();
        let full = || {
            let of_level = kept.iter().filter(|k| k.level == c.level).count();
            kept.len() >= most && of_level >= OF_EACH_LEVEL
        };
        if !known && !full() {
            kept.push(c);
        }
    }
    kept
}

/// One level, or part of it, whitened and transformed, ready for templates.
struct Sweep {
    grid: Grid,
    look_in: Option<[Point<Mm>; 2]>,
    index: usize,
    fft: Fft2,
    width: usize,
    height: usize,
    /// What a template goes through in each channel.
    transfer: [Vec<f32>; 3],
    spectra: [Vec<Bin>; 3],
}

impl Sweep {
    fn new(level: &Level, index: usize, window: Option<[Point<Mm>; 2]>) -> Option<Self> {
        let (grid, [i0, j0]) = window.map_or(Some((level.field.grid, [0, 0])), |w| {
            part(&level.field.grid, w)
        })?;
        let (width, height) = (
            Fft2::fast_length(grid.width),
            Fft2::fast_length(grid.height),
        );
        let fft = Fft2::new(width, height);
        let padded = |plane: &[f32]| {
            let mut out = vec![0.0; width * height];
            let rows = plane.chunks_exact(level.field.grid.width).skip(j0);
            for (row, line) in rows.zip(out.chunks_exact_mut(width)).take(grid.height) {
                line[..grid.width].copy_from_slice(&row[i0..i0 + grid.width]);
            }
            out
        };
        let cloth = padded(&level.field.cloth);
        let transfer = [0, 1, 2].map(|c| level.noise()[c].whitening(width, height, 1e-3));
        let spectra = [0, 1, 2].map(|c| {
            let image = padded(&level.field.channels[c]);
            let mut white = fft.filter(&image, &transfer[c]);
            let spread = robust_spread(&white, &cloth);
            for (v, w) in white.iter_mut().zip(&cloth) {
                *v = (*v / spread).clamp(-CLIP, CLIP) * w;
            }
            fft.forward(&white)
        });
        let kept = kept_of_light(&level.field, width, height);
        let transfer = transfer.map(|t| t.iter().zip(&kept).map(|(t, k)| t * k).collect());
        Some(Self {
            grid,
            look_in: level.field.look_in,
            index,
            fft,
            width,
            height,
            transfer,
            spectra,
        })
    }

    fn run(&self, shape: &Shape, sizes_mm: &[f64], look: &Look) -> Vec<Candidate> {
        let [middle, half] = look.turns_rad;
        let half = half.min(PI);
        let most = (half / look.raster.turn_step_rad).ceil() as i32;
        let turns = |k: i32| middle + f64::from(k) * half / f64::from(most.max(1));
        // A half turn is met once.
        let first = if half < PI { -most } else { 1 - most };
        let poses: Vec<(f64, f64)> = sizes_mm
            .iter()
            .flat_map(|&s| (first..=most).map(move |k| (s, turns(k))))
            .collect();
        poses
            .par_iter()
            .flat_map_iter(|&(size, turn)| self.best_places(shape, size, turn))
            .collect()
    }

    fn best_places(&self, shape: &Shape, size_mm: f64, turn_rad: f64) -> Vec<Candidate> {
        let template = self.template(shape, size_mm, turn_rad);
        let spectrum = self.fft.forward(&template);
        let scores =
            [0, 1, 2].map(|c| self.correlate(&spectrum, &self.transfer[c], &self.spectra[c]));
        let total: Vec<f32> = (0..template.len())
            .map(|k| scores.iter().map(|s| s.0[k] * s.0[k]).sum())
            .collect();
        self.peaks(&total, shape, size_mm, turn_rad)
            .into_iter()
            .map(|(i, j)| {
                let k = j * self.width + i;
                let snr = f64::from(total[k]).sqrt();
                // Channels are weighed by signal over noise variance, as the matched filter does.
                let weighed = [0, 1, 2].map(|c| f64::from(scores[c].0[k] * scores[c].1));
                let length = weighed.iter().map(|w| w * w).sum::<f64>().sqrt().max(1e-9);
                Candidate {
                    middle: self.grid.place(i as f64, j as f64),
                    turn_rad,
                    size_mm,
                    snr,
                    direction: weighed.map(|w| w / length),
                    level: self.index,
                }
            })
            .collect()
    }

    /// The shape's coverage around the first sample, wrapped round the picture's edges.
    fn template(&self, shape: &Shape, size_mm: f64, turn_rad: f64) -> Vec<f32> {
        let mut out = vec![0.0f32; self.width * self.height];
        let (sin, cos) = turn_rad.sin_cos();
        let step = self.grid.pitch_mm / size_mm;
        let coverage = shape.coverage(step);
        let [a, b] = shape.half;
        let reach = |n: usize, half: f64| ((half / step).ceil() as i64 + 1).min(n as i64 / 2 - 1);
        let (rx, ry) = (
            reach(self.width, a * cos.abs() + b * sin.abs()),
            reach(self.height, a * sin.abs() + b * cos.abs()),
        );
        for j in -ry..=ry {
            for i in -rx..=rx {
                let (x, y) = (i as f64 * step, j as f64 * step);
                let v = coverage.at(cos * x + sin * y, cos * y - sin * x);
                let column = i.rem_euclid(self.width as i64) as usize;
                let row = j.rem_euclid(self.height as i64) as usize;
                out[row * self.width + column] = v;
            }
        }
        out
    }

    /// Signal-to-noise ratio at every place, and the template's own length once whitened.
    fn correlate(&self, template: &[Bin], transfer: &[f32], image: &[Bin]) -> (Vec<f32>, f32) {
        let mut energy = 0.0f64;
        let h = self.height;
        let mut product = Vec::with_capacity(template.len());
        let columns = template.chunks_exact(h).zip(transfer.chunks_exact(h));
        for (k, ((template, transfer), image)) in columns.zip(image.chunks_exact(h)).enumerate() {
            let mut sum = 0.0;
            product.extend(template.iter().zip(transfer).zip(image).map(|((t, w), i)| {
                let t = t * w;
                sum += t.norm_sqr();
                i * t.conj()
            }));
            // Columns between the first and the last stand for their mirror images too.
            let alone = k == 0 || (k + 1) * h == self.transfer[0].len();
            energy += f64::from(sum) * if alone { 1.0 } else { 2.0 };
        }
        let norm = (energy / (self.width * self.height) as f64)
            .sqrt()
            .max(1e-12) as f32;
        let mut score = self.fft.inverse(product);
        for v in &mut score {
            *v /= norm;
        }
        (score, norm)
    }

    /// Highest local maxima at which the shape lies within the grid and the area looked in.
    fn peaks(
        &self,
        total: &[f32],
        shape: &Shape,
        size_mm: f64,
        turn_rad: f64,
    ) -> Vec<(usize, usize)> {
        let grid = &self.grid;
        let (sin, cos) = turn_rad.sin_cos();
        let [a, b] = shape.half;
        // A tenth of the emblem may lie outside.
        let reach = 0.9 * size_mm / grid.pitch_mm;
        let mx = (reach * (a * cos.abs() + b * sin.abs())) as usize;
        let my = (reach * (a * sin.abs() + b * cos.abs())) as usize;
        let mut peaks: Vec<(f32, usize, usize)> = Vec::new();
        for j in my.max(1)..grid.height.saturating_sub(my.max(1)) {
            for i in mx.max(1)..grid.width.saturating_sub(mx.max(1)) {
                let k = j * self.width + i;
                let v = total[k];
                let weakest = if peaks.len() == PEAKS {
                    peaks[PEAKS - 1].0
                } else {
                    9.0
                };
                if v <= weakest || !self.looked_at(i, j) {
                    continue;
                }
                let up = &total[k - self.width - 1..=k - self.width + 1];
                let down = &total[k + self.width - 1..=k + self.width + 1];
                let ring = up.iter().chain(down).chain([&total[k - 1], &total[k + 1]]);
                if ring.into_iter().all(|&n| n <= v) {
                    peaks.truncate(PEAKS - 1);
                    let at = peaks.partition_point(|p| p.0 >= v);
                    peaks.insert(at, (v, i, j));
                }
            }
        }
        peaks.into_iter().map(|(_, i, j)| (i, j)).collect()
    }

    fn looked_at(&self, i: usize, j: usize) -> bool {
        self.look_in.is_none_or(|[low, high]| {
            let p = self.grid.place(i as f64, j as f64);
            p.x >= low.x && p.x <= high.x && p.y >= low.y && p.y <= high.y
        })
    }
}

/// The part of a grid between two corners, and its first column and row. `None` when nothing is
/// left.
fn part(grid: &Grid, [low, high]: [Point<Mm>; 2]) -> Option<(Grid, [usize; 2])> {
    let (u0, v0) = grid.index(low);
    let (u1, v1) = grid.index(high);
    let span = |from: f64, to: f64, n: usize| {
        let first = from.floor().clamp(0.0, n as f64) as usize;
        let last = to.ceil().clamp(0.0, n as f64) as usize;
        (last > first + 8).then_some((first, last - first))
    };
    let (i0, width) = span(u0, u1, grid.width)?;
    let (j0, height) = span(v0, v1, grid.height)?;
    let part = grid.part([i0, j0], width, height);
    Some((part, [i0, j0]))
}

/// Standard deviation from the median of absolute values, where `weight` is positive.
pub(crate) fn robust_spread(values: &[f32], weight: &[f32]) -> f32 {
    let mut used: Vec<f32> = values
        .iter()
        .zip(weight)
        .filter(|(_, w)| **w > 0.0)
        .step_by(3)
        .map(|(v, _)| v.abs())
        .collect();
    if used.is_empty() {
        return 1.0;
    }
    let middle = used.len() / 2;
    let (_, median, _) = used.select_nth_unstable_by(middle, f32::total_cmp);
    // 0.6745: the normal distribution's third quartile.
    (*median / 0.674_5).max(1e-6)
}
