//! Reads a photograph: bytes in, upright pixels and what is known of the camera out.

mod camera;
mod error;
mod format;
#[cfg(feature = "heic")]
mod heif;
mod jpeg;
mod png;

use image::metadata::Orientation;
use image::{DynamicImage, RgbImage};
use measures::Photo;
use serde::Deserialize;

pub use error::Error;
use format::Format;

/// What a photo must be like, and what to assume of a camera that says nothing.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Photos with more pixels are refused before they are decoded.
    pub max_megapixels: f64,
    /// Photos with a shorter side are refused.
    pub min_side_px: u32,
    /// Focal length, as 35 mm equivalent, of a camera that does not state its own.
    pub assumed_equivalent_mm: f64,
    /// Standard uncertainty (k = 1) of that assumption.
    pub u_assumed_percent: f64,
    /// Standard uncertainty (k = 1) of a focal length stated in the file.
    pub u_lens_percent: f64,
}

/// Reads the JPEG or PNG `bytes` of the photo that the job calls `file`; HEIF too, if this was built
/// with the feature `heic`.
///
/// # Errors
/// When the bytes are no complete photo of these kinds, or it is too small or too large; each with
/// what to do about it.
pub fn read(bytes: &[u8], file: &str, settings: &Settings) -> Result<Photo, Error> {
    let format = format::recognise(bytes, file)?;
    let exif = camera::exif(bytes);
    let (rgb, stored_size) = match format {
        Format::Jpeg => {
            let header = jpeg::scan(bytes, file)?;
            check_size((header.width, header.height), file, settings)?;
            upright(jpeg::decode(bytes, file, &header)?, exif.as_ref())
        }
        Format::Png => {
            check_size(png::size(bytes, file)?, file, settings)?;
            upright(png::decode(bytes, file)?, exif.as_ref())
        }
        #[cfg(feature = "heic")]
        Format::Heif => heif::read(bytes, file, settings)?,
    };
    let camera = camera::camera(exif.as_ref(), stored_size, rgb.dimensions(), settings);
    Ok(Photo { rgb, camera })
}

fn check_size((width, height): (u32, u32), file: &str, settings: &Settings) -> Result<(), Error> {
    let file = file.to_owned();
    if width.min(height) < settings.min_side_px {
        let min_px = settings.min_side_px;
        return Err(Error::TooSmall {
            file,
            width,
            height,
            min_px,
        });
    }
    let megapixels = f64::from(width) * f64::from(height) / 1e6;
    if megapixels > settings.max_megapixels {
        let limit = settings.max_megapixels;
        return Err(Error::TooLarge {
            file,
            width,
            height,
            megapixels,
            limit,
        });
    }
    Ok(())
}

/// Applies the EXIF orientation (CIPA DC-008, tag 0x0112); a missing or invalid one changes
/// nothing. Returns the size before, too.
fn upright(rgb: RgbImage, exif: Option<&exif::Exif>) -> (RgbImage, (u32, u32)) {
    let stored_size = rgb.dimensions();
    let stated = exif
        .and_then(|e| e.get_field(exif::Tag::Orientation, exif::In::PRIMARY))
        .and_then(|f| f.value.get_uint(0))
        .and_then(|v| Orientation::from_exif(u8::try_from(v).ok()?));
    let mut image = DynamicImage::ImageRgb8(rgb);
    image.apply_orientation(stated.unwrap_or(Orientation::NoTransforms));
    (image.into_rgb8(), stored_size)
}
