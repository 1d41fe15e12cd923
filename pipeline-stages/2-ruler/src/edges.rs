//! Proposes rows along the photo's long straight edges: most rulers have one, and their marks
//! begin at it.
//!
//! Thin marks far apart show their pitch faintly in any small tile; along the whole edge the
//! pitch and its multiples add up. Edges are found by votes of gradients (Hough 1962, with the
//! direction of the gradient as O'Gorman and Clowes 1976 use it), the pitch by the sum of its
//! harmonics' prominences in averaged spectra (Welch 1967).

use std::f64::consts::{PI, TAU};

use rayon::prelude::*;

use crate::plane::{PARTS, Plane};
use crate::propose::Candidate;

/// Edges are sought in the plane whose longer side has at most this many samples.
const MAX_SIDE: usize = 1200;
const MAX_EDGES: usize = 24;
/// Least gradient of an edge, grey levels a sample.
const MIN_GRADIENT: f32 = 3.0;
const ANGLE_BINS: usize = 360;
const MIN_LENGTH_SAMPLES: f64 = 90.0;
/// Rows looked at on either side of an edge, in samples of that plane.
const OFFSETS: [f64; 4] = [2.0, 4.5, 9.0, 18.0];
/// They are sampled in the plane whose longer side has at most this many samples.
const MAX_PROFILE: usize = 4800;
/// Windows of the spectra, in samples; a window shows pitches that it holds 10 to 44 times.
const WINDOWS: [usize; 5] = [128, 256, 512, 1024, 2048];
const MAX_BIN: usize = 44;
const HARMONICS: usize = 6;
/// Least sum of harmonics, and the most candidates.
const MIN_COMB: f64 = 3.0;
const MAX_CANDIDATES: usize = 20;

/// A straight edge, in photo pixels.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Edge {
    pub(crate) middle: (f64, f64),
    pub(crate) angle: f64,
    half_length_px: f64,
    /// Photo pixels a side of one sample of the plane it was found in.
    pub(crate) step_px: f64,
}

/// Rows along straight edges, the most regular first.
pub(crate) fn candidates(planes: &[Plane]) -> Vec<Candidate> {
    let mut found: Vec<Candidate> = straight(planes)
        .par_iter()
        .map(|edge| along(planes, edge))
        .flatten_iter()
        .collect();
    found.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut kept: Vec<Candidate> = Vec::new();
    for candidate in found {
        if kept.len() < MAX_CANDIDATES && !kept.iter().any(|k| k.repeats(&candidate)) {
            kept.push(candidate);
        }
    }
    kept
}

/// The photo's long straight edges.
pub(crate) fn straight(planes: &[Plane]) -> Vec<Edge> {
    edges(no_longer_than(planes, MAX_SIDE))
}

/// The finest plane whose longer side has at most so many samples, as far as there is one.
fn no_longer_than(planes: &[Plane], most: usize) -> &Plane {
    let fits = |p: &&Plane| p.width.max(p.height) <= most;
    let plane = planes.iter().find(fits);
    plane.unwrap_or(&planes[planes.len() - 1])
}

/// A sample of the plane on an edge: place, and direction of the rising gradient.
#[derive(Clone, Copy)]
struct Edgel {
    x: f64,
    y: f64,
    angle: f64,
}

fn edgels(plane: &Plane) -> Vec<Edgel> {
    const EIGHTFOLD: f32 = 8.0 * PARTS;
    let (w, h) = (plane.width, plane.height);
    let in_row = |y: usize| {
        (1..w.saturating_sub(1)).filter_map(move |x| {
            let g = |dx: usize, dy: usize| f32::from(plane.grey[(y + dy - 1) * w + x + dx - 1]);
            // Sobel's operator, in grey levels a sample.
            let gx =
                (g(2, 0) + 2.0 * g(2, 1) + g(2, 2) - g(0, 0) - 2.0 * g(0, 1) - g(0, 2)) / EIGHTFOLD;
            let gy =
                (g(0, 2) + 2.0 * g(1, 2) + g(2, 2) - g(0, 0) - 2.0 * g(1, 0) - g(2, 0)) / EIGHTFOLD;
            let size = (gx * gx + gy * gy).sqrt();
            (size > MIN_GRADIENT).then(|| {
                let edgel = Edgel {
                    x: x as f64,
                    y: y as f64,
                    angle: f64::from(gy).atan2(f64::from(gx)),
                };
                (size, edgel)
            })
        })
    };
    let rows = (1..h.saturating_sub(1)).into_par_iter();
    let mut all: Vec<(f32, Edgel)> = rows.flat_map_iter(in_row).collect();
    // The steepest tenth of the photo is enough.
    let most = w * h / 10;
    if all.len() > most {
        all.select_nth_unstable_by(most, |a, b| b.0.total_cmp(&a.0));
        all.truncate(most);
    }
    all.into_iter().map(|e| e.1).collect()
}

