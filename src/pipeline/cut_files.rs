//! Cut files on their way.

use measures::Verdict;

use crate::outcome::Worked;
use crate::report::CutPiece;

/// Cut files that are not handed in yet: they are made while others look at the photo.
#[derive(Default)]
pub(super) struct CutFiles {
    pub(super) warnings: Vec<press::Warning>,
    /// Names, what they are, and bytes.
    files: Vec<(String, &'static str, Vec<u8>)>,
    pub(super) pieces: Vec<CutPiece>,
    /// Why there are no more.
    pub(super) error: Option<cut::Error>,
}

impl CutFiles {
    pub(super) fn add(&mut self, name: String, what: &'static str, bytes: Vec<u8>) {
        self.files.push((name, what, bytes));
    }

    pub(super) fn hand_in(self, worked: &mut Worked) {
        worked.report.warnings.extend(self.warnings);
        for (name, what, bytes) in self.files {
            worked.publish(&name, what, bytes);
        }
        worked.report.pieces.extend(self.pieces);
        if let Some(error) = self.error {
            worked.worsen(Verdict::Look, error.to_string());
        }
    }
}
