//! Colour channels in which the cloth's texture is uncorrelated.

use measures::Grid;
use nalgebra::{Matrix3, SymmetricEigen};
use rayon::prelude::*;

use crate::flatten::box_blurred;

/// Width of the neighbourhood whose mean is taken off before the texture is measured.
const TEXTURE_MM: f64 = 3.0;
/// Least standard deviation of a channel, in units of the logarithm: below it lie only rounding
/// and compression.
const SPREAD_MIN: f64 = 5e-4;
/// Below this there is nothing at all.
const COLOURLESS: f64 = 1e-5;

/// Turns the three logarithmic channels into three whose fine texture is uncorrelated and of unit
/// variance (principal axes of the covariance of what is left after a local mean is taken off).
pub(crate) fn decorrelate(mut colours: [Vec<f32>; 3], cloth: &[f32], grid: &Grid) -> [Vec<f32>; 3] {
    let covariance = texture_covariance(&colours, cloth, grid);
    let eigen = SymmetricEigen::new(covariance);
    let mut order = [0, 1, 2];
    order.sort_by(|&a, &b| eigen.eigenvalues[b].total_cmp(&eigen.eigenvalues[a]));
    let axes = order.map(|k| {
        let axis = eigen.eigenvectors.column(k);
        // Eigenvectors have no sign of their own: fix it, so that results do not depend on it.
        let sign = if axis.sum() < 0.0 { -1.0 } else { 1.0 };
        let spread = eigen.eigenvalues[k].max(0.0).sqrt();
        // A grey photo has no colours to tell apart, and their rounding is no texture.
        let scale = if spread > COLOURLESS {
            sign / spread.max(SPREAD_MIN)
        } else {
            0.0
        };
        [0, 1, 2].map(|c| (axis[c] * scale) as f32)
    });
    let [red, green, blue] = &mut colours;
    let rows = red
        .par_chunks_mut(grid.width)
        .zip(green.par_chunks_mut(grid.width))
        .zip(blue.par_chunks_mut(grid.width));
    rows.for_each(|((red, green), blue)| {
        for ((x, y), z) in red.iter_mut().zip(green).zip(blue) {
            let [a, b, c] = axes.map(|[r, g, b]| r * *x + g * *y + b * *z);
            (*x, *y, *z) = (a, b, c);
        }
    });
    colours
}

fn texture_covariance(colours: &[Vec<f32>; 3], cloth: &[f32], grid: &Grid) -> Matrix3<f64> {
    let radius = ((0.5 * TEXTURE_MM / grid.pitch_mm).round() as usize).max(1);
    // Blocks, and the median over them, keep prints and folds out of the estimate.
    let block = (4 * radius).max(8);
    // Every second row of blocks is more than enough.
    let rows: Vec<usize> = (0..grid.height).step_by(2 * block).collect();
    let mut blocks: Vec<Matrix3<f64>> = rows
        .par_iter()
        .flat_map_iter(|&row| covariances(colours, cloth, grid, row, block, radius))
        .collect();
    if blocks.is_empty() {
        return Matrix3::identity();
    }
    blocks.sort_by(|a, b| a.trace().total_cmp(&b.trace()));
    // The mean of the middle half: robust as a median, and a true covariance.
    let middle = &blocks[blocks.len() / 4..(3 * blocks.len()).div_ceil(4).max(1)];
    middle.iter().sum::<Matrix3<f64>>() / middle.len() as f64
}

/// Of the blocks, all cloth and about it, in the row of blocks that begins at `row`.
fn covariances(
    colours: &[Vec<f32>; 3],
    cloth: &[f32],
    grid: &Grid,
    row: usize,
    block: usize,
    radius: usize,
) -> Vec<Matrix3<f64>> {
    let w = grid.width;
    let (from, to) = (
        row.saturating_sub(radius),
        (row + block + radius).min(grid.height),
    );
    let local = |plane: &[f32]| box_blurred(&plane[from * w..to * w], w, to - from, radius);
    let means = [0, 1, 2].map(|c| local(&colours[c]));
    let covered = local(cloth);
    let of_block = |x0: usize| {
        let mut sum = [0.0f64; 6];
        let mut n = 0.0;
        for j in row..(row + block).min(grid.height) {
            let samples = j * w + x0..j * w + (x0 + block).min(w);
            for k in samples.filter(|k| covered[k - from * w] > 0.999) {
                let [x, y, z] = [0, 1, 2].map(|c| colours[c][k] - means[c][k - from * w]);
                let products = [x * x, x * y, x * z, y * y, y * z, z * z];
                for (sum, product) in sum.iter_mut().zip(products) {
                    *sum += f64::from(product);
                }
                n += 1.0;
            }
        }
        let [xx, xy, xz, yy, yz, zz] = sum;
        (n > 0.5 * (block * block) as f64)
            .then(|| Matrix3::new(xx, xy, xz, xy, yy, yz, xz, yz, zz) / n)
    };
    (0..w).step_by(block).filter_map(of_block).collect()
}
