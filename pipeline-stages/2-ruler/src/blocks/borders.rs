//! Locates the borders between blocks to a fraction of a pixel.

use measures::ruler::{Reading, Ruler, Tick, TickPoint};
use measures::{Point, Px};

use super::chain::Chain;
use crate::grid::{self, GridFit, Spot, median};
use crate::plane::Plane;
use crate::row::Axis;
use crate::scatter;

/// A border is measured in so many places across its blocks.
const BANDS: usize = 6;
/// How far about its expected place a border is sought, in blocks.
const REACH_BLOCKS: f64 = 0.1;
/// Least height of a border's step against the usual one: glare makes it lower.
const MIN_HEIGHT: f64 = 0.3;
/// Share of a step's usual height at which blocks have ended.
const ENDED: f64 = 0.4;
/// Blocks are followed across in steps of this many blocks, and over gaps of so many steps.
const STEP_BLOCKS: f64 = 1.0 / 40.0;
const MAX_GAP: usize = 5;
/// Blocks are at most this high: stripes have no end.
const MAX_HEIGHT_BLOCKS: f64 = 2.5;
/// Rows averaged about a line, in bands.
const SUBROWS: usize = 7;
/// Greatest share of a block by which ink may have run over each border.
const MAX_INK_SPREAD: f64 = 0.06;
/// Greatest scatter of the borders, in blocks.
const MAX_SCATTER_BLOCKS: f64 = 0.02;

/// So few borders do not show that one of them is worn, and where this share of their places is
/// missing some are: each may be off by this share of a block (judged).
const FEW_BORDERS: usize = 6;
const WORN_PLACES: f64 = 0.15;
const WORN_BLOCKS: f64 = 0.0015;

/// The borders of a scale's blocks.
pub(super) struct Borders {
    axis: Axis,
    fit: GridFit,
    spots: Vec<Spot>,
    range: (i32, i32),
    /// Where the blocks begin and end across the chain.
    across: (f64, f64),
}

/// Locates a chain's borders and those beyond its ends; `None` when its blocks have no end.
pub(super) fn locate(planes: &[Plane], chain: &Chain) -> Option<Borders> {
    let across = heights(planes, chain)?;
    let mut spots = spots_of(planes, chain, across);
    let mut fit = grid::fit_by_evidence_scaled(&spots)?;
    for _ in 0..2 {
        let spread = ink_spread(&fit, &spots, chain);
        if spread.abs() > MAX_INK_SPREAD * chain.block_px() {
            return None;
        }
        for s in &mut spots {
            s.t -= spread * chain.sign(s.index);
        }
        fit = grid::fit_by_evidence_scaled(&spots)?;
    }
    let off: Vec<f64> = spots.iter().map(|s| fit.grid.residual(s)).collect();
    let scatter_px = grid::robust_deviation(&off);
    if scatter_px > MAX_SCATTER_BLOCKS * chain.block_px() {
        return None;
    }
    spots.retain(|s| fit.grid.residual(s).abs() < 4.0 * scatter_px.max(0.02));
    for s in &mut spots {
        s.sigma = scatter_px.max(0.01);
    }
    let shared = scatter::design_effect(&spots, &fit.grid);
    fit.covariance *= shared;
    let mut seen: Vec<i32> = spots.iter().map(|s| s.index).collect();
    seen.dedup();
    let places = (seen.len() * BANDS) as f64;
    let missing = 1.0 - spots.len() as f64 / places;
    let worn = if seen.len() < FEW_BORDERS || missing > WORN_PLACES {
        WORN_BLOCKS * chain.block_px() * (BANDS as f64).sqrt()
    } else {
        0.0
    };
    let sigma = scatter_px.max(0.01) * shared.sqrt();
    fit.covariance *= (worn / sigma).max(1.0).powi(2);
    for s in &mut spots {
        s.sigma = sigma.max(worn);
    }
    let range = (
        spots.iter().map(|s| s.index).min()?,
        spots.iter().map(|s| s.index).max()?,
    );
    (range.1 - range.0 >= 3).then_some(Borders {
        axis: chain.axis,
        fit,
        spots,
        range,
        across,
    })
}

