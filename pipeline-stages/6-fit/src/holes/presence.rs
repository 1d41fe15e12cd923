//! How much of the residue shows, spot by spot.

use std::ops::Range;

use imageproc::distance_transform::euclidean_squared_distance_transform;
use imageproc::image::{GrayImage, Luma};

use super::rim::RIM_MM;
use crate::align::{Aligner, Alignment, Drawing};
use crate::structure::{enlarged, full_contrast};

/// Patches are cut out of a grid about as fine as this, so that their edges are not steps.
const FINENESS_MM: f64 = 0.15;
const FINER_MAX: usize = 4;

/// How much of the residue shows, on a finer grid than the region's.
pub(super) struct Presence {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) pitch_mm: f64,
    /// Samples for one of the region's.
    pub(super) finer: usize,
    pub(super) gone: Vec<bool>,
    /// Share of the residue that shows, 1 where all does.
    pub(super) share: Vec<f32>,
    pub(super) depth: Vec<f32>,
    pub(super) cloth: Vec<f32>,
}

impl Presence {
    pub(super) fn estimate(
        aligner: &Aligner<'_>,
        alignment: &Alignment,
        drawing: &Drawing,
        depth: &[f32],
        smooth_mm: f64,
    ) -> Self {
        /// What has gone hangs together over this length, or so many samples.
        const LENGTH_MM: f64 = 2.0;
        const LENGTH_SAMPLES: f64 = 3.0;
        let region = aligner.region;
        let grid = &region.grid;
        let contrast = full_contrast(alignment) as f32;
        let model: Vec<f32> = drawing.cover.iter().map(|c| c * contrast).collect();
        let length = LENGTH_MM.max(LENGTH_SAMPLES * grid.pitch_mm);
        let spread = 0.5 * f64::from(contrast.abs());
        let [seen, full] = region.seen_alike(&model, spread, length, smooth_mm);
        let [seen, full] =
            [seen, full].map(|v| v.iter().map(|v| v / contrast).collect::<Vec<f32>>());
        let share = shown(&seen, &full, depth);
        let finer = ((grid.pitch_mm / FINENESS_MM).round() as usize).clamp(1, FINER_MAX);
        let (width, height) = (grid.width * finer, grid.height * finer);
        let fine = |plane: &[f32]| enlarged(plane, grid.width, grid.height, finer);
        let (share, depth, cloth) = (fine(&share), fine(depth), fine(&region.cloth));
        let whole = whole(&share, &depth);
        let share: Vec<f32> = share.iter().map(|s| s / whole).collect();
        Self {
            width,
            height,
            pitch_mm: grid.pitch_mm / finer as f64,
            finer,
            gone: Vec::new(),
            share,
            depth,
            cloth,
        }
    }

    /// Takes for gone what shows less than `share` of what the residue shows elsewhere.
    pub(super) fn part_at(&mut self, share: f32) {
        let gone = |k: usize| self.share[k] < share && self.depth[k] > 0.0 && self.cloth[k] > 0.5;
        self.gone = (0..self.share.len()).map(gone).collect();
    }

    /// Where a sample lies, in samples of the region.
    pub(super) fn place(&self, k: usize) -> [f64; 2] {
        [k % self.width, k / self.width].map(|v| v as f64 / self.finer as f64)
    }

    /// Samples about which everything has gone, as far as `disc` reaches.
    pub(super) fn core(&self, disc: &[(isize, isize)]) -> Vec<bool> {
        let gone = |n: Option<usize>| n.is_some_and(|n| self.gone[n]);
        (0..self.gone.len())
            .map(|k| self.gone[k] && self.around(k, disc).all(gone))
            .collect()
    }

