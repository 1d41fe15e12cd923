//! Large-scale light removed.

use measures::Grid;
use rayon::prelude::*;

use crate::blocks::Blocks;

/// Standard deviation of the three box means in a row by which light of this width is estimated,
/// each half as wide: a box of width w has variance w²/12.
pub(crate) fn spread_mm(width_mm: f64) -> f64 {
    width_mm / 4.0
}

/// The light in each logarithmic channel, block by block: its mean over about `width_mm`, cloth
/// alone counted.
pub(crate) fn light(blocks: &Blocks, width_mm: f64) -> [Vec<f32>; 3] {
    let (w, h) = (blocks.width, blocks.height);
    let radius = ((0.25 * width_mm / blocks.side_mm).round() as usize).max(1);
    let blurred =
        |plane: &Vec<f32>| (0..3).fold(plane.clone(), |plane, _| box_blurred(&plane, w, h, radius));
    let weight = blurred(&blocks.cloth);
    blocks.sums.each_ref().map(|sum| {
        let mean = |(s, w): (f32, &f32)| s / w.max(1e-6);
        blurred(sum).into_iter().zip(&weight).map(mean).collect()
    })
}

/// Takes the light off a logarithmic channel, and sets everything that is not cloth to zero.
pub(crate) fn take_off(
    channel: &mut [f32],
    light: &[f32],
    cloth: &[f32],
    blocks: &Blocks,
    grid: &Grid,
) {
    let (w, h) = (blocks.width, blocks.height);
    let between = |k: usize, count: usize| {
        let u = ((k as f32 + 0.5) / blocks.step as f32 - 0.5).clamp(0.0, (count - 1) as f32);
        let first = u as usize;
        (first, (first + 1).min(count - 1), u - first as f32)
    };
    let columns: Vec<_> = (0..grid.width).map(|i| between(i, w)).collect();
    let rows = channel.par_chunks_exact_mut(grid.width);
    rows.zip(cloth.par_chunks_exact(grid.width))
        .enumerate()
        .for_each(|(j, (row, cloth))| {
            let (upper, lower, b) = between(j, h);
            let (upper, lower) = (&light[upper * w..][..w], &light[lower * w..][..w]);
            let pairs = upper.iter().zip(lower);
            let line: Vec<f32> = pairs.map(|(u, l)| u + b * (l - u)).collect();
            for ((v, c), &(left, right, a)) in row.iter_mut().zip(cloth).zip(&columns) {
                *v = (*v - line[left] - a * (line[right] - line[left])) * c;
            }
        });
}

/// Bilinear value of a plane at column `u`, row `v`, both within it.
pub(crate) fn bilinear(plane: &[f32], w: usize, h: usize, u: f32, v: f32) -> f32 {
    let (i, j) = (u as usize, v as usize);
    let (i1, j1) = ((i + 1).min(w - 1), (j + 1).min(h - 1));
    let (a, b) = (u - i as f32, v - j as f32);
    let top = plane[j * w + i] * (1.0 - a) + plane[j * w + i1] * a;
    let bottom = plane[j1 * w + i] * (1.0 - a) + plane[j1 * w + i1] * a;
    top * (1.0 - b) + bottom * b
}

/// Sums over boxes of 2·`radius` + 1 samples each way, divided by the full box's area: three of
/// them in a row come close to a Gaussian. Outside counts as zero.
pub(crate) fn box_blurred(plane: &[f32], w: usize, h: usize, radius: usize) -> Vec<f32> {
    let share = 1.0 / (2 * radius + 1) as f32;
    let mut rows = vec![0.0f32; w * h];
    for (line, out) in plane.chunks_exact(w).zip(rows.chunks_exact_mut(w)) {
        let mut sum: f32 = line[..radius.min(w)].iter().sum();
        let mut coming = line.iter().skip(radius).chain(std::iter::repeat(&0.0));
        let (head, tail) = out.split_at_mut((radius + 1).min(w));
        for (out, add) in head.iter_mut().zip(coming.by_ref()) {
            sum += add;
            *out = sum * share;
        }
        for ((out, add), gone) in tail.iter_mut().zip(coming).zip(line) {
            sum += add - gone;
            *out = sum * share;
        }
    }
    let mut out = vec![0.0f32; w * h];
    let mut sum = vec![0.0f32; w];
    for row in rows.chunks_exact(w).take(radius) {
        sum.iter_mut().zip(row).for_each(|(s, v)| *s += v);
    }
    let nothing = vec![0.0f32; w];
    for (j, out) in out.chunks_exact_mut(w).enumerate() {
        let row = |k: Option<usize>| k.and_then(|k| rows.get(k * w..(k + 1) * w));
        let add = row(Some(j + radius)).unwrap_or(&nothing);
        let gone = row(j.checked_sub(radius + 1)).unwrap_or(&nothing);
        for (((out, sum), add), gone) in out.iter_mut().zip(&mut sum).zip(add).zip(gone) {
            *sum += add - gone;
            *out = *sum * share;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn box_blur_keeps_the_sum_and_spreads_evenly() {
        let mut spike = vec![0.0; 15 * 11];
        spike[5 * 15 + 7] = 25.0;
        let out = box_blurred(&spike, 15, 11, 2);
        assert!((out.iter().sum::<f32>() - 25.0).abs() < 1e-4);
        for j in 0..11 {
            for i in 0..15usize {
                let inside = i.abs_diff(7) <= 2 && usize::abs_diff(j, 5) <= 2;
                assert!((out[j * 15 + i] - if inside { 1.0 } else { 0.0 }).abs() < 1e-5);
            }
        }
    }

    #[test]
    fn a_box_wider_than_the_plane_holds_all_of_it() {
        let plane: Vec<f32> = (0..12u8).map(f32::from).collect();
        let out = box_blurred(&plane, 4, 3, 7);
        let all = 66.0 / 225.0;
        assert!(out.iter().all(|v| (v - all).abs() < 1e-5), "{out:?}");
    }
}
