//! Chains of steps between dark and light, at equal distances, beside a straight edge.

use crate::edges::Edge;
use crate::grid::{self, Freedom, Grid, Spot, median, robust_deviation};
use crate::plane::Plane;
use crate::row::Axis;

/// Lines looked at on either side of an edge, in samples of the plane the edge was found in.
const OFFSETS: [f64; 7] = [2.0, 4.5, 7.0, 10.0, 15.0, 22.0, 32.0];
/// Grey is compared over this many pixels on either side of a step.
const HALF_STEP_PX: usize = 4;
/// Least height of a step: in grey levels, and as a share of the line's range.
const MIN_STEP: f64 = 12.0;
const MIN_SHARE: f64 = 0.35;
const MIN_BLOCK_PX: f64 = 24.0;
/// How much blocks of one shade may differ in length from one to the next,
const MAX_CHANGE: f64 = 0.05;
/// and neighbours, from which ink has run over into each other.
const MAX_CHANGE_OF_SHADE: f64 = 0.15;
/// Fewer steps are no chain: three whole blocks.
const MIN_STEPS: usize = 4;
/// The darkest light block must stand above the lightest dark one by this share of their usual
/// difference.
const MIN_CLEARANCE: f64 = 0.4;

/// Two blocks in three are plain: their grey scatters by no more than this share of it. Print
/// that happens to keep the rhythm is not.
const MAX_UNEVEN: f64 = 0.12;

/// Borders of blocks, roughly placed.
#[derive(Clone, Debug)]
pub(super) struct Chain {
    /// Along the line the steps were seen on.
    pub(super) axis: Axis,
    pub(super) grid: Grid,
    /// First and last border.
    pub(super) range: (i32, i32),
    /// Whether it grows lighter at border 0.
    pub(super) rises: bool,
    /// Usual height of a step, in grey levels.
    pub(super) contrast: f64,
}

impl Chain {
    pub(super) fn worth(&self) -> f64 {
        f64::from(self.range.1 - self.range.0) * self.contrast
    }

    pub(super) fn block_px(&self) -> f64 {
        self.grid.pitch(self.grid.middle)
    }

    /// 1 where it grows lighter at this border, −1 where it grows darker.
    pub(super) fn sign(&self, border: i32) -> f64 {
        if self.rises == (border.rem_euclid(2) == 0) {
            1.0
        } else {
            -1.0
        }
    }
}

#[derive(Clone, Copy, Debug)]
struct Step {
    at: f64,
    height: f64,
}

/// The chains on lines parallel to an edge.
pub(super) fn beside(planes: &[Plane], edge: &Edge) -> Vec<Chain> {
    [-1.0, 1.0]
        .iter()
        .flat_map(|side| OFFSETS.map(|offset| side * offset * edge.step_px))
        .filter_map(|away| {
            let (start, grey) = edge.profile(&planes[0], away, 0.2 * away.abs().min(20.0))?;
            let (sin, cos) = edge.angle.sin_cos();
            let origin = (edge.middle.0 - away * sin, edge.middle.1 + away * cos);
            let axis = Axis::new(origin, edge.angle, 0.0);
            chain_in(axis, start, &grey)
        })
        .collect()
}

/// The longest chain in a profile that begins at `start`, if its blocks are dark and light in turn.
fn chain_in(axis: Axis, start: f64, grey: &[f32]) -> Option<Chain> {
    let steps = longest(&steps(grey))?;
    let spots: Vec<Spot> = (0..)
        .zip(&steps)
        .map(|(index, s)| Spot {
            index,
            t: start + s.at,
            v: 0.0,
            sigma: 1.0,
        })
        .collect();
    let freedom = Freedom {
        projective: steps.len() > 6,
        fan: false,
    };
    let contrast = clear_contrast(grey, &steps)?;
    let mut grid = grid::fit(&spots, freedom)
        .map(|f| f.grid)
        .or_else(|| even_grid(&spots))?;
    grid.lean = 0.0;
    Some(Chain {
        axis,
        grid,
        range: (0, steps.len() as i32 - 1),
        rises: steps[0].height > 0.0,
        contrast,
    })
}

/// Too few steps for a fit: the first and the last.
fn even_grid(spots: &[Spot]) -> Option<Grid> {
    let (first, last) = (spots.first()?, spots.last()?);
    let middle = 0.5 * f64::from(first.index + last.index);
    Some(Grid {
        a: (last.t - first.t) / f64::from(last.index - first.index),
        b: 0.5 * (first.t + last.t),
        c: 0.0,
        middle,
        lean: 0.0,
        fan: 0.0,
    })
}

