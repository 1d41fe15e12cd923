//! How surely size, place and every part of the outline are known.

use measures::{Art, ClothPlane, Map};
use nalgebra::{Matrix2, SMatrix, Vector2};

use crate::LeastDeviation;
use crate::align::Alignment;
use crate::pose::{BLEED, Information, Pose, SIZE, UNKNOWNS, Unknowns, X, Y};
use crate::shape::Shape;

/// Standard uncertainty (k = 1) of the mean bleed that comes from its unevenness. Measured on
/// painted scenes, whose edges are ragged by up to 0.1 mm.
const U_EVEN_BLEED_MM: f64 = 0.03;

/// Artwork units to photo pixels, the plane's corrections and the lens's bending included.
pub(crate) fn art_to_photo(
    pose: &Pose,
    shape: &Shape,
    plane: &ClothPlane,
) -> Map<Art, measures::Px> {
    let straight = pose.art_to_cloth(shape).then(&pose.plane_to_photo(plane));
    plane.as_seen(straight, shape.art([0.0, 0.0]))
}

/// Standard deviations of size and place that no estimate can beat.
pub(crate) fn least_deviation(a: &Alignment) -> LeastDeviation {
    let Some(least) = a.information_at_most.try_inverse() else {
        return LeastDeviation::default();
    };
    LeastDeviation {
        size_percent: 100.0 * least[(SIZE, SIZE)].max(0.0).sqrt(),
        place_mm: (least[(X, X)] + least[(Y, Y)]).max(0.0).sqrt(),
    }
}

/// Covariance (k = 1) of the unknowns.
pub(crate) fn covariance(a: &Alignment) -> Information {
    let Some(inverse) = a.information.try_inverse() else {
        return Information::identity() * 1e6;
    };
    // Bleed is not as even as the model has it: what all unknowns would do if it were off.
    let mut held = a.information;
    held[(BLEED, BLEED)] += 1e12;
    let response = held
        .try_inverse()
        .map_or_else(Unknowns::zeros, |h| h.column(BLEED) * 1e12);
    let uneven = response * response.transpose() * (U_EVEN_BLEED_MM * U_EVEN_BLEED_MM);
    inverse + uneven
}

/// How surely places of the artwork are seen in the photo.
pub(crate) struct Seen<'a> {
    pose: &'a Pose,
    shape: &'a Shape,
    covariance: &'a Information,
    /// Pixels for a millimetre at its middle.
    px_per_mm: f64,
    base: Map<Art, measures::Px>,
    /// The map with one unknown nudged, and by how much.
    nudged: Vec<(f64, Map<Art, measures::Px>)>,
}

impl<'a> Seen<'a> {
    pub(crate) fn new(
        pose: &'a Pose,
        shape: &'a Shape,
        plane: &ClothPlane,
        covariance: &'a Information,
    ) -> Self {
        const STEPS: [f64; BLEED] = [1e-3, 1e-3, 1e-5, 1e-5, 1e-5, 1e-5, 1e-5];
        let base = art_to_photo(pose, shape, plane);
        let nudged = STEPS.iter().enumerate().map(|(k, &step)| {
            let mut other = *pose;
            other.0[k] += step;
            (step, art_to_photo(&other, shape, plane))
        });
        Self {
            pose,
            shape,
            covariance,
            px_per_mm: plane.px_per_mm_at(base.apply(shape.art([0.0, 0.0]))),
            base,
            nudged: nudged.collect(),
        }
    }

    /// Covariance of a place in the photo, in mm².
    fn covariance_at(&self, at: measures::Point<Art>) -> Matrix2<f64> {
        let here = self.base.apply(at);
        let mut j = SMatrix::<f64, 2, UNKNOWNS>::zeros();
        for (k, (step, map)) in self.nudged.iter().enumerate() {
            let moved = (map.apply(at) - here) * (1.0 / (step * self.px_per_mm));
            j[(0, k)] = moved.x;
            j[(1, k)] = moved.y;
        }
        j * self.covariance * j.transpose()
    }

    /// Greatest variance of a place in any direction.
    pub(crate) fn variance_at(&self, at: measures::Point<Art>) -> f64 {
        let c = self.covariance_at(at);
        let half_sum = 0.5 * (c[(0, 0)] + c[(1, 1)]);
        let half_difference = 0.5 * (c[(0, 0)] - c[(1, 1)]);
        half_sum + half_difference.hypot(c[(0, 1)])
    }

    /// Largest expanded uncertainty (k = 2) of the outline, across its course: of where any part of
    /// it lies in the photo, and of where it lies on the piece that is cut. Along its course an
    /// outline may shift unseen and unharmed: a disc by turning.
    pub(crate) fn outline_uncertainty(&self) -> f64 {
        let size = self.pose.size_mm();
        let var_size = self.covariance[(SIZE, SIZE)].max(0.0);
        let mut largest = 0.0f64;
        for stops in self.shape.walk(0.02) {
            let n = stops.len();
            for (k, stop) in stops.iter().enumerate() {
                let [before, after] = [stops[(k + n - 1) % n].at, stops[(k + 1) % n].at];
                let (dx, dy) = (after[0] - before[0], after[1] - before[1]);
                let reach = size * (stop.at[0] * dy - stop.at[1] * dx) / dx.hypot(dy).max(1e-12);
                let [p, q] = [before, after].map(|at| self.base.apply(self.shape.art(at)));
                let across = Vector2::new(q.y - p.y, p.x - q.x);
                let across = across / across.norm().max(1e-12);
                let covariance = self.covariance_at(self.shape.art(stop.at));
                let in_photo = (across.transpose() * covariance * across)[0];
                largest = largest.max(in_photo).max(reach * reach * var_size);
            }
        }
        2.0 * largest.max(0.0).sqrt()
    }
}
