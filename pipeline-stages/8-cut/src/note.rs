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
    /// True width of one piece, in millimetres.
    pub width_mm: f64,
    /// True height of one piece, in millimetres.
    pub height_mm: f64,
    /// Number of pieces in the file.
    pub copies: u32,
}

impl CutNote {
    /// One sentence: material, true size, handedness, copies.
    pub(crate) fn sentence(&self) -> String {
        let handedness = match self.from {
            CutFrom::Back => "MIRRORED: cut with the adhesive side up, it reads right once pressed",
            CutFrom::Face => "NOT mirrored: cut with the visible side up",
        };
        let copies = match self.copies {
            1 => String::new(),
            n => format!(" {n} copies."),
        };
        format!(
            "{}: material {}, true size {:.2} x {:.2} mm. {handedness}.{copies}",
            self.title, self.material, self.width_mm, self.height_mm
        )
    }
}
