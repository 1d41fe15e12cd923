//! Follows a proposed tick row through a strip resampled along it: which rows of the strip carry
//! the ticks, and how their phase runs along it.
//!
//! The pitch of a tilted ruler drifts, so that no single frequency fits it; the phase of the local
//! fundamental does not mind (Takeda, Ina & Kobayashi 1982, fringe analysis).

use std::ops::Range;

use fourier::Complex;
use nalgebra::{Matrix3, Vector3};
use rayon::prelude::*;

use crate::plane::{Plane, plane_for};
use crate::propose::Candidate;
use crate::row::{Axis, Row, settle_polarity};

/// Samples of the strip for one pitch.
const PER_PITCH: usize = 8;
/// The strip reaches this many pitches to either side of the proposed line.
const HALF_WIDTH_PITCHES: usize = 12;
/// Rows of the strip for one pitch.
const ROWS_PER_PITCH: usize = 4;
/// Samples of a row taken at a time, and rows: neighbouring ones show the same pixels.
const PART: usize = 64;
const PART_ROWS: usize = 24;
/// Window and step of the local fundamental, in pitches and in samples.
const WINDOW_PITCHES: usize = 6;
const HOP_PITCHES: usize = 2;
const WINDOW: usize = WINDOW_PITCHES * PER_PITCH;
const HOP: usize = HOP_PITCHES * PER_PITCH;
/// Marks are shorter, in pitches: what fills most of the strip is cloth. Looked for in so many
/// windows first.
const MAX_BAND_PITCHES: usize = 16;
const WINDOWS_AT_A_GLANCE: usize = 10;
/// Blocks without ticks that are bridged.
const MAX_GAP_BLOCKS: usize = 5;

struct Strip<'a> {
    plane: &'a Plane,
    axis: Axis,
    step_px: f64,
    columns: usize,
    rows: usize,
    grey: Vec<f32>,
}

impl<'a> Strip<'a> {
    /// The candidate's strip, not sampled yet.
    fn new(planes: &'a [Plane], candidate: &Candidate) -> Option<Self> {
        let pitch = candidate.period_px;
        let plane = plane_for(planes, pitch, 6.0);
        let step_px = pitch / PER_PITCH as f64;
        let axis = Axis::new(candidate.centre, candidate.angle, 0.0);
        let reach = candidate.half_length_px * 1.25 + 12.0 * pitch;
        let columns = (2.0 * reach / step_px) as usize / (2 * PER_PITCH) * (2 * PER_PITCH);
        if columns < 8 * PER_PITCH {
            return None;
        }
        let rows = 2 * HALF_WIDTH_PITCHES * ROWS_PER_PITCH;
        Some(Self {
            plane,
            axis,
            step_px,
            columns,
            rows,
            grey: vec![f32::NAN; rows * columns],
        })
    }

    /// Samples these parts of all rows.
    fn sample(&mut self, parts: &[Range<usize>]) {
        let mut grey = std::mem::take(&mut self.grey);
        let bands = grey.par_chunks_mut(PART_ROWS * self.columns).enumerate();
        bands.for_each(|(band, rows)| {
            for part in parts {
                for (r, row) in rows.chunks_exact_mut(self.columns).enumerate() {
                    self.sample_row(band * PART_ROWS + r, part, &mut row[part.clone()]);
                }
            }
        });
        self.grey = grey;
    }

    fn sample_row(&self, r: usize, part: &Range<usize>, row: &mut [f32]) {
        let (sin, cos) = self.axis.angle.sin_cos();
        let step = (self.step_px * cos, self.step_px * sin);
        let (t, v) = (self.t_of(part.start as f64), self.v_of(r as f64));
        self.plane
            .along(self.axis.at(t, v), step, row.len(), |c, grey| row[c] = grey);
    }

    fn sample_all(&mut self) {
        let starts = (0..self.columns).step_by(PART);
        let parts: Vec<_> = starts
            .map(|first| first..(first + PART).min(self.columns))
            .collect();
        self.sample(&parts);
    }

    /// First samples of every so many windows of the local fundamental.
    fn windows(&self, every: usize) -> impl Iterator<Item = usize> + use<> {
        (0..=self.columns - WINDOW).step_by(every * HOP)
    }

