//! JPEG (ITU-T T.81): the marker structure is walked here, so that size limits come before and
//! completeness does not depend on the decoder's mercy.

mod reader;

use std::cell::Cell;

use image::RgbImage;
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

use crate::Error;

/// What the frame header says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Header {
    pub(crate) width: u32,
    pub(crate) height: u32,
    components: u8,
}

const SOI: u8 = 0xd8;
const EOI: u8 = 0xd9;
const SOS: u8 = 0xda;

/// Reads the frame header and follows all markers to the end-of-image marker (T.81, annex B).
///
/// Anything after that marker is ignored: cameras append previews and motion clips.
pub(crate) fn scan(bytes: &[u8], file: &str) -> Result<Header, Error> {
    let broken_off = || Error::Incomplete {
        file: file.to_owned(),
        seen: format!(
            "its {} bytes end before the JPEG's closing mark",
            bytes.len()
        ),
    };
    let mut header = None;
    let mut at = 2;
    loop {
        let marker = next_marker(bytes, &mut at).ok_or_else(broken_off)?;
        match marker {
            EOI => break,
            // Restart markers and TEM stand alone.
            0xd0..=0xd7 | 0x01 | SOI => continue,
            _ => {}
        }
        let length = bytes.get(at..at + 2).ok_or_else(broken_off)?;
        let length = usize::from(u16::from_be_bytes([length[0], length[1]]));
        let segment = bytes.get(at..at + length.max(2)).ok_or_else(broken_off)?;
        if header.is_none() && is_frame(marker) {
            header = frame(segment);
        }
        at += segment.len();
        if marker == SOS && header.is_none() {
            break;
        }
    }
    let header = header.ok_or_else(|| damaged(file, "it has no frame header"))?;
    match header.components {
        1 | 3 => Ok(header),
        4 => Err(Error::WrongFormat {
            file: file.to_owned(),
            seen: "a JPEG in printing inks (CMYK)",
            remedy: "save it again as a JPEG in RGB colour",
        }),
        _ => Err(damaged(file, "it has an impossible number of colours")),
    }
}

/// Moves `at` past the next marker and returns its code. Entropy-coded bytes are skipped: in them
/// 0xff is followed by 0.
fn next_marker(bytes: &[u8], at: &mut usize) -> Option<u8> {
    loop {
        *at += bytes.get(*at..)?.iter().position(|&b| b == 0xff)?;
        while *bytes.get(*at)? == 0xff {
            *at += 1;
        }
        let code = bytes[*at];
        *at += 1;
        if code != 0 {
            return Some(code);
        }
    }
}

/// Start-of-frame markers; DHT, JPG and DAC share their range.
fn is_frame(marker: u8) -> bool {
    matches!(marker, 0xc0..=0xcf) && !matches!(marker, 0xc4 | 0xc8 | 0xcc)
}

/// `segment` begins with its own length; precision, lines, samples and components follow.
fn frame(segment: &[u8]) -> Option<Header> {
    let sixteen =
        |at: usize| Some(u32::from(*segment.get(at)?) << 8 | u32::from(*segment.get(at + 1)?));
    Some(Header {
        height: sixteen(3)?,
        width: sixteen(5)?,
        components: *segment.get(7)?,
    })
}

/// Coded bytes that may be left once a scan is complete; writers of files pad by a few. Where more are,
/// some of the data stands in the file twice, or something else between it, and the picture is
/// shifted.
const LEFT_OVER_MAX: usize = 32;

/// The pixels in sRGB. Strict: where data is missing the decoder must not paint grey.
pub(crate) fn decode(bytes: &[u8], file: &str, header: &Header) -> Result<RgbImage, Error> {
    let options = DecoderOptions::default()
        .set_strict_mode(true)
        .set_max_width(header.width as usize)
        .set_max_height(header.height as usize)
        .jpeg_set_out_colorspace(ColorSpace::RGB);
    let skipped = Cell::new(0);
    let reader = reader::Watched::new(bytes, &skipped);
    let pixels = JpegDecoder::new_with_options(reader, options)
        .decode()
        .map_err(|e| damaged(file, &format!("{e:?}")))?;
    if skipped.get() > LEFT_OVER_MAX {
        let seen = format!("{} bytes of its picture data are left over", skipped.get());
        return Err(damaged(file, &seen));
    }
    RgbImage::from_raw(header.width, header.height, pixels)
        .ok_or_else(|| damaged(file, "its size changes on the way"))
}

fn damaged(file: &str, seen: &str) -> Error {
    Error::Damaged {
        file: file.to_owned(),
        seen: seen.to_owned(),
    }
}
