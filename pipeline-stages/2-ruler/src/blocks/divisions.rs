//! Into how many parts one of a chain's blocks is divided.

use fourier::Complex;

use super::chain::Chain;
use crate::grid::median;
use crate::plane::{Plane, plane_for};

/// Numbers of divisions that are in use, finest last.
const PARTS: [usize; 3] = [10, 8, 16];
/// Samples over one block.
const SAMPLES: usize = 192;
/// How far from the chain's line divisions are looked for, in blocks, and in what steps.
const REACH_BLOCKS: f64 = 2.4;
const ROWS_A_BLOCK: f64 = 48.0;
/// The rhythm's power against that of neighbouring rhythms in the same block.
const MIN_PROMINENCE: f64 = 14.0;
/// Rows that must show it, one below the other.
const MIN_ROWS: usize = 4;
/// Marks inside the block that must be there, of those due.
const MIN_MARKS: f64 = 0.8;
/// A mark is there if it stands out by this share of the usual.
const MIN_DEPTH: f64 = 0.3;
/// Share of the other blocks that may show the same rhythm at the same height.
const MAX_ELSEWHERE: f64 = 0.3;

/// The divisions of one block: where, and how many.
#[derive(Clone, Copy, Debug)]
struct Divided {
    block: i32,
    parts: usize,
    rows: (usize, usize),
    sum: f64,
}

/// Into how many parts one block is divided, if one and hardly any other is.
pub(super) fn of_one_block(planes: &[Plane], chain: &Chain) -> Option<usize> {
    let strips: Vec<(i32, Strip)> = (chain.range.0 - 1..=chain.range.1)
        .filter_map(|block| Some((block, Strip::sample(planes, chain, block)?)))
        .collect();
    let best = strips
        .iter()
        .flat_map(|(block, strip)| PARTS.map(|parts| strip.divided(*block, parts)))
        .flatten()
        .max_by(|a, b| a.sum.total_cmp(&b.sum))?;
    let strip = &strips.iter().find(|s| s.0 == best.block)?.1;
    if strip.share_of_marks(&best) < MIN_MARKS {
        return None;
    }
    let others: Vec<&Strip> = strips
        .iter()
        .filter(|s| s.0 != best.block)
        .map(|s| &s.1)
        .collect();
    let alike = others.iter().filter(|s| s.shows(&best)).count() as f64;
    (alike <= MAX_ELSEWHERE * others.len() as f64).then_some(best.parts)
}

/// Grey over one block, in rows parallel to the chain.
struct Strip {
    rows: Vec<Vec<f32>>,
    /// Powers of each row's rhythms: so many periods a block.
    powers: Vec<Vec<f64>>,
}

impl Strip {
    fn sample(planes: &[Plane], chain: &Chain, block: i32) -> Option<Self> {
        let plane = plane_for(planes, chain.block_px(), SAMPLES as f64);
        let step = chain.block_px() / ROWS_A_BLOCK;
        let half = (REACH_BLOCKS * ROWS_A_BLOCK) as i32;
        let row = |v: f64| -> Option<Vec<f32>> {
            (0..SAMPLES)
                .map(|k| {
                    let place = f64::from(block) + (k as f64 + 0.5) / SAMPLES as f64;
                    let (x, y) = chain.axis.at(chain.grid.place(place), v);
                    plane.bilinear(x, y)
                })
                .collect()
        };
        let lines: Vec<Option<Vec<f32>>> =
            (-half..=half).map(|k| row(f64::from(k) * step)).collect();
        // A row beyond the photo's edge is empty; whole blocks outside are left out.
        if lines.iter().flatten().count() < 2 * MIN_ROWS {
            return None;
        }
        let fft = fourier::forward(SAMPLES);
        let rows: Vec<Vec<f32>> = lines.into_iter().map(Option::unwrap_or_default).collect();
        let powers = rows
            .iter()
            .map(|row| {
                let mean = row.iter().sum::<f32>() / row.len().max(1) as f32;
                let mut values: Vec<Complex<f32>> =
                    row.iter().map(|g| Complex::new(g - mean, 0.0)).collect();
                values.resize(SAMPLES, Complex::new(0.0, 0.0));
                fft.process(&mut values);
                values[..40]
                    .iter()
                    .map(|z| f64::from(z.norm_sqr()))
                    .collect()
            })
            .collect();
        Some(Self { rows, powers })
    }

