//! The cloth in blocks: fine enough for the light on it and for what lies about.

use measures::{Grid, Mm, Point};

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
        let summed = |plane: &[f32]| {
            let mut sums = vec![0.0f32; width * height];
            let rows = plane.chunks(grid.width * step);
            let cloth = cloth.chunks(grid.width * step);
            for ((rows, cloth), sums) in rows.zip(cloth).zip(sums.chunks_mut(width)) {
                let cloth = cloth.chunks_exact(grid.width);
                for (row, cloth) in rows.chunks_exact(grid.width).zip(cloth) {
                    let blocks = row.chunks(step).zip(cloth.chunks(step));
                    for ((values, cloth), sum) in blocks.zip(&mut *sums) {
                        *sum += values.iter().zip(cloth).map(|(v, c)| v * c).sum::<f32>();
                    }
                }
            }
            sums
        };
        let [first, second, third] = channels;
        // One where it is cloth: its own square.
        let ((first, second), (third, cloth)) = rayon::join(
            || rayon::join(|| summed(first), || summed(second)),
            || rayon::join(|| summed(third), || summed(cloth)),
        );
        Self {
            step,
            side_mm: step as f64 * grid.pitch_mm,
            width,
            height,
            sums: [first, second, third],
            cloth,
        }
    }

    /// Where the middle of block `k` lies.
    pub(crate) fn place(&self, grid: &Grid, k: usize) -> Point<Mm> {
        let middle = |n: usize| self.step as f64 * (n as f64 + 0.5) - 0.5;
        grid.place(middle(k % self.width), middle(k / self.width))
    }

    /// What the block at a place shows; `None` where there is no cloth.
    pub(crate) fn mean_at(&self, grid: &Grid, p: Point<Mm>) -> Option<[f64; 3]> {
        let (u, v) = grid.index(p);
        let [i, j] = [u, v].map(|at| (at + 0.5) / self.step as f64);
        let inside = i >= 0.0 && j >= 0.0 && i < self.width as f64 && j < self.height as f64;
        let k = inside.then(|| j as usize * self.width + i as usize)?;
        let of = |c: usize| f64::from(self.sums[c][k] / self.cloth[k]);
        (self.cloth[k] > 0.0).then(|| [0, 1, 2].map(of))
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