    /// The band of marks as every so many windows show it; `None` where there is none, or what
    /// might be one fills the strip.
    fn band(&self, every: usize) -> Option<Band> {
        let fundamental = Fundamental::of(self, every);
        let amplitudes = fundamental.amplitudes();
        let middle = |first: usize| self.t_of((first + WINDOW / 2) as f64 - 0.5);
        let centres: Vec<f64> = self.windows(every).map(middle).collect();
        let course = best_course(self, &amplitudes, &centres);
        let profile = profile_along(self, &amplitudes, &centres, course);
        let (first, last) = strongest_band(&profile)?;
        (last - first < MAX_BAND_PITCHES * ROWS_PER_PITCH).then_some(Band {
            fundamental,
            centres,
            course,
            first,
            last,
        })
    }

    fn t_of(&self, column: f64) -> f64 {
        (column - 0.5 * self.columns as f64) * self.step_px
    }

    fn row_step_px(&self) -> f64 {
        self.step_px * (PER_PITCH / ROWS_PER_PITCH) as f64
    }

    fn v_of(&self, row: f64) -> f64 {
        (row - 0.5 * self.rows as f64) * self.row_step_px()
    }
}

/// The fundamental at the proposed pitch, row by row and block by block.
struct Fundamental {
    blocks: usize,
    rows: usize,
    z: Vec<Complex<f32>>,
}

impl Fundamental {
    fn of(strip: &Strip, every: usize) -> Self {
        let weights: Vec<[f32; PER_PITCH]> = (0..WINDOW_PITCHES)
            .map(|p| std::array::from_fn(|i| hann(p * PER_PITCH + i, WINDOW)))
            .collect();
        let turns: [Complex<f32>; PER_PITCH] = std::array::from_fn(|i| {
            Complex::from_polar(1.0, -std::f32::consts::TAU * i as f32 / PER_PITCH as f32)
        });
        let total: f32 = weights.iter().flatten().sum();
        let blocks = strip.windows(every).count();
        let all_seen = by_phase(&[1.0; WINDOW], &weights, |weight, _| weight);
        let of_window = |window: &[f32]| {
            // Grey, and how much of it lies in the photo: nearly always all.
            let mut grey = by_phase(window, &weights, |weight, grey| weight * grey);
            let mut seen = all_seen;
            if !grey.iter().all(|sum| sum.is_finite()) {
                let inside = |grey: f32, value: f32| if grey.is_finite() { value } else { 0.0 };
                grey = by_phase(window, &weights, |w, g| inside(g, w * g));
                seen = by_phase(window, &weights, |w, g| inside(g, w));
            }
            let weight: f32 = seen.iter().sum();
            if weight < 0.6 * total {
                return Complex::default();
            }
            let mean = grey.iter().sum::<f32>() / weight;
            let sum: Complex<f32> = (0..PER_PITCH)
                .map(|k| turns[k] * (grey[k] - mean * seen[k]))
                .sum();
            sum / weight
        };
        let mut z = vec![Complex::default(); strip.rows * blocks];
        z.par_chunks_exact_mut(blocks)
            .zip(strip.grey.par_chunks_exact(strip.columns))
            .with_min_len(PART_ROWS)
            .for_each(|(z, row)| {
                for (z, first) in z.iter_mut().zip(strip.windows(every)) {
                    *z = of_window(&row[first..first + WINDOW]);
                }
            });
        Self {
            blocks,
            rows: strip.rows,
            z,
        }
    }

    fn at(&self, row: usize, block: usize) -> Complex<f32> {
        self.z[row * self.blocks + block]
    }

    /// Amplitudes, block by block, after a mean over half a pitch across: lines stay, grain fades.
    fn amplitudes(&self) -> Vec<f32> {
        let reach = ROWS_PER_PITCH / 4;
        let mut out = vec![0.0; self.z.len()];
        for r in 0..self.rows {
            let (from, to) = (r.saturating_sub(reach), (r + reach).min(self.rows - 1));
            for b in 0..self.blocks {
                let sum: Complex<f32> = (from..=to).map(|k| self.at(k, b)).sum();
                out[b * self.rows + r] = sum.norm_sqr().sqrt() / (to - from + 1) as f32;
            }
        }
        out
    }
}

/// Sums of what `of` makes of weights and samples of a window, phase by phase.
#[inline]
fn by_phase(
    window: &[f32],
    weights: &[[f32; PER_PITCH]],
    of: impl Fn(f32, f32) -> f32,
) -> [f32; PER_PITCH] {
    let mut sums = [0.0f32; PER_PITCH];
    for (pitch, weights) in window.as_chunks::<PER_PITCH>().0.iter().zip(weights) {
        for ((sum, &weight), &grey) in sums.iter_mut().zip(weights).zip(pitch) {
            *sum += of(weight, grey);
        }
    }
    sums
}

