//! The picture as a camera's file: JPEG with a small EXIF block.

use image::codecs::jpeg::JpegEncoder;
use image::imageops;
use image::{ImageEncoder, RgbImage};

/// What the EXIF block says (Exif 2.32, JEITA CP-3451; TIFF 6.0 structure).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Exif {
    /// FocalLengthIn35mmFilm, in whole millimetres; left out when `None`.
    pub focal_35mm: Option<u16>,
    /// FocalLength, in hundredths of a millimetre; left out when `None`.
    pub focal_centi_mm: Option<u32>,
    /// Orientation 1 to 8; left out when `None`.
    pub orientation: Option<u16>,
}

impl Exif {
    fn block(&self) -> Vec<u8> {
        let mut main: Vec<(u16, u16, u32)> = Vec::new();
        if let Some(o) = self.orientation {
            main.push((0x0112, SHORT, u32::from(o)));
        }
        let has_sub = self.focal_35mm.is_some() || self.focal_centi_mm.is_some();
        let main_len = main.len() + usize::from(has_sub);
        let sub_at = 8 + 2 + 12 * main_len as u32 + 4;
        if has_sub {
            main.push((0x8769, LONG, sub_at));
        }
        let mut sub: Vec<(u16, u16, u32)> = Vec::new();
        let sub_len =
            u32::from(self.focal_centi_mm.is_some()) + u32::from(self.focal_35mm.is_some());
        if self.focal_centi_mm.is_some() {
            sub.push((0x920A, RATIONAL, sub_at + 2 + 12 * sub_len + 4));
        }
        if let Some(f) = self.focal_35mm {
            sub.push((0xA405, SHORT, u32::from(f)));
        }
        let mut tiff = vec![0x49, 0x49, 0x2A, 0x00, 8, 0, 0, 0];
        directory(&mut tiff, &main);
        if has_sub {
            directory(&mut tiff, &sub);
            if let Some(f) = self.focal_centi_mm {
                tiff.extend(f.to_le_bytes());
                tiff.extend(100u32.to_le_bytes());
            }
        }
        tiff
    }
}

const SHORT: u16 = 3;
const LONG: u16 = 4;
const RATIONAL: u16 = 5;

fn directory(out: &mut Vec<u8>, entries: &[(u16, u16, u32)]) {
    out.extend((entries.len() as u16).to_le_bytes());
    for &(tag, kind, value) in entries {
        out.extend(tag.to_le_bytes());
        out.extend(kind.to_le_bytes());
        out.extend(1u32.to_le_bytes());
        out.extend(value.to_le_bytes());
    }
    out.extend(0u32.to_le_bytes());
}

/// The file. With an orientation the stored pixels are turned so that a reader that obeys it
/// sees `upright`.
///
/// # Panics
/// When the picture is too large for JPEG (65,535 pixels a side).
pub fn encode(upright: &RgbImage, exif: &Exif, quality: u8, half_colour: bool) -> Vec<u8> {
    let stored = match exif.orientation {
        Some(2) => imageops::flip_horizontal(upright),
        Some(3) => imageops::rotate180(upright),
        Some(4) => imageops::flip_vertical(upright),
        Some(5) => imageops::flip_horizontal(&imageops::rotate90(upright)),
        Some(6) => imageops::rotate270(upright),
        Some(7) => imageops::flip_horizontal(&imageops::rotate270(upright)),
        Some(8) => imageops::rotate90(upright),
        _ => upright.clone(),
    };
    let stored = if half_colour {
        with_half_colour(&stored)
    } else {
        stored
    };
    let mut bytes = Vec::new();
    let mut encoder = JpegEncoder::new_with_quality(&mut bytes, quality);
    let written = encoder.set_exif_metadata(exif.block());
    debug_assert!(written.is_ok());
    encoder
        .encode_image(&stored)
        .expect("a picture that fits into JPEG, written to memory");
    bytes
}

/// Colour averaged over two by two pixels, brightness kept: what 4:2:0 files hold.
fn with_half_colour(rgb: &RgbImage) -> RgbImage {
    let (w, h) = rgb.dimensions();
    let mut out = rgb.clone();
    let luma =
        |p: &[u8; 3]| 0.299 * f32::from(p[0]) + 0.587 * f32::from(p[1]) + 0.114 * f32::from(p[2]);
    for y in (0..h).step_by(2) {
        for x in (0..w).step_by(2) {
            let spots = [(x, y), (x + 1, y), (x, y + 1), (x + 1, y + 1)];
            let inside = || spots.iter().filter(|(x, y)| *x < w && *y < h);
            let mut mean = [0.0f32; 3];
            for &(x, y) in inside() {
                let p = &rgb.get_pixel(x, y).0;
                let l = luma(p);
                for c in 0..3 {
                    mean[c] += f32::from(p[c]) - l;
                }
            }
            let n = inside().count() as f32;
            for &(x, y) in inside() {
                let l = luma(&rgb.get_pixel(x, y).0);
                let p = mean.map(|m| (l + m / n).round().clamp(0.0, 255.0) as u8);
                out.get_pixel_mut(x, y).0 = p;
            }
        }
    }
    out
}
