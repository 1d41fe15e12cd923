//! What the residue stage hands on.

use rayon::prelude::*;

use crate::unit::{Mm, Point};

/// A square grid of samples on the cloth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Grid {
    /// Centre of the first sample.
    pub origin: Point<Mm>,
    /// Distance between neighbouring samples, in millimetres.
    pub pitch_mm: f64,
    /// Samples to the right.
    pub width: usize,
    /// Samples down.
    pub height: usize,
}

impl Grid {
    /// Number of samples.
    pub fn len(&self) -> usize {
        self.width * self.height
    }

    /// Whether the grid has no samples.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Centre of the sample in column `i`, row `j`; fractions lie between samples.
    pub fn place(&self, i: f64, j: f64) -> Point<Mm> {
        Point::new(
            self.origin.x + i * self.pitch_mm,
            self.origin.y + j * self.pitch_mm,
        )
    }

    /// Column and row, in fractions, of a place.
    pub fn index(&self, p: Point<Mm>) -> (f64, f64) {
        (
            (p.x - self.origin.x) / self.pitch_mm,
            (p.y - self.origin.y) / self.pitch_mm,
        )
    }

    /// The part that begins at this column and row.
    #[must_use]
    pub fn part(&self, [column, row]: [usize; 2], width: usize, height: usize) -> Self {
        Self {
            origin: self.place(column as f64, row as f64),
            pitch_mm: self.pitch_mm,
            width,
            height,
        }
    }

    /// The grid whose samples each cover two by two of this one's.
    #[must_use]
    pub fn halved(&self) -> Self {
        Self {
            origin: self.place(0.5, 0.5),
            pitch_mm: 2.0 * self.pitch_mm,
            width: self.width / 2,
            height: self.height / 2,
        }
    }
}

/// The photo laid flat: colour differences on the cloth in millimetres, the light's large-scale
/// changes removed.
///
/// Each of the three channels is a combination of the logarithms of red, green and blue, chosen
/// so that the cloth's own fine texture is uncorrelated between them and of unit variance.
#[derive(Clone, Debug)]
pub struct ResidueField {
    /// Where the samples lie.
    pub grid: Grid,
    /// The channels, row by row.
    pub channels: [Vec<f32>; 3],
    /// 1 where a sample shows cloth, 0 where it shows a ruler or nothing.
    pub cloth: Vec<f32>,
    /// Pixels of the photo for one millimetre of cloth, at the grid's middle.
    pub px_per_mm: f64,
    /// Standard deviation of the Gaussian, about, by which the light was estimated and taken off:
    /// what is wider than that is not in the channels, the residue's own mean included.
    pub light_spread_mm: f64,
    /// Corners of the area in which the residue is looked for, if the job restricts it.
    pub look_in: Option<[Point<Mm>; 2]>,
}

impl ResidueField {
    /// Half the resolution: each sample the mean of what two by two show of the cloth, if half of
    /// them do.
    #[must_use]
    pub fn halved(&self) -> Self {
        let w = self.grid.width;
        let share = halved_rows(&self.cloth, w);
        let enough = |share: f32| share > 0.49;
        Self {
            grid: self.grid.halved(),
            channels: self.channels.each_ref().map(|channel| {
                halved_by(w, [channel, &self.cloth], |[values, cloth]| {
                    let shown: [f32; 4] = std::array::from_fn(|k| values[k] * cloth[k]);
                    let share = mean(cloth);
                    if enough(share) {
                        mean(shown) / share
                    } else {
                        0.0
                    }
                })
            }),
            cloth: share.iter().map(|&s| f32::from(enough(s))).collect(),
            ..*self
        }
    }
}

/// Means of two by two samples of a plane of this width; an odd row or column is left over.
pub fn halved_rows(plane: &[f32], width: usize) -> Vec<f32> {
    halved_by(width, [plane], |[four]| mean(four))
}

fn mean([a, b, c, d]: [f32; 4]) -> f32 {
    0.25 * (a + b + c + d)
}

/// What `of` makes of every two by two samples of planes of this width.
fn halved_by<const N: usize>(
    width: usize,
    planes: [&[f32]; N],
    of: impl Fn([[f32; 4]; N]) -> f32 + Sync,
) -> Vec<f32> {
    /// Rows made at a time.
    const ROWS: usize = 16;
    let half = width / 2;
    let mut halved = vec![0.0f32; half * (planes[0].len() / (2 * width).max(1))];
    let rows = halved.par_chunks_exact_mut(half.max(1)).with_min_len(ROWS);
    rows.enumerate().for_each(|(j, out)| {
        let two = planes.map(|plane| {
            let (top, bottom) = plane[2 * j * width..][..2 * width].split_at(width);
            (top.as_chunks::<2>().0, bottom.as_chunks::<2>().0)
        });
        for (i, out) in out.iter_mut().enumerate() {
            *out = of(two.map(|(top, bottom)| {
                let ([a, b], [c, d]) = (top[i], bottom[i]);
                [a, b, c, d]
            }));
        }
    });
    halved
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_by_two_samples_make_one_and_odd_ones_are_left_over() {
        let plane: Vec<f32> = (0..35u8).map(f32::from).collect();
        // Five columns, seven rows.
        assert_eq!(halved_rows(&plane, 5), [3.0, 5.0, 13.0, 15.0, 23.0, 25.0]);
        assert_eq!(halved_rows(&[], 4), []);
    }
}
