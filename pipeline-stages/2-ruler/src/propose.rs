//! Where in the photo might tick rows be? Windowed spectra of small tiles propose places,
//! directions and periods; nothing more is concluded from them.
//!
//! The power of a tick row lies on a line through the spectrum's origin, at multiples of
//! one over the pitch. Each tile's strongest peaks are compared with the median power at the same
//! distance from the origin, so that neither brightness nor a single strong edge counts. Peaks of
//! neighbouring tiles that agree are joined along the row.

use std::collections::BTreeMap;
use std::sync::Arc;

use fourier::{Complex, Fft, RealToComplex};
use rayon::prelude::*;

use crate::plane::Plane;

/// A side of a tile, in samples.
const TILE: usize = 64;
const STRIDE: usize = 32;
const HALF: usize = TILE / 2;
/// Periods sought in one plane, in samples.
const MIN_PERIOD: f32 = 3.0;
const MAX_PERIOD: f32 = 14.0;
/// Tiles with a smaller standard deviation (grey levels) show nothing.
const MIN_SPREAD: f32 = 1.2;
/// Peaks must exceed the median power of their ring by this factor.
const MIN_PROMINENCE: f32 = 12.0;
const PEAKS_PER_TILE: usize = 4;
/// Proposals of one direction and period: a cloth that is full of them must not crowd out the rest.
const MAX_ALIKE: usize = 4;
/// Strongest peaks kept for each plane.
const MAX_PEAKS: usize = 6000;

/// A periodic structure in one tile.
#[derive(Clone, Copy, Debug)]
struct Peak {
    /// Centre of the tile, in photo pixels.
    x: f64,
    y: f64,
    /// Direction of the frequency, in [0, π).
    angle: f64,
    period_px: f64,
    /// ln of the prominence.
    score: f64,
    tile: (usize, usize),
}

/// A chain of tiles in which the same periodic structure goes on.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Candidate {
    /// A point on its line, in photo pixels.
    pub(crate) centre: (f64, f64),
    /// Direction of the line, radians.
    pub(crate) angle: f64,
    /// Half the length of the chain, in photo pixels.
    pub(crate) half_length_px: f64,
    pub(crate) period_px: f64,
    pub(crate) score: f64,
}

/// The most promising chains of all planes, best first, at most `limit`. Periods below
/// `finest_px`, in photo pixels, need not be found.
pub(crate) fn candidates(planes: &[Plane], finest_px: f64, limit: usize) -> Vec<Candidate> {
    let coarser_shows_all = |p: &Plane| 2.0 * p.step_px * f64::from(MIN_PERIOD) <= finest_px;
    let last = planes.len().saturating_sub(1);
    let needless = planes[..last]
        .iter()
        .take_while(|p| coarser_shows_all(p))
        .count();
    let mut all: Vec<Candidate> = planes[needless..]
        .iter()
        .flat_map(|plane| chains(&peaks(plane), plane.step_px))
        .collect();
    all.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut kept: Vec<Candidate> = Vec::new();
    for candidate in all {
        if kept.len() >= limit {
            break;
        }
        let alike = kept.iter().filter(|k| k.is_like(&candidate)).count();
        if alike < MAX_ALIKE && !kept.iter().any(|k| k.repeats(&candidate)) {
            kept.push(candidate);
        }
    }
    kept
}

impl Candidate {
    /// Whether the other has the same direction and period.
    fn is_like(&self, other: &Self) -> bool {
        (self.period_px / other.period_px).ln().abs() < 0.04
            && turn_between(self.angle, other.angle).abs() < 0.05
    }

    /// Whether the other proposes the same row again.
    pub(crate) fn repeats(&self, other: &Self) -> bool {
        let (dx, dy) = (
            other.centre.0 - self.centre.0,
            other.centre.1 - self.centre.1,
        );
        let (sin, cos) = self.angle.sin_cos();
        let (along, across) = (dx * cos + dy * sin, dy * cos - dx * sin);
        self.is_like(other)
            && across.abs() < 3.0 * self.period_px
            && along.abs() + 0.7 * other.half_length_px < self.half_length_px
    }
}

