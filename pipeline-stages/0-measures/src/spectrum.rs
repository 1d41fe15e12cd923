//! Plane spectra: the two-dimensional Fourier transform of real images, and the power spectrum
//! of the cloth's own texture, by which images are whitened.

use std::sync::Arc;

use fourier::{Complex, ComplexToReal, Fft, RealToComplex};

/// One coefficient of a spectrum.
pub type Bin = Complex<f32>;

/// Fourier transform of real images of one size.
///
/// Spectra are stored column by column: `kx` from 0 to `width / 2`, each with all `height`
/// vertical frequencies.
pub struct Fft2 {
    width: usize,
    height: usize,
    rows: Arc<dyn RealToComplex<f32>>,
    rows_back: Arc<dyn ComplexToReal<f32>>,
    columns: Arc<dyn Fft<f32>>,
    columns_back: Arc<dyn Fft<f32>>,
}

impl Fft2 {
    /// Plans the transform of `width` × `height` images.
    pub fn new(width: usize, height: usize) -> Self {
        Self {
            width,
            height,
            rows: fourier::real_forward(width),
            rows_back: fourier::real_inverse(width),
            columns: fourier::forward(height),
            columns_back: fourier::inverse(height),
        }
    }

    /// The smallest length from `n` on that transforms fast: even, no prime factor above 5.
    pub fn fast_length(n: usize) -> usize {
        let smooth = |mut m: usize| {
            for p in [2, 3, 5] {
                while m.is_multiple_of(p) {
                    m /= p;
                }
            }
            m == 1
        };
        (n.max(2)..=2 * n.max(2))
            .find(|&m| m % 2 == 0 && smooth(m))
            .unwrap_or(n)
    }

    /// Number of horizontal frequencies stored.
    pub fn half_width(&self) -> usize {
        self.width / 2 + 1
    }

    /// The spectrum of `image`. Rows that are all zero cost nothing.
    pub fn forward(&self, image: &[f32]) -> Vec<Bin> {
        let (half, h) = (self.half_width(), self.height);
        let mut rows = vec![Bin::default(); half * h];
        let mut line = vec![0.0; self.width];
        let mut scratch = self.rows.make_scratch_vec();
        for (row, out) in image
            .chunks_exact(self.width)
            .zip(rows.chunks_exact_mut(half))
        {
            if row.iter().any(|&v| v != 0.0) {
                line.copy_from_slice(row);
                // Lengths are right by construction, so the transform cannot refuse them.
                let _ = self.rows.process_with_scratch(&mut line, out, &mut scratch);
            }
        }
        let mut spectrum = transposed(&rows, half, h);
        let mut scratch = vec![Bin::default(); self.columns.get_inplace_scratch_len()];
        self.columns
            .process_with_scratch(&mut spectrum, &mut scratch);
        spectrum
    }

    /// The image with this spectrum.
    pub fn inverse(&self, mut spectrum: Vec<Bin>) -> Vec<f32> {
        let (half, h) = (self.half_width(), self.height);
        let mut scratch = vec![Bin::default(); self.columns_back.get_inplace_scratch_len()];
        self.columns_back
            .process_with_scratch(&mut spectrum, &mut scratch);
        let mut rows = transposed(&spectrum, h, half);
        let mut image = vec![0.0; self.width * h];
        let mut scratch = self.rows_back.make_scratch_vec();
        let scale = 1.0 / (self.width * h) as f32;
        for (row, out) in rows
            .chunks_exact_mut(half)
            .zip(image.chunks_exact_mut(self.width))
        {
            row[0].im = 0.0;
            row[half - 1].im = 0.0;
            let _ = self.rows_back.process_with_scratch(row, out, &mut scratch);
            for v in out {
                *v *= scale;
            }
        }
        image
    }

    /// Filters `image` by a real, symmetric transfer function in the spectrum's layout.
    pub fn filter(&self, image: &[f32], transfer: &[f32]) -> Vec<f32> {
        let mut spectrum = self.forward(image);
        for (bin, &t) in spectrum.iter_mut().zip(transfer) {
            *bin *= t;
        }
        self.inverse(spectrum)
    }
}

fn transposed(rows: &[Bin], width: usize, height: usize) -> Vec<Bin> {
    const BLOCK: usize = 16;
    let mut out = vec![Bin::default(); rows.len()];
    for y0 in (0..height).step_by(BLOCK) {
        for x0 in (0..width).step_by(BLOCK) {
            for x in x0..(x0 + BLOCK).min(width) {
                for y in y0..(y0 + BLOCK).min(height) {
                    out[x * height + y] = rows[y * width + x];
                }
            }
        }
    }
    out
}

