//! The residue as the program sees it, for a person to look at.

use image::{GrayImage, Luma};
use measures::{Grid, ResidueField};

use crate::view::{Focus, View};

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

/// Draws a part of the cloth in the colour direction that shows the residue best, patterns held
/// down and the contrast raised. `None` when the part lies outside the field.
pub fn picture(field: &ResidueField, focus: &Focus<'_>) -> Option<Picture> {
    let view = View::new(field, focus)?;
    let spread = view.spread();
    let image = GrayImage::from_fn(view.grid.width as u32, view.grid.height as u32, |i, j| {
        let v = view.value[j as usize * view.grid.width + i as usize] / (WHITE_AT * spread);
        Luma([(127.5 + 127.5 * v.clamp(-1.0, 1.0)) as u8])
    });
    Some(Picture {
        image,
        grid: view.grid,
    })
}
