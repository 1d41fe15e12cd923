//! Measures painted scenes with the program's own stages and compares with the planted truth.
//!
//! `fit-table` prints the errors of the whole measurement, `ruler-table` those of the scale; both
//! say at the end which scenes were worst, so that they can be painted and looked at. `card-table`
//! prints the errors of lengths inside a printed scale card, `lines-table` those of the direction
//! of the cloth's lines.

pub mod card;
pub mod cloth_lines;
pub mod fitting;
pub mod outlines;
pub mod rulers;
pub mod sweep;
pub mod table;

use std::error::Error;
use std::path::Path;

use measures::{ClothPlane, Mm, Point};
use scene_painter::scene::View;
use serde::Deserialize;

/// The stages' settings, as the program comes with them.
#[derive(Clone, Debug, Deserialize)]
pub struct Settings {
    /// Reading photos.
    pub photo: photo::Settings,
    /// Finding rulers.
    pub ruler: ruler::Settings,
    /// From ruler to cloth.
    pub scale: scale::Settings,
    /// Seeing the residue.
    pub residue: residue::Settings,
    /// Measuring the cloth's lines.
    pub lines: residue::LineSettings,
    /// Fitting artwork to it.
    pub fit: fit::Settings,
    /// What the figures must be for a cut.
    pub verdict: fit::VerdictSettings,
}

impl Settings {
    /// The settings in `file`, or else the program's own.
    ///
    /// # Errors
    /// When the file cannot be read, or the stages do not understand it.
    pub fn read(file: Option<&Path>) -> Result<Self, Box<dyn Error>> {
        let own = include_str!("../../../config/default.toml");
        let text = file.map_or(Ok(own.to_owned()), std::fs::read_to_string)?;
        Ok(toml::from_str(&text)?)
    }
}

/// Greatest error of any distance between the corners of a square of 100 mm about `middle`, in
/// millimetres.
pub fn square_error_mm(plane: &ClothPlane, truth: &View, middle: Point<Mm>) -> f64 {
    let corners = [(-50.0, -50.0), (50.0, -50.0), (50.0, 50.0), (-50.0, 50.0)]
        .map(|(x, y)| Point::new(middle.x + x, middle.y + y));
    let seen = corners.map(|p| plane.on_cloth(truth.to_photo(p)));
    (0..4)
        .flat_map(|i| (0..i).map(move |j| (i, j)))
        .map(|(i, j)| (seen[i].distance(seen[j]) - corners[i].distance(corners[j])).abs())
        .fold(0.0, f64::max)
}
