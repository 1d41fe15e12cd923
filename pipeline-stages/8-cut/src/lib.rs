//! Writes an outline as files a cutter can run: SVG in millimetres and plotter language.
//!
//! Both files hold the same closed contours in the same order, inside before outside and nearest
//! next, at true size, each file saying what it is, how large it is and whether it is mirrored.
//! A plotter file can also be made for a drag knife, whose tip trails the axis it turns on.

mod cutter;
mod extras;
mod knife;
mod narrow;
mod note;
mod order;
mod packing;
mod plan;
mod plotter;
mod read_back;
mod sheet;
mod svg_file;
mod thicken;

use serde::Deserialize;

pub use cutter::{Cutter, Feed, Origin, Sourced};
pub use extras::Extra;
pub use narrow::{Narrow, NarrowPlace, narrow_places};
pub use note::{Contents, CutNote};
pub use packing::{Placed, Room, TooLarge, Turns, Wanted, pack};
pub use plan::plan;
pub use plotter::{PLOTTER_UNITS_PER_MM, plotter, plotter_for};
pub use read_back::pieces;
pub use sheet::{Part, Piece, Sheet, lay_out, lay_out_all};
pub use svg_file::{picture, svg};
pub use thicken::{Thickening, thickening};

/// How cut files are laid out and written.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Material left free round the pieces.
    pub margin_mm: f64,
    /// Free material between two pieces.
    pub spacing_mm: f64,
    /// Width of the roll or sheet that copies are laid out on.
    pub sheet_width_mm: f64,
    /// Length of one sheet, or of what is cut in one go from a roll, when several emblems share it.
    pub sheet_length_mm: f64,
    /// Distance of the weeding frame from the pieces; never more than the margin.
    pub weeding_frame_mm: f64,
    /// Distance between weeding lines.
    pub weeding_line_spacing_mm: f64,
    /// Side of the test square.
    pub test_square_mm: f64,
    /// How far a straight line of the plotter file may lie from the curve it stands for.
    pub flattening_mm: f64,
    /// Whether the plotter file begins with comments (`CO`). Some old cutters do not know them.
    pub plotter_comments: bool,
}

/// Why a cut file cannot be written.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Error {
    /// A coordinate exceeds what plotter language can hold.
    #[error(
        "the layout for {title:?} is {length_mm:.0} mm long, but plotter language ends at {limit_mm:.0} mm; \
         use the SVG cut file, or ask for fewer copies"
    )]
    BeyondPlotter {
        /// Title of the piece.
        title: String,
        /// The longer side of the layout.
        length_mm: f64,
        /// What the language can hold.
        limit_mm: f64,
    },
    /// Not one piece fits the roll or sheet.
    #[error(
        "{title:?} is {needed_mm:.1} x {height_mm:.1} mm with its margins and does not fit the sheet, \
         which is {sheet_mm:.1} mm wide; set a wider sheet_width_mm or a longer sheet_length_mm in \
         [cut] of the settings"
    )]
    WiderThanSheet {
        /// Title of the piece.
        title: String,
        /// Width of one piece with margins.
        needed_mm: f64,
        /// Its height with margins.
        height_mm: f64,
        /// Width of the sheet.
        sheet_mm: f64,
    },
    /// A cutter's figures cannot be right.
    #[error("the cutter {title:?} in cutters.toml cannot be right: {seen}")]
    Cutter {
        /// Title of the cutter.
        title: String,
        /// What was found.
        seen: String,
    },
    /// A cut file that cannot be read back.
    #[error(
        "{file} is not a cut file as it was published ({seen}); work on its job again, or leave it out"
    )]
    CutFile {
        /// The file.
        file: String,
        /// What was found.
        seen: String,
    },
    /// The outline has no contour.
    #[error(
        "{title:?} has no outline to cut; look at the artwork: it needs at least one filled area"
    )]
    Nothing {
        /// Title of the piece.
        title: String,
    },
}
