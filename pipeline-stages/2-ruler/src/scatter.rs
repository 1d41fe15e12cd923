//! How much of the marks' scatter neighbours share.
//!
//! Cloth that shows through a clear ruler, grain, or a texture of nearly the same pitch moves
//! neighbouring marks alike: many of them then tell less than as many independent ones would. The
//! means of blocks of marks scatter more than those of independent marks; by how much is the design
//! effect of cluster sampling (Kish 1965).

use std::collections::BTreeMap;

use crate::grid::{Grid, Spot};

/// Marks to a block.
const BLOCKS: [i32; 2] = [8, 24];
/// Residuals count up to this many standard deviations.
const CLIP: f64 = 3.0;
/// Independence is believed as firmly as if so many blocks had shown it.
const PRIOR_BLOCKS: f64 = 6.0;

/// The variance of means over neighbouring marks, against that of independent ones: at least 1.
pub(crate) fn design_effect(spots: &[Spot], grid: &Grid) -> f64 {
    let effect = |block| effect_in_blocks(spots, grid, block);
    BLOCKS.into_iter().map(effect).fold(1.0, f64::max)
}

fn effect_in_blocks(spots: &[Spot], grid: &Grid, block: i32) -> f64 {
    let mut blocks: BTreeMap<i32, Vec<(f64, f64)>> = BTreeMap::new();
    let (mut squares, mut count) = (0.0, 0.0);
    for s in spots {
        let r = (grid.residual(s) / s.sigma).clamp(-CLIP, CLIP);
        squares += r * r;
        count += 1.0;
        blocks
            .entry(s.index.div_euclid(block))
            .or_default()
            .push((s.v, r));
    }
    let variance: f64 = squares / f64::max(count, 1.0);
    if variance <= 0.0 {
        return 1.0;
    }
    let full = |b: &&Vec<(f64, f64)>| 2.0 * b.len() as f64 * blocks.len() as f64 > count;
    let sums: Vec<f64> = blocks
        .values()
        .filter(full)
        .flat_map(|b| [shift(b), lean(b)])
        .collect();
    let seen: f64 = sums.iter().map(|z| z * z / variance).sum();
    (seen + PRIOR_BLOCKS) / (sums.len() as f64 + PRIOR_BLOCKS)
}

/// Common shift of a block, of unit variance when its residuals are independent and of unit
/// variance.
fn shift(block: &[(f64, f64)]) -> f64 {
    block.iter().map(|b| b.1).sum::<f64>() / (block.len() as f64).sqrt()
}

/// Common lean of a block, likewise.
fn lean(block: &[(f64, f64)]) -> f64 {
    let middle = block.iter().map(|b| b.0).sum::<f64>() / block.len() as f64;
    let reach: f64 = block.iter().map(|b| (b.0 - middle).powi(2)).sum();
    if reach <= 0.0 {
        return 0.0;
    }
    block.iter().map(|b| (b.0 - middle) * b.1).sum::<f64>() / reach.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    const GRID: Grid = Grid {
        a: 10.0,
        b: 0.0,
        c: 0.0,
        middle: 0.0,
        lean: 0.0,
        fan: 0.0,
    };

    fn spots(off: impl Fn(i32, i32) -> f64) -> Vec<Spot> {
        (0..120)
            .flat_map(|index| (0..4).map(move |band| (index, band)))
            .map(|(index, band)| Spot {
                index,
                t: GRID.place(f64::from(index)) + off(index, band),
                v: f64::from(band),
                sigma: 0.1,
            })
            .collect()
    }

    #[test]
    fn what_neighbours_share_counts_once() {
        // Numbers without order: a multiplicative hash (Knuth, The Art of Computer Programming 3).
        let free = |i: i32, band: i32| {
            f64::from((i * 4 + band).wrapping_mul(-1_640_531_535) >> 8) / f64::from(1 << 23)
        };
        let independent = design_effect(&spots(|i, b| 0.17 * free(i, b)), &GRID);
        assert!(independent < 1.5, "{independent}");
        let together = design_effect(&spots(|i, _| 0.17 * free(i / 12, 0)), &GRID);
        assert!(together > 8.0, "{together}");
    }
}
