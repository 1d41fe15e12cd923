//! The surroundings of one candidate, in one colour direction, whitened.

use std::f64::consts::PI;

use measures::spectrum::{Fft2, NoiseSpectrum};
use measures::{Grid, Mm, Point, ResidueField};

use crate::coarse::robust_spread;
use crate::level::Level;

/// Power this far below the mean is taken for rounding, not for a texture that could be
/// whitened.
const FLOOR: f32 = 1e-3;

pub(crate) struct Region {
    pub(crate) grid: Grid,
    /// The residue in every channel, 0 where there is no cloth,
    pub(crate) colours: [Vec<f32>; 3],
    /// and in one colour direction.
    pub(crate) image: Vec<f32>,
    pub(crate) cloth: Vec<f32>,
    /// The image, whitened.
    pub(crate) white: Vec<f32>,
    fft: Fft2,
    transfer: Vec<f32>,
    /// What taking off the light has left of every frequency.
    kept: Vec<f32>,
}

impl Region {
    /// Cuts the rectangle from `low` to `high` out of `level`. `None` when nothing is left of it.
    pub(crate) fn new(
        level: &Level,
        low: Point<Mm>,
        high: Point<Mm>,
        direction: &[f64; 3],
    ) -> Option<Self> {
        let whole = &level.field.grid;
        let (u0, v0) = whole.index(low);
        let (u1, v1) = whole.index(high);
        let (i0, width) = span(u0, u1, whole.width)?;
        let (j0, height) = span(v0, v1, whole.height)?;
        let grid = whole.part([i0, j0], width, height);
        let seen = (whole.width - i0).min(width);
        // It may run past the end, where nothing is.
        let part = |plane: &[f32]| {
            let mut out = vec![0.0f32; grid.len()];
            let rows = plane.chunks_exact(whole.width).skip(j0);
            for (out, row) in out.chunks_exact_mut(width).zip(rows) {
                out[..seen].copy_from_slice(&row[i0..i0 + seen]);
            }
            out
        };
        let cloth = part(&level.field.cloth);
        let colours = [0, 1, 2].map(|c| part(&level.field.channels[c]));
        let d = direction.map(|v| v as f32);
        let image = (0..grid.len())
            .map(|k| (0..3).map(|c| d[c] * colours[c][k]).sum())
            .collect();
        let noise = level.noise();
        let noise = NoiseSpectrum::combined(&[0, 1, 2].map(|c| (direction[c], noise[c])));
        let fft = Fft2::new(width, height);
        let transfer = noise.whitening(width, height, FLOOR);
        let mut region = Self {
            grid,
            colours,
            image,
            cloth,
            white: Vec::new(),
            fft,
            transfer,
            kept: kept_of_light(&level.field, width, height),
        };
        region.white = region.fft.filter(&region.image, &region.transfer);
        Some(region)
    }

    /// A drawing as it is with the light taken off.
    pub(crate) fn lit(&self, drawing: &[f32]) -> Vec<f32> {
        self.fft.filter(drawing, &self.kept)
    }

    /// A drawing through everything that the image went through: the light taken off, whitened.
    pub(crate) fn whiten(&self, drawing: &[f32]) -> Vec<f32> {
        let both: Vec<f32> = self
            .transfer
            .iter()
            .zip(&self.kept)
            .map(|(t, k)| t * k)
            .collect();
        self.fft.filter(drawing, &both)
    }

    /// Measures the noise anew, from what `model` leaves of the image, and whitens by that.
    pub(crate) fn relearn_noise(&mut self, model: &[f32], tile_max: usize) {
        let (w, h) = (self.grid.width, self.grid.height);
        let tile = (w.min(h) / 4).clamp(16, tile_max) & !1;
        let model = self.lit(model);
        let left: Vec<f32> = self.image.iter().zip(model).map(|(i, m)| i - m).collect();
        if let Some(noise) = NoiseSpectrum::estimate(&left, &self.cloth, w, h, tile) {
            self.transfer = noise.whitening(w, h, FLOOR);
            self.white = self.fft.filter(&self.image, &self.transfer);
            let spread = robust_spread(&self.fft.filter(&left, &self.transfer), &self.cloth);
            self.transfer.iter_mut().for_each(|t| *t /= spread);
            self.white.iter_mut().for_each(|v| *v /= spread);
        }
    }
}

