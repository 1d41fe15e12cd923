//! What the photo stage hands on.

use image::RgbImage;

use nalgebra::Matrix3;

use crate::map::Map;
use crate::unit::{Point, Px};

/// Where the focal length comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FocalSource {
    /// The 35 mm equivalent in the EXIF data.
    Equivalent35Mm,
    /// The focal length and the sensor's resolution in the EXIF data.
    SensorResolution,
    /// Nothing in the file: a typical phone camera is assumed.
    Assumed,
}

/// What is known of the camera, in pixels of the upright photo.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Camera {
    /// Focal length in pixels.
    pub focal_px: f64,
    /// Standard uncertainty (k = 1) of the focal length, in per cent.
    pub u_focal_percent: f64,
    /// Where it comes from.
    pub focal_source: FocalSource,
    /// Where the optical axis meets the photo; the middle unless known better.
    pub principal: Point<Px>,
}

/// A smaller coefficient moves nothing by a thousandth of a pixel.
const NO_BENDING: f64 = 1e-9;

/// How a lens bends straight lines: what a straight-drawing one would show at radius r (in focal
/// lengths from the principal point) is seen at r (1 + k1 r²), the first radial term of Brown 1971.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lens {
    /// The coefficient; positive where corners are drawn outwards.
    pub k1: f64,
    /// Focal length in pixels.
    pub focal_px: f64,
    /// Where the optical axis meets the photo.
    pub principal: Point<Px>,
}

impl Lens {
    fn square_radius(&self, p: Point<Px>) -> f64 {
        let from = p - self.principal;
        from.dot(from) / self.focal_px.powi(2)
    }

    /// Where the photo shows what a straight-drawing lens would show at `p`.
    pub fn bent(&self, p: Point<Px>) -> Point<Px> {
        self.principal + (p - self.principal) * (1.0 + self.k1 * self.square_radius(p))
    }

    /// Where a straight-drawing lens would show what the photo shows at `p`.
    pub fn straightened(&self, p: Point<Px>) -> Point<Px> {
        if self.k1.abs() < NO_BENDING {
            return p;
        }
        // A fixed point, approached tenfold and better at each step for any usual lens.
        (0..12).fold(p, |q, _| {
            self.principal + (p - self.principal) * (1.0 / (1.0 + self.k1 * self.square_radius(q)))
        })
    }

    /// Mean magnification (root of that of areas) by the bending at `p`, of a straight-drawing
    /// lens's picture.
    pub fn magnification(&self, p: Point<Px>) -> f64 {
        let bend = self.k1 * self.square_radius(p);
        ((1.0 + bend) * (1.0 + 3.0 * bend)).abs().sqrt()
    }

    /// The affine map that bends as this lens does near `p`; exact at `p` itself.
    pub fn near(&self, p: Point<Px>) -> Map<Px, Px> {
        let to = self.bent(p);
        let from = p - self.principal;
        let along = 1.0 + self.k1 * self.square_radius(p);
        let twice = 2.0 * self.k1 / self.focal_px.powi(2);
        let (a, b, d) = (
            along + twice * from.x * from.x,
            twice * from.x * from.y,
            along + twice * from.y * from.y,
        );
        Map::from_matrix(Matrix3::new(
            a,
            b,
            to.x - a * p.x - b * p.y,
            b,
            d,
            to.y - b * p.x - d * p.y,
            0.0,
            0.0,
            1.0,
        ))
    }
}

/// An upright photo in sRGB.
#[derive(Clone, Debug)]
pub struct Photo {
    /// The pixels, EXIF orientation applied.
    pub rgb: RgbImage,
    /// The camera that took them.
    pub camera: Camera,
}

impl Photo {
    /// Width in pixels.
    pub fn width_px(&self) -> u32 {
        self.rgb.width()
    }
    /// Height in pixels.
    pub fn height_px(&self) -> u32 {
        self.rgb.height()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bent_place_is_straightened_back() {
        for k1 in [-0.05, -0.006, 0.02] {
            let lens = Lens {
                k1,
                focal_px: 3000.0,
                principal: Point::new(2000.0, 1500.0),
            };
            let p = Point::new(3900.0, 200.0);
            let seen = lens.bent(p);
            assert!(lens.straightened(seen).distance(p) < 1e-6);
            let near = lens.near(p);
            assert!(near.apply(p).distance(seen) < 1e-9);
            let beside = Point::new(3890.0, 210.0);
            assert!(near.apply(beside).distance(lens.bent(beside)) < 0.01);
            assert!((near.scale_at(p) / lens.magnification(p) - 1.0).abs() < 1e-9);
        }
    }
}