    /// Samples about `k`, `None` beyond the grid.
    pub(super) fn around<'a>(
        &self,
        k: usize,
        disc: &'a [(isize, isize)],
    ) -> impl Iterator<Item = Option<usize>> + use<'a> {
        let (width, height) = (self.width, self.height);
        let (i, j) = (k % width, k / width);
        disc.iter().map(move |&(di, dj)| {
            let (i, j) = (i.checked_add_signed(di)?, j.checked_add_signed(dj)?);
            (i < width && j < height).then_some(j * width + i)
        })
    }

    /// The columns and the rows that a patch lies in.
    pub(super) fn spans(&self, patch: &[usize]) -> [Range<usize>; 2] {
        let span = |of: &dyn Fn(usize) -> usize| {
            let (first, last) = patch.iter().fold((usize::MAX, 0), |(first, last), &k| {
                (first.min(of(k)), last.max(of(k)))
            });
            first..last + 1
        };
        [span(&|k| k % self.width), span(&|k| k / self.width)]
    }

    /// Samples about a patch, not so near that its own edge blurs them.
    pub(super) fn ring(&self, patch: &[usize], member: &dyn Fn(usize) -> bool) -> Vec<usize> {
        let [near, far] = RIM_MM.map(|mm| mm / self.pitch_mm + 0.5);
        let reach = far.ceil() as usize;
        let [columns, rows] = self.spans(patch);
        let wider =
            |span: Range<usize>, end| span.start.saturating_sub(reach)..(span.end + reach).min(end);
        let (columns, rows) = (wider(columns, self.width), wider(rows, self.height));
        let sample =
            |i: u32, j: u32| (rows.start + j as usize) * self.width + columns.start + i as usize;
        let patch = GrayImage::from_fn(columns.len() as u32, rows.len() as u32, |i, j| {
            Luma([if member(sample(i, j)) { u8::MAX } else { 0 }])
        });
        let squared = euclidean_squared_distance_transform(&patch);
        let about = squared
            .enumerate_pixels()
            .filter(|(_, _, d)| d[0] > near * near && d[0] <= far * far);
        let about = about.map(|(i, j, _)| sample(i, j));
        about.filter(|&k| self.cloth[k] > 0.5).collect()
    }

    /// How much of the residue shows in the ring about a patch, 0 to 1.
    pub(super) fn beside(&self, ring: &[usize]) -> f64 {
        const INSIDE_MM: f32 = 0.4;
        let shows: Vec<f64> = ring
            .iter()
            .filter(|&&k| self.depth[k] > INSIDE_MM)
            .map(|&k| f64::from(self.share[k].clamp(0.0, 1.0)))
            .collect();
        if shows.is_empty() {
            return 0.5;
        }
        shows.iter().sum::<f64>() / shows.len() as f64
    }
}

/// Share of the residue that shows at each sample: what is `seen` of what would be seen were it
/// `full`, both in contrasts.
///
/// Deep inside a large emblem little would, since its mean goes with the light; there what lacks is
/// compared with what shows elsewhere.
fn shown(seen: &[f32], full: &[f32], depth: &[f32]) -> Vec<f32> {
    const DEEP_MM: f32 = 3.0;
    const FLATTENED: f32 = 0.5;
    /// What shows less could not be seen even where residue is.
    const VISIBLE: f32 = 0.15;
    const QUANTILE: f64 = 0.9;
    let mut inside: Vec<f32> = full
        .iter()
        .zip(depth)
        .filter(|(_, d)| **d > 0.0)
        .map(|(f, _)| *f)
        .collect();
    inside.sort_unstable_by(f32::total_cmp);
    let usual = inside.get((QUANTILE * inside.len() as f64) as usize);
    let usual = usual.map_or(1.0, |usual| usual.max(VISIBLE));
    let of = |((s, f), d): ((&f32, &f32), &f32)| {
        if *d > DEEP_MM && *f < FLATTENED * usual {
            1.0 - (f - s) / usual
        } else {
            s / f.max(VISIBLE)
        }
    };
    seen.iter().zip(full).zip(depth).map(of).collect()
}

/// What residue shows that has not gone, away from its edges, along which glue may be thicker.
fn whole(share: &[f32], depth: &[f32]) -> f32 {
    const INSIDE_MM: f32 = 1.0;
    const QUANTILE: f64 = 0.75;
    let mut inside: Vec<f32> = share
        .iter()
        .zip(depth)
        .filter(|(_, d)| **d > INSIDE_MM)
        .map(|(s, _)| *s)
        .collect();
    if inside.is_empty() {
        return 1.0;
    }
    let k = ((QUANTILE * inside.len() as f64) as usize).min(inside.len() - 1);
    let (_, whole, _) = inside.select_nth_unstable_by(k, f32::total_cmp);
    whole.clamp(0.4, 1.2)
}

/// Offsets within `radius` samples.
pub(super) fn disc(radius: f64) -> Vec<(isize, isize)> {
    let reach = radius as isize;
    (-reach..=reach)
        .flat_map(|j| (-reach..=reach).map(move |i| (i, j)))
        .filter(|&(i, j)| ((i * i + j * j) as f64) <= radius * radius)
        .collect()
}
