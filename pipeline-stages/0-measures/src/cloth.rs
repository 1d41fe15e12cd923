//! The cloth as a plane before the camera: the one bridge between pixels and millimetres.

use nalgebra::{Matrix3, Vector3};

use crate::map::Map;
use crate::photo::{Camera, Lens};
use crate::uncertainty::{Budget, Term};
use crate::unit::{Mm, Point, Px, Unit};

/// The cloth's plane in camera coordinates (x right, y down, z away from the camera, mm):
/// depth grows by `slope_x` for each millimetre to the right and by `slope_y` downwards.
///
/// Cloth coordinates are millimetres from `anchor`; the x axis is the camera's x axis laid
/// down into the plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlanePose {
    /// Change of depth to the right (tangent of the tilt).
    pub slope_x: f64,
    /// Change of depth downwards (tangent of the tilt).
    pub slope_y: f64,
    /// Distance from the camera to the plane along the ray through `anchor`, measured along the
    /// optical axis, in millimetres.
    pub depth_mm: f64,
    /// The photo point where cloth coordinates begin.
    pub anchor: Point<Px>,
}

impl PlanePose {
    /// The angle between the plane and the sensor, in degrees.
    pub fn tilt_deg(&self) -> f64 {
        self.slope_x.hypot(self.slope_y).atan().to_degrees()
    }

    /// Cloth millimetres to photo pixels through `camera` (a pinhole; Hartley & Zisserman 2004,
    /// section 8.1).
    pub fn to_photo(&self, camera: &Camera) -> Map<Mm, Px> {
        let f = camera.focal_px;
        let ray = Vector3::new(
            (self.anchor.x - camera.principal.x) / f,
            (self.anchor.y - camera.principal.y) / f,
            1.0,
        );
        let origin = ray * self.depth_mm;
        let right = Vector3::new(1.0, 0.0, self.slope_x).normalize();
        let normal = Vector3::new(-self.slope_x, -self.slope_y, 1.0).normalize();
        let down = normal.cross(&right);
        let intrinsics = Matrix3::new(
            f,
            0.0,
            camera.principal.x,
            0.0,
            f,
            camera.principal.y,
            0.0,
            0.0,
            1.0,
        );
        Map::from_matrix(intrinsics * Matrix3::from_columns(&[right, down, origin]))
    }
}

/// One independent source of doubt about the plane.
#[derive(Clone, Debug, PartialEq)]
pub struct PlaneTerm {
    /// What it stands for, in a shop's words.
    pub name: String,
    /// Covariance (k = 1) of (`slope_x`, `slope_y`, ln `depth_mm`).
    pub covariance: Matrix3<f64>,
    /// Where the figure comes from.
    pub source: String,
}

/// Other ways of reading the ruler's divisions that remain possible.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadingDoubt {
    /// What a person should know, in plain words.
    pub text: String,
    /// How many times as long everything would be by each of the other readings.
    pub times_as_long: Vec<f64>,
}

impl ReadingDoubt {
    /// Whether a length known beforehand settles the reading: as measured it is right within
    /// `share`, and by every other reading it would be off by far more.
    pub fn is_settled_by(&self, measured_mm: f64, expected_mm: f64, share: f64) -> bool {
        let off = |times: f64| (times * measured_mm / expected_mm - 1.0).abs();
        !self.times_as_long.is_empty()
            && off(1.0) <= share
            && self
                .times_as_long
                .iter()
                .all(|&times| off(times) > 4.0 * share)
    }
}

/// The measured plane of the cloth, with what is not known about it.
#[derive(Clone, Debug, PartialEq)]
pub struct ClothPlane {
    /// The camera used.
    pub camera: Camera,
    /// The best estimate of the plane.
    pub pose: PlanePose,
    /// Independent sources of doubt; together they make up `covariance`.
    pub terms: Vec<PlaneTerm>,
    /// Covariance (k = 1) of (`slope_x`, `slope_y`, ln `depth_mm`): everything the ruler's
    /// reading, its class, its thickness and the focal length leave open, jointly.
    pub covariance: Matrix3<f64>,
    /// What speaks against trusting the scale, in plain words. Not empty: a person must look.
    pub warnings: Vec<String>,
    /// Other readings of the ruler that remain possible: a person must look, unless something
    /// known beforehand settles it.
    pub reading_doubt: Option<ReadingDoubt>,
    /// The lens's bending, where it was measured. `pose` and the maps below are those of a
    /// straight-drawing lens.
    pub lens: Option<Lens>,
    to_photo: Map<Mm, Px>,
    to_cloth: Map<Px, Mm>,
}

