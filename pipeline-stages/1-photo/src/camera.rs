//! The camera's focal length in pixels, from the EXIF data (CIPA DC-008).
//!
//! `FocalLengthIn35mmFilm` comes first: it needs no knowledge of the sensor. Else the focal length
//! and the sensor's resolution, else a typical phone is assumed, with an uncertainty to match.

use std::io::Cursor;

use exif::{Exif, In, Tag};
use measures::photo::FocalSource;
use measures::{Camera, Point};

use crate::Settings;

/// Diagonal of the 36 × 24 mm frame that equivalent focal lengths refer to.
const FRAME_DIAGONAL_MM: f64 = 43.266_615_305_567_87;
/// Equivalent focal lengths outside this range are no camera's (a tag filled at random).
const PLAUSIBLE_EQUIVALENT_MM: std::ops::RangeInclusive<f64> = 8.0..=400.0;
/// Nearest distance at which emblems are photographed: there a lens is drawn out by up to
/// f / distance against its stated focal length (thin-lens equation).
const NEAR_MM: f64 = 300.0;
/// Rectangular distribution of half-width a: standard uncertainty a/√3 (JCGM 100:2008, 4.3.7).
const SQRT_3: f64 = 1.732_050_807_568_877_2;

/// The EXIF data, as far as it can be read.
pub(crate) fn exif(bytes: &[u8]) -> Option<Exif> {
    exif::Reader::new()
        .continue_on_error(true)
        .read_from_container(&mut Cursor::new(bytes))
        .or_else(|e| e.distill_partial_result(|_| ()))
        .ok()
}

/// The camera of a photo whose pixels are `stored` wide and high in the file and `upright` after
/// the orientation was applied.
pub(crate) fn camera(
    exif: Option<&Exif>,
    stored: (u32, u32),
    upright: (u32, u32),
    settings: &Settings,
) -> Camera {
    let tags = exif.map(|exif| Tags { exif, stored });
    let stated = tags
        .and_then(|t| t.by_equivalent(settings).or_else(|| t.by_sensor(settings)))
        .filter(|s| PLAUSIBLE_EQUIVALENT_MM.contains(&equivalent_mm(s.length_px, stored)));
    let focal = stated.unwrap_or(Focal {
        length_px: settings.assumed_equivalent_mm * diagonal(stored) / FRAME_DIAGONAL_MM,
        u_percent: settings.u_assumed_percent,
        source: FocalSource::Assumed,
    });
    Camera {
        focal_px: focal.length_px,
        u_focal_percent: focal.u_percent,
        focal_source: focal.source,
        principal: Point::new(f64::from(upright.0) / 2.0, f64::from(upright.1) / 2.0),
    }
}

fn diagonal((width, height): (u32, u32)) -> f64 {
    f64::from(width).hypot(f64::from(height))
}

fn equivalent_mm(focal_px: f64, size: (u32, u32)) -> f64 {
    focal_px * FRAME_DIAGONAL_MM / diagonal(size)
}

struct Focal {
    length_px: f64,
    u_percent: f64,
    source: FocalSource,
}

#[derive(Clone, Copy)]
struct Tags<'a> {
    exif: &'a Exif,
    stored: (u32, u32),
}

