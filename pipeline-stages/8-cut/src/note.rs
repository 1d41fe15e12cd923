//! What a cut file says about itself.

use measures::CutFrom;

/// The words that go into a cut file beside its outline.
#[derive(Clone, Debug, PartialEq)]
pub struct CutNote {
    /// What is cut: garment and emblem.
    pub title: String,
    /// The material's name.
    pub material: String,
    /// The side that faces the knife; from its back the outline is mirrored.
    pub from: CutFrom,
    /// What the file holds.
    pub contents: Contents,
    /// What else whoever cuts it must know, in whole sentences.
    pub remarks: Vec<String>,
}

/// What a cut file holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Contents {
    /// One emblem, once or several times.
    Piece {
        /// True width of one piece, in millimetres.
        width_mm: f64,
        /// True height of one piece, in millimetres.
        height_mm: f64,
        /// Number of pieces in the file.
        copies: u32,
    },
    /// Pieces of several emblems.
    Pieces(usize),
}

impl CutNote {
    /// Material, true size, handedness, copies, remarks.
    pub(crate) fn sentence(&self) -> String {
        let handedness = match self.from {
            CutFrom::Back => "MIRRORED: cut with the adhesive side up, it reads right once pressed",
            CutFrom::Face => "NOT mirrored: cut with the visible side up",
        };
        let (size, copies) = match self.contents {
            Contents::Piece {
                width_mm,
                height_mm,
                copies,
            } => {
                let copies = match copies {
                    1 => String::new(),
                    n => format!(" {n} copies."),
                };
                (
                    format!("true size {width_mm:.2} x {height_mm:.2} mm"),
                    copies,
                )
            }
            Contents::Pieces(n) => (format!("{n} pieces at true size"), String::new()),
        };
        format!(
            "{}: material {}, {size}. {handedness}.{copies}{}{}",
            self.title,
            self.material,
            if self.remarks.is_empty() { "" } else { " " },
            self.remarks.join(" ")
        )
    }
}
