//! The usual profile of a row's marks, fitted to each of them.

use nalgebra::{Cholesky, Const, Matrix4, Vector4};

use crate::grid::median;

/// Samples of a profile, over one pitch.
pub(crate) const PROFILE: usize = 33;

/// Offsets of a profile's samples from the mark, in pitches.
pub(crate) fn offset(sample: usize) -> f64 {
    sample as f64 / (PROFILE - 1) as f64 - 0.5
}

/// The usual profile of a mark: 1 at its height, symmetric.
#[derive(Clone, Debug)]
pub(crate) struct Template {
    pub(crate) shape: Vec<f64>,
    slope: Vec<f64>,
    taper: Vec<f64>,
    /// Of the matrix of its least-squares fit, which is the same for every mark.
    normal: Cholesky<f64, Const<4>>,
}

/// A mark, as the usual profile fits it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Fitted {
    pub(crate) contrast: f64,
    pub(crate) shift_pitches: f64,
    /// Over the contrast.
    pub(crate) misfit: f64,
    /// Change of brightness a pitch beside the mark's own, over the contrast.
    pub(crate) slope: f64,
}

/// Brightness and its slope, as seen at the flanks, taken away.
pub(crate) fn flattened(mut profile: Vec<f64>) -> Vec<f64> {
    let side = PROFILE / 6;
    let left = profile[..side].iter().sum::<f64>() / side as f64;
    let right = profile[PROFILE - side..].iter().sum::<f64>() / side as f64;
    for (k, p) in profile.iter_mut().enumerate() {
        *p -= left + (right - left) * (offset(k) + 0.5);
    }
    profile
}

/// What a profile is fitted by, at one sample.
fn basis(shape: &[f64], slope: &[f64], k: usize) -> Vector4<f64> {
    Vector4::new(1.0, offset(k), shape[k], slope[k])
}

impl Template {
    pub(crate) fn of(profiles: &[Vec<f64>]) -> Option<Self> {
        if profiles.len() < 6 {
            return None;
        }
        let usual: Vec<f64> = (0..PROFILE)
            .map(|k| median(&mut profiles.iter().map(|p| p[k]).collect::<Vec<_>>()))
            .collect();
        let mut shape: Vec<f64> = (0..PROFILE)
            .map(|k| 0.5 * (usual[k] + usual[PROFILE - 1 - k]))
            .collect();
        let middle = PROFILE / 2;
        let height = shape[middle - 3..=middle + 3]
            .iter()
            .copied()
            .fold(f64::MIN, f64::max);
        if height < 0.5 {
            return None;
        }
        for s in &mut shape {
            *s /= height;
        }
        let step = 1.0 / (PROFILE - 1) as f64;
        let slope: Vec<f64> = (0..PROFILE)
            .map(|k| {
                let (before, after) = (k.saturating_sub(1), (k + 1).min(PROFILE - 1));
                (shape[after] - shape[before]) / (step * (after - before) as f64)
            })
            .collect();
        let taper: Vec<f64> = (0..PROFILE)
            .map(|k| {
                let beyond = ((offset(k).abs() - 0.3) / 0.2).clamp(0.0, 1.0);
                (0.5 * std::f64::consts::PI * beyond).cos().powi(2)
            })
            .collect();
        let normal: Matrix4<f64> = (0..PROFILE)
            .map(|k| {
                let row = basis(&shape, &slope, k);
                row * row.transpose() * taper[k]
            })
            .sum();
        Some(Self {
            normal: normal.cholesky()?,
            shape,
            slope,
            taper,
        })
    }

    /// Width of a mark at half its height, in pitches.
    pub(crate) fn width_pitches(&self) -> f64 {
        self.shape.iter().filter(|s| **s > 0.5).count() as f64 / (PROFILE - 1) as f64
    }

    /// A profile's least-squares fit by brightness, its slope, the template and its derivative.
    pub(crate) fn fit(&self, profile: &[f64]) -> Option<Fitted> {
        let basis = |k: usize| basis(&self.shape, &self.slope, k);
        let weighed = profile.iter().zip(&self.taper).map(|(grey, w)| w * grey);
        let right: Vector4<f64> = weighed.enumerate().map(|(k, g)| basis(k) * g).sum();
        let c = self.normal.solve(&right);
        if c[2] <= 0.0 {
            return None;
        }
        let weight: f64 = self.taper.iter().sum();
        let error: f64 = profile
            .iter()
            .enumerate()
            .map(|(k, grey)| self.taper[k] * (grey - c.dot(&basis(k))).powi(2))
            .sum();
        Some(Fitted {
            contrast: c[2],
            shift_pitches: -c[3] / c[2],
            misfit: (error / weight).sqrt() / c[2],
            slope: c[1] / c[2],
        })
    }

    /// Contrast of a single line across a mark whose place is known, from every `stride`-th sample
    /// that `grey_at` gives; `None` when one is missing.
    pub(crate) fn contrast(
        &self,
        stride: usize,
        grey_at: impl Fn(usize) -> Option<f64>,
    ) -> Option<f64> {
        let first = (PROFILE / 2) % stride; // the samples lie evenly about the middle
        let (mut weight, mut grey, mut shape) = (0.0, 0.0, 0.0);
        let (mut product, mut square) = (0.0, 0.0);
        for k in (first..PROFILE).step_by(stride) {
            let (w, s, g) = (self.taper[k], self.shape[k], grey_at(k)?);
            weight += w;
            grey += w * g;
            shape += w * s;
            product += w * s * g;
            square += w * s * s;
        }
        let covariance = product - grey * shape / weight;
        Some(covariance / (square - shape * shape / weight).max(1e-12))
    }
}
