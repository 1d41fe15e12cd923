//! The surroundings of one candidate, in one colour direction, whitened.

use measures::spectrum::{Fft2, NoiseSpectrum};
use measures::{Grid, Mm, Point};

use crate::coarse::robust_spread;
use crate::level::Level;

/// Power this far below the mean is taken for rounding, not for a texture that could be
/// whitened.
const FLOOR: f32 = 1e-3;

pub(crate) struct Region {
    pub(crate) grid: Grid,
    /// The residue in one colour direction, 0 where there is no cloth.
    pub(crate) image: Vec<f32>,
    pub(crate) cloth: Vec<f32>,
    /// The image, whitened.
    pub(crate) white: Vec<f32>,
    fft: Fft2,
    transfer: Vec<f32>,
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
        let grid = Grid {
            origin: whole.place(i0 as f64, j0 as f64),
            pitch_mm: whole.pitch_mm,
            width,
            height,
        };
        let cut = |plane: &[f32], k: usize| {
            let (j, i) = (k / width + j0, k % width + i0);
            if j < whole.height && i < whole.width {
                plane[j * whole.width + i]
            } else {
                0.0
            }
        };
        let cloth: Vec<f32> = (0..grid.len())
            .map(|k| cut(&level.field.cloth, k))
            .collect();
        let d = direction.map(|v| v as f32);
        let image = (0..grid.len())
            .map(|k| {
                (0..3)
                    .map(|c| d[c] * cut(&level.field.channels[c], k))
                    .sum()
            })
            .collect();
        let noise = NoiseSpectrum::combined(&[
            (direction[0], &level.noise[0]),
            (direction[1], &level.noise[1]),
            (direction[2], &level.noise[2]),
        ]);
        let fft = Fft2::new(width, height);
        let transfer = noise.whitening(width, height, FLOOR);
        let mut region = Self {
            grid,
            image,
            cloth,
            white: Vec::new(),
            fft,
            transfer,
        };
        region.white = region.whiten(&region.image);
        Some(region)
    }

    /// `plane` through the whitening filter.
    pub(crate) fn whiten(&self, plane: &[f32]) -> Vec<f32> {
        self.fft.filter(plane, &self.transfer)
    }

    /// Measures the noise anew, from what `model` leaves of the image, and whitens by that.
    pub(crate) fn relearn_noise(&mut self, model: &[f32], tile_max: usize) {
        let (w, h) = (self.grid.width, self.grid.height);
        let tile = (w.min(h) / 4).clamp(16, tile_max) & !1;
        let left: Vec<f32> = self.image.iter().zip(model).map(|(i, m)| i - m).collect();
        if let Some(noise) = NoiseSpectrum::estimate(&left, &self.cloth, w, h, tile) {
            self.transfer = noise.whitening(w, h, FLOOR);
            self.white = self.whiten(&self.image);
            let spread = robust_spread(&self.whiten(&left), &self.cloth);
            self.transfer.iter_mut().for_each(|t| *t /= spread);
            self.white.iter_mut().for_each(|v| *v /= spread);
        }
    }
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