impl Region {
    /// The likeliest course of what differs from `model` in the image, for differences of standard
    /// deviation `spread` that hang together over `length_mm` (Wiener 1949).
    pub(crate) fn difference(&self, model: &[f32], spread: f64, length_mm: f64) -> Vec<f32> {
        let model = self.lit(model);
        let left: Vec<f32> = self.image.iter().zip(model).map(|(i, m)| i - m).collect();
        self.fft.filter(&left, &self.likeliest(spread, length_mm))
    }

    /// Image and `model` as seen through one filter: that for the likeliest course of what has
    /// standard deviation `spread` and hangs together over `length_mm`, smoothed by a Gaussian.
    pub(crate) fn seen_alike(
        &self,
        model: &[f32],
        spread: f64,
        length_mm: f64,
        smooth_mm: f64,
    ) -> [Vec<f32>; 2] {
        let smooth = 2.0 * PI * smooth_mm / self.grid.pitch_mm;
        let mut filter = self.likeliest(spread, length_mm);
        for (k, f) in filter.iter_mut().enumerate() {
            *f *= (-0.5 * smooth * smooth * self.frequency_squared(k)).exp() as f32;
        }
        let image = self.fft.filter(&self.image, &filter);
        for (f, kept) in filter.iter_mut().zip(&self.kept) {
            *f *= kept;
        }
        [image, self.fft.filter(model, &filter)]
    }

    fn likeliest(&self, spread: f64, length_mm: f64) -> Vec<f32> {
        let length = length_mm / self.grid.pitch_mm;
        (0..self.transfer.len())
            .map(|k| {
                let turns = 1.0 + (2.0 * PI * length).powi(2) * self.frequency_squared(k);
                // An exponential covariance's spectrum in the plane.
                let signal = (spread * length).powi(2) * 2.0 * PI * turns.powf(-1.5);
                let kept = f64::from(self.kept[k]);
                let noise = f64::from(self.transfer[k]).powi(-2);
                let all = signal * kept * kept + noise;
                (signal * kept / all) as f32
            })
            .collect()
    }

    /// In turns a sample, for the spectrum's layout.
    fn frequency_squared(&self, k: usize) -> f64 {
        let (w, h) = (self.grid.width, self.grid.height);
        let (kx, ky) = (k / h, k % h);
        (kx as f64 / w as f64).powi(2) + (ky.min(h - ky) as f64 / h as f64).powi(2)
    }
}

/// Share of every frequency, in a spectrum's layout, that taking off the light has left: 1 less
/// the transfer function of the Gaussian that estimated it.
pub(crate) fn kept_of_light(field: &ResidueField, width: usize, height: usize) -> Vec<f32> {
    let spread = 2.0 * PI * field.light_spread_mm / field.grid.pitch_mm;
    let taken = |f: f64| (-0.5 * spread * spread * f * f).exp();
    let rows: Vec<f64> = (0..height)
        .map(|ky| taken(ky.min(height - ky) as f64 / height as f64))
        .collect();
    (0..=width / 2)
        .map(|kx| taken(kx as f64 / width as f64))
        .flat_map(|column| rows.iter().map(move |row| (1.0 - column * row) as f32))
        .collect()
}

/// First index and a fast length that hold `from..to` within `0..n`; the length may run past the
/// end by a few samples.
fn span(from: f64, to: f64, n: usize) -> Option<(usize, usize)> {
    let first = from.floor().clamp(0.0, n as f64) as usize;
    let last = to.ceil().clamp(0.0, n as f64) as usize;
    (last > first + 8).then(|| {
        let length = Fft2::fast_length(last - first);
        // Rather start earlier than run past the end.
        (first.min(n.saturating_sub(length)), length)
    })
}
