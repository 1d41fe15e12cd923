//! Whether what differs from the artwork has the residue's colour. Glue that another version left
//! has; a stain, a print or lint has a colour of its own.

use measures::Grid;

use crate::coarse::robust_spread;
use crate::region::Region;

/// How far a patch must be off the residue's colour: in standard deviations of the cloth's own
/// patches of its size,
const SIGMAS: f64 = 3.0;
/// and as a share of the residue's change of colour.
const ASIDE: f64 = 0.6;
/// Residue shows this share of its change where it is thinnest and thickest.
const SHOWN: [f64; 2] = [0.4, 1.12];
/// Fewer patches of bare cloth do not tell its noise.
const BLOCKS_MIN: usize = 12;

/// The photo's change of colour, channel by channel.
pub(crate) struct Colours<'a> {
    grid: &'a Grid,
    /// What the artwork leaves of each channel.
    left: [Vec<f32>; 3],
    /// The residue's change of colour.
    residue: [f64; 3],
    is_bare: &'a dyn Fn(usize) -> bool,
}

impl<'a> Colours<'a> {
    /// For the artwork drawn as `cover`.
    pub(crate) fn of(
        region: &'a Region,
        cover: &[f32],
        is_bare: &'a dyn Fn(usize) -> bool,
    ) -> Self {
        let seen = region.lit(cover);
        let own: f64 = seen.iter().map(|c| f64::from(c * c)).sum();
        let residue = [0, 1, 2].map(|c| {
            let with: f64 = seen
                .iter()
                .zip(&region.colours[c])
                .map(|(s, v)| f64::from(s * v))
                .sum();
            with / own.max(1e-12)
        });
        let left = [0, 1, 2].map(|c| {
            let contrast = residue[c] as f32;
            let colour = region.colours[c].iter();
            colour.zip(&seen).map(|(v, s)| v - contrast * s).collect()
        });
        Self {
            grid: &region.grid,
            left,
            residue,
            is_bare,
        }
    }

    /// Whether a patch has another colour than the residue, beyond doubt.
    pub(crate) fn differs(&self, patch: &[usize]) -> bool {
        let Some(noise) = self.noise(patch.len()) else {
            return false;
        };
        let mean = |c: usize| {
            let sum: f64 = patch.iter().map(|&k| f64::from(self.left[c][k])).sum();
            sum / patch.len() as f64
        };
        let colour = [0, 1, 2].map(mean);
        let steps = |v: &[f64; 3]| [0, 1, 2].map(|c| v[c] / noise[c]);
        aside(&steps(&colour), &steps(&self.residue)) > SIGMAS
            && aside(&colour, &self.residue) > ASIDE * length(&self.residue)
    }

    /// Standard deviation of the mean over so many samples of bare cloth, in each channel.
    fn noise(&self, samples: usize) -> Option<[f64; 3]> {
        let side = (samples as f64).sqrt().ceil().max(1.0) as usize;
        let (w, h) = (self.grid.width, self.grid.height);
        let block =
            |i: usize, j: usize| (0..side * side).map(move |k| (j + k / side) * w + i + k % side);
        let blocks: Vec<[f64; 3]> = (0..h.saturating_sub(side))
            .step_by(side)
            .flat_map(|j| {
                (0..w.saturating_sub(side))
                    .step_by(side)
                    .map(move |i| (i, j))
            })
            .filter(|&(i, j)| block(i, j).all(|k| (self.is_bare)(k)))
            .map(|(i, j)| {
                [0, 1, 2].map(|c| {
                    let sum: f64 = block(i, j).map(|k| f64::from(self.left[c][k])).sum();
                    sum / (side * side) as f64
                })
            })
            .collect();
        let n = blocks.len();
        (n >= BLOCKS_MIN).then(|| {
            [0, 1, 2].map(|c| {
                let means: Vec<f32> = blocks.iter().map(|b| b[c] as f32).collect();
                f64::from(robust_spread(&means, &vec![1.0; n]))
            })
        })
    }
}

fn length(v: &[f64; 3]) -> f64 {
    v.iter().map(|v| v * v).sum::<f64>().sqrt()
}

/// How far `v` lies from what residue that changes the colour by `whole` may show.
fn aside(v: &[f64; 3], whole: &[f64; 3]) -> f64 {
    let with: f64 = (0..3).map(|c| v[c] * whole[c]).sum();
    let shown = (with / length(whole).powi(2).max(1e-12)).clamp(SHOWN[0], SHOWN[1]);
    length(&[0, 1, 2].map(|c| v[c] - shown * whole[c]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thin_and_thick_residue_have_its_colour_and_a_stronger_print_has_not() {
        let whole = [2.0, 0.0, 0.0];
        assert!(aside(&[1.0, 0.0, 0.0], &whole) < 1e-12);
        assert!((aside(&[1.0, 0.7, 0.0], &whole) - 0.7).abs() < 1e-12);
        assert!((aside(&[4.0, 0.0, 0.0], &whole) - 1.76).abs() < 1e-12);
        assert!((aside(&[-1.2, 1.5, 0.0], &whole) - 2.5).abs() < 1e-12);
    }
}
