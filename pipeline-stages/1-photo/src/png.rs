//! PNG (ISO/IEC 15948).

use std::io::Cursor;

use image::codecs::png::PngDecoder;
use image::{DynamicImage, Limits, RgbImage, Rgba};

use crate::Error;

const SIGNATURE_BYTES: usize = 8;

/// Width and height from the header; checks that every chunk up to the closing one is there.
pub(crate) fn size(bytes: &[u8], file: &str) -> Result<(u32, u32), Error> {
    let field = |at: usize| {
        let four = bytes.get(at..at + 4)?;
        Some(u32::from_be_bytes(four.try_into().ok()?))
    };
    let broken_off = || Error::Incomplete {
        file: file.to_owned(),
        seen: format!(
            "its {} bytes end before the PNG's closing mark",
            bytes.len()
        ),
    };
    let mut at = SIGNATURE_BYTES;
    loop {
        let length = field(at).ok_or_else(broken_off)?;
        let kind = bytes.get(at + 4..at + 8).ok_or_else(broken_off)?;
        let next = at + 12 + length as usize;
        if next > bytes.len() {
            return Err(broken_off());
        }
        if kind == b"IEND" {
            break;
        }
        at = next;
    }
    let sides = field(SIGNATURE_BYTES + 8).zip(field(SIGNATURE_BYTES + 12));
    sides.ok_or_else(broken_off)
}

/// The pixels as 8-bit sRGB: deeper ones rounded, grey ones tripled, transparent ones laid on
/// white.
pub(crate) fn decode(bytes: &[u8], file: &str) -> Result<RgbImage, Error> {
    let damaged = |e: image::ImageError| Error::Damaged {
        file: file.to_owned(),
        seen: e.to_string(),
    };
    let decoder =
        PngDecoder::with_limits(Cursor::new(bytes), Limits::default()).map_err(damaged)?;
    let image = DynamicImage::from_decoder(decoder).map_err(damaged)?;
    if !image.color().has_alpha() {
        return Ok(image.into_rgb8());
    }
    let rgba = image.into_rgba8();
    Ok(RgbImage::from_fn(rgba.width(), rgba.height(), |x, y| {
        on_white(*rgba.get_pixel(x, y))
    }))
}

fn on_white(Rgba([r, g, b, alpha]): Rgba<u8>) -> image::Rgb<u8> {
    let alpha = u32::from(alpha);
    image::Rgb([r, g, b].map(|c| ((u32::from(c) * alpha + 255 * (255 - alpha) + 127) / 255) as u8))
}
