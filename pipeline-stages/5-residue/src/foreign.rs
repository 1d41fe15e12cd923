//! Things that lie on the cloth: cards, prints, the rest of a ruler, the table beyond.

use crate::Settings;
use crate::blocks::Blocks;
use crate::flatten::{self, box_blurred};

/// A thing differs by more than this many standard deviations of the blocks, too, so that boldly
/// striped cloth stays cloth.
const DEVIATIONS: f32 = 6.0;
/// If more than this share looked foreign, it would be the cloth itself that is varied.
const SHARE_MAX: f64 = 0.5;
/// Times that things are looked for: those found had bent the estimate of the light, which may
/// have hidden others.
const ROUNDS: usize = 4;

/// Takes things out of the cloth, with a margin around them. Returns the light on what is left.
pub(crate) fn take_out(blocks: &mut Blocks, settings: &Settings) -> [Vec<f32>; 3] {
    let mut light = flatten::light(blocks, settings.light_width_mm);
    for _ in 0..ROUNDS {
        if !once(blocks, &light, settings) {
            break;
        }
        light = flatten::light(blocks, settings.light_width_mm);
    }
    light
}

/// Says whether there were any.
fn once(blocks: &mut Blocks, light: &[Vec<f32>; 3], settings: &Settings) -> bool {
    let used: Vec<usize> = (0..blocks.cloth.len())
        .filter(|&k| blocks.cloth[k] > 0.0)
        .collect();
    let mut foreign = vec![0.0f32; blocks.cloth.len()];
    for (sums, light) in blocks.sums.iter().zip(light) {
        let means: Vec<f32> = used
            .iter()
            .map(|&k| sums[k] / blocks.cloth[k] - light[k])
            .collect();
        let middle = median(means.clone());
        let spread = median(means.iter().map(|m| (m - middle).abs()).collect()) / 0.674_5;
        let limit = (settings.foreign_contrast_ln as f32).max(DEVIATIONS * spread);
        for (&k, mean) in used.iter().zip(&means) {
            if (mean - middle).abs() > limit {
                foreign[k] = 1.0;
            }
        }
    }
    let found = foreign.iter().sum::<f32>();
    if found == 0.0 || f64::from(found) > SHARE_MAX * used.len() as f64 {
        return false;
    }
    let margin = (settings.foreign_margin_mm / blocks.side_mm).ceil() as usize;
    let (w, h) = (blocks.width, blocks.height);
    let near_solid = box_blurred(&solid(&foreign, w, h), w, h, margin);
    blocks.take_out(|k| near_solid[k] > 1e-6 || foreign[k] > 0.0);
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
