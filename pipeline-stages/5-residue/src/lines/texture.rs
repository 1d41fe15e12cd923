//! The cloth between two finenesses, what is no cloth left out.

use std::ops::Range;

use measures::residue::halved_rows;
use measures::{Grid, Mm, Outline, ResidueField};
use rayon::prelude::*;

use super::LineSettings;
use crate::flatten::box_blurred;
use crate::view::filled;

/// Samples for the finest changes looked at.
const SAMPLES_PER_LINE: f64 = 2.6;
/// Values beyond so many standard deviations are held down: lint, stains, stitches.
const CLIP: f32 = 2.5;

/// JPEG rounds colour in blocks of 16 px (ITU-T T.81: 8 × 8 samples, kept at half resolution), which
/// beat with ribs and columns: finer than twice that, only the first channel, lightness, is asked.
const COLOUR_BLOCK_PX: f64 = 32.0;

/// A field and, as far as they were asked for, its coarser ones.
pub(crate) struct Levels<'a> {
    finest: &'a ResidueField,
    coarser: Vec<ResidueField>,
}

impl<'a> Levels<'a> {
    pub(crate) fn new(finest: &'a ResidueField) -> Self {
        Self {
            finest,
            coarser: Vec::new(),
        }
    }

    fn at(&self, level: usize) -> &ResidueField {
        let coarser = level.checked_sub(1);
        coarser.map_or(self.finest, |k| &self.coarser[k])
    }

    /// The coarsest that shows lines of this fineness.
    fn showing(&mut self, finest_mm: f64) -> &ResidueField {
        let mut level = 0;
        while 2.0 * self.at(level).grid.pitch_mm * SAMPLES_PER_LINE <= finest_mm {
            if level == self.coarser.len() {
                self.coarser.push(coarser(self.at(level)));
            }
            level += 1;
        }
        self.at(level)
    }
}

/// A band of the cloth's changes, of unit spread.
pub(crate) struct Texture {
    pub(crate) grid: Grid,
    /// Those that may be asked: the first, or all three.
    pub(crate) channels: Vec<Vec<f32>>,
    /// 1 on cloth, else 0; the channels are 0 there.
    pub(crate) weight: Vec<f32>,
    /// Finest changes in it, in mm.
    pub(crate) finest_mm: f64,
    /// Coarsest ones.
    pub(crate) coarsest_mm: f64,
}

impl Texture {
    /// `None` where the photo is too coarse for this fineness.
    pub(crate) fn new(
        levels: &mut Levels<'_>,
        emblem: Option<&Outline<Mm>>,
        [finest_mm, coarsest_mm]: [f64; 2],
        settings: &LineSettings,
    ) -> Option<Self> {
        let field = levels.showing(finest_mm);
        let grid = field.grid;
        if grid.pitch_mm * SAMPLES_PER_LINE > 1.25 * finest_mm || grid.width.min(grid.height) < 32 {
            return None;
        }
        let weight = usable(field, emblem, settings);
        let radius = |mm: f64| ((mm / grid.pitch_mm).round() as usize).max(1);
        let (fine, coarse) = (radius(0.125 * finest_mm), radius(0.25 * coarsest_mm));
        let in_colour = finest_mm * field.px_per_mm >= COLOUR_BLOCK_PX;
        let asked = &field.channels[..if in_colour { 3 } else { 1 }];
        let bands = in_strips(asked, &weight, &grid, |strip| {
            let pairs = strip.means(fine).into_iter().zip(strip.means(coarse));
            let band = |(fine, coarse): (Vec<f32>, Vec<f32>)| {
                let both = fine.iter().zip(&coarse).zip(strip.inner());
                both.map(|((f, c), w)| (f - c) * w).collect()
            };
            pairs.map(band).collect()
        });
        Some(Self {
            grid,
            channels: bands.into_iter().map(|b| even(b, &weight)).collect(),
            weight,
            finest_mm,
            coarsest_mm,
        })
    }
}