/// Where the blocks begin and end across the chain's line: medians over its borders.
fn heights(planes: &[Plane], chain: &Chain) -> Option<(f64, f64)> {
    let ends = |direction: f64| {
        let mut all: Vec<f64> = (chain.range.0..=chain.range.1)
            .map(|border| height(planes, chain, border, direction))
            .collect();
        median(&mut all)
    };
    let (low, high) = (-ends(-1.0), ends(1.0));
    let block = chain.block_px();
    let fits = high - low < MAX_HEIGHT_BLOCKS * block && high - low > 0.06 * block;
    fits.then_some((low, high))
}

/// How far a border reaches from the chain's line.
fn height(planes: &[Plane], chain: &Chain, border: i32, direction: f64) -> f64 {
    let block = chain.block_px();
    let t = chain.grid.place(f64::from(border));
    let (mut end, mut gap, mut v) = (0.0, 0, 0.0);
    while gap <= MAX_GAP && v < 2.0 * MAX_HEIGHT_BLOCKS * block {
        let level = |from: f64, to: f64| {
            let values = [0.0, 0.25, 0.5, 0.75, 1.0].map(|s| {
                let (x, y) = chain
                    .axis
                    .at(t + (from + s * (to - from)) * block, direction * v);
                planes[0].bilinear(x, y).map(f64::from)
            });
            values.iter().flatten().sum::<f64>() / values.iter().flatten().count().max(1) as f64
        };
        let rise = chain.sign(border) * (level(0.06, 0.2) - level(-0.2, -0.06));
        if rise > ENDED * chain.contrast {
            (end, gap) = (v, 0);
        } else {
            gap += 1;
        }
        v += STEP_BLOCKS * block;
    }
    end
}

fn spots_of(planes: &[Plane], chain: &Chain, across: (f64, f64)) -> Vec<Spot> {
    let height = across.1 - across.0;
    let band = 0.8 * height / BANDS as f64;
    // Borders worn away or cut off by the frame show nothing and are left out.
    (chain.range.0 - 2..=chain.range.1 + 2)
        .flat_map(|index| (0..BANDS).map(move |k| (index, k)))
        .filter_map(|(index, k)| {
            let v = across.0 + 0.1 * height + (k as f64 + 0.5) * band;
            let t = border_at(planes, chain, index, v, band)?;
            Some(Spot {
                index,
                t,
                v,
                sigma: 1.0,
            })
        })
        .collect()
}

/// The middle of the step in one band: the centroid of the gradient where it is at least half as
/// steep as at its steepest.
fn border_at(planes: &[Plane], chain: &Chain, index: i32, v: f64, band: f64) -> Option<f64> {
    const STEP_PX: f64 = 0.5;
    let expected = chain.grid.place(f64::from(index));
    let half = (REACH_BLOCKS * chain.block_px() / STEP_PX).max(8.0) as i32;
    let grey: Vec<f64> = (-half..=half)
        .map(|k| {
            let t = expected + f64::from(k) * STEP_PX;
            let mut sum = 0.0;
            for r in 0..SUBROWS {
                let off = ((r as f64 + 0.5) / SUBROWS as f64 - 0.5) * band;
                let (x, y) = chain.axis.at(t, v + off);
                sum += f64::from(planes[0].cubic(x, y)?);
            }
            Some(sum / SUBROWS as f64)
        })
        .collect::<Option<_>>()?;
    let rises: Vec<f64> = (2..grey.len() - 2)
        .map(|k| chain.sign(index) * (grey[k + 1] + grey[k + 2] - grey[k - 1] - grey[k - 2]))
        .collect();
    let (top, steepest) = rises
        .iter()
        .copied()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let is_flank = |k: &usize| rises[*k] >= 0.5 * steepest;
    let before = (0..=top).rev().take_while(is_flank).last()?;
    let after = (top..rises.len()).take_while(is_flank).last()?;
    if before == 0 || after == rises.len() - 1 {
        return None;
    }
    let plateau = |part: &[f64]| median(&mut part.to_vec());
    let height = chain.sign(index) * (plateau(&grey[after + 4..]) - plateau(&grey[..=before]));
    if height < MIN_HEIGHT * chain.contrast {
        return None;
    }
    let (mut weights, mut moment) = (0.0, 0.0);
    for (k, rise) in (before..).zip(&rises[before..=after]) {
        let w = rise - 0.5 * steepest;
        weights += w;
        moment += w * (k + 2) as f64;
    }
    (weights > 0.0).then(|| expected + (moment / weights - f64::from(half)) * STEP_PX)
}

