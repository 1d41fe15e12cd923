//! The cloth between two finenesses, what is no cloth left out.

use measures::{Grid, Mm, Outline, ResidueField};

use super::LineSettings;
use crate::flatten::box_blurred;
use crate::view::filled;

/// Samples for the finest changes looked at.
const SAMPLES_PER_LINE: f64 = 2.6;
/// Values beyond so many standard deviations are held down: lint, stains, stitches.
const CLIP: f32 = 2.5;

/// A band of the cloth's changes, of unit spread.
pub(crate) struct Texture {
    pub(crate) grid: Grid,
    pub(crate) channels: [Vec<f32>; 3],
    /// 1 on cloth, else 0; the channels are 0 there.
    pub(crate) weight: Vec<f32>,
    /// Finest changes in it, in mm.
    pub(crate) finest_mm: f64,
    /// Coarsest ones.
    pub(crate) coarsest_mm: f64,
    /// The same in pixels of the photo.
    pub(crate) px_per_line: f64,
}

impl Texture {
    /// `None` where the photo is too coarse for this fineness.
    pub(crate) fn new(
        field: &ResidueField,
        emblem: Option<&Outline<Mm>>,
        [finest_mm, coarsest_mm]: [f64; 2],
        settings: &LineSettings,
    ) -> Option<Self> {
        let mut smaller: Option<ResidueField> = None;
        loop {
            let now = smaller.as_ref().unwrap_or(field);
            if 2.0 * now.grid.pitch_mm * SAMPLES_PER_LINE > finest_mm {
                break;
            }
            smaller = Some(coarser(now));
        }
        let field = smaller.as_ref().unwrap_or(field);
        let grid = field.grid;
        if grid.pitch_mm * SAMPLES_PER_LINE > 1.25 * finest_mm || grid.width.min(grid.height) < 32 {
            return None;
        }
        let weight = usable(field, emblem, settings);
        let radius = |mm: f64| ((mm / grid.pitch_mm).round() as usize).max(1);
        let (fine, coarse) = (radius(0.125 * finest_mm), radius(0.25 * coarsest_mm));
        let band = |values: &[f32]| {
            let fine = local_mean(values, &weight, &grid, fine);
            let coarse = local_mean(values, &weight, &grid, coarse);
            let both = fine.iter().zip(&coarse).zip(&weight);
            even(both.map(|((f, c), w)| (f - c) * w).collect(), &weight)
        };
        Some(Self {
            grid,
            channels: [0, 1, 2].map(|c| band(&field.channels[c])),
            weight,
            finest_mm,
            coarsest_mm,
            px_per_line: finest_mm * field.px_per_mm,
        })
    }
}

/// Half the resolution, so smooth that fine ribs do not turn into broad stripes (aliasing).
fn coarser(field: &ResidueField) -> ResidueField {
    let smooth = |values: &Vec<f32>| {
        let mean = local_mean(values, &field.cloth, &field.grid, 1);
        mean.iter().zip(&field.cloth).map(|(v, c)| v * c).collect()
    };
    let channels = [0, 1, 2].map(|c| smooth(&field.channels[c]));
    ResidueField {
        channels,
        cloth: field.cloth.clone(),
        ..*field
    }
    .halved()
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

/// Mean over a neighbourhood, cloth alone counted.
fn local_mean(values: &[f32], weight: &[f32], grid: &Grid, radius: usize) -> Vec<f32> {
    let weighted: Vec<f32> = values.iter().zip(weight).map(|(v, w)| v * w).collect();
    let blurred = |plane: &[f32]| {
        let once = box_blurred(plane, grid.width, grid.height, radius);
        box_blurred(&once, grid.width, grid.height, radius)
    };
    let (sum, count) = (blurred(&weighted), blurred(weight));
    sum.iter()
        .zip(&count)
        .map(|(s, n)| s / n.max(1e-3))
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