impl ClothPlane {
    /// The plane with this pose; `None` when it is seen edge-on.
    pub fn new(camera: Camera, pose: PlanePose, terms: Vec<PlaneTerm>) -> Option<Self> {
        let to_photo = pose.to_photo(&camera);
        let to_cloth = to_photo.inverse()?;
        let covariance = terms.iter().map(|t| t.covariance).sum();
        Some(Self {
            camera,
            pose,
            terms,
            covariance,
            warnings: Vec::new(),
            reading_doubt: None,
            lens: None,
            to_photo,
            to_cloth,
        })
    }

    /// Cloth millimetres to the pixels of a straight-drawing lens.
    pub fn to_photo(&self) -> &Map<Mm, Px> {
        &self.to_photo
    }

    /// Pixels of a straight-drawing lens to cloth millimetres.
    pub fn to_cloth(&self) -> &Map<Px, Mm> {
        &self.to_cloth
    }

    /// Where on the cloth a place of the photo lies.
    pub fn on_cloth(&self, p: Point<Px>) -> Point<Mm> {
        self.to_cloth.apply(self.straightened(p))
    }

    /// Where in the photo a place on the cloth is seen.
    pub fn in_photo(&self, p: Point<Mm>) -> Point<Px> {
        let straight = self.to_photo.apply(p);
        self.lens.map_or(straight, |lens| lens.bent(straight))
    }

    /// A map to the pixels of a straight-drawing lens, as the photo shows it near the image of
    /// `middle`.
    pub fn as_seen<U: Unit>(&self, map: Map<U, Px>, middle: Point<U>) -> Map<U, Px> {
        match self.lens {
            Some(lens) => map.then(&lens.near(map.apply(middle))),
            None => map,
        }
    }

    /// The reverse: what a straight-drawing lens would show near `middle` in place of `map`.
    pub fn as_straight<U: Unit>(&self, map: &Map<U, Px>, middle: Point<Px>) -> Map<U, Px> {
        let back = self
            .lens
            .and_then(|lens| lens.near(lens.straightened(middle)).inverse());
        back.map_or(*map, |back| map.then(&back))
    }

    fn straightened(&self, p: Point<Px>) -> Point<Px> {
        self.lens.map_or(p, |lens| lens.straightened(p))
    }

    /// Pixels per millimetre of cloth at a photo point (mean of all directions).
    pub fn px_per_mm_at(&self, p: Point<Px>) -> f64 {
        let straight = self.straightened(p);
        let bending = self.lens.map_or(1.0, |lens| lens.magnification(straight));
        bending / self.to_cloth.scale_at(straight)
    }

    /// The terms of the scale's uncertainty at a photo point, each propagated to that point
    /// (GUM, JCGM 100:2008, equation 13).
    pub fn budget_at(&self, p: Point<Px>) -> Budget {
        let gradient = self.scale_gradient_at(p);
        let terms = self.terms.iter().map(|t| Term {
            name: t.name.clone(),
            u_percent: 100.0 * standard(&t.covariance, &gradient),
            source: t.source.clone(),
        });
        Budget {
            terms: terms.collect(),
        }
    }

    /// Standard uncertainty (k = 1) of the scale at a photo point, in per cent.
    pub fn u_scale_percent_at(&self, p: Point<Px>) -> f64 {
        100.0 * standard(&self.covariance, &self.scale_gradient_at(p))
    }

    /// Derivative of ln(px per mm) at a photo point by the pose's three parameters.
    fn scale_gradient_at(&self, p: Point<Px>) -> Vector3<f64> {
        let step = 1e-4;
        let p = self.straightened(p);
        let log_scale = |step: f64, i| {
            let to_photo = self.nudged(i, step).to_photo(&self.camera);
            to_photo.inverse().map_or(0.0, |m| -m.scale_at(p).ln())
        };
        Vector3::from_fn(|i, _| (log_scale(step, i) - log_scale(-step, i)) / (2.0 * step))
    }

    /// The pose with its parameter `i` (in the covariance's order) changed by `step`.
    pub fn nudged(&self, i: usize, step: f64) -> PlanePose {
        let mut pose = self.pose;
        match i {
            0 => pose.slope_x += step,
            1 => pose.slope_y += step,
            _ => pose.depth_mm *= step.exp(),
        }
        pose
    }
}

fn standard(covariance: &Matrix3<f64>, gradient: &Vector3<f64>) -> f64 {
    gradient.dot(&(covariance * gradient)).max(0.0).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_known_width_settles_a_reading_only_if_it_contradicts_the_others() {
        let doubt = |times_as_long: &[f64]| ReadingDoubt {
            text: String::new(),
            times_as_long: times_as_long.to_vec(),
        };
        assert!(doubt(&[2.54]).is_settled_by(78.0, 80.0, 0.05));
        assert!(!doubt(&[2.54]).is_settled_by(78.0, 198.0, 0.05));
        assert!(!doubt(&[2.54, 1.02]).is_settled_by(78.0, 80.0, 0.05));
        assert!(!doubt(&[]).is_settled_by(80.0, 80.0, 0.05));
    }
}
