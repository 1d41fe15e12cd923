//! Where in the photo might tick rows be? Windowed spectra of small tiles propose places,
//! directions and periods; nothing more is concluded from them.
//!
//! The power of a tick row lies on a line through the spectrum's origin, at multiples of
//! one over the pitch. Each tile's strongest peaks are compared with the median power at the same
//! distance from the origin, so that neither brightness nor a single strong edge counts. Peaks of
//! neighbouring tiles that agree are joined along the row.

use rayon::prelude::*;

use crate::plane::Plane;
use crate::tiles::{HALF, MIN_PERIOD, Rings, TILE, Tile, TileSpectrum};

const STRIDE: usize = 32;
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
        .par_iter()
        .flat_map_iter(|plane| chains(&peaks(plane), plane.step_px))
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

    /// How far the other's middle lies along this one's line and across it, in pixels.
    fn way_to(&self, other: &Self) -> (f64, f64) {
        let (dx, dy) = (
            other.centre.0 - self.centre.0,
            other.centre.1 - self.centre.1,
        );
        let (sin, cos) = self.angle.sin_cos();
        (dx * cos + dy * sin, dy * cos - dx * sin)
    }

    /// Whether the other lies along the same line, or close beside it.
    pub(crate) fn is_beside(&self, other: &Self) -> bool {
        let (along, across) = self.way_to(other);
        turn_between(self.angle, other.angle).abs() < 0.05
            && across.abs() < 4.0 * self.period_px.min(other.period_px)
            && along.abs() < self.half_length_px + other.half_length_px
    }

    /// Whether the other proposes the same row again.
    pub(crate) fn repeats(&self, other: &Self) -> bool {
        let (along, across) = self.way_to(other);
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
            let tiles: Vec<(usize, Tile)> = (0..columns)
                .filter_map(|column| {
                    let x = corner_of(column, columns, plane.width);
                    let tile = Tile::at(plane, (x, corner_of(row, rows, plane.height)))?;
                    Some((column, tile))
                })
                .collect();
            for pair in tiles.chunks(2) {
                let ends = [pair[0].1, pair[pair.len() - 1].1];
                spectrum.transform(plane, ends, &window);
                for (k, (column, tile)) in pair.iter().enumerate() {
                    spectrum.look_at(k == 1);
                    for (kx, ky, score) in spectrum.peaks(&rings) {
                        let place = (*column, row);
                        found.push(peak_of(plane, tile.corner, place, kx, ky, score));
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
    let count = |of: fn(&Peak) -> usize| peaks.iter().map(of).max().map_or(0, |last| last + 1);
    let (columns, rows) = (count(|p| p.tile.0), count(|p| p.tile.1));
    let mut by_tile: Vec<Vec<usize>> = vec![Vec::new(); columns * rows];
    for (i, p) in peaks.iter().enumerate() {
        by_tile[p.tile.1 * columns + p.tile.0].push(i);
    }
    let same_at = |p: &Peak, across: f64| {
        let (dx, dy) = (-p.angle.sin() * across, p.angle.cos() * across);
        let (i, j) = (p.tile.0 as f64 + dx, p.tile.1 as f64 + dy);
        if i < 0.0 || j < 0.0 {
            return false;
        }
        let (i, j) = (i.round() as usize, j.round() as usize);
        i < columns
            && j < rows
            && by_tile[j * columns + i]
                .iter()
                .any(|&o| agree(p, &peaks[o], 1.0))
    };
    peaks
        .par_iter()
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
        .par_iter()
        .with_min_len(1000)
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
    use crate::plane::tests::plane;

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
