//! Large-scale light removed.

use measures::Grid;

/// Standard deviation of the three box means in a row by which light of this width is estimated,
/// each half as wide: a box of width w has variance w²/12.
pub(crate) fn spread_mm(width_mm: f64) -> f64 {
    width_mm / 4.0
}

/// The channels without large-scale light; see [`remove_light`].
pub(crate) fn flattened(
    channels: &[Vec<f32>; 3],
    cloth: &[f32],
    grid: &Grid,
    width_mm: f64,
) -> [Vec<f32>; 3] {
    [0, 1, 2].map(|c| {
        let mut channel = channels[c].clone();
        remove_light(&mut channel, cloth, grid, width_mm);
        channel
    })
}

/// Subtracts from a logarithmic channel its own mean over about `width_mm`, cloth alone counted,
/// and sets everything that is not cloth to zero.
fn remove_light(channel: &mut [f32], cloth: &[f32], grid: &Grid, width_mm: f64) {
    let step = ((width_mm / grid.pitch_mm / 16.0) as usize).max(1);
    let (w, h) = (grid.width.div_ceil(step), grid.height.div_ceil(step));
    let mut sum = vec![0.0f32; w * h];
    let mut weight = vec![0.0f32; w * h];
    for j in 0..grid.height {
        for i in 0..grid.width {
            let (k, c) = (j * grid.width + i, (j / step) * w + i / step);
            sum[c] += channel[k] * cloth[k];
            weight[c] += cloth[k];
        }
    }
    let radius = ((width_mm / grid.pitch_mm / step as f64 / 4.0).round() as usize).max(1);
    for plane in [&mut sum, &mut weight] {
        for _ in 0..3 {
            *plane = box_blurred(plane, w, h, radius);
        }
    }
    let light: Vec<f32> = sum
        .iter()
        .zip(&weight)
        .map(|(s, w)| s / w.max(1e-6))
        .collect();
    for j in 0..grid.height {
        for i in 0..grid.width {
            let k = j * grid.width + i;
            let u = ((i as f32 + 0.5) / step as f32 - 0.5).clamp(0.0, (w - 1) as f32);
            let v = ((j as f32 + 0.5) / step as f32 - 0.5).clamp(0.0, (h - 1) as f32);
            channel[k] = (channel[k] - bilinear(&light, w, h, u, v)) * cloth[k];
        }
    }
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
        for i in 0..w {
            sum += line.get(i + radius).copied().unwrap_or(0.0);
            if i > radius {
                sum -= line[i - radius - 1];
            }
            out[i] = sum * share;
        }
    }
    let mut out = vec![0.0f32; w * h];
    let mut sum = vec![0.0f32; w];
    let add = |sum: &mut [f32], row: &[f32], sign: f32| {
        sum.iter_mut().zip(row).for_each(|(s, v)| *s += sign * v);
    };
    for row in rows.chunks_exact(w).take(radius) {
        add(&mut sum, row, 1.0);
    }
    for j in 0..h {
        if j + radius < h {
            add(&mut sum, &rows[(j + radius) * w..][..w], 1.0);
        }
        if j > radius {
            add(&mut sum, &rows[(j - radius - 1) * w..][..w], -1.0);
        }
        out[j * w..][..w]
            .iter_mut()
            .zip(&sum)
            .for_each(|(o, s)| *o = s * share);
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
}
