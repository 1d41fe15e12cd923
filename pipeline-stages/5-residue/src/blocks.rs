//! The cloth in blocks: fine enough for the light on it and for what lies about.

use measures::Grid;

/// Side of a block, about; the cloth's texture is smaller.
const BLOCK_MM: f64 = 1.2;

/// Sums over square blocks of samples.
pub(crate) struct Blocks {
    /// Samples along a side.
    pub(crate) step: usize,
    pub(crate) side_mm: f64,
    pub(crate) width: usize,
    pub(crate) height: usize,
    /// Sums of each channel over the block's cloth.
    pub(crate) sums: [Vec<f32>; 3],
    /// Samples of cloth.
    pub(crate) cloth: Vec<f32>,
}

impl Blocks {
    pub(crate) fn new(channels: &[Vec<f32>; 3], cloth: &[f32], grid: &Grid) -> Self {
        let step = ((BLOCK_MM / grid.pitch_mm) as usize).max(1);
        let (width, height) = (grid.width.div_ceil(step), grid.height.div_ceil(step));
        let summed = |value: &dyn Fn(usize) -> f32| {
            let mut sums = vec![0.0f32; width * height];
            for j in 0..grid.height {
                let row = &mut sums[j / step * width..][..width];
                for (block, sum) in row.iter_mut().enumerate() {
                    let samples = block * step..((block + 1) * step).min(grid.width);
                    *sum += samples.map(|i| value(j * grid.width + i)).sum::<f32>();
                }
            }
            sums
        };
        Self {
            step,
            side_mm: step as f64 * grid.pitch_mm,
            width,
            height,
            sums: [0, 1, 2].map(|c| summed(&|k| channels[c][k] * cloth[k])),
            cloth: summed(&|k| cloth[k]),
        }
    }

    /// Takes blocks out of the cloth.
    pub(crate) fn take_out(&mut self, is_out: impl Fn(usize) -> bool) {
        for k in (0..self.cloth.len()).filter(|&k| is_out(k)) {
            self.cloth[k] = 0.0;
            self.sums.iter_mut().for_each(|sums| sums[k] = 0.0);
        }
    }

    /// Takes out of `cloth` what was taken out of the blocks.
    pub(crate) fn hand_on(&self, cloth: &mut [f32], grid: &Grid) {
        for (j, row) in cloth.chunks_exact_mut(grid.width).enumerate() {
            let blocks = &self.cloth[j / self.step * self.width..][..self.width];
            for (samples, &block) in row.chunks_mut(self.step).zip(blocks) {
                if block == 0.0 {
                    samples.fill(0.0);
                }
            }
        }
    }
}