fn edges(plane: &Plane) -> Vec<Edge> {
    let mut edgels = edgels(plane);
    edgels.sort_by(|a, b| a.y.total_cmp(&b.y).then(a.x.total_cmp(&b.x)));
    let middle = (0.5 * plane.width as f64, 0.5 * plane.height as f64);
    let reach = middle.0.hypot(middle.1).ceil();
    let rows = 2 * reach as usize + 2;
    let bin_of =
        |angle: f64| (angle.rem_euclid(TAU) / TAU * ANGLE_BINS as f64) as usize % ANGLE_BINS;
    let angle_of = |bin: usize| (bin as f64 + 0.5) * TAU / ANGLE_BINS as f64;
    let directions: Vec<(f64, f64)> = (0..ANGLE_BINS).map(|b| angle_of(b).sin_cos()).collect();
    let offset = |e: &Edgel, bin: usize| {
        let (sin, cos) = directions[bin];
        (e.x - middle.0) * cos + (e.y - middle.1) * sin + reach
    };
    let mut votes = vec![0u32; ANGLE_BINS * rows];
    for e in &edgels {
        for turn in [ANGLE_BINS - 1, 0, 1] {
            let bin = (bin_of(e.angle) + turn) % ANGLE_BINS;
            votes[bin * rows + offset(e, bin).max(0.0) as usize] += 1;
        }
    }
    let mut rough = Vec::new();
    let mut peaks: Vec<(u32, usize)> = votes.chunks_exact(rows).map(peak).collect();
    for _ in 0..MAX_EDGES {
        let first_best = |&bin: &usize| (peaks[bin].0, ANGLE_BINS - bin);
        let Some(bin) = (0..ANGLE_BINS).max_by_key(first_best) else {
            break;
        };
        let (most, row) = peaks[bin];
        if f64::from(most) < 0.5 * MIN_LENGTH_SAMPLES {
            break;
        }
        for b in clear(&mut votes, rows, bin, row) {
            peaks[b] = peak(&votes[b * rows..(b + 1) * rows]);
        }
        rough.push((angle_of(bin), row as f64 + 0.5 - reach));
    }
    rough
        .into_par_iter()
        .filter_map(|rough| edge_at(plane, &edgels, middle, rough))
        .collect()
}

/// Most votes of one direction, and the first row that has them.
fn peak(votes: &[u32]) -> (u32, usize) {
    let most = votes.iter().copied().max().unwrap_or(0);
    (most, votes.iter().position(|v| *v == most).unwrap_or(0))
}

/// Forgets the votes about a peak; returns the directions it had votes of.
fn clear(votes: &mut [u32], rows: usize, bin: usize, row: usize) -> [usize; 7] {
    let about = std::array::from_fn(|turn| (bin + ANGLE_BINS + turn - 3) % ANGLE_BINS);
    for b in about {
        let (from, to) = (row.saturating_sub(5), (row + 6).min(rows));
        votes[b * rows + from..b * rows + to].fill(0);
    }
    about
}

