//! HEIF with HEVC pictures, "HEIC" (ISO/IEC 23008-12), through the system's libheif.
//!
//! Turns and mirrors are properties of the picture there (`irot`, `imir`), which every reader must
//! apply; the orientation in its EXIF data only tells of them once more, and is to be passed over
//! (ISO/IEC 23008-12, 6.5.10, 6.5.12 and annex A). libheif applies them, so nothing is left to turn.

use image::RgbImage;
use libheif_rs::{ColorSpace, HeifContext, HeifError, RgbChroma};

use crate::{Error, Settings, check_size};

/// The upright picture in sRGB, and its size before it was turned.
pub(crate) fn read(
    bytes: &[u8],
    file: &str,
    settings: &Settings,
) -> Result<(RgbImage, (u32, u32)), Error> {
    check_whole(bytes, file)?;
    let damaged = |seen: &str| Error::Damaged {
        file: file.to_owned(),
        seen: seen.to_owned(),
    };
    let broken = |e: HeifError| damaged(&e.message);
    let context = HeifContext::read_from_bytes(bytes).map_err(broken)?;
    let handle = context.primary_image_handle().map_err(broken)?;
    let size = (handle.width(), handle.height());
    check_size(size, file, settings)?;
    // Without options: this version of the wrapper frees them before libheif sees them.
    let image = handle
        .decode(ColorSpace::Rgb(RgbChroma::Rgb), None)
        .map_err(broken)?;
    let planes = image.planes();
    let plane = planes.interleaved;
    let plane = plane.filter(|p| (p.width, p.height) == size && p.storage_bits_per_pixel == 24);
    let plane = plane.ok_or_else(|| damaged("its size changes on the way"))?;
    let row_bytes = 3 * size.0 as usize;
    let mut pixels = Vec::with_capacity(row_bytes * size.1 as usize);
    for row in plane.data.chunks_exact(plane.stride).take(size.1 as usize) {
        pixels.extend_from_slice(&row[..row_bytes]);
    }
    let rgb = RgbImage::from_raw(size.0, size.1, pixels);
    let rgb = rgb.ok_or_else(|| damaged("its size changes on the way"))?;
    let side = |n: i32| u32::try_from(n).unwrap_or(0);
    let stored_size = (side(handle.ispe_width()), side(handle.ispe_height()));
    Ok((rgb, stored_size))
}

/// Whether all boxes of the file are there to their ends (ISO/IEC 14496-12, 4.2).
fn check_whole(bytes: &[u8], file: &str) -> Result<(), Error> {
    let mut at = 0;
    while at < bytes.len() {
        match box_length(&bytes[at..]) {
            Some(0) => return Ok(()),
            Some(length) if length <= bytes.len() - at => at += length,
            _ => {
                return Err(Error::Incomplete {
                    file: file.to_owned(),
                    seen: format!("its {} bytes end inside its picture data", bytes.len()),
                });
            }
        }
    }
    Ok(())
}

/// Length of the box that begins here; 0 for one that goes on to the end of the file.
fn box_length(bytes: &[u8]) -> Option<usize> {
    let header = bytes.get(..8)?;
    match u32::from_be_bytes(header[..4].try_into().ok()?) {
        0 => Some(0),
        1 => {
            let long = u64::from_be_bytes(bytes.get(8..16)?.try_into().ok()?);
            usize::try_from(long).ok().filter(|&length| length >= 16)
        }
        length => usize::try_from(length).ok().filter(|&length| length >= 8),
    }
}
