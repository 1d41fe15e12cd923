//! The press sheet: a true-size placement template, the settings and the steps, the cautions; and
//! what heat the cloth stands.

mod facts;

pub use facts::{Fabric, Material, MaterialKind, Peel, Sourced};
use measures::{Artwork, ClothPlane, Fit, Ruler, Verdict};
use serde::Deserialize;

/// A paper size (ISO 216 A4; ANSI Letter, 8.5 × 11 inches).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Paper {
    /// 210 × 297 mm.
    A4,
    /// 215.9 × 279.4 mm.
    Letter,
}

/// The sheet's own settings, section `[press]`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Paper in the printer.
    pub paper: Paper,
    /// Edge of the paper that the printer leaves white, in mm.
    pub margin_mm: f64,
    /// How far neighbouring pages of a large template repeat each other, in mm.
    pub tile_overlap_mm: f64,
}

/// Something that a person should read before pressing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Warning {
    /// How far it lowers the verdict; [`Verdict::Cut`] for a plain caution.
    pub verdict: Verdict,
    /// What it is about, in a few words.
    pub title: String,
    /// What was seen, and what can be done.
    pub text: String,
    /// Where it comes from.
    pub source: String,
}

/// What the sheet of one emblem is made from.
#[derive(Clone, Copy, Debug)]
pub struct SheetContent<'a> {
    /// The job's name.
    pub job: &'a str,
    /// The garment's title; empty when the job gives none.
    pub garment: &'a str,
    /// The emblem's name.
    pub emblem: &'a str,
    /// The emblem's verdict; no sheet is made for [`Verdict::Hold`].
    pub verdict: Verdict,
    /// Why it is not [`Verdict::Cut`].
    pub reasons: &'a [String],
    /// The version that fits.
    pub artwork: &'a Artwork,
    /// How it lies on the residue.
    pub fit: &'a Fit,
    /// The cloth.
    pub plane: &'a ClothPlane,
    /// The ruler to place the emblem from.
    pub ruler: Option<&'a Ruler>,
    /// Thickness of that ruler, in mm.
    pub ruler_thickness_mm: f64,
    /// What it is cut from.
    pub material: &'a Material,
    /// What it is pressed on, if the job says so.
    pub fabric: Option<&'a Fabric>,
    /// Iron dots on the care label (ISO 3758): 0 for a crossed-out iron, 1 to 3, `None` without a
    /// label.
    pub iron_dots: Option<u8>,
    /// How many of this emblem are wanted.
    pub copies: u32,
}