fn hann(i: usize, window: usize) -> f32 {
    (std::f32::consts::PI * (i as f32 + 0.5) / window as f32)
        .sin()
        .powi(2)
}

/// Where a tick row would run in the strip: v = `slope` t + ½ `bend` t².
#[derive(Clone, Copy)]
struct Course {
    slope: f64,
    bend: f64,
    /// Mean amplitude along the course, for each row.
    profile_peak: f64,
}

/// Follows the candidate; `None` when nothing regular is there.
pub(crate) fn follow(planes: &[Plane], candidate: &Candidate) -> Option<Row> {
    let mut strip = Strip::new(planes, candidate)?;
    let every = strip.windows(1).count() / WINDOWS_AT_A_GLANCE;
    if every > WINDOW_PITCHES / HOP_PITCHES {
        let parts = strip.windows(every).map(|first| first..first + WINDOW);
        strip.sample(&parts.collect::<Vec<_>>());
        strip.band(every)?;
    }
    strip.sample_all();
    let band = strip.band(1)?;
    let middle = 0.5 * (band.first + band.last) as f64;
    let half_band_px = 0.5 * ((band.last - band.first) as f64 + 1.0) * strip.row_step_px();
    if half_band_px < 0.35 * candidate.period_px {
        return None;
    }
    let in_band = BandPhase {
        strip: &strip,
        band: &band,
    };
    let lean = in_band.lean();
    let (count, range) = in_band.count(lean)?;
    let axis = tangent_axis(&strip, band.course, strip.v_of(middle));
    let mut row = Row {
        axis,
        half_band_px,
        lean,
        count,
        dark: true,
        range,
    };
    // The course bends away from the strip's own direction; re-express in its frame.
    row.lean.0 += band.course.slope;
    settle_polarity(planes, &mut row);
    Some(row)
}

fn tangent_axis(strip: &Strip, course: Course, v: f64) -> Axis {
    let origin = strip.axis.at(0.0, v);
    Axis::new(origin, strip.axis.angle + course.slope.atan(), course.bend)
}

fn course_offset(course: Course, t: f64) -> f64 {
    course.slope * t + 0.5 * course.bend * t * t
}

fn profile_along(strip: &Strip, amplitudes: &[f32], centres: &[f64], course: Course) -> Vec<f64> {
    let rows = strip.rows as i64;
    let mut sums = vec![0.0f32; strip.rows];
    for (block, &t) in amplitudes.chunks_exact(strip.rows).zip(centres) {
        let shift = (course_offset(course, t) / strip.row_step_px()).round() as i64;
        let (from, to) = ((-shift).clamp(0, rows), (rows - shift).clamp(0, rows));
        if from < to {
            let shifted = &block[(from + shift) as usize..(to + shift) as usize];
            let part = sums[from as usize..to as usize].iter_mut().zip(shifted);
            part.for_each(|(sum, a)| *sum += a);
        }
    }
    let share = |sum: f32| f64::from(sum) / centres.len() as f64;
    sums.into_iter().map(share).collect()
}

/// The course along which the amplitudes gather in the fewest rows.
fn best_course(strip: &Strip, amplitudes: &[f32], centres: &[f64]) -> Course {
    let half = 0.5 * strip.columns as f64 * strip.step_px;
    let middle = 0.5 * strip.rows as f64;
    let nearness: Vec<f64> = (0..strip.rows)
        .map(|r| (r as f64 - middle) / (0.45 * middle))
        .map(|off| (-0.5 * off * off).exp())
        .collect();
    let course = |slope: f64, bend: f64| {
        let course = Course {
            slope,
            bend,
            profile_peak: 0.0,
        };
        let profile = profile_along(strip, amplitudes, centres, course);
        let rows = profile.iter().zip(&nearness);
        Course {
            profile_peak: rows.map(|(a, near)| a * a * a * near).sum(),
            ..course
        }
    };
    // Steps move the ends of the strip by one row.
    let step = strip.row_step_px() * 2.0 / half;
    let limit = (0.12 / step).ceil().min(40.0) as i32;
    let mut best = Course {
        slope: 0.0,
        bend: 0.0,
        profile_peak: 0.0,
    };
    let straight: Vec<Course> = (-limit..=limit)
        .into_par_iter()
        .map(|i| course(f64::from(i) * step, 0.0))
        .collect();
    for course in straight {
        if course.profile_peak > best.profile_peak {
            best = course;
        }
    }
    let bend_step = 2.0 * strip.row_step_px() / (half * half) * 2.0;
    for j in -4..=4i32 {
        for i in -2..=2i32 {
            let slope = best.slope + 0.5 * f64::from(i) * step;
            let course = course(slope, f64::from(j) * bend_step);
            // A bent course must be worth its parameter.
            if course.profile_peak > best.profile_peak * if j == 0 { 1.0 } else { 1.06 } {
                best = course;
            }
        }
    }
    best
}

