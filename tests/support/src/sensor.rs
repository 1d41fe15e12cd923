//! Lens blur, sensor noise and what the camera does with the picture.

use std::sync::OnceLock;

use rayon::prelude::*;

use crate::random::Rng;
use crate::scene::Scene;

/// Blurs, adds noise, smooths and sharpens, in place and in linear light.
pub(crate) fn develop(light: &mut Vec<f32>, scene: &Scene) {
    let (w, h) = (scene.width_px as usize, scene.height_px as usize);
    blur(light, w, h, scene.lens.blur_px);
    noise(light, w, scene);
    blur(light, w, h, scene.sensor.smoothing_px);
    if scene.sensor.sharpening > 0.0 {
        sharpen(light, w, h, scene.sensor.sharpening as f32);
    }
}

/// Gaussian blur of interleaved red, green and blue.
fn blur(light: &mut Vec<f32>, w: usize, h: usize, sigma: f64) {
    if sigma < 0.05 {
        return;
    }
    let reach = (3.2 * sigma).ceil() as usize;
    let raw: Vec<f64> = (0..=reach)
        .map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp())
        .collect();
    let sum = raw[0] + 2.0 * raw[1..].iter().sum::<f64>();
    let kernel: Vec<f32> = raw.iter().map(|v| (v / sum) as f32).collect();
    let across = 3 * w;
    light.par_chunks_exact_mut(across).for_each(|row| {
        let pad = 3 * reach;
        let mut wide = vec![0.0; across + 2 * pad];
        wide[pad..pad + across].copy_from_slice(row);
        for k in 0..pad {
            wide[k] = row[k % 3];
            wide[pad + across + k] = row[across - 3 + k % 3];
        }
        for (k, &weight) in kernel.iter().enumerate() {
            let (a, b) = (&wide[pad - 3 * k..], &wide[pad + 3 * k..]);
            if k == 0 {
                row.iter_mut().zip(a).for_each(|(o, v)| *o = weight * v);
            } else {
                row.iter_mut()
                    .zip(a.iter().zip(b))
                    .for_each(|(o, (u, v))| *o += weight * (u + v));
            }
        }
    });
    let mut out = vec![0.0f32; light.len()];
    let source: &[f32] = light;
    let row = |j: usize| &source[j * across..(j + 1) * across];
    out.par_chunks_exact_mut(across)
        .enumerate()
        .for_each(|(j, o)| {
            for (k, &weight) in kernel.iter().enumerate() {
                let (a, b) = (row(j.saturating_sub(k)), row((j + k).min(h - 1)));
                if k == 0 {
                    o.iter_mut().zip(a).for_each(|(o, v)| *o = weight * v);
                } else {
                    o.iter_mut()
                        .zip(a.iter().zip(b))
                        .for_each(|(o, (u, v))| *o += weight * (u + v));
                }
            }
        });
    *light = out;
}

/// Shot noise (its variance grows with the light) and read noise, both taken as normal.
fn noise(light: &mut [f32], w: usize, scene: &Scene) {
    let full = scene.sensor.full_well as f32;
    let read = scene.sensor.read_noise as f32;
    let table = normals();
    light
        .par_chunks_exact_mut(3 * w)
        .enumerate()
        .for_each(|(j, row)| {
            let mut rng =
                Rng::new(scene.own_seed().rotate_left(20) ^ (j as u64).wrapping_mul(0x2545_F491));
            for pixel in row.chunks_exact_mut(3) {
                let bits = rng.bits();
                for (c, v) in pixel.iter_mut().enumerate() {
                    let electrons = (*v * full).max(0.0);
                    let sigma = (electrons + read * read).sqrt();
                    let draw = table[(bits >> (16 * c)) as usize & (table.len() - 1)];
                    *v = (electrons + sigma * draw) / full;
                }
            }
        });
}

fn normals() -> &'static [f32] {
    static TABLE: OnceLock<Vec<f32>> = OnceLock::new();
    TABLE.get_or_init(|| {
        let mut rng = Rng::new(4711);
        (0..1 << 16).map(|_| rng.normal() as f32).collect()
    })
}

/// Adds what a blur of 1.2 px takes away from the brightness, a usual camera's halo.
fn sharpen(light: &mut [f32], w: usize, h: usize, amount: f32) {
    let root = |p: &[f32]| (0.3 * p[0] + 0.6 * p[1] + 0.1 * p[2]).max(0.0).sqrt();
    let bright: Vec<f32> = light.par_chunks_exact(3).map(root).collect();
    let mut soft: Vec<f32> = bright.iter().flat_map(|&v| [v, 0.0, 0.0]).collect();
    blur(&mut soft, w, h, 1.2);
    light
        .par_chunks_exact_mut(3)
        .zip(bright.par_iter().zip(soft.par_chunks_exact(3)))
        .for_each(|(p, (&b, s))| {
            // Halos are clipped, as cameras do.
            let gain = (amount * (b - s[0])).clamp(-0.12, 0.12);
            let factor = ((b + gain).max(0.0) / b.max(1e-3)).powi(2);
            for v in p {
                *v *= factor;
            }
        });
}

/// Linear light to sRGB bytes (IEC 61966-2-1).
pub(crate) fn encode(light: &[f32]) -> Vec<u8> {
    const STEPS: usize = 1 << 14;
    let table: Vec<u8> = (0..=STEPS)
        .map(|k| {
            let l = k as f64 / STEPS as f64;
            let v = if l <= 0.003_130_8 {
                12.92 * l
            } else {
                1.055 * l.powf(1.0 / 2.4) - 0.055
            };
            (255.0 * v).round() as u8
        })
        .collect();
    light
        .par_iter()
        .map(|&l| table[(l.clamp(0.0, 1.0) * STEPS as f32 + 0.5) as usize])
        .collect()
}