fn peaks(plane: &Plane) -> Vec<Peak> {
    let columns = tiles_along(plane.width);
    let rows = tiles_along(plane.height);
    let window: Vec<f32> = (0..TILE)
        .map(|i| {
            (std::f32::consts::PI * (i as f32 + 0.5) / TILE as f32)
                .sin()
                .powi(2)
        })
        .collect();
    let rings = Rings::new();
    let mut found: Vec<Peak> = (0..rows)
        .into_par_iter()
        .flat_map_iter(|row| {
            let mut spectrum = TileSpectrum::new();
            let mut found = Vec::new();
            for column in 0..columns {
                let corner = (
                    corner_of(column, columns, plane.width),
                    corner_of(row, rows, plane.height),
                );
                if spectrum.transform(plane, corner, &window) {
                    for (kx, ky, score) in spectrum.peaks(&rings) {
                        found.push(peak_of(plane, corner, (column, row), kx, ky, score));
                    }
                }
            }
            found
        })
        .collect();
    found.sort_by(|a, b| b.score.total_cmp(&a.score));
    found.truncate(MAX_PEAKS);
    found
}

fn tiles_along(side: usize) -> usize {
    if side <= TILE {
        1
    } else {
        (side - TILE).div_ceil(STRIDE) + 1
    }
}

fn corner_of(index: usize, count: usize, side: usize) -> usize {
    if index + 1 == count {
        side.saturating_sub(TILE)
    } else {
        index * STRIDE
    }
}

fn peak_of(
    plane: &Plane,
    corner: (usize, usize),
    tile: (usize, usize),
    kx: f32,
    ky: f32,
    score: f32,
) -> Peak {
    let angle = f64::from(ky)
        .atan2(f64::from(kx))
        .rem_euclid(std::f64::consts::PI);
    Peak {
        x: (corner.0 + HALF) as f64 * plane.step_px,
        y: (corner.1 + HALF) as f64 * plane.step_px,
        angle,
        period_px: TILE as f64 / f64::from(kx).hypot(f64::from(ky)) * plane.step_px,
        score: f64::from(score.ln()),
        tile,
    }
}

/// Spectrum bins by their distance from the origin.
struct Rings {
    members: Vec<Vec<usize>>,
    first: usize,
}

impl Rings {
    fn new() -> Self {
        let first = (TILE as f32 / MAX_PERIOD) as usize;
        let last = (TILE as f32 / MIN_PERIOD).ceil() as usize;
        let mut members = vec![Vec::new(); last - first + 1];
        for kx in 0..=HALF {
            for ky in 0..TILE {
                let radius = (kx as f32).hypot(signed(ky) as f32).round() as usize;
                if radius >= first && radius <= last {
                    members[radius - first].push(kx * TILE + ky);
                }
            }
        }
        Self { members, first }
    }
}

fn signed(k: usize) -> i32 {
    if k >= HALF {
        k as i32 - TILE as i32
    } else {
        k as i32
    }
}

struct TileSpectrum {
    rows: Arc<dyn RealToComplex<f32>>,
    columns: Arc<dyn Fft<f32>>,
    line: Vec<f32>,
    half_line: Vec<Complex<f32>>,
    transposed: Vec<Complex<f32>>,
    row_scratch: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    /// Power, frequency kx by frequency kx.
    power: Vec<f32>,
    sorted: Vec<f32>,
}

impl TileSpectrum {
    fn new() -> Self {
        let rows = fourier::real_forward(TILE);
        let columns = fourier::forward(TILE);
        let row_scratch = rows.make_scratch_vec();
        let scratch = vec![Complex::default(); columns.get_inplace_scratch_len()];
        Self {
            rows,
            columns,
            line: vec![0.0; TILE],
            half_line: vec![Complex::default(); HALF + 1],
            transposed: vec![Complex::default(); (HALF + 1) * TILE],
            row_scratch,
            scratch,
            power: vec![0.0; (HALF + 1) * TILE],
            sorted: Vec::new(),
        }
    }