/// Rows around the strongest (weighted towards the middle) with at least half its amplitude.
fn strongest_band(profile: &[f64]) -> Option<(usize, usize)> {
    let middle = 0.5 * profile.len() as f64;
    let weighted = |r: usize| {
        let off = (r as f64 - middle) / (0.5 * middle);
        profile[r] * (-0.5 * off * off).exp()
    };
    let peak = (0..profile.len()).max_by(|&a, &b| weighted(a).total_cmp(&weighted(b)))?;
    let least = 0.5 * profile[peak];
    if least <= 0.0 {
        return None;
    }
    let first = (0..peak)
        .rev()
        .find(|&r| profile[r] < least)
        .map_or(0, |r| r + 1);
    let last = (peak..profile.len())
        .find(|&r| profile[r] < least)
        .unwrap_or(profile.len())
        - 1;
    Some((first, last))
}

/// Rows of the strip in which marks are seen, along a course.
struct Band {
    fundamental: Fundamental,
    /// Middles of the windows, block by block.
    centres: Vec<f64>,
    course: Course,
    first: usize,
    last: usize,
}

struct BandPhase<'a> {
    strip: &'a Strip<'a>,
    band: &'a Band,
}

impl BandPhase<'_> {
    fn row_at(&self, row: usize, block: usize) -> Option<usize> {
        let shift = (course_offset(self.band.course, self.band.centres[block])
            / self.strip.row_step_px())
        .round();
        let r = row as i64 + shift as i64;
        usize::try_from(r).ok().filter(|&k| k < self.strip.rows)
    }

    fn z(&self, row: usize, block: usize) -> Complex<f32> {
        self.row_at(row, block)
            .map_or(Complex::default(), |r| self.band.fundamental.at(r, block))
    }

    /// Lean of the marks in the strip's frame, from the phase between neighbouring rows.
    fn lean(&self) -> (f64, f64) {
        let mut sums = [Complex::<f32>::default(); 3];
        let n = self.band.centres.len();
        let gap = 2.min(self.band.last - self.band.first);
        if gap == 0 {
            return (0.0, 0.0);
        }
        for b in 0..n {
            let third = (3 * b / n).min(2);
            for r in self.band.first..=self.band.last - gap {
                sums[third] += self.z(r + gap, b) * self.z(r, b).conj();
            }
        }
        let slope_of = |z: Complex<f32>| {
            let per_row = f64::from(z.arg()) / gap as f64;
            -per_row * ROWS_PER_PITCH as f64 / std::f64::consts::TAU
        };
        let all = slope_of(sums[0] + sums[1] + sums[2]);
        (all, 0.0)
    }

    /// Mark number as a function of place, and where along the strip marks are seen.
    fn count(&self, lean: (f64, f64)) -> Option<([f64; 3], (f64, f64))> {
        let pitch = self.strip.step_px * PER_PITCH as f64;
        let middle = 0.5 * (self.band.first + self.band.last) as f64;
        let turn_per_row = std::f64::consts::TAU * lean.0 / ROWS_PER_PITCH as f64;
        let sums: Vec<Complex<f32>> = (0..self.band.centres.len())
            .map(|b| {
                let turned = |r: usize| {
                    let phase = (r as f64 - middle) * turn_per_row;
                    self.z(r, b) * Complex::from_polar(1.0, phase as f32)
                };
                (self.band.first..=self.band.last).map(turned).sum()
            })
            .collect();
        let mut sizes: Vec<f32> = sums.iter().map(|z| z.norm()).collect();
        sizes.sort_by(f32::total_cmp);
        let strong = sizes[sizes.len() * 3 / 4];
        let start = (0..sums.len()).max_by(|&a, &b| {
            let calm = |b: usize| {
                sums[b.saturating_sub(1)..(b + 2).min(sums.len())]
                    .iter()
                    .map(|z| z.norm())
                    .fold(f32::INFINITY, f32::min)
            };
            calm(a).total_cmp(&calm(b))
        })?;
        let points = unwrap_from(start, &sums, 0.3 * strong);
        // The band leans with the course: its middle shifts along the marks.
        let samples: Vec<(f64, f64, f64)> = points
            .iter()
            .map(|&(b, turns)| {
                let t = self.band.centres[b];
                (t, t / pitch + turns, f64::from(sums[b].norm()))
            })
            .collect();
        let count = fit_quadratic(&samples, pitch)?;
        let half_window = 0.5 * WINDOW_PITCHES as f64 * pitch;
        let from = samples.iter().map(|s| s.0).fold(f64::INFINITY, f64::min);
        let to = samples
            .iter()
            .map(|s| s.0)
            .fold(f64::NEG_INFINITY, f64::max);
        Some((count, (from - half_window, to + half_window)))
    }
}