/// Fits the line to its samples and finds its longest stretch without large gaps.
fn edge_at(plane: &Plane, edgels: &[Edgel], middle: (f64, f64), rough: (f64, f64)) -> Option<Edge> {
    let (mut normal, mut distance) = rough;
    let mut along: Vec<f64> = Vec::new();
    for reach in [3.0, 1.5] {
        let (sin, cos) = normal.sin_cos();
        let near: Vec<(f64, f64)> = edgels
            .iter()
            .filter(|e| {
                let turn = (e.angle - normal + PI).rem_euclid(TAU) - PI;
                turn.abs() < 0.12
            })
            .map(|e| {
                let (x, y) = (e.x - middle.0, e.y - middle.1);
                (y * cos - x * sin, x * cos + y * sin - distance)
            })
            .filter(|p| p.1.abs() < reach)
            .collect();
        let n = near.len() as f64;
        if n < 0.4 * MIN_LENGTH_SAMPLES {
            return None;
        }
        let mean = near.iter().map(|p| p.0).sum::<f64>() / n;
        let spread: f64 = near.iter().map(|p| (p.0 - mean).powi(2)).sum();
        let slope = near.iter().map(|p| (p.0 - mean) * p.1).sum::<f64>() / spread.max(1.0);
        let shift = near.iter().map(|p| p.1).sum::<f64>() / n - slope * mean;
        normal -= slope.atan();
        distance += shift;
        along = near.iter().map(|p| p.0).collect();
    }
    let (from, to) = longest_run(&mut along)?;
    let (sin, cos) = normal.sin_cos();
    let t = 0.5 * (from + to);
    let at = |v: f64, c: f64| (v + c + 0.5) * plane.step_px;
    Some(Edge {
        middle: (
            at(distance * cos - t * sin, middle.0),
            at(distance * sin + t * cos, middle.1),
        ),
        angle: normal + 0.5 * PI,
        half_length_px: 0.5 * (to - from) * plane.step_px,
        step_px: plane.step_px,
    })
}

fn longest_run(places: &mut [f64]) -> Option<(f64, f64)> {
    const MAX_GAP: f64 = 60.0;
    places.sort_by(f64::total_cmp);
    let mut best = (0.0, 0.0);
    let mut from = *places.first()?;
    let mut before = from;
    for &t in &*places {
        if t - before > MAX_GAP {
            from = t;
        }
        if t - from > best.1 - best.0 {
            best = (from, t);
        }
        before = t;
    }
    (best.1 - best.0 >= MIN_LENGTH_SAMPLES).then_some(best)
}

/// The most regular row on either side of an edge, and the most regular of clearly finer pitch
/// beside it: farther in than the short marks reach, only every fifth or tenth is seen.
fn along(planes: &[Plane], edge: &Edge) -> Vec<Candidate> {
    const FINER: f64 = 0.7;
    let mut found = Vec::new();
    let plane = no_longer_than(planes, MAX_PROFILE);
    for side in [-1.0, 1.0] {
        let rows: Vec<Comb> = OFFSETS
            .iter()
            .filter_map(|offset| {
                let away = side * offset * edge.step_px;
                let (_, grey) = edge.profile(plane, away, 0.3 * away.abs())?;
                let (score, period) = comb(&grey)?;
                (score >= MIN_COMB).then_some(Comb {
                    score,
                    period_px: period * plane.step_px,
                    away,
                })
            })
            .collect();
        let best = Comb::best(rows.iter());
        let finest_px = best.map_or(0.0, |b| FINER * b.period_px);
        let finer = Comb::best(rows.iter().filter(|r| r.period_px < finest_px));
        found.extend(best.into_iter().chain(finer).map(|comb| comb.beside(edge)));
    }
    found
}

/// A row beside an edge that is regular.
#[derive(Clone, Copy)]
struct Comb {
    score: f64,
    period_px: f64,
    /// How far from the edge, signed, in pixels.
    away: f64,
}

impl Comb {
    fn best<'a>(rows: impl Iterator<Item = &'a Self>) -> Option<Self> {
        rows.max_by(|a, b| a.score.total_cmp(&b.score)).copied()
    }

    fn beside(self, edge: &Edge) -> Candidate {
        let (sin, cos) = edge.angle.sin_cos();
        Candidate {
            centre: (
                edge.middle.0 - self.away * sin,
                edge.middle.1 + self.away * cos,
            ),
            angle: edge.angle,
            half_length_px: edge.half_length_px,
            period_px: self.period_px,
            score: self.score,
        }
    }
}

