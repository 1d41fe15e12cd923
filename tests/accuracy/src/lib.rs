//! Measures painted scenes with the program's own stages and compares with the planted truth.
//!
//! `fit-table` prints the errors of the whole measurement, `ruler-table` those of the scale; both
//! say at the end which scenes were worst, so that they can be painted and looked at. `card-table`
//! prints the errors of lengths inside a printed scale card, `lines-table` those of the direction
//! of the cloth's lines.

pub mod card;
pub mod cloth_lines;
pub mod fitting;
pub mod rulers;
pub mod sweep;
pub mod table;

use std::error::Error;
use std::path::Path;

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
