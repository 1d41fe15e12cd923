//! The shape drawn at a pose, sample by sample: its blurred edge, and how that changes with every
//! unknown.

use nalgebra::{Matrix3, Vector3};

use crate::align::Aligner;
use crate::pose::{BLEED, BLUR, DEPTH, Pose, SIZE, SLOPE_X, SLOPE_Y, TURN, UNKNOWNS, X, Y};

const NUDGE: f64 = 1e-4;

/// The shape at one pose, ready to be drawn.
pub(crate) struct Pen<'a> {
    aligner: &'a Aligner<'a>,
    pose: Pose,
    size: f64,
    blur: f64,
    direction: (f64, f64),
    correction: Matrix3<f64>,
    /// The correction with each of the plane's slopes a little changed.
    nudged: [Matrix3<f64>; 2],
}

impl<'a> Pen<'a> {
    pub(crate) fn new(aligner: &'a Aligner<'a>, pose: &Pose) -> Self {
        let nudged = [SLOPE_X, SLOPE_Y].map(|k| {
            let mut other = *pose;
            other.0[k] += NUDGE;
            other.correction(aligner.plane)
        });
        Self {
            aligner,
            pose: *pose,
            size: pose.size_mm(),
            blur: pose.0[BLUR].exp(),
            direction: pose.0[TURN].sin_cos(),
            correction: pose.correction(aligner.plane),
            nudged,
        }
    }

    /// Where sample `k` lies against the shape's edge.
    pub(crate) fn spot(&self, k: usize) -> Spot {
        let (pose, size, (sin, cos)) = (&self.pose.0, self.size, self.direction);
        let per_mm = 1.0 / size;
        let grid = &self.aligner.region.grid;
        let (k, width) = (k as u32, grid.width as u32);
        let place = grid.place(f64::from(k % width), f64::from(k / width));
        let on_cloth = Vector3::new(place.x, place.y, 1.0);
        let (px, py) = carried(&self.correction, &on_cloth);
        let (rx, ry) = (px - pose[X], py - pose[Y]);
        let (u, v) = (
            per_mm * (cos * rx + sin * ry),
            per_mm * (cos * ry - sin * rx),
        );
        let edge = self.aligner.distance.at(u, v);
        let (d, gradient) = edge.unwrap_or((f64::NEG_INFINITY, [0.0; 2]));
        Spot {
            on_cloth,
            corrected: [px, py],
            distance_mm: d * size,
            gradient,
        }
    }

    /// Coverage of a spot.
    pub(crate) fn cover(&self, spot: &Spot) -> f32 {
        normal_cdf((spot.distance_mm + self.pose.0[BLEED]) / self.blur) as f32
    }

    /// Derivatives of a spot's coverage by all unknowns; `None` far from the edge.
    pub(crate) fn slopes(&self, spot: &Spot) -> Option<[f32; UNKNOWNS]> {
        let pose = &self.pose.0;
        let from_edge = spot.distance_mm + pose[BLEED];
        let z = from_edge / self.blur;
        if z.abs() > 5.0 {
            return None;
        }
        let density = (-0.5 * z * z).exp() / (2.506_628_274_631 * self.blur);
        let ((sin, cos), g) = (self.direction, spot.gradient);
        let n = [cos * g[0] - sin * g[1], sin * g[0] + cos * g[1]];
        let [px, py] = spot.corrected;
        let (rx, ry) = (px - pose[X], py - pose[Y]);
        let mut by = [0.0; UNKNOWNS];
        by[X] = -n[0];
        by[Y] = -n[1];
        by[TURN] = n[0] * ry - n[1] * rx;
        by[SIZE] = spot.distance_mm - (n[0] * rx + n[1] * ry);
        for (k, moved) in [SLOPE_X, SLOPE_Y].into_iter().zip(&self.nudged) {
            let (qx, qy) = carried(moved, &spot.on_cloth);
            by[k] = (n[0] * (qx - px) + n[1] * (qy - py)) / NUDGE;
        }
        by[DEPTH] = n[0] * px + n[1] * py;
        by[BLEED] = 1.0;
        by[BLUR] = -from_edge;
        Some(by.map(|by| (density * by) as f32))
    }
}

/// Where a sample lies.
pub(crate) struct Spot {
    on_cloth: Vector3<f64>,
    /// On the cloth as the pose has it.
    corrected: [f64; 2],
    /// Inside the shape's outline; negative outside.
    distance_mm: f64,
    /// Of the distance, in the shape's own directions.
    gradient: [f64; 2],
}

pub(crate) fn carried(m: &Matrix3<f64>, p: &Vector3<f64>) -> (f64, f64) {
    let v = m * p;
    (v.x / v.z, v.y / v.z)
}

/// The normal distribution function, to 7e-8 (Abramowitz & Stegun 1964, formula 26.2.17).
pub(crate) fn normal_cdf(z: f64) -> f64 {
    if z.abs() > 6.0 {
        return if z > 0.0 { 1.0 } else { 0.0 };
    }
    let t = 1.0 / (1.0 + 0.231_641_9 * z.abs());
    let poly = t
        * (0.319_381_530
            + t * (-0.356_563_782
                + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    let tail = (-0.5 * z * z).exp() * 0.398_942_280_4 * poly;
    if z > 0.0 { 1.0 - tail } else { tail }
}