impl Edge {
    /// Grey along a line parallel to the edge, one value a sample of the plane, averaged over five
    /// rows `spread` pixels about it; and how far from the edge's middle it begins, in pixels.
    pub(crate) fn profile(&self, plane: &Plane, away: f64, spread: f64) -> Option<(f64, Vec<f32>)> {
        let (sin, cos) = self.angle.sin_cos();
        let step = plane.step_px;
        let length = (2.0 * self.half_length_px / step) as usize;
        let mut sums = vec![(0u8, 0.0f32); length];
        for r in [-1.0, -0.5, 0.0, 0.5, 1.0] {
            let (t, v) = (-self.half_length_px, away + r * spread);
            let start = (
                self.middle.0 + t * cos - v * sin,
                self.middle.1 + t * sin + v * cos,
            );
            plane.along(start, (step * cos, step * sin), length, |k, grey| {
                sums[k].0 += 1;
                sums[k].1 += grey;
            });
        }
        let values: Vec<(f64, f32)> = sums
            .into_iter()
            .enumerate()
            .filter(|(_, sum)| sum.0 == 5)
            .map(|(k, sum)| (k as f64 * step - self.half_length_px, sum.1 / 5.0))
            .collect();
        let start = values.first()?.0;
        let long_enough = values.len() >= WINDOWS[0];
        long_enough.then(|| (start, values.into_iter().map(|v| v.1).collect()))
    }
}

/// The most prominent comb of harmonics, if any stands out: its score and pitch, in samples.
fn comb(grey: &[f32]) -> Option<(f64, f64)> {
    let all: Vec<(f64, f64)> = WINDOWS
        .iter()
        .filter(|&&n| n <= grey.len())
        .filter_map(|&n| {
            let power = welch(grey, n)?;
            let in_px = move |(comb, bin)| (comb, n as f64 / bin);
            Some(combs(&prominences(&power)).into_iter().map(in_px))
        })
        .flatten()
        .filter(|c| c.0 > 0.0)
        .collect();
    let best = all.iter().map(|c| c.0).fold(f64::NEG_INFINITY, f64::max);
    // Every second line of thin marks' comb stands out as much as all: the coarser is meant.
    all.into_iter()
        .filter(|c| c.0 >= 0.9 * best)
        .max_by(|a, b| a.1.total_cmp(&b.1))
}

/// Mean power of half-overlapping windows of `n` samples.
fn welch(grey: &[f32], n: usize) -> Option<Vec<f32>> {
    let fft = fourier::real_forward(n);
    let mut spectrum = fft.make_output_vec();
    let mut power = vec![0.0f32; spectrum.len()];
    let window: Vec<f32> = (0..n)
        .map(|i| (std::f32::consts::PI * (i as f32 + 0.5) / n as f32).sin())
        .map(|root| root * root)
        .collect();
    let starts = (0..=grey.len() - n).step_by(n / 2);
    for start in starts {
        let part = &grey[start..start + n];
        let mean = part.iter().sum::<f32>() / n as f32;
        let around_mean = part.iter().map(|g| g - mean);
        let mut windowed: Vec<f32> = around_mean.zip(&window).map(|(g, w)| g * w).collect();
        fft.process(&mut windowed, &mut spectrum).ok()?;
        let total: f32 = spectrum.iter().map(fourier::Complex::norm_sqr).sum();
        // Each window counts alike, so that glare in one does not hide the others.
        for (p, z) in power.iter_mut().zip(&spectrum) {
            *p += z.norm_sqr() / total.max(1e-9);
        }
    }
    Some(power)
}

/// ln of the power against the usual power about it, 0 to 6, as far as [`combs`] looks.
fn prominences(power: &[f32]) -> Vec<f64> {
    const REACH: usize = 14;
    let place = |around: &[f32], p: f32| around.partition_point(|a| *a < p);
    let mut around: Vec<f32> = power[..REACH.min(power.len())].to_vec();
    around.sort_by(f32::total_cmp);
    (0..power.len().min(HARMONICS * MAX_BIN + 4))
        .map(|k| {
            if let Some(&coming) = power.get(k + REACH) {
                around.insert(place(&around, coming), coming);
            }
            if let Some(gone) = k.checked_sub(REACH + 1) {
                around.remove(place(&around, power[gone]));
            }
            let usual = around[around.len() / 2].max(1e-12);
            f64::from(power[k] / usual).ln().clamp(0.0, 6.0)
        })
        .collect()
}