    /// Computes the tile's power; false when the tile is flat.
    fn transform(&mut self, plane: &Plane, corner: (usize, usize), window: &[f32]) -> bool {
        let height = TILE.min(plane.height);
        let width = TILE.min(plane.width);
        let row = |y: usize| &plane.grey[(corner.1 + y) * plane.width + corner.0..][..width];
        let (mut sums, mut squares) = ([0.0f32; 8], [0.0f32; 8]);
        for y in 0..height {
            for eight in row(y).chunks(8) {
                for ((sum, square), &g) in sums.iter_mut().zip(&mut squares).zip(eight) {
                    *sum += g;
                    *square += g * g;
                }
            }
        }
        let sum: f32 = sums.iter().sum();
        let squares: f32 = squares.iter().sum();
        let count = (width * height) as f32;
        let mean = sum / count;
        if squares / count - mean * mean < MIN_SPREAD * MIN_SPREAD {
            return false;
        }
        for y in 0..TILE {
            self.line.fill(0.0);
            if y < height {
                for ((out, &g), &w) in self.line.iter_mut().zip(row(y)).zip(window) {
                    *out = (g - mean) * w * window[y];
                }
            }
            if self
                .rows
                .process_with_scratch(&mut self.line, &mut self.half_line, &mut self.row_scratch)
                .is_err()
            {
                return false;
            }
            for (kx, z) in self.half_line.iter().enumerate() {
                self.transposed[kx * TILE + y] = *z;
            }
        }
        self.columns
            .process_with_scratch(&mut self.transposed, &mut self.scratch);
        for (p, z) in self.power.iter_mut().zip(&self.transposed) {
            *p = z.norm_sqr();
        }
        true
    }

    /// Power at any frequency; the spectrum of a real tile is symmetric about its origin.
    fn at(&self, kx: i32, ky: i32) -> f32 {
        let (kx, ky) = if kx < 0 { (-kx, -ky) } else { (kx, ky) };
        if kx > HALF as i32 {
            return 0.0;
        }
        self.power[kx as usize * TILE + ky.rem_euclid(TILE as i32) as usize]
    }

    /// Frequencies (in cycles a tile) and prominences of the strongest peaks.
    fn peaks(&mut self, rings: &Rings) -> Vec<(f32, f32, f32)> {
        let mut found: Vec<(f32, f32, f32)> = Vec::new();
        for (r, members) in rings.members.iter().enumerate() {
            self.sorted.clear();
            self.sorted.extend(members.iter().map(|&m| self.power[m]));
            let middle = self.sorted.len() / 2;
            let (_, &mut median, _) = self.sorted.select_nth_unstable_by(middle, f32::total_cmp);
            let least = MIN_PROMINENCE * median.max(1e-3);
            for &m in members {
                if self.power[m] < least {
                    continue;
                }
                let (kx, ky) = ((m / TILE) as i32, signed(m % TILE));
                if (kx == 0 && ky < 0) || !self.is_peak(kx, ky) {
                    continue;
                }
                let (dx, dy) = self.refine(kx, ky);
                let (fx, fy) = (kx as f32 + dx, ky as f32 + dy);
                let period = TILE as f32 / fx.hypot(fy);
                if (MIN_PERIOD..=MAX_PERIOD).contains(&period) && r + rings.first > 0 {
                    found.push((fx, fy, self.power[m] / median.max(1e-3)));
                }
            }
        }
        found.sort_by(|a, b| b.2.total_cmp(&a.2));
        found.truncate(PEAKS_PER_TILE);
        found
    }

    fn is_peak(&self, kx: i32, ky: i32) -> bool {
        let here = self.at(kx, ky);
        (-1..=1)
            .all(|dx| (-1..=1).all(|dy| (dx == 0 && dy == 0) || self.at(kx + dx, ky + dy) <= here))
    }

    /// Vertex of the parabola through the logarithms of three neighbouring powers, each way.
    fn refine(&self, kx: i32, ky: i32) -> (f32, f32) {
        let log = |dx: i32, dy: i32| self.at(kx + dx, ky + dy).max(1e-6).ln();
        let vertex = |a: f32, b: f32, c: f32| {
            let bend = a - 2.0 * b + c;
            if bend < -1e-6 {
                (0.5 * (a - c) / bend).clamp(-0.5, 0.5)
            } else {
                0.0
            }
        };
        (
            vertex(log(-1, 0), log(0, 0), log(1, 0)),
            vertex(log(0, -1), log(0, 0), log(0, 1)),
        )
    }
}

/// Greatest differences of neighbours in a chain.
const MAX_TURN: f64 = 0.16;
const MAX_STRETCH: f64 = 0.09;
/// Chains begun in one plane at most.
const MAX_SEEDS: usize = 48;

