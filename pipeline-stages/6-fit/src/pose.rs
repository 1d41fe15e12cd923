//! The fit's unknowns.

use measures::{Art, ClothPlane, Map, Mm, Point, Px, Vector};
use nalgebra::{Matrix3, SMatrix, SVector};

use crate::shape::Shape;

/// Number of unknowns.
pub(crate) const UNKNOWNS: usize = 9;
pub(crate) type Unknowns = SVector<f64, UNKNOWNS>;
pub(crate) type Information = SMatrix<f64, UNKNOWNS, UNKNOWNS>;

/// Middle of the emblem on the cloth, millimetres to the right.
pub(crate) const X: usize = 0;
/// Middle of the emblem on the cloth, millimetres down.
pub(crate) const Y: usize = 1;
/// Turn in radians, clockwise as seen.
pub(crate) const TURN: usize = 2;
/// Logarithm of the longer side in millimetres.
pub(crate) const SIZE: usize = 3;
/// What is to be added to the plane's slope to the right,
pub(crate) const SLOPE_X: usize = 4;
/// to its slope downwards,
pub(crate) const SLOPE_Y: usize = 5;
/// and to the logarithm of its distance.
pub(crate) const DEPTH: usize = 6;
/// Millimetres by which the residue's edge lies outside the emblem's.
pub(crate) const BLEED: usize = 7;
/// Logarithm of the edge's blur in millimetres (standard deviation).
pub(crate) const BLUR: usize = 8;

/// One assignment of the unknowns.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Pose(pub(crate) Unknowns);

impl Pose {
    pub(crate) fn size_mm(&self) -> f64 {
        self.0[SIZE].exp()
    }

    pub(crate) fn middle(&self) -> Point<Mm> {
        Point::new(self.0[X], self.0[Y])
    }

    /// The cloth plane with this pose's corrections.
    pub(crate) fn plane_to_photo(&self, plane: &ClothPlane) -> Map<Mm, Px> {
        let mut pose = plane.pose;
        pose.slope_x += self.0[SLOPE_X];
        pose.slope_y += self.0[SLOPE_Y];
        pose.depth_mm *= self.0[DEPTH].exp();
        pose.to_photo(&plane.camera)
    }

    /// By how many standard deviations the emblem's own shape contradicts the slopes that the
    /// ruler gave: the normalised innovation (Bar-Shalom, Li & Kirubarajan 2001, section 5.4),
    /// from what the shape has taken off the prior's covariance.
    pub(crate) fn plane_pull(&self, prior: &Prior, posterior: &Information) -> f64 {
        /// Least standard deviation, as a share of the prior's: directions of which the shape says
        /// next to nothing do not count.
        const FLOOR: f64 = 0.1;
        let known = prior.precision.fixed_view::<3, 3>(SLOPE_X, SLOPE_X);
        let Some(before) = known.into_owned().try_inverse() else {
            return 0.0;
        };
        let before = before.fixed_view::<2, 2>(0, 0).into_owned();
        let after = posterior.fixed_view::<2, 2>(SLOPE_X, SLOPE_X);
        let pull = self.0.fixed_rows::<2>(SLOPE_X).into_owned();
        let taken = (before - after).symmetric_eigen();
        let floor = before.trace() * FLOOR * FLOOR;
        let along = taken.eigenvectors.transpose() * pull;
        (0..2)
            .map(|k| along[k].powi(2) / taken.eigenvalues[k].max(floor))
            .sum::<f64>()
            .sqrt()
    }

    /// From the cloth as the plane has it to the cloth as this pose has it.
    pub(crate) fn correction(&self, plane: &ClothPlane) -> Matrix3<f64> {
        let back = self.plane_to_photo(plane).inverse();
        back.map_or_else(Matrix3::identity, |back| {
            back.matrix() * plane.to_photo().matrix()
        })
    }

    /// Artwork units to millimetres on the cloth.
    pub(crate) fn art_to_cloth(&self, shape: &Shape) -> Map<Art, Mm> {
        let to_shape = shape.to_art.inverse().unwrap_or(shape.to_art);
        to_shape.then(&Map::similarity(
            self.size_mm(),
            self.0[TURN],
            Vector::new(self.0[X], self.0[Y]),
        ))
    }
}

/// What is known of the unknowns before the emblem is looked at: independent of the photo's
/// residue, and combined with it as a normal prior.
#[derive(Clone, Debug)]
pub(crate) struct Prior {
    pub(crate) mean: Unknowns,
    pub(crate) precision: Information,
}

impl Prior {
    /// The plane's joint covariance, and what is usual for bleed and blur; nothing about place,
    /// turn and size.
    pub(crate) fn new(
        plane: &ClothPlane,
        bleed_mm: [f64; 2],
        blur_mm: f64,
        u_ln_blur: f64,
    ) -> Self {
        let mut mean = Unknowns::zeros();
        mean[BLEED] = bleed_mm[0];
        mean[BLUR] = blur_mm.ln();
        let mut precision = Information::zeros();
        // A floor keeps an exactly known plane from breaking the inversion.
        let covariance = plane.covariance + Matrix3::identity() * 1e-10;
        let inverse = covariance
            .try_inverse()
            .unwrap_or_else(|| Matrix3::identity() * 1e10);
        precision
            .fixed_view_mut::<3, 3>(SLOPE_X, SLOPE_X)
            .copy_from(&inverse);
        precision[(BLEED, BLEED)] = bleed_mm[1].powi(-2);
        precision[(BLUR, BLUR)] = u_ln_blur.powi(-2);
        Self { mean, precision }
    }
}
