//! What is known of materials and fabrics. No figure without its source: [`Sourced`] sees to it.

use measures::CutFrom;
use serde::Deserialize;

/// A figure and where it comes from.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sourced<T = f64> {
    /// The figure, in the unit that its key names.
    pub value: T,
    /// Where it comes from, or that nobody has verified it.
    pub source: String,
}

/// When the carrier sheet comes off.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Peel {
    /// At once, while hot.
    Hot,
    /// When the hand can rest on it.
    Warm,
    /// When it has the room's temperature.
    Cold,
}

/// The kind of sheet, as far as cautions depend on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MaterialKind {
    /// A pile on hot-melt adhesive.
    Flock,
    /// Polyurethane film.
    PolyurethaneFilm,
    /// Film that is, or may be, polyvinyl chloride.
    VinylFilm,
}

/// A sheet material: how it is cut and pressed.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Material {
    /// What people call it.
    pub title: String,
    /// Flock or film.
    pub kind: MaterialKind,
    /// The side that faces the knife.
    pub cut_from: Sourced<CutFrom>,
    /// Press temperature at the cloth, in °C.
    pub press_celsius: Sourced,
    /// Coolest temperature at which its adhesive still holds, in °C.
    pub press_celsius_min: Sourced,
    /// Time of the first press, in seconds.
    pub press_seconds: Sourced,
    /// Time of each press after the first, in seconds.
    pub second_press_seconds: Sourced,
    /// Number of presses, the first included.
    pub passes: Sourced<u32>,
    /// Time to press the bare cloth before, in seconds, to drive moisture out.
    pub dry_seconds: Sourced,
    /// Pressure on the emblem's area, in bar.
    pub pressure_bar: Sourced,
    /// When the carrier comes off.
    pub peel: Sourced<Peel>,
    /// Narrowest stroke it can hold, in mm.
    pub min_stroke_mm: Sourced,
    /// Narrowest gap that can be cleared, in mm.
    pub min_gap_mm: Sourced,
    /// How far the outline may be off before the eye, or the old mark, notices, in mm.
    pub tolerance_mm: Sourced,
}

/// A garment's cloth: what heat it stands.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fabric {
    /// What people call it.
    pub title: String,
    /// Its fibres.
    pub fibre: String,
    /// Hottest the fibre should meet, in °C.
    pub fibre_limit_celsius: Option<Sourced>,
    /// From here on dye may leave the fibre for a pale emblem, in °C.
    pub dye_migration_celsius: Option<Sourced>,
    /// From here on dyed cloth should not be pressed without a passed test, in °C.
    pub dye_refusal_celsius: Option<Sourced>,
    /// Why it must never be pressed, if so.
    pub never_press: Option<Sourced<String>>,
}
