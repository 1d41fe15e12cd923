//! Colour channels in which the cloth's texture is uncorrelated.

use measures::Grid;
use nalgebra::{Matrix3, SymmetricEigen};

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
pub(crate) fn decorrelate(colours: &[Vec<f32>; 3], cloth: &[f32], grid: &Grid) -> [Vec<f32>; 3] {
    let covariance = texture_covariance(colours, cloth, grid);
    let eigen = SymmetricEigen::new(covariance);
    let mut order = [0, 1, 2];
    order.sort_by(|&a, &b| eigen.eigenvalues[b].total_cmp(&eigen.eigenvalues[a]));
    order.map(|k| {
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
        let [r, g, b] = [0, 1, 2].map(|c| (axis[c] * scale) as f32);
        colours[0]
            .iter()
            .zip(&colours[1])
            .zip(&colours[2])
            .map(|((x, y), z)| r * x + g * y + b * z)
            .collect()
    })
}

fn texture_covariance(colours: &[Vec<f32>; 3], cloth: &[f32], grid: &Grid) -> Matrix3<f64> {
    let radius = ((0.5 * TEXTURE_MM / grid.pitch_mm).round() as usize).max(1);
    let (w, h) = (grid.width, grid.height);
    let local = [0, 1, 2].map(|c| box_blurred(&colours[c], w, h, radius));
    let covered = box_blurred(cloth, w, h, radius);
    // Blocks, and the median over them, keep prints and folds out of the estimate.
    let block = (4 * radius).max(8);
    let mut blocks: Vec<Matrix3<f64>> = Vec::new();
    for y0 in (0..h).step_by(block) {
        for x0 in (0..w).step_by(block) {
            let mut sum = Matrix3::zeros();
            let mut n = 0.0;
            for k in (y0..(y0 + block).min(h))
                .flat_map(|j| (x0..(x0 + block).min(w)).map(move |i| j * w + i))
            {
                if covered[k] > 0.999 {
                    let d = [0, 1, 2].map(|c| f64::from(colours[c][k] - local[c][k]));
                    for a in 0..3 {
                        for b in 0..3 {
                            sum[(a, b)] += d[a] * d[b];
                        }
                    }
                    n += 1.0;
                }
            }
            if n > 0.5 * (block * block) as f64 {
                blocks.push(sum / n);
            }
        }
    }
    if blocks.is_empty() {
        return Matrix3::identity();
    }
    blocks.sort_by(|a, b| a.trace().total_cmp(&b.trace()));
    // The mean of the middle half: robust as a median, and a true covariance.
    let middle = &blocks[blocks.len() / 4..(3 * blocks.len()).div_ceil(4).max(1)];
    middle.iter().sum::<Matrix3<f64>>() / middle.len() as f64
}
