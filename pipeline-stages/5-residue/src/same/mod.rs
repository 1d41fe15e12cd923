//! Two photographs of one garment laid over each other by the cloth itself: its loops, stains and
//! stripes stay where they are when an emblem is pressed on.
//!
//! Phase correlation (Kuglin & Hines 1975) over a range of turns finds the rough place: periodic
//! patterns, which fit in many places, count in it no more than what is there once. Small parts of
//! the cloth, matched one by one, then give the map, and their scatter its uncertainty.

mod parts;
mod rough;
mod warp;

use measures::{Map, Mm, Outline, ResidueField, SameCloth};

use crate::lines::LineSettings;
use crate::lines::{Levels, Texture};

/// Changes of the cloth that are compared, in mm. First those wider than a loop and narrower than a
/// fold, which forgive a guess that is off; then the loops themselves.
const BANDS_MM: [[f64; 2]; 2] = [[1.2, 12.0], [0.6, 6.0]];

/// One photograph, and what covers the cloth in it.
#[derive(Clone, Copy, Debug)]
pub struct Covered<'a> {
    /// The photo laid flat.
    pub field: &'a ResidueField,
    /// Where the residue, or the pressed emblem, lies.
    pub emblem: &'a Outline<Mm>,
}

/// Lays the cloth of `before` over that of `after`. `guess` may be some millimetres and degrees
/// off near the emblem. `None` when the cloth shows too little that is there but once, or what it
/// shows does not agree.
pub fn same_cloth(
    before: &Covered<'_>,
    after: &Covered<'_>,
    guess: &Map<Mm, Mm>,
    settings: &LineSettings,
) -> Option<SameCloth> {
    let mut levels = [before, after].map(|c| Levels::new(c.field));
    let textures = |band| {
        let [first, second] = &mut levels;
        let first = Texture::new(first, Some(before.emblem), band, settings)?;
        let second = Texture::new(second, Some(after.emblem), band, settings)?;
        Some((first, second))
    };
    let bands: Vec<(Texture, Texture)> = BANDS_MM.into_iter().filter_map(textures).collect();
    let emblem = before.emblem.bounding_box();
    let rough = bands
        .iter()
        .find_map(|(first, second)| rough::place(first, second, guess, emblem.center().into()))?;
    let maps = bands.iter().flat_map(|(first, second)| {
        parts::PARTS_MM
            .into_iter()
            .filter_map(|part| parts::refined([first, second], &rough, emblem, part))
    });
    maps.min_by(|a, b| a.u_place_mm.total_cmp(&b.u_place_mm))
}

/// A value of the second photo's texture, and how much of it is cloth, at a place.
fn sampled(texture: &Texture, at: measures::Point<Mm>) -> (f32, f32) {
    let (u, v) = texture.grid.index(at);
    let (w, h) = (texture.grid.width, texture.grid.height);
    if !(u >= 0.0 && v >= 0.0 && u < (w - 1) as f64 && v < (h - 1) as f64) {
        return (0.0, 0.0);
    }
    let value = |plane: &[f32]| crate::flatten::bilinear(plane, w, h, u as f32, v as f32);
    (value(&texture.channels[0]), value(&texture.weight))
}
