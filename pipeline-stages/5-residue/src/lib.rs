//! Residue: the photo laid flat on the cloth, light and rulers removed, so that what is left is
//! cloth and whatever a peeled-off emblem has changed about it.
//!
//! `measure` makes the [`ResidueField`] that artwork is fitted to; a [`View`] of part of it serves
//! `outline`, which draws the residue as it is seen, and `picture`, which shows it to a person;
//! `lines` measures the cloth's own direction.

mod blob;
mod blocks;
mod colour;
mod flatten;
mod foreign;
mod lines;
mod picture;
mod rectify;
mod region;
mod rest;
mod same;
mod stripes;
mod view;

use measures::{ClothPlane, Mm, Photo, Point, Px, ResidueField, Ruler};
use serde::Deserialize;

use blocks::Blocks;

pub use blob::{Doubt, SeenResidue, outline};
pub use lines::{LineSettings, lines};
pub use picture::{Picture, picture};
pub use same::{Covered, same_cloth};
pub use view::{Focus, View};

/// The stage's section of the settings.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Finest distance between samples on the cloth.
    pub pitch_min_mm: f64,
    /// Most samples in the grid; a larger photo is sampled more coarsely.
    pub grid_samples_max: usize,
    /// Changes of light wider than this are removed.
    pub light_width_mm: f64,
    /// Cloth this near to a ruler's ticks and digits is not used.
    pub ruler_margin_mm: f64,
    /// What differs from the cloth about it by more than this, in natural logarithms of linear
    /// light, is no cloth but something lying on it.
    pub foreign_contrast_ln: f64,
    /// Cloth this near to such a thing is not used.
    pub foreign_margin_mm: f64,
    /// Added to linear light (0 to 1) before taking logarithms, so that noise in the darkest
    /// parts does not count.
    pub black_level: f64,
}

/// Lays the photo flat and prepares it for fitting: rectified to millimetres, large-scale light
/// removed, colour channels decorrelated, rulers masked.
///
/// With `look_in`, only that part of the photo and its surroundings are laid flat.
pub fn measure(
    photo: &Photo,
    plane: &ClothPlane,
    rulers: &[Ruler],
    look_in: Option<[Point<Px>; 2]>,
    settings: &Settings,
) -> ResidueField {
    let grid = rectify::grid(photo, plane, look_in, settings);
    let (mut colours, mut cloth) = rectify::sample(photo, plane, &grid, settings.black_level);
    rectify::mask_rulers(&mut cloth, &grid, plane, rulers, settings.ruler_margin_mm);
    let mut blocks = Blocks::new(&colours, &cloth, &grid);
    rest::take_out(&mut blocks, &grid, plane, rulers, settings);
    let light = foreign::take_out(&mut blocks, settings);
    blocks.hand_on(&mut cloth, &grid);
    for (channel, light) in colours.iter_mut().zip(&light) {
        flatten::take_off(channel, light, &cloth, &blocks, &grid);
    }
    let channels = colour::decorrelate(colours, &cloth, &grid);
    ResidueField {
        px_per_mm: plane.px_per_mm_at(plane.in_photo(middle(&grid))),
        look_in: look_in.map(|c| rectify::box_on_cloth(plane, c)),
        light_spread_mm: flatten::spread_mm(settings.light_width_mm),
        grid,
        channels,
        cloth,
    }
}

fn middle(grid: &measures::Grid) -> Point<Mm> {
    grid.place(
        0.5 * (grid.width - 1) as f64,
        0.5 * (grid.height - 1) as f64,
    )
}
