//! What a photo of the finished article says against the plan.

use crate::map::Map;
use crate::unit::Mm;

/// Two photographs of one garment laid over each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SameCloth {
    /// From the cloth as the first photo has it to the cloth as the second has it, in millimetres.
    pub before_to_after: Map<Mm, Mm>,
    /// Standard uncertainty (k = 1) of a place near the emblem, in millimetres.
    pub u_place_mm: f64,
    /// Standard uncertainty (k = 1) of the turn, in degrees.
    pub u_turn_deg: f64,
}