/// Joins peaks along lines, starting from the strongest.
fn chains(peaks: &[Peak], step_px: f64) -> Vec<Candidate> {
    let tile_px = TILE as f64 * step_px;
    let alone: Vec<f64> = standing_alone(peaks);
    let mut order: Vec<usize> = (0..peaks.len()).collect();
    order.sort_by(|&a, &b| (alone[b] * peaks[b].score).total_cmp(&(alone[a] * peaks[a].score)));
    let mut used = vec![false; peaks.len()];
    let mut found = Vec::new();
    for seed in order {
        if used[seed] || found.len() >= MAX_SEEDS {
            continue;
        }
        let members = chain_from(peaks, seed, tile_px, &used);
        for &m in &members {
            used[m] = true;
        }
        found.push(candidate_of(peaks, &alone, &members, tile_px));
    }
    found
}

/// How far the structure is from filling an area, 0.25 (cloth all round) to 1.
fn standing_alone(peaks: &[Peak]) -> Vec<f64> {
    let mut by_tile: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
    for (i, p) in peaks.iter().enumerate() {
        by_tile.entry(p.tile).or_default().push(i);
    }
    let same_at = |p: &Peak, across: f64| {
        let (dx, dy) = (-p.angle.sin() * across, p.angle.cos() * across);
        let (i, j) = (p.tile.0 as f64 + dx, p.tile.1 as f64 + dy);
        if i < 0.0 || j < 0.0 {
            return false;
        }
        let others = by_tile.get(&(i.round() as usize, j.round() as usize));
        others.is_some_and(|list| list.iter().any(|&o| agree(p, &peaks[o], 1.0)))
    };
    peaks
        .iter()
        .map(|p| {
            let both = [3.0, 5.0, 7.0]
                .iter()
                .filter(|&&d| same_at(p, d) && same_at(p, -d))
                .count();
            [1.0, 0.7, 0.4, 0.25][both]
        })
        .collect()
}

fn agree(a: &Peak, b: &Peak, slack: f64) -> bool {
    turn_between(a.angle, b.angle).abs() < MAX_TURN * slack
        && (a.period_px / b.period_px).ln().abs() < MAX_STRETCH * slack
}

/// The smaller angle from `a` to `b` between undirected lines.
fn turn_between(a: f64, b: f64) -> f64 {
    let d = (b - a).rem_euclid(std::f64::consts::PI);
    if d > std::f64::consts::FRAC_PI_2 {
        d - std::f64::consts::PI
    } else {
        d
    }
}

/// Peaks that continue the seed's structure along its line, without a gap of more than three
/// tiles.
fn chain_from(peaks: &[Peak], seed: usize, tile_px: f64, used: &[bool]) -> Vec<usize> {
    let s = &peaks[seed];
    let (cos, sin) = (s.angle.cos(), s.angle.sin());
    let mut on_line: Vec<(f64, usize)> = peaks
        .iter()
        .enumerate()
        .filter(|&(i, p)| !used[i] && agree(s, p, 1.3))
        .filter_map(|(i, p)| {
            let (dx, dy) = (p.x - s.x, p.y - s.y);
            let (along, across) = (dx * cos + dy * sin, dy * cos - dx * sin);
            let reach = 0.55 * tile_px + MAX_TURN * 0.6 * along.abs();
            (across.abs() < reach).then_some((along, i))
        })
        .collect();
    on_line.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let Some(start) = on_line.iter().position(|&(_, i)| i == seed) else {
        return vec![seed];
    };
    let max_gap = 3.0 * tile_px;
    let mut first = start;
    while first > 0 && on_line[first].0 - on_line[first - 1].0 < max_gap {
        first -= 1;
    }
    let mut last = start;
    while last + 1 < on_line.len() && on_line[last + 1].0 - on_line[last].0 < max_gap {
        last += 1;
    }
    on_line[first..=last].iter().map(|&(_, i)| i).collect()
}