fn steps(grey: &[f32]) -> Vec<Step> {
    const W: usize = HALF_STEP_PX;
    if grey.len() < 4 * W {
        return Vec::new();
    }
    let mut sorted = grey.to_vec();
    sorted.sort_by(f32::total_cmp);
    let part = |share: f64| f64::from(sorted[(share * (sorted.len() - 1) as f64) as usize]);
    let least = MIN_STEP.max(MIN_SHARE * (part(0.9) - part(0.1)));
    let sum = |part: &[f32]| part.iter().map(|&g| f64::from(g)).sum::<f64>();
    let rise = |i: usize| (sum(&grey[i..i + W]) - sum(&grey[i - W..i])) / W as f64;
    let rises: Vec<f64> = (W..=grey.len() - W).map(rise).collect();
    (1..rises.len().saturating_sub(1))
        .filter(|&k| {
            let around = &rises[k.saturating_sub(W)..(k + W + 1).min(rises.len())];
            rises[k].abs() >= least && around.iter().all(|r| r.abs() <= rises[k].abs())
        })
        .map(|k| Step {
            at: (k + W) as f64 - 0.5,
            height: rises[k],
        })
        .collect()
}

/// The longest run of steps up and down in turn, at nearly equal distances.
fn longest(steps: &[Step]) -> Option<Vec<Step>> {
    let mut best: Vec<Step> = Vec::new();
    for (i, first) in steps.iter().enumerate() {
        for (j, second) in steps.iter().enumerate().skip(i + 1).take(12) {
            let opposite = first.height * second.height < 0.0;
            if opposite && second.at - first.at >= MIN_BLOCK_PX {
                let chain = continued(steps, *first, *second, j);
                if chain.len() > best.len() {
                    best = chain;
                }
            }
        }
    }
    (best.len() >= MIN_STEPS).then_some(best)
}

fn continued(steps: &[Step], first: Step, second: Step, from: usize) -> Vec<Step> {
    let mut chain = vec![first, second];
    let mut rest = &steps[from + 1..];
    loop {
        let (last, length, tolerance) = match chain[..] {
            [.., a, b, last] => (last, b.at - a.at, MAX_CHANGE),
            _ => (second, second.at - first.at, MAX_CHANGE_OF_SHADE),
        };
        let due = last.at + length;
        let off = |s: &Step| (s.at - due).abs();
        let next = rest
            .iter()
            .enumerate()
            .take_while(|(_, s)| s.at < due + length)
            .filter(|(_, s)| s.height * last.height < 0.0)
            .min_by(|a, b| off(a.1).total_cmp(&off(b.1)));
        let Some((k, &step)) = next.filter(|(_, s)| off(s) < tolerance * length) else {
            return chain;
        };
        chain.push(step);
        rest = &rest[k + 1..];
    }
}

/// Difference between light and dark blocks, if every light one is lighter than every dark one and
/// most are plain.
fn clear_contrast(grey: &[f32], steps: &[Step]) -> Option<f64> {
    let (mut light, mut dark, mut uneven) = (Vec::new(), Vec::new(), Vec::new());
    for pair in steps.windows(2) {
        let margin = 0.1 * (pair[1].at - pair[0].at);
        let inner = (pair[0].at + margin) as usize..(pair[1].at - margin) as usize;
        let mut values: Vec<f64> = grey[inner].iter().map(|&g| f64::from(g)).collect();
        let level = median(&mut values);
        let off: Vec<f64> = values.iter().map(|g| g - level).collect();
        uneven.push(robust_deviation(&off));
        if pair[0].height > 0.0 {
            light.push(level);
        } else {
            dark.push(level);
        }
    }
    let clearance = light.iter().copied().fold(f64::INFINITY, f64::min)
        - dark.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let usual = median(&mut light) - median(&mut dark);
    uneven.sort_by(f64::total_cmp);
    let plain = uneven[2 * (uneven.len() - 1) / 3] < MAX_UNEVEN * usual;
    (clearance > MIN_CLEARANCE * usual && plain).then_some(usual)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn axis() -> Axis {
        Axis::new((0.0, 0.0), 0.0, 0.0)
    }

    fn blocks(lengths: &[usize]) -> Vec<f32> {
        let level = |k: usize| if k.is_multiple_of(2) { 220.0 } else { 40.0 };
        lengths
            .iter()
            .enumerate()
            .flat_map(|(k, &n)| std::iter::repeat_n(level(k), n))
            .collect()
    }

    #[test]
    fn equal_blocks_chain_and_unequal_ones_do_not() {
        let even = blocks(&[70, 100, 100, 101, 100, 99, 80]);
        let chain = chain_in(axis(), -10.0, &even).expect("a chain");
        assert_eq!(chain.range, (0, 5));
        assert!(!chain.rises);
        assert!((chain.block_px() - 100.0).abs() < 0.5);
        assert!((chain.grid.place(0.0) - 59.5).abs() < 1.0, "{chain:?}");
        assert!(chain_in(axis(), 0.0, &blocks(&[70, 100, 130, 90, 120, 80, 80])).is_none());
        // Ink has run over: dark blocks are longer.
        let inked = chain_in(axis(), 0.0, &blocks(&[70, 107, 93, 107, 93, 80])).expect("a chain");
        assert_eq!(inked.range, (0, 4));
        assert!(chain_in(axis(), 0.0, &blocks(&[70, 107, 93, 117, 93, 80])).is_none());
    }
}
