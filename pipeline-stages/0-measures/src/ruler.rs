//! What the ruler stage hands on.

use serde::{Deserialize, Serialize};

use crate::photo::Lens;
use crate::unit::{Point, Px};

/// The unit a ruler is divided in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum RulerUnit {
    /// Millimetres and their halves.
    Mm,
    /// Inches and their binary or decimal parts.
    Inch,
}

/// A point on a tick's centre line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TickPoint {
    /// Where it lies in the photo.
    pub at: Point<Px>,
    /// Standard uncertainty (k = 1) of its place **along the ruler**, in pixels. Its place along
    /// the tick is arbitrary.
    pub sigma_px: f64,
}

/// One graduation mark, located.
#[derive(Clone, Debug, PartialEq)]
pub struct Tick {
    /// How many pitches it lies from the ruler's first located tick.
    pub index: i32,
    /// Points on its centre line, at increasing distance from the ruler's graduated edge; two or
    /// more where the tick is long enough to show its direction, else one.
    pub points: Vec<TickPoint>,
    /// Visible length of the mark, in pixels.
    pub length_px: f64,
}

/// One way of reading a ruler's divisions, with its probability.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Reading {
    /// The unit.
    pub unit: RulerUnit,
    /// Distance between neighbouring ticks, in millimetres.
    pub pitch_mm: f64,
    /// Probability that this is the right reading, 0 to 1.
    pub probability: f64,
}

/// A ruler found in a photo: its ticks, and what they mean.
#[derive(Clone, Debug, PartialEq)]
pub struct Ruler {
    /// The most probable reading.
    pub reading: Reading,
    /// The other readings that remain possible.
    pub other_readings: Vec<Reading>,
    /// Located ticks in order along the ruler. Ticks hidden by glare are left out, so indices may
    /// jump.
    pub ticks: Vec<Tick>,
    /// Corners of the area that the ruler's ticks and digits cover, in order round it: nothing
    /// inside is cloth. The first two lie at the graduated edge, one pitch outside the ends of
    /// its ticks.
    pub body: [Point<Px>; 4],
    /// Mean scale between the ends, in pixels per millimetre.
    pub px_per_mm: f64,
    /// Expanded uncertainty (k = 2) of `px_per_mm` from locating the ticks alone.
    pub u_px_per_mm: f64,
    /// The shadow beside the ruler's long edges; `None` where none is seen.
    pub shadow: Option<Shadow>,
    /// The first and the last located tick, on the line through the ticks' middles.
    pub ends: [Point<Px>; 2],
}

/// The shadow beside a ruler, in millimetres.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Shadow {
    /// Distance from the ruler's edge at which it has faded to half.
    pub width_mm: f64,
    /// Distance over which it fades from three quarters of its depth to one quarter.
    pub fading_mm: f64,
}

impl Ruler {
    /// As a straight-drawing lens would show it.
    pub fn straightened(&self, lens: &Lens) -> Self {
        let mut ruler = self.clone();
        for point in ruler.ticks.iter_mut().flat_map(|t| &mut t.points) {
            point.at = lens.straightened(point.at);
        }
        ruler.ends = ruler.ends.map(|p| lens.straightened(p));
        ruler.body = ruler.body.map(|p| lens.straightened(p));
        ruler
    }

    /// Length between the first and the last tick used, in millimetres on the ruler.
    pub fn base_mm(&self) -> f64 {
        let (Some(first), Some(last)) = (self.ticks.first(), self.ticks.last()) else {
            return 0.0;
        };
        f64::from(last.index - first.index) * self.reading.pitch_mm
    }
}

/// What the job says of the ruler in the photo.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RulerHint {
    /// The unit it is divided in.
    pub unit: Option<RulerUnit>,
    /// Its thickness, in millimetres.
    pub thickness_mm: Option<f64>,
    /// It is a printed scale card, whose check bars of 100 mm across (x) and down (y) the page
    /// measure so many millimetres.
    pub card_mm: Option<[f64; 2]>,
}

/// Every ruler found, or why there is none.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RulerSearch {
    /// The rulers, the most useful first.
    pub rulers: Vec<Ruler>,
    /// What a person should know: why none was found, which readings compete.
    pub reasons: Vec<String>,
}