/// Scores and fundamentals (in bins) of the combs of harmonics.
fn combs(prominences: &[f64]) -> Vec<(f64, f64)> {
    let last = prominences.len() - 2;
    let score = |bin: f64| {
        (1..=HARMONICS)
            .map(|h| (h, (bin * h as f64).round() as usize))
            .filter(|(_, k)| *k < last)
            .map(|(h, k)| {
                // A chirping pitch smears the higher harmonics.
                let reach = usize::from(h > 1);
                let around = &prominences[k - reach..=k + reach];
                let seen = around.iter().copied().fold(0.0, f64::max);
                (seen - if h > 1 { 1.2 } else { 0.8 }) / (h as f64).sqrt()
            })
            .sum::<f64>()
    };
    (40..=4 * MAX_BIN)
        .map(|q| 0.25 * q as f64)
        .map(|bin| (score(bin), bin))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Uniform numbers in -0.5..0.5 (linear congruential generator, constants of Knuth's MMIX).
    fn noise(state: &mut u64) -> f32 {
        *state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((*state >> 11) as f64 / (1u64 << 53) as f64 - 0.5) as f32
    }

    /// Grey along thin dark marks, `pitch` apart, in noise of the same height.
    fn marks(n: usize, pitch: f64, depth: f32, seed: u64) -> Vec<f32> {
        let mut state = seed;
        (0..n)
            .map(|i| {
                let off = (i as f64 / pitch).fract() * pitch;
                let mark = if off < 3.0 { -depth } else { 0.0 };
                120.0 + mark + 20.0 * noise(&mut state)
            })
            .collect()
    }

    #[test]
    fn thin_marks_far_apart_show_their_pitch_and_noise_shows_none() {
        for seed in 0..20 {
            for pitch in [14.7, 39.6, 69.3, 90.1] {
                let (comb, found) = comb(&marks(2600, pitch, 20.0, seed)).expect("long enough");
                assert!(comb > MIN_COMB, "{pitch} px: {comb}");
                assert!((found / pitch - 1.0).abs() < 0.03, "{pitch} px: {found}");
            }
            let silent =
                comb(&marks(2600, 40.0, 0.0, seed)).is_none_or(|(comb, _)| comb < MIN_COMB);
            assert!(silent, "seed {seed}: noise has a pitch");
        }
    }

    #[test]
    fn a_turned_edge_is_found_to_a_tenth_of_a_degree() {
        let (width, height) = (900usize, 700usize);
        let (sin, cos) = 23.4f64.to_radians().sin_cos();
        let grey = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64 + 0.5, (i / width) as f64 + 0.5);
                let away = (y - 350.0) * cos - (x - 450.0) * sin;
                (256.0 * (90.0 + 60.0 * (away + 0.5).clamp(0.0, 1.0))) as u16
            })
            .collect();
        let plane = Plane {
            width,
            height,
            grey,
            step_px: 1.0,
        };
        let found = edges(&plane);
        let edge = found.first().expect("an edge");
        let turn = (edge.angle - 23.4f64.to_radians()).rem_euclid(PI);
        assert!(turn.min(PI - turn) < 0.1f64.to_radians(), "{turn} rad");
        let off = (edge.middle.1 - 350.0) * cos - (edge.middle.0 - 450.0) * sin;
        assert!(off.abs() < 0.7, "{off} px");
    }

    /// Where the short marks have ended, every fifth stands out more than all did.
    #[test]
    fn both_the_long_marks_and_all_of_them_are_proposed() {
        const PITCH: f64 = 9.2;
        let mut state = 5;
        let rgb = image::RgbImage::from_fn(2000, 600, |x, y| {
            let (x, y) = (f64::from(x), f64::from(y) - 200.0);
            let mark = (x / PITCH).round();
            let reach = if mark % 5.0 == 0.0 { 60.0 } else { 26.0 };
            let is_mark = (x - mark * PITCH).abs() < 1.5 && y > 4.0 && y < reach;
            let grey = match y {
                _ if y < 0.0 => 60.0,
                _ if is_mark => 150.0,
                _ => 200.0,
            };
            image::Rgb([(grey + 20.0 * noise(&mut state)) as u8; 3])
        });
        let found = candidates(&Plane::pyramid(&rgb, 48));
        for period in [PITCH, 5.0 * PITCH] {
            let near = |c: &Candidate| (c.period_px / period - 1.0).abs() < 0.04;
            assert!(found.iter().any(near), "{period} px is not proposed");
        }
    }
}