/// Half the resolution, so smooth that fine ribs do not turn into broad stripes (aliasing).
fn coarser(field: &ResidueField) -> ResidueField {
    let w = field.grid.width;
    let share = halved_rows(&field.cloth, w);
    let cloth: Vec<f32> = share.iter().map(|&s| f32::from(s > 0.49)).collect();
    let count = smoothly_halved(&field.cloth, &field.cloth, w);
    let channels = field.channels.each_ref().map(|channel| {
        let mut values = smoothly_halved(channel, &field.cloth, w);
        for ((v, n), c) in values.iter_mut().zip(&count).zip(&cloth) {
            *v *= c / n.max(1e-3);
        }
        values
    });
    ResidueField {
        grid: field.grid.halved(),
        channels,
        cloth,
        ..*field
    }
}

/// Sums of a plane at half the resolution, what is no cloth left out: of two by two means over
/// three by three samples taken twice, all in one kernel along rows and along columns.
fn smoothly_halved(plane: &[f32], cloth: &[f32], width: usize) -> Vec<f32> {
    const KERNEL: [f32; 6] = [
        1.0 / 18.0,
        3.0 / 18.0,
        5.0 / 18.0,
        5.0 / 18.0,
        3.0 / 18.0,
        1.0 / 18.0,
    ];
    /// Rows made at a time: little is in memory.
    const ROWS: usize = 64;
    let (half, height) = (width / 2, plane.len() / width);
    let mut halved = vec![0.0f32; half * (height / 2)];
    let along = |row: usize, out: &mut [f32], padded: &mut [f32]| {
        let pairs = plane[row * width..][..width]
            .iter()
            .zip(&cloth[row * width..][..width]);
        for (p, (v, c)) in padded[2..].iter_mut().zip(pairs) {
            *p = v * c;
        }
        for (out, p) in out.iter_mut().zip(padded.windows(6).step_by(2)) {
            *out = KERNEL.iter().zip(p).map(|(k, v)| k * v).sum();
        }
    };
    let strips = halved.par_chunks_mut(ROWS * half).enumerate();
    strips.for_each(|(strip, out)| {
        let count = 2 * out.len() / half + 4;
        let mut padded = vec![0.0f32; width + 5];
        let mut lines = vec![0.0f32; count * half];
        for (k, line) in lines.chunks_exact_mut(half).enumerate() {
            // The kernel begins two rows above.
            let row = (2 * strip * ROWS + k)
                .checked_sub(2)
                .filter(|r| *r < height);
            if let Some(row) = row {
                along(row, line, &mut padded);
            }
        }
        for (j, out) in out.chunks_exact_mut(half).enumerate() {
            for (k, weight) in KERNEL.into_iter().enumerate() {
                let line = &lines[(2 * j + k) * half..][..half];
                out.iter_mut().zip(line).for_each(|(o, l)| *o += weight * l);
            }
        }
    });
    halved
}

/// Cloth, away from the emblem and from whatever lies about.
fn usable(field: &ResidueField, emblem: Option<&Outline<Mm>>, settings: &LineSettings) -> Vec<f32> {
    let grid = &field.grid;
    let spread = |mask: Vec<f32>, mm: f64| {
        let radius = (mm / grid.pitch_mm).ceil() as usize;
        box_blurred(&mask, grid.width, grid.height, radius)
    };
    let foreign = field.cloth.iter().map(|c| 1.0 - c).collect();
    let foreign = spread(foreign, settings.edge_margin_mm);
    let emblem: Vec<f32> = emblem.map_or_else(
        || vec![0.0; grid.len()],
        |outline| {
            let inside = filled(outline, grid);
            let mask = inside.iter().map(|&v| f32::from(v)).collect();
            spread(mask, settings.emblem_margin_mm)
        },
    );
    let free = foreign.iter().zip(&emblem);
    free.map(|(f, e)| f32::from(*f < 1e-4 && *e < 1e-4))
        .collect()
}

/// Some rows of channels.
struct Strip<'a> {
    channels: &'a [Vec<f32>],
    weight: &'a [f32],
    width: usize,
    rows: Range<usize>,
}

