//! Things that lie on the cloth: cards, prints, the rest of a ruler, the table beyond.

use measures::Grid;

use crate::Settings;
use crate::flatten::box_blurred;

/// Fineness at which things are told from cloth; the cloth's texture is smaller.
const BLOCK_MM: f64 = 1.2;
/// A thing differs by more than this many standard deviations of the blocks, too, so that boldly
/// striped cloth stays cloth.
const DEVIATIONS: f32 = 6.0;
/// If more than this share looked foreign, it would be the cloth itself that is varied.
const SHARE_MAX: f64 = 0.5;

/// Takes things out of the cloth, with a margin around them; says whether there were any.
pub(crate) fn mask(
    cloth: &mut [f32],
    flat: &[Vec<f32>; 3],
    grid: &Grid,
    settings: &Settings,
) -> bool {
    let step = ((BLOCK_MM / grid.pitch_mm) as usize).max(1);
    let (w, h) = (grid.width.div_ceil(step), grid.height.div_ceil(step));
    let block = |k: usize| (k / grid.width / step) * w + k % grid.width / step;
    let mut count = vec![0.0f32; w * h];
    for (k, &c) in cloth.iter().enumerate() {
        count[block(k)] += c;
    }
    let mut foreign = vec![0.0f32; w * h];
    for channel in flat {
        let mut mean = vec![0.0f32; w * h];
        for (k, &v) in channel.iter().enumerate() {
            mean[block(k)] += v;
        }
        for (m, &n) in mean.iter_mut().zip(&count) {
            *m /= n.max(1.0);
        }
        let used = |i: &usize| count[*i] > 0.0;
        let middle = median((0..w * h).filter(used).map(|i| mean[i]).collect());
        let spread = median(
            (0..w * h)
                .filter(used)
                .map(|i| (mean[i] - middle).abs())
                .collect(),
        ) / 0.674_5;
        let limit = (settings.foreign_contrast_ln as f32).max(DEVIATIONS * spread);
        for i in (0..w * h).filter(used) {
            if (mean[i] - middle).abs() > limit {
                foreign[i] = 1.0;
            }
        }
    }
    let found = foreign.iter().sum::<f32>();
    let all = count.iter().filter(|n| **n > 0.0).count();
    if found == 0.0 || f64::from(found) > SHARE_MAX * all as f64 {
        return false;
    }
    let margin = (settings.foreign_margin_mm / (grid.pitch_mm * step as f64)).ceil() as usize;
    let near_solid = box_blurred(&solid(&foreign, w, h), w, h, margin);
    for (k, c) in cloth.iter_mut().enumerate() {
        if near_solid[block(k)] > 1e-6 || foreign[block(k)] > 0.0 {
            *c = 0.0;
        }
    }
    true
}

/// What is three blocks wide each way. Narrower things, pinstripes above all, throw no shadow
/// and need no margin: it would leave nothing of the cloth between them.
fn solid(foreign: &[f32], w: usize, h: usize) -> Vec<f32> {
    box_blurred(foreign, w, h, 1)
        .iter()
        .map(|&share| if share > 0.999 { 1.0 } else { 0.0 })
        .collect()
}

fn median(mut values: Vec<f32>) -> f32 {
    let middle = values.len() / 2;
    if values.is_empty() {
        0.0
    } else {
        *values.select_nth_unstable_by(middle, f32::total_cmp).1
    }
}
