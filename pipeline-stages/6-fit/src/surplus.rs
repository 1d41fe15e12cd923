//! Residue where the artwork has none: detail of another version.

use measures::spectrum::Fft2;

use crate::align::{Aligner, Alignment, Drawing};
use crate::pose::BLEED;
use crate::shape::Shape;

/// Size of the spots looked for (standard deviation).
const SPOT_MM: f64 = 0.9;
/// Spots nearer to the artwork's edge than this may be bleed.
const CLEARANCE_MM: f64 = 1.0;
/// A spot counts when its contrast is at least this share of the emblem's,
const CONTRAST_SHARE: f64 = 0.45;
/// and this many times its own noise.
const DEVIATIONS: f64 = 5.0;

/// Area inside the emblem's outer contours, outside the artwork's filled area, that shows residue
/// all the same; in square millimetres.
pub(crate) fn area_mm2(
    aligner: &Aligner<'_>,
    alignment: &Alignment,
    shape: &Shape,
    near: &[(usize, usize)],
    drawing: &Drawing,
) -> f64 {
    let region = aligner.region;
    let grid = &region.grid;
    let (w, h) = (grid.width, grid.height);
    let mut left = vec![0.0f32; grid.len()];
    for &(k, t) in near {
        left[k] = region.white[k] - alignment.contrasts[t] as f32 * drawing.white[k];
    }
    // A spot, whitened as the region is; both are symmetric, so filtering with it correlates.
    let spread = SPOT_MM / grid.pitch_mm;
    let wrapped = |i: usize, n: usize| i.min(n - i) as f64;
    let spot: Vec<f32> = (0..grid.len())
        .map(|k| {
            let (x, y) = (wrapped(k % w, w), wrapped(k / w, h));
            (-0.5 * (x * x + y * y) / (spread * spread)).exp() as f32
        })
        .collect();
    let white_spot = region.whiten(&spot);
    let energy: f64 = white_spot.iter().map(|v| f64::from(*v).powi(2)).sum();
    let fft = Fft2::new(w, h);
    let transfer: Vec<f32> = fft.forward(&white_spot).iter().map(|b| b.re).collect();
    let answer = fft.filter(&left, &transfer);
    let u_contrast = alignment.spread / energy.sqrt();
    let limit = (CONTRAST_SHARE * alignment.contrast.abs()).max(DEVIATIONS * u_contrast) * energy;
    let sign = alignment.contrast.signum();
    let filled = shape.filled();
    let clear = (CLEARANCE_MM + alignment.pose.0[BLEED].max(0.0)) / alignment.pose.size_mm();
    let count = near
        .iter()
        .filter(|&&(k, _)| sign * f64::from(answer[k]) > limit)
        .filter(|&&(k, _)| {
            let (u, v) = aligner.spot_of(&alignment.pose, k);
            let far = aligner.distance.at(u, v).is_none_or(|(d, _)| d < -clear);
            far && filled.coverage_at(u, v, 0.0) > 0.5
        })
        .count();
    count as f64 * grid.pitch_mm * grid.pitch_mm
}