/// Power spectrum of a texture, scaled so that white noise of unit variance has power 1.
#[derive(Clone, Debug)]
pub struct NoiseSpectrum {
    tile: usize,
    power: Vec<f32>,
}

impl NoiseSpectrum {
    /// Estimates the spectrum of `image` where `weight` is 1: the median over half-overlapping
    /// tiles of Hann-windowed periodograms (Welch 1967, the mean replaced by the median so that a
    /// print or a stain on some tiles does not count).
    ///
    /// Tiles with less than three quarters of usable samples are passed over. `None` when none is
    /// left.
    pub fn estimate(
        image: &[f32],
        weight: &[f32],
        width: usize,
        height: usize,
        tile: usize,
    ) -> Option<Self> {
        Self::of_tiles(image, weight, width, height, tile, 2)
    }

    /// The same from tiles side by side: a quarter of the work, good enough for pictures.
    pub fn estimate_sparsely(
        image: &[f32],
        weight: &[f32],
        width: usize,
        height: usize,
        tile: usize,
    ) -> Option<Self> {
        Self::of_tiles(image, weight, width, height, tile, 1)
    }

    fn of_tiles(
        image: &[f32],
        weight: &[f32],
        width: usize,
        height: usize,
        tile: usize,
        tiles_on_a_spot: usize,
    ) -> Option<Self> {
        let tile = tile.min(width).min(height) & !1;
        let apart = tile / tiles_on_a_spot;
        if tile < 8 {
            return None;
        }
        let fft = Fft2::new(tile, tile);
        let hann: Vec<f32> = (0..tile)
            .map(|i| {
                (std::f32::consts::PI * (i as f32 + 0.5) / tile as f32)
                    .sin()
                    .powi(2)
            })
            .collect();
        let mut periodograms: Vec<Vec<f32>> = Vec::new();
        for y0 in starts(height, tile, apart) {
            for x0 in starts(width, tile, apart) {
                let rows = || (0..tile).map(|j| (y0 + j) * width + x0);
                let used: f32 = rows()
                    .map(|k| weight[k..k + tile].iter().sum::<f32>())
                    .sum();
                if used < 0.75 * (tile * tile) as f32 {
                    continue;
                }
                let sum: f32 = rows()
                    .flat_map(|k| (k..k + tile).map(|i| image[i] * weight[i]))
                    .sum();
                let mean = sum / used;
                let mut patch = Vec::with_capacity(tile * tile);
                let mut energy = 0.0f32;
                for (k, &wy) in rows().zip(&hann) {
                    for (i, &wx) in (k..k + tile).zip(&hann) {
                        let w = wx * wy * weight[i];
                        energy += w * w;
                        patch.push((image[i] - mean) * w);
                    }
                }
                let spectrum = fft.forward(&patch);
                periodograms.push(spectrum.iter().map(|b| b.norm_sqr() / energy).collect());
            }
        }
        let n = periodograms.len();
        if n == 0 {
            return None;
        }
        // Numbers that are not negative are in the order of their bits.
        let mut values = vec![0u32; n];
        let power = (0..periodograms[0].len())
            .map(|k| {
                for (v, p) in values.iter_mut().zip(&periodograms) {
                    *v = p[k].to_bits();
                }
                let (_, median, _) = values.select_nth_unstable(n / 2);
                f32::from_bits(*median) / std::f32::consts::LN_2
            })
            .collect();
        Some(Self { tile, power })
    }

    /// The spectrum of a sum of independent textures, each times its factor. The spectra must
    /// come from one size of tile.
    #[must_use]
    pub fn combined(parts: &[(f64, &Self)]) -> Self {
        let mut sum = Self {
            tile: 2,
            power: vec![1.0; 4],
        };
        if let Some((_, first)) = parts.first() {
            sum = Self {
                tile: first.tile,
                power: vec![0.0; first.power.len()],
            };
        }
        for (factor, part) in parts {
            let square = (factor * factor) as f32;
            sum.power
                .iter_mut()
                .zip(&part.power)
                .for_each(|(s, p)| *s += square * p);
        }
        sum
    }

    /// A flat spectrum.
    pub fn white() -> Self {
        Self {
            tile: 2,
            power: vec![1.0; 4],
        }
    }