/// How far dark blocks reach over into light ones, in pixels: borders at which it grows lighter
/// lie so much farther along, the others so much less.
fn ink_spread(fit: &GridFit, spots: &[Spot], chain: &Chain) -> f64 {
    let of = |sign: f64| {
        let mut off: Vec<f64> = spots
            .iter()
            .filter(|s| chain.sign(s.index) * sign > 0.0)
            .map(|s| fit.grid.residual(s))
            .collect();
        median(&mut off)
    };
    0.5 * (of(1.0) - of(-1.0))
}

impl Borders {
    /// Whether the chain may be another row of the same scale: blocks as long, side by side.
    pub(super) fn has_beside(&self, chain: &Chain) -> bool {
        let pitch = self.mean_pitch_px();
        let turn = (chain.axis.angle - self.axis.angle).sin().abs();
        let alike = (chain.block_px() / pitch - 1.0).abs() < 0.03 && turn < 0.03;
        let (x, y) = chain.axis.at(chain.grid.place(chain.grid.middle), 0.0);
        let [a, b] = self.ends();
        let Some(along) = (b - a).unit() else {
            return false;
        };
        let from = Point::new(x, y) - a;
        let (t, v) = (from.dot(along), along.cross(from).abs());
        alike && v < 2.0 * pitch && t > -pitch && t < a.distance(b) + pitch
    }

    /// Whether both are views of the same row of blocks.
    pub(super) fn is_same_row(&self, other: &Self) -> bool {
        let [a, b] = self.ends();
        let [c, d] = other.ends();
        let height = self.across.1 - self.across.0;
        (b - a)
            .unit()
            .is_none_or(|along| along.cross(c.lerp(d, 0.5) - a).abs() < 0.5 * height)
    }

    fn ends(&self) -> [Point<Px>; 2] {
        let middle = 0.5 * (self.across.0 + self.across.1);
        [self.range.0, self.range.1].map(|i| {
            let i = f64::from(i);
            let t = self.fit.grid.place(i) + self.fit.grid.lean_at(i) * middle;
            let (x, y) = self.axis.at(t, middle);
            Point::new(x, y)
        })
    }

    pub(super) fn mean_pitch_px(&self) -> f64 {
        let [a, b] = self.ends();
        a.distance(b) / f64::from(self.range.1 - self.range.0)
    }

    /// As a ruler whose ticks are the borders.
    pub(super) fn ruler(&self, readings: &[Reading]) -> Option<Ruler> {
        let (reading, others) = readings.split_first()?;
        let (first, last) = self.range;
        let base_mm = f64::from(last - first) * reading.pitch_mm;
        let ticks = (first..=last)
            .map(|index| self.tick(index))
            .filter(|tick| !tick.points.is_empty())
            .collect();
        Some(Ruler {
            reading: *reading,
            other_readings: others.to_vec(),
            ticks,
            body: self.body(),
            px_per_mm: self.mean_pitch_px() / reading.pitch_mm,
            u_px_per_mm: 2.0 * self.fit.u_length_px(first, last) / base_mm,
            shadow: None,
            ends: self.ends(),
        })
    }

    fn tick(&self, index: i32) -> Tick {
        let points = self.spots.iter().filter(|s| s.index == index).map(|s| {
            let (x, y) = self.axis.at(s.t, s.v);
            TickPoint {
                at: Point::new(x, y),
                sigma_px: s.sigma,
            }
        });
        Tick {
            index: index - self.range.0,
            points: points.collect(),
            length_px: self.across.1 - self.across.0,
        }
    }

    /// Half a block about the row of blocks, where divisions and a second row stand.
    fn body(&self) -> [Point<Px>; 4] {
        let grid = &self.fit.grid;
        let margin = 1.2 * grid.pitch(grid.middle);
        let (from, to) = (
            grid.place(f64::from(self.range.0) - 1.2),
            grid.place(f64::from(self.range.1) + 1.2),
        );
        let (near, far) = (self.across.0 - margin, self.across.1 + margin);
        [(from, near), (to, near), (to, far), (from, far)].map(|(t, v)| {
            let (x, y) = self.axis.at(t, v);
            Point::new(x, y)
        })
    }
}
