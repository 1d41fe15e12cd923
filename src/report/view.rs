//! Parts of a photo, at the size shown, and as JPEG files.

use image::{GrayImage, RgbImage};
use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
use measures::{Point, Px};
use resizing::Part;

use super::Error;

/// Widest picture inside the report, in pixels.
pub(super) const INSET_PX: f64 = 1100.0;
const JPEG_QUALITY: u8 = 84;

/// A part of a picture and the size at which it is shown.
#[derive(Clone, Copy, Debug)]
pub(super) struct View {
    pub(super) corner: [u32; 2],
    pub(super) size: [u32; 2],
    pub(super) scale: f64,
}

impl View {
    /// All of it, so that the longer side is at most so many pixels.
    pub(super) fn whole((width, height): (u32, u32), widest_px: f64, largest: f64) -> Self {
        let scale = (widest_px / f64::from(width.max(height).max(1))).min(largest);
        Self {
            corner: [0, 0],
            size: [width, height],
            scale,
        }
    }

    /// These places and a little around them; `None` when they lie outside the picture.
    pub(super) fn around(corners: &[Point<Px>], (width, height): (u32, u32)) -> Option<Self> {
        let low = corners
            .iter()
            .fold([f64::INFINITY; 2], |l, p| [l[0].min(p.x), l[1].min(p.y)]);
        let high = corners.iter().fold([f64::NEG_INFINITY; 2], |h, p| {
            [h[0].max(p.x), h[1].max(p.y)]
        });
        let around = 0.14 * (high[0] - low[0]).max(high[1] - low[1]);
        let inside = |v: f64, limit: u32| v.clamp(0.0, f64::from(limit)) as u32;
        let corner = [
            inside(low[0] - around, width),
            inside(low[1] - around, height),
        ];
        let end = [
            inside(high[0] + around, width),
            inside(high[1] + around, height),
        ];
        let size = [0, 1].map(|i| end[i].saturating_sub(corner[i]));
        let scale = (INSET_PX / f64::from(size[0].max(size[1]))).min(2.0);
        size.iter().all(|&s| s >= 8).then_some(Self {
            corner,
            size,
            scale,
        })
    }

    /// A square of this side about a place, moved inwards at the picture's edge.
    pub(super) fn square(
        middle: Point<Px>,
        side_px: f64,
        shown_px: f64,
        (width, height): (u32, u32),
    ) -> Self {
        let side = (side_px.ceil() as u32).clamp(1, width.min(height).max(1));
        let first = |v: f64, limit: u32| {
            let most = f64::from(limit.saturating_sub(side));
            (v - 0.5 * f64::from(side)).round().clamp(0.0, most) as u32
        };
        Self {
            corner: [first(middle.x, width), first(middle.y, height)],
            size: [side, side],
            scale: shown_px / f64::from(side),
        }
    }

    /// Width and height as shown.
    pub(super) fn shown(&self) -> [u32; 2] {
        self.size
            .map(|px| ((f64::from(px) * self.scale).round() as u32).max(1))
    }

    fn part(&self) -> Part {
        Part {
            corner: self.corner,
            size: self.size,
            shown: self.shown(),
        }
    }

    pub(super) fn cut(&self, picture: &RgbImage) -> Result<RgbImage, Error> {
        Ok(self.part().of_colour(picture)?)
    }

    pub(super) fn cut_grey(&self, picture: &GrayImage) -> Result<GrayImage, Error> {
        Ok(self.part().of_grey(picture)?)
    }

    /// Where a place of the whole picture is shown.
    pub(super) fn place(&self, p: Point<Px>) -> Point<Px> {
        let [x, y] = self.corner.map(f64::from);
        Point::new((p.x - x) * self.scale, (p.y - y) * self.scale)
    }

    /// Widths of strokes, so that they look alike in large and small pictures.
    pub(super) fn pen(&self) -> f64 {
        let widest = f64::from(self.size[0].max(self.size[1])) * self.scale;
        (widest / 720.0).clamp(0.8, 3.2)
    }
}

/// A colour picture as a file, colours at half the resolution, as cameras store them.
pub(super) fn jpeg(picture: &RgbImage) -> Result<Vec<u8>, Error> {
    encoded(picture.as_raw(), picture.dimensions(), ColorType::Rgb)
}

/// A grey picture as a file.
pub(super) fn jpeg_grey(picture: &GrayImage) -> Result<Vec<u8>, Error> {
    encoded(picture.as_raw(), picture.dimensions(), ColorType::Luma)
}

fn encoded(pixels: &[u8], (width, height): (u32, u32), kind: ColorType) -> Result<Vec<u8>, Error> {
    let side = |px: u32| u16::try_from(px).unwrap_or(u16::MAX);
    let mut bytes = Vec::new();
    let mut encoder = Encoder::new(&mut bytes, JPEG_QUALITY);
    encoder.set_sampling_factor(SamplingFactor::F_2_2);
    encoder.encode(pixels, side(width), side(height), kind)?;
    Ok(bytes)
}