    /// Transfer function that holds down what stands out of the spectrum at its own distance from
    /// the origin (stripes, knitted-in patterns, the weave) to what is usual at that distance, for
    /// images of `width` × `height` with the same sample distance.
    pub fn pattern_suppression(&self, width: usize, height: usize) -> Vec<f32> {
        let t = self.tile;
        let radius = |x: usize, y: usize| {
            let y = y.min(t - y);
            (((x * x + y * y) as f64).sqrt().round() as usize).min(t / 2)
        };
        let mut rings: Vec<Vec<f32>> = vec![Vec::new(); t / 2 + 1];
        for x in 0..=t / 2 {
            for y in 0..t {
                rings[radius(x, y)].push(self.power[x * t + y]);
            }
        }
        let usual: Vec<f32> = rings
            .iter_mut()
            .map(|ring| {
                let middle = ring.len() / 2;
                if ring.is_empty() {
                    0.0
                } else {
                    *ring.select_nth_unstable_by(middle, f32::total_cmp).1
                }
            })
            .collect();
        let least = self.power.iter().sum::<f32>() / self.power.len() as f32 * 1e-6;
        let ratio: Vec<f32> = (0..self.power.len())
            .map(|k| self.power[k].max(least) / usual[radius(k / t, k % t)].max(least))
            .map(|r| r.max(1.0))
            .collect();
        Self {
            tile: t,
            power: ratio,
        }
        .whitening(width, height, 0.0)
    }

    /// Transfer function of the whitening filter, 1 / √power, for images of `width` × `height`
    /// with the same sample distance. Power below `floor` times its mean is raised to that.
    pub fn whitening(&self, width: usize, height: usize, floor: f32) -> Vec<f32> {
        let t = self.tile;
        let mean = self.power.iter().sum::<f32>() / self.power.len() as f32;
        if mean <= 0.0 {
            // Nothing varies, and nothing can be seen.
            return vec![0.0; (width / 2 + 1) * height];
        }
        let least = (floor * mean).max(f32::MIN_POSITIVE);
        let ln: Vec<f32> = self.power.iter().map(|p| p.max(least).ln()).collect();
        let rows: Vec<(usize, usize, f32)> = (0..height)
            .map(|ky| {
                let fy = (ky * t) as f32 / height as f32;
                let y = fy as usize;
                (y % t, (y + 1) % t, fy - y as f32)
            })
            .collect();
        let mut out = Vec::with_capacity((width / 2 + 1) * height);
        for kx in 0..=width / 2 {
            let fx = (kx * t) as f32 / width as f32;
            let x0 = (fx as usize).min(t / 2);
            let x1 = (x0 + 1).min(t / 2);
            let ax = fx - x0 as f32;
            let column = |y: usize| ln[x0 * t + y] * (1.0 - ax) + ln[x1 * t + y] * ax;
            let column: Vec<f32> = (0..t).map(column).collect();
            out.extend(
                rows.iter().map(|&(y0, y1, ay)| {
                    (-0.5 * (column[y0] * (1.0 - ay) + column[y1] * ay)).exp()
                }),
            );
        }
        out
    }
}

/// First samples of tiles that cover `length` evenly, at most so far apart.
fn starts(length: usize, tile: usize, apart: usize) -> impl Iterator<Item = usize> {
    let spare = length - tile;
    let steps = spare.div_ceil(apart);
    (0..=steps).map(move |k| (k * spare).checked_div(steps).unwrap_or(0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(n: usize) -> Vec<f32> {
        let mut state = 12_345u64;
        let mut next = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (state >> 40) as f32 / (1u64 << 24) as f32
        };
        (0..n)
            .map(|_| (0..12).map(|_| next()).sum::<f32>() - 6.0)
            .collect()
    }

    #[test]
    fn transform_there_and_back() {
        let fft = Fft2::new(20, 12);
        let image = noise(240);
        let back = fft.inverse(fft.forward(&image));
        assert!(image.iter().zip(&back).all(|(a, b)| (a - b).abs() < 1e-5));
    }

    #[test]
    fn whitening_makes_coloured_noise_white() {
        let (w, h) = (256, 256);
        let white = noise(w * h);
        let coloured: Vec<f32> = (0..w * h)
            .map(|i| white[i] + white[(i + 1) % (w * h)] + 3.0 * (i as f32).sin())
            .collect();
        let spectrum = NoiseSpectrum::estimate(&coloured, &vec![1.0; w * h], w, h, 32);
        let filter = spectrum.expect("tiles fit").whitening(w, h, 1e-4);
        let flat = Fft2::new(w, h).filter(&coloured, &filter);
        let at = |lag: usize| -> f32 {
            flat.iter()
                .zip(&flat[lag..])
                .map(|(a, b)| a * b)
                .sum::<f32>()
                / (w * h) as f32
        };
        assert!((at(0) - 1.0).abs() < 0.1, "variance {}", at(0));
        assert!(
            at(1).abs() < 0.05 && at(2).abs() < 0.05,
            "lags {} {}",
            at(1),
            at(2)
        );
    }

    #[test]
    fn fast_lengths_have_small_factors() {
        assert_eq!(
            [7, 11, 97, 128, 401].map(Fft2::fast_length),
            [8, 12, 100, 128, 432]
        );
    }
}