/// Line through the members' tiles; a short chain keeps the spectrum's own direction.
fn candidate_of(peaks: &[Peak], alone: &[f64], members: &[usize], tile_px: f64) -> Candidate {
    let weight: f64 = members.iter().map(|&m| peaks[m].score).sum();
    let mean = |f: &dyn Fn(&Peak) -> f64| {
        members
            .iter()
            .map(|&m| peaks[m].score * f(&peaks[m]))
            .sum::<f64>()
            / weight
    };
    let seed_angle = peaks[members[0]].angle;
    let spectral = seed_angle + mean(&|p| turn_between(seed_angle, p.angle));
    let centre = (mean(&|p| p.x), mean(&|p| p.y));
    let xx = mean(&|p| (p.x - centre.0).powi(2));
    let yy = mean(&|p| (p.y - centre.1).powi(2));
    let xy = mean(&|p| (p.x - centre.0) * (p.y - centre.1));
    let of_line = 0.5 * (2.0 * xy).atan2(xx - yy);
    // The line's direction is known to about half a tile over its length, the spectrum's to
    // about a twentieth of a radian.
    let spread = (xx + yy).sqrt();
    let trust = (spread / tile_px).powi(2) / ((spread / tile_px).powi(2) + 4.0);
    let angle = spectral + trust * turn_between(spectral, of_line);
    let (cos, sin) = (angle.cos(), angle.sin());
    let along = |m: &usize| (peaks[*m].x - centre.0) * cos + (peaks[*m].y - centre.1) * sin;
    let reach = members
        .iter()
        .map(along)
        .fold(0.0f64, |a, b| a.max(b.abs()));
    let log_period = mean(&|p| p.period_px.ln());
    Candidate {
        centre,
        angle,
        half_length_px: reach + 0.5 * tile_px,
        period_px: log_period.exp(),
        score: members
            .iter()
            .map(|&m| peaks[m].score * alone[m])
            .sum::<f64>(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plane(side: usize, grey: impl Fn(f64, f64) -> f64) -> Plane {
        let grey = (0..side * side)
            .map(|i| grey((i % side) as f64, (i / side) as f64) as f32)
            .collect();
        Plane {
            width: side,
            height: side,
            grey,
            step_px: 1.0,
        }
    }

    fn window() -> Vec<f32> {
        let step = std::f32::consts::PI / TILE as f32;
        (0..TILE)
            .map(|i| ((i as f32 + 0.5) * step).sin().powi(2))
            .collect()
    }

    /// Powers of numpy 2's `fft.fft2` for the same tile.
    #[test]
    fn spectrum_is_numpys() {
        let tau = std::f64::consts::TAU;
        let plane = plane(TILE, |x, y| {
            128.0 + 40.0 * (tau * (0.11 * x + 0.07 * y) + 0.5).cos() + 20.0 * (tau * 0.2 * x).cos()
        });
        let mut spectrum = TileSpectrum::new();
        assert!(spectrum.transform(&plane, (0, 0), &window()));
        for (kx, ky, power) in [
            (7, 4, 309_553_320.5),
            (7, 5, 293_475_417.8),
            (13, 0, 99_569_493.6),
            (12, 0, 44_255_318.4),
            (8, 4, 87_154_537.4),
        ] {
            let ratio = spectrum.at(kx, ky) / power;
            assert!((ratio - 1.0).abs() < 1e-3, "({kx}, {ky}): {ratio}");
        }
    }

    #[test]
    fn finds_period_and_direction_of_a_row() {
        for (angle_deg, period) in [(0.0, 7.3), (27.0, 5.1), (90.0, 11.2), (133.0, 8.0)] {
            let (sin, cos) = f64::to_radians(angle_deg).sin_cos();
            let plane = plane(512, |x, y| {
                let (dx, dy) = (x - 256.0, y - 256.0);
                let (along, across) = (dx * cos + dy * sin, dy * cos - dx * sin);
                let inside = across.abs() < 20.0 && along.abs() < 200.0;
                let tick = (along / period).rem_euclid(1.0) < 0.25;
                if inside && tick { 60.0 } else { 180.0 }
            });
            // A harmonic may come first; the pitch itself must be among the proposals.
            let proposed = candidates(&[plane], 0.0, 12);
            let right = |c: &Candidate| {
                (c.period_px / period - 1.0).abs() < 0.02
                    && turn_between(c.angle, f64::to_radians(angle_deg)).abs() < 0.03
            };
            assert!(proposed.iter().any(right), "{angle_deg}: {proposed:?}");
        }
    }
}