    /// Power of `parts` periods a block against that of rhythms near it.
    fn prominence(&self, row: usize, parts: usize) -> f64 {
        let power = &self.powers[row];
        let near = [-4i32, -3, -2, -1, 1, 2, 3, 4].map(|d| power[(parts as i32 + d) as usize]);
        // Half a grey level of noise, so that a blank row has no rhythm.
        let floor = 0.25 * SAMPLES as f64;
        power[parts] / (near.iter().sum::<f64>() / 8.0 + floor)
    }

    /// The highest run of rows that show so many divisions.
    fn divided(&self, block: i32, parts: usize) -> Option<Divided> {
        let mut best: Option<Divided> = None;
        let mut from = 0;
        for row in 0..=self.rows.len() {
            if row < self.rows.len() && self.prominence(row, parts) >= MIN_PROMINENCE {
                continue;
            }
            let sum: f64 = (from..row).map(|r| self.prominence(r, parts).ln()).sum();
            if row - from >= MIN_ROWS && best.is_none_or(|b| sum > b.sum) {
                best = Some(Divided {
                    block,
                    parts,
                    rows: (from, row),
                    sum,
                });
            }
            from = row + 1;
        }
        best
    }

    fn shows(&self, other: &Divided) -> bool {
        let rows = other.rows.0..other.rows.1;
        let half = rows.len().div_ceil(2);
        rows.filter(|&r| self.prominence(r, other.parts) >= MIN_PROMINENCE)
            .count()
            >= half
    }

    /// Share of the marks due inside the block that are there, each darker (or each lighter) than
    /// what is to either side of it.
    fn share_of_marks(&self, divided: &Divided) -> f64 {
        let rows = &self.rows[divided.rows.0..divided.rows.1];
        let mean: Vec<f64> = (0..SAMPLES)
            .map(|k| rows.iter().map(|r| f64::from(r[k])).sum::<f64>() / rows.len() as f64)
            .collect();
        let period = SAMPLES as f64 / divided.parts as f64;
        let due = (divided.parts - 2) as f64;
        (0..8)
            .map(|k| depths(&mean, f64::from(k) / 8.0 * period, period))
            .map(|depths| (median(&mut depths.clone()), depths))
            .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))
            .map_or(0.0, |(usual, depths)| {
                let there = |d: &&f64| **d * usual.signum() > MIN_DEPTH * usual.abs();
                (depths.iter().filter(there).count() as f64 / due).min(1.0)
            })
    }
}

/// How far each of the marks from `first` on, a period apart, is darker than what is on both sides
/// of it; negative where it is lighter.
fn depths(grey: &[f64], first: f64, period: f64) -> Vec<f64> {
    let last = grey.len() as f64 - 0.6 * period;
    (0..=(grey.len() as f64 / period) as i32)
        .map(|j| first + f64::from(j) * period)
        .take_while(|centre| *centre < last)
        .filter(|centre| *centre > 0.6 * period)
        .map(|centre| {
            let mean_of = |from: f64, to: f64| {
                let part = (centre + from * period) as usize..=(centre + to * period) as usize;
                grey[part.clone()].iter().sum::<f64>() / part.count() as f64
            };
            let (before, after) = (mean_of(-0.5, -0.35), mean_of(0.35, 0.5));
            let at = mean_of(-0.08, 0.08);
            if at < before.min(after) {
                before.min(after) - at
            } else {
                (before.max(after) - at).min(0.0)
            }
        })
        .collect()
}
