//! What the residue stage hands on.

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
        let grid = self.grid.halved();
        let mean = |plane: &[f32]| {
            let w = self.grid.width;
            let mut out = Vec::with_capacity(grid.len());
            for j in 0..grid.height {
                let top = &plane[2 * j * w..][..w];
                let bottom = &plane[(2 * j + 1) * w..][..w];
                let pairs = top.chunks_exact(2).zip(bottom.chunks_exact(2));
                out.extend(pairs.map(|(a, b)| 0.25 * (a[0] + a[1] + b[0] + b[1])));
            }
            out
        };
        let share = mean(&self.cloth);
        let enough = |share: f32| share > 0.49;
        let of_cloth = |channel: &[f32]| {
            let shown: Vec<f32> = channel
                .iter()
                .zip(&self.cloth)
                .map(|(v, c)| v * c)
                .collect();
            let means = mean(&shown).into_iter().zip(&share);
            means
                .map(|(m, &s)| if enough(s) { m / s } else { 0.0 })
                .collect()
        };
        Self {
            grid,
            channels: [0, 1, 2].map(|c| of_cloth(&self.channels[c])),
            cloth: share.iter().map(|&s| f32::from(enough(s))).collect(),
            px_per_mm: self.px_per_mm,
            light_spread_mm: self.light_spread_mm,
            look_in: self.look_in,
        }
    }
}
