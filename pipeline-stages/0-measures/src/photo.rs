//! What the photo stage hands on.

use image::RgbImage;

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
