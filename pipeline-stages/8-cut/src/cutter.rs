//! What is known of a cutting machine and its blade.

use serde::Deserialize;

/// A figure and where it comes from.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sourced {
    /// The figure, in the unit that its key names.
    pub value: f64,
    /// Where it comes from, or that nobody has verified it.
    pub source: String,
}

/// Where a machine's coordinates begin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Origin {
    /// At the sheet's lower left corner.
    LowerLeft,
    /// In the sheet's middle.
    Centre,
}

/// The machine's axis along the roll.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Feed {
    /// The sheet lies as drawn: its width along x.
    Y,
    /// The sheet is turned a quarter: its width along y.
    X,
}

/// A cutting machine with its blade: an entry of `cutters.toml`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cutter {
    /// How it is called on reports.
    pub title: String,
    /// How far the blade's tip trails the axis it turns on; 0 where nothing is to be compensated.
    pub blade_offset_mm: Sourced,
    /// How far a closed contour is cut past its start.
    pub overcut_mm: Sourced,
    /// How often every contour is cut.
    pub passes: u32,
    /// Where coordinates begin.
    pub origin: Origin,
    /// The machine's axis along the roll.
    pub feed: Feed,
    /// Passed to the machine if given.
    #[serde(default)]
    pub speed_cm_per_s: Option<u32>,
    /// Passed to the machine if given, in its own unit.
    #[serde(default)]
    pub force: Option<u32>,
}

/// Blades trail by 0.175 to 1 mm (a blade supplier's range); beyond that it is a slip of the pen.
const LARGEST_OFFSET_MM: f64 = 2.0;
const LARGEST_OVERCUT_MM: f64 = 5.0;
const MOST_PASSES: u32 = 10;

impl Cutter {
    /// A machine that follows contours as they are: it compensates its blade itself, or has none
    /// that trails.
    pub fn plain() -> Self {
        let none = || Sourced {
            value: 0.0,
            source: "nothing to compensate".to_owned(),
        };
        Self {
            title: "Cutter that is told its blade offset itself".to_owned(),
            blade_offset_mm: none(),
            overcut_mm: none(),
            passes: 1,
            origin: Origin::LowerLeft,
            feed: Feed::Y,
            speed_cm_per_s: None,
            force: None,
        }
    }

    /// What is wrong with the figures, in plain words.
    ///
    /// # Errors
    /// Offset, overcut or passes outside what machines have.
    pub fn check(&self) -> Result<(), String> {
        let within = |key: &str, value: f64, limit: f64| {
            if (0.0..=limit).contains(&value) {
                return Ok(());
            }
            Err(format!(
                "{key} is {value}, but must lie between 0 and {limit}"
            ))
        };
        within(
            "blade_offset_mm",
            self.blade_offset_mm.value,
            LARGEST_OFFSET_MM,
        )?;
        within("overcut_mm", self.overcut_mm.value, LARGEST_OVERCUT_MM)?;
        if (1..=MOST_PASSES).contains(&self.passes) {
            return Ok(());
        }
        Err(format!(
            "passes is {}, but must lie between 1 and {MOST_PASSES}",
            self.passes
        ))
    }
}
