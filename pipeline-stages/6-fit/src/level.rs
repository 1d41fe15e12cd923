//! The residue field at one resolution, with the cloth's noise there.

use std::borrow::Cow;
use std::sync::OnceLock;

use measures::ResidueField;
use measures::spectrum::NoiseSpectrum;
use rayon::prelude::*;

use crate::Settings;

pub(crate) struct Level<'a> {
    pub(crate) field: Cow<'a, ResidueField>,
    noise: [OnceLock<NoiseSpectrum>; 3],
    noise_tile_samples: usize,
}

impl<'a> Level<'a> {
    /// The field at every resolution, the finest first, each half the one before.
    pub(crate) fn pyramid(field: &'a ResidueField, settings: &Settings) -> Vec<Self> {
        let mut levels = vec![Self::new(Cow::Borrowed(field), settings)];
        loop {
            let finer = &levels[levels.len() - 1].field;
            if finer.grid.width.min(finer.grid.height) < 48 {
                return levels;
            }
            let next = finer.halved();
            levels.push(Self::new(Cow::Owned(next), settings));
        }
    }

    fn new(field: Cow<'a, ResidueField>, settings: &Settings) -> Self {
        Self {
            field,
            noise: [const { OnceLock::new() }; 3],
            noise_tile_samples: settings.noise_tile_samples,
        }
    }

    /// The cloth's noise in each channel; measured when it is first asked for, since few levels
    /// are.
    pub(crate) fn noise(&self) -> [&NoiseSpectrum; 3] {
        if self.noise.iter().any(|n| n.get().is_none()) {
            (0..3).into_par_iter().for_each(|c| {
                self.noise_of(c);
            });
        }
        [0, 1, 2].map(|c| self.noise_of(c))
    }

    /// Shares out no work: whoever waits for what another thread measures must not be given a part
    /// of the same.
    fn noise_of(&self, channel: usize) -> &NoiseSpectrum {
        self.noise[channel].get_or_init(|| {
            let field = &self.field;
            let (w, h) = (field.grid.width, field.grid.height);
            let tile = (w.min(h) / 5).clamp(16, self.noise_tile_samples) & !1;
            NoiseSpectrum::estimate(&field.channels[channel], &field.cloth, w, h, tile)
                .unwrap_or_else(NoiseSpectrum::white)
        })
    }

    pub(crate) fn pitch_mm(&self) -> f64 {
        self.field.grid.pitch_mm
    }
}
