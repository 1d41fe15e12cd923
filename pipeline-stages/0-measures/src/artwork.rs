//! What the artwork stage hands on.

use crate::outline::{Outline, Worn};
use crate::unit::Art;

/// One historic version of an emblem.
#[derive(Clone, Debug, PartialEq)]
pub struct Artwork {
    /// The file it was read from, as the job names it.
    pub file: String,
    /// Its filled area, in the user units of the file's own view box.
    pub outline: Outline<Art, Worn>,
    /// What was done to the drawing to make it usable, in plain words; empty when nothing was.
    pub notes: Vec<String>,
}