impl Tags<'_> {
    fn number(self, tag: Tag) -> Option<f64> {
        let value = &self.exif.get_field(tag, In::PRIMARY)?.value;
        let number = match value {
            exif::Value::Rational(v) => v.first()?.to_f64(),
            _ => f64::from(value.get_uint(0)?),
        };
        (number.is_finite() && number > 0.0).then_some(number)
    }

    /// From `FocalLengthIn35mmFilm`, a whole number. It relates to the frame's diagonal, so that
    /// resizing does not matter.
    fn by_equivalent(self, settings: &Settings) -> Option<Focal> {
        let equivalent = self.number(Tag::FocalLengthIn35mmFilm)?;
        let rounding = 100.0 * 0.5 / SQRT_3 / equivalent;
        let terms = [rounding, self.u_crop_percent(), self.u_zoom_percent()];
        Some(Focal {
            length_px: equivalent * diagonal(self.framed()) / FRAME_DIAGONAL_MM * self.resized(),
            u_percent: self
                .u_lens_percent(settings)
                .hypot(root_sum_of_squares(&terms)),
            source: FocalSource::Equivalent35Mm,
        })
    }

    /// From `FocalLength` and the pixels per unit on the sensor, which refer to the photo before
    /// it was resized.
    fn by_sensor(self, settings: &Settings) -> Option<Focal> {
        let focal_mm = self.focal_mm()?;
        let unit_mm = match self.number(Tag::FocalPlaneResolutionUnit).unwrap_or(2.0) as u32 {
            2 => measures::unit::MM_PER_INCH,
            3 => 10.0,
            4 => 1.0,
            5 => 0.001,
            _ => return None,
        };
        let sensor_px_per_mm = self.number(Tag::FocalPlaneXResolution)? / unit_mm;
        Some(Focal {
            length_px: focal_mm * sensor_px_per_mm * self.resized(),
            // The stated focal length is rounded to a tenth of a millimetre as a rule.
            u_percent: self.u_lens_percent(settings).hypot(root_sum_of_squares(&[
                100.0 * 0.05 / SQRT_3 / focal_mm,
                self.u_zoom_percent(),
            ])),
            source: FocalSource::SensorResolution,
        })
    }

    /// Width and height as the camera took the photo; the stored ones when it does not say.
    fn framed(self) -> (u32, u32) {
        let side = |tag| self.number(tag).map(|n| n as u32);
        let said = side(Tag::PixelXDimension).zip(side(Tag::PixelYDimension));
        said.filter(|&(w, h)| w >= self.stored.0 && h >= self.stored.1)
            .unwrap_or(self.stored)
    }

    /// Whether the shape differs from the frame the camera says it took.
    fn is_cropped(self) -> bool {
        let shape = |(w, h): (u32, u32)| f64::from(w) / f64::from(h);
        (shape(self.framed()) / shape(self.stored) - 1.0).abs() > 0.01
    }

    /// Pixels now for one pixel then. A photo that changed its shape was cropped: then its pixels
    /// are taken to be the camera's own.
    fn resized(self) -> f64 {
        if self.is_cropped() {
            1.0
        } else {
            diagonal(self.stored) / diagonal(self.framed())
        }
    }

    /// A cropped photo may have been resized as well; and phones crop the sensor to 16:9 or to a
    /// square without changing the tag, which matters by up to 8 %.
    fn u_crop_percent(self) -> f64 {
        if self.is_cropped() {
            return 10.0;
        }
        let (w, h) = self.framed();
        let shape = f64::from(w.max(h)) / f64::from(w.min(h));
        let full_sensor = [4.0 / 3.0, 3.0 / 2.0]
            .iter()
            .any(|s| (shape / s - 1.0).abs() < 0.01);
        if full_sensor { 0.0 } else { 8.0 / SQRT_3 }
    }

    /// Cameras disagree whether digital zoom is part of the stated focal length: either may hold.
    fn u_zoom_percent(self) -> f64 {
        self.number(Tag::DigitalZoomRatio)
            .map_or(0.0, |zoom| 100.0 * (zoom - 1.0).max(0.0) / SQRT_3)
    }

    /// The lens's own focal length. One far longer than its 35 mm equivalent is a slip of whatever
    /// wrote the file: hardly any sensor is twice as wide as that film.
    fn focal_mm(self) -> Option<f64> {
        let focal_mm = self.number(Tag::FocalLength)?;
        let equivalent = self.number(Tag::FocalLengthIn35mmFilm);
        equivalent
            .is_none_or(|e| focal_mm < 2.0 * e)
            .then_some(focal_mm)
    }

    /// Tolerance of the stated focal length, and how far focusing near draws the lens out.
    fn u_lens_percent(self, settings: &Settings) -> f64 {
        let focal_mm = self.focal_mm().unwrap_or(0.0);
        settings
            .u_lens_percent
            .hypot(100.0 * focal_mm / NEAR_MM / SQRT_3)
    }
}

fn root_sum_of_squares(terms: &[f64]) -> f64 {
    terms.iter().map(|t| t * t).sum::<f64>().sqrt()
}
