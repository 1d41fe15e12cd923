//! Parts of pictures at another size, for people to look at.

use fast_image_resize::images::{TypedImage, TypedImageRef};
use fast_image_resize::pixels::{U8, U8x3};
use fast_image_resize::{FilterType, PixelTrait, ResizeAlg, ResizeOptions, Resizer};
use image::{GrayImage, RgbImage};

/// Why a picture could not be brought to its size.
#[derive(Debug, thiserror::Error)]
#[error("a picture could not be resized: {0}")]
pub struct Error(String);

impl Error {
    fn of(cause: impl std::fmt::Display) -> Self {
        Self(cause.to_string())
    }
}

/// A part of a picture, and the size at which it is shown; all in pixels, x before y.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Part {
    /// Its upper left corner.
    pub corner: [u32; 2],
    /// Its width and height.
    pub size: [u32; 2],
    /// Its width and height as shown.
    pub shown: [u32; 2],
}

impl Part {
    /// This part of a colour picture.
    ///
    /// # Errors
    /// When it does not lie within the picture.
    pub fn of_colour(&self, picture: &RgbImage) -> Result<RgbImage, Error> {
        let pixels = self.resized::<U8x3>(picture.as_raw(), picture.dimensions())?;
        Ok(RgbImage::from_raw(self.shown[0], self.shown[1], pixels).unwrap_or_default())
    }

    /// This part of a grey picture.
    ///
    /// # Errors
    /// When it does not lie within the picture.
    pub fn of_grey(&self, picture: &GrayImage) -> Result<GrayImage, Error> {
        let pixels = self.resized::<U8>(picture.as_raw(), picture.dimensions())?;
        Ok(GrayImage::from_raw(self.shown[0], self.shown[1], pixels).unwrap_or_default())
    }

    fn resized<P: PixelTrait>(
        &self,
        pixels: &[u8],
        (width, height): (u32, u32),
    ) -> Result<Vec<u8>, Error> {
        let whole = TypedImageRef::<P>::from_buffer(width, height, pixels).map_err(Error::of)?;
        let [shown_width, shown_height] = self.shown;
        let mut shown = vec![0; shown_width as usize * shown_height as usize * P::size()];
        let mut part = TypedImage::<P>::from_buffer(shown_width, shown_height, &mut shown)
            .map_err(Error::of)?;
        let [left, top] = self.corner.map(f64::from);
        let [width, height] = self.size.map(f64::from);
        // Where pixels are merged, a filter half as wide is as sharp.
        let filter = if shown_width < self.size[0] {
            FilterType::Hamming
        } else {
            FilterType::CatmullRom
        };
        let options = ResizeOptions::new()
            .resize_alg(ResizeAlg::Convolution(filter))
            .crop(left, top, width, height);
        Resizer::new()
            .resize_typed(&whole, &mut part, &options)
            .map_err(Error::of)?;
        Ok(shown)
    }
}
