//! The residue as the program sees it, for a person to look at.

use image::{GrayImage, Luma};
use measures::Grid;

use crate::view::View;

/// A grey picture with its place on the cloth.
#[derive(Clone, Debug)]
pub struct Picture {
    /// Mid grey is cloth, residue is lighter.
    pub image: GrayImage,
    /// Where its pixels lie: pixel (i, j) shows the cloth about `grid.place(i, j)`.
    pub grid: Grid,
}

/// Standard deviations of the cloth between mid grey and white.
const WHITE_AT: f32 = 4.0;

/// Draws a part of the cloth with the contrast raised.
pub fn picture(view: &View<'_>) -> Picture {
    let spread = view.spread();
    let image = GrayImage::from_fn(view.grid.width as u32, view.grid.height as u32, |i, j| {
        let v = view.value[j as usize * view.grid.width + i as usize] / (WHITE_AT * spread);
        Luma([(127.5 + 127.5 * v.clamp(-1.0, 1.0)) as u8])
    });
    Picture {
        image,
        grid: view.grid,
    }
}
