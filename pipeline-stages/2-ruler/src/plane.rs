//! Grey planes at halving sizes, sampled in photo coordinates.

use image::RgbImage;
use rayon::prelude::*;

/// Pixels made grey at a time.
const PART: usize = 1 << 16;

/// A grey plane whose samples cover `2^level` photo pixels a side.
#[derive(Clone, Debug)]
pub(crate) struct Plane {
    pub(crate) width: usize,
    pub(crate) height: usize,
    /// Grey, 0 to 255, row by row.
    pub(crate) grey: Vec<f32>,
    /// Photo pixels a side of one sample.
    pub(crate) step_px: f64,
}

impl Plane {
    /// Luma of an sRGB photo (Rec. ITU-R BT.601 weights, as in JPEG: the channel that is not
    /// subsampled).
    pub(crate) fn luma(rgb: &RgbImage) -> Self {
        let mut grey = vec![0.0f32; rgb.width() as usize * rgb.height() as usize];
        let pixels = rgb.as_raw().as_chunks::<3>().0;
        grey.par_chunks_mut(PART)
            .zip(pixels.par_chunks(PART))
            .for_each(|(grey, pixels)| {
                for (grey, &[r, g, b]) in grey.iter_mut().zip(pixels) {
                    *grey = 0.299 * f32::from(r) + 0.587 * f32::from(g) + 0.114 * f32::from(b);
                }
            });
        Self {
            width: rgb.width() as usize,
            height: rgb.height() as usize,
            grey,
            step_px: 1.0,
        }
    }

    /// Half the size: means of 2 × 2 samples, so that photo coordinates stay exact.
    pub(crate) fn halved(&self) -> Self {
        let (width, height) = (self.width / 2, self.height / 2);
        let mut grey = vec![0.0f32; width * height];
        grey.par_chunks_exact_mut(width)
            .zip(self.grey.par_chunks_exact(2 * self.width))
            .for_each(|(row, two)| {
                let (upper, lower) = two.split_at(self.width);
                let pairs = upper.chunks_exact(2).zip(lower.chunks_exact(2));
                for (mean, (a, b)) in row.iter_mut().zip(pairs) {
                    *mean = 0.25 * (a[0] + a[1] + b[0] + b[1]);
                }
            });
        Self {
            width,
            height,
            grey,
            step_px: 2.0 * self.step_px,
        }
    }

    /// The photo's luma and its reductions, down to `min_side` samples.
    pub(crate) fn pyramid(rgb: &RgbImage, min_side: usize) -> Vec<Self> {
        let mut levels = vec![Self::luma(rgb)];
        while let Some(last) = levels.last() {
            if last.width.min(last.height) / 2 < min_side {
                break;
            }
            let next = last.halved();
            levels.push(next);
        }
        levels
    }

    /// Grey at a photo point, bilinear; `None` outside.
    pub(crate) fn bilinear(&self, x_px: f64, y_px: f64) -> Option<f32> {
        let (x, y) = (x_px / self.step_px - 0.5, y_px / self.step_px - 0.5);
        if !(x >= 0.0 && y >= 0.0 && x < (self.width - 1) as f64 && y < (self.height - 1) as f64) {
            return None;
        }
        let (i, j) = (x as usize, y as usize);
        let (fx, fy) = ((x - i as f64) as f32, (y - j as f64) as f32);
        let at = j * self.width + i;
        let upper = self.grey[at] + fx * (self.grey[at + 1] - self.grey[at]);
        let below = at + self.width;
        let lower = self.grey[below] + fx * (self.grey[below + 1] - self.grey[below]);
        Some(upper + fy * (lower - upper))
    }

    /// Grey at a photo point by cubic convolution (Keys 1981, a = −1/2), which keeps the place of
    /// thin lines far better than the bilinear mean does; `None` outside.
    pub(crate) fn cubic(&self, x_px: f64, y_px: f64) -> Option<f32> {
        let (x, y) = (x_px / self.step_px - 0.5, y_px / self.step_px - 0.5);
        if !(x >= 1.0 && y >= 1.0 && x < (self.width - 2) as f64 && y < (self.height - 2) as f64) {
            return None;
        }
        let (i, j) = (x as usize, y as usize);
        let wx = keys_weights((x - i as f64) as f32);
        let wy = keys_weights((y - j as f64) as f32);
        let corner = (j - 1) * self.width + i - 1;
        let rows = (0..4).map(|r| {
            let row = &self.grey[corner + r * self.width..][..4];
            wy[r] * (wx[0] * row[0] + wx[1] * row[1] + wx[2] * row[2] + wx[3] * row[3])
        });
        Some(rows.sum())
    }
}

fn keys_weights(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [
        0.5 * (-t3 + 2.0 * t2 - t),
        0.5 * (3.0 * t3 - 5.0 * t2 + 2.0),
        0.5 * (-3.0 * t3 + 4.0 * t2 + t),
        0.5 * (t3 - t2),
    ]
}

/// The plane in which one pitch takes between `fewest` and twice as many samples, as far as there
/// is one.
pub(crate) fn plane_for(planes: &[Plane], pitch_px: f64, fewest: f64) -> &Plane {
    let fits = |p: &&Plane| pitch_px / p.step_px >= fewest;
    planes.iter().rev().find(fits).unwrap_or(&planes[0])
}