/// Phases, in turns, of the blocks with enough amplitude, continued outward from `start`.
fn unwrap_from(start: usize, sums: &[Complex<f32>], least: f32) -> Vec<(usize, f64)> {
    let turns = |b: usize| f64::from(sums[b].arg()) / std::f64::consts::TAU;
    let mut known = vec![(start, turns(start))];
    let mut walk = |blocks: &mut dyn Iterator<Item = usize>| {
        let mut recent = vec![(start as f64, turns(start))];
        for b in blocks {
            let (last, _) = recent[recent.len() - 1];
            if (b as f64 - last).abs() > MAX_GAP_BLOCKS as f64 {
                break;
            }
            if sums[b].norm() < least {
                continue;
            }
            let expected = extrapolate(&recent, b as f64);
            let raw = turns(b);
            let value = raw + (expected - raw).round();
            recent.push((b as f64, value));
            known.push((b, value));
        }
    };
    walk(&mut (start + 1..sums.len()));
    walk(&mut (0..start).rev());
    known.sort_by_key(|k| k.0);
    known
}

/// Continues the last few values along a line.
fn extrapolate(values: &[(f64, f64)], at: f64) -> f64 {
    let recent = &values[values.len().saturating_sub(6)..];
    let n = recent.len() as f64;
    let mean_x = recent.iter().map(|v| v.0).sum::<f64>() / n;
    let mean_y = recent.iter().map(|v| v.1).sum::<f64>() / n;
    let xx: f64 = recent.iter().map(|v| (v.0 - mean_x).powi(2)).sum();
    let xy: f64 = recent.iter().map(|v| (v.0 - mean_x) * (v.1 - mean_y)).sum();
    if xx > 0.0 {
        mean_y + xy / xx * (at - mean_x)
    } else {
        mean_y
    }
}

/// Weighted parabola through (t, count, weight); places more than a fifth of a pitch off are
/// dropped, then it is fitted again.
fn fit_quadratic(samples: &[(f64, f64, f64)], pitch: f64) -> Option<[f64; 3]> {
    let reach = samples.iter().map(|s| s.0.abs()).fold(pitch, f64::max);
    let mut kept: Vec<(f64, f64, f64)> = samples.to_vec();
    for pass in 0..3 {
        if kept.len() < 3 {
            return None;
        }
        let mut normal = Matrix3::zeros();
        let mut right = Vector3::zeros();
        for &(t, x, w) in &kept {
            let row = Vector3::new(1.0, t / reach, (t / reach).powi(2));
            normal += row * row.transpose() * w;
            right += row * (x * w);
        }
        // A faint pull to a straight line keeps short rows from bending.
        normal[(2, 2)] += 1e-3 * normal[(0, 0)];
        let c = normal.cholesky()?.solve(&right);
        let count = [c[0], c[1] / reach, c[2] / (reach * reach)];
        if pass == 2 {
            let rate = |t: f64| count[1] + 2.0 * t * count[2];
            let sound = (0.5..2.0).contains(&(rate(reach) * pitch))
                && (0.5..2.0).contains(&(rate(-reach) * pitch));
            return sound.then_some(count);
        }
        let near = |s: &&(f64, f64, f64)| {
            let off = count[0] + s.0 * (count[1] + s.0 * count[2]) - s.1;
            off.abs() < 0.2
        };
        kept = samples.iter().filter(near).copied().collect();
    }
    None
}