impl Strip<'_> {
    fn inner(&self) -> &[f32] {
        &self.weight[self.rows.start * self.width..self.rows.end * self.width]
    }

    /// Means over a neighbourhood, what has weight alone counted.
    fn means(&self, radius: usize) -> Vec<Vec<f32>> {
        let (w, rows) = (self.width, &self.rows);
        // Boxes twice in a row reach so far beyond.
        let first = rows.start.saturating_sub(2 * radius);
        let last = (rows.end + 2 * radius).min(self.weight.len() / w);
        let outer = first * w..last * w;
        let blurred = |plane: &[f32]| {
            let once = box_blurred(plane, w, last - first, radius);
            box_blurred(&once, w, last - first, radius)
        };
        let weight = &self.weight[outer.clone()];
        let inner = (rows.start - first) * w..(rows.end - first) * w;
        let count = &blurred(weight)[inner.clone()];
        let mean = |values: &Vec<f32>| {
            let values = values[outer.clone()].iter().zip(weight);
            let sum = blurred(&values.map(|(v, w)| v * w).collect::<Vec<f32>>());
            let pairs = sum[inner.clone()].iter().zip(count);
            pairs.map(|(s, n)| s / n.max(1e-3)).collect()
        };
        self.channels.iter().map(mean).collect()
    }
}

/// What `of` makes of every channel, strip by strip: little is in memory at a time.
fn in_strips(
    channels: &[Vec<f32>],
    weight: &[f32],
    grid: &Grid,
    of: impl Fn(&Strip<'_>) -> Vec<Vec<f32>> + Sync,
) -> Vec<Vec<f32>> {
    const ROWS: usize = 128;
    let starts: Vec<usize> = (0..grid.height).step_by(ROWS).collect();
    let strip = |&start: &usize| {
        of(&Strip {
            channels,
            weight,
            width: grid.width,
            rows: start..(start + ROWS).min(grid.height),
        })
    };
    let strips: Vec<Vec<Vec<f32>>> = starts.par_iter().map(strip).collect();
    (0..channels.len())
        .map(|c| strips.iter().flat_map(|s| &s[c]).copied().collect())
        .collect()
}

/// Mean 0, spread 1, outliers held down.
fn even(mut values: Vec<f32>, weight: &[f32]) -> Vec<f32> {
    let used = |values: &[f32]| -> Vec<f32> {
        let pairs = values.iter().zip(weight);
        pairs.filter(|(_, w)| **w > 0.0).map(|(v, _)| *v).collect()
    };
    let mut sizes: Vec<f32> = used(&values).iter().map(|v| v.abs()).collect();
    if sizes.is_empty() {
        return values;
    }
    let middle = sizes.len() / 2;
    // The median of a normal deviation's size is 0.6745 standard deviations.
    let spread = *sizes.select_nth_unstable_by(middle, f32::total_cmp).1 / 0.674_5;
    let scale = 1.0 / spread.max(1e-9);
    for v in &mut values {
        *v = (*v * scale).clamp(-CLIP, CLIP);
    }
    let kept = used(&values);
    let mean = kept.iter().sum::<f32>() / kept.len() as f32;
    for (v, w) in values.iter_mut().zip(weight) {
        *v = (*v - mean) * w;
    }
    values
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One sample's worth is spread by the kernel, and nothing comes from what is no cloth.
    #[test]
    fn halving_smoothly_keeps_sums_and_leaves_out_what_is_no_cloth() {
        let (w, h) = (22, 300);
        let mut plane = vec![0.0f32; w * h];
        plane[140 * w + 10] = 36.0;
        plane[20 * w + 4] = 1000.0;
        let mut cloth = vec![1.0f32; w * h];
        cloth[20 * w + 4] = 0.0;
        let halved = smoothly_halved(&plane, &cloth, w);
        assert_eq!(halved.len(), 11 * 150);
        assert!((halved.iter().sum::<f32>() - 9.0).abs() < 1e-4);
        // Columns 10 and 11 make up column 5: there the kernel is at its highest, and as high
        // one column before only by 3 : 5.
        let at = |i: usize, j: usize| halved[j * 11 + i];
        assert!(
            (at(5, 70) - 36.0 * 25.0 / 324.0).abs() < 1e-4,
            "{}",
            at(5, 70)
        );
        assert!((at(4, 70) / at(5, 70) - 0.6).abs() < 1e-4);
        assert!((at(6, 70) / at(5, 70) - 0.2).abs() < 1e-4, "{}", at(6, 70));
    }
}
