//! What the residue's own outline says where no artwork does, and what speaks against it.

use measures::{ClothPlane, Verdict};
use residue::SeenResidue;

use crate::job::Task;
use crate::outcome::Worked;
use crate::report::OutlineSize;

/// Less of the border than this standing out of the cloth is told. Of 8 painted scenes in which
/// another place was outlined, or too much or little, this told 4, a rival 3 and an unsure size 4,
/// together all; of 71 outlined right, 12 were doubted for their border or a rival.
const BORDER_SEEN_MIN: f64 = 0.9;
/// Another place that stands out by this share of the one outlined is told.
const RIVAL_SHARE_MAX: f64 = 0.25;
/// A width or height less certain than this share of it is told.
const U_SIZE_MAX: f64 = 0.08;
/// As a fit's width.
const EXPECTED_OFF_MAX: f64 = 0.05;

impl OutlineSize {
    /// `None` where artwork told where to look: then the fit's figures count.
    pub(super) fn new(seen: &SeenResidue, plane: &ClothPlane) -> Option<Self> {
        let doubt = seen.doubt?;
        let middle = plane.in_photo(seen.outline.bounding_box().center().into());
        let scale = plane.budget_at(middle).expanded_percent() / 100.0;
        let [u_width, u_height] = seen.u_size_mm;
        Some(Self {
            width_mm: seen.width_mm,
            height_mm: seen.height_mm,
            u_width_mm: u_width.hypot(scale * seen.width_mm),
            u_height_mm: u_height.hypot(scale * seen.height_mm),
            border_seen: doubt.border_seen,
            rival_share: doubt.rival_share,
        })
    }

    /// What a person should know before relying on it.
    fn doubts(&self) -> Vec<String> {
        let mut doubts = Vec::new();
        if self.border_seen < BORDER_SEEN_MIN {
            doubts.push(format!(
                "Only {:.0} % of the residue's outline stands out of the cloth's own unevenness; \
                 the rest is a guess.",
                100.0 * self.border_seen
            ));
        }
        if self.rival_share > RIVAL_SHARE_MAX {
            doubts.push(format!(
                "Another place stands out {:.0} % as much as the one outlined: see on residue.jpg \
                 that it is the residue, or say where it is with look_in_px.",
                100.0 * self.rival_share
            ));
        }
        let sides = [
            ("width", self.width_mm, self.u_width_mm),
            ("height", self.height_mm, self.u_height_mm),
        ];
        for (name, size_mm, u_mm) in sides {
            if u_mm > U_SIZE_MAX * size_mm {
                doubts.push(format!(
                    "The residue's {name} hangs on narrow tips or scraps, which may have been \
                     longer or may not belong to it: {size_mm:.0} ± {u_mm:.0} mm."
                ));
            }
        }
        doubts
    }

    fn against(&self, expected_mm: f64) -> Option<String> {
        let off_mm = (self.width_mm - expected_mm).abs();
        let is_off = off_mm > self.u_width_mm.max(EXPECTED_OFF_MAX * expected_mm);
        is_off.then(|| {
            format!(
                "The residue's outline is {:.1} mm wide, the job expects {expected_mm:.1} mm: see \
                 that the right place is outlined, and all of it.",
                self.width_mm
            )
        })
    }
}

impl Worked {
    /// A job without artwork lives by this outline.
    pub(super) fn outlined(&mut self, outline: Option<OutlineSize>, task: &Task) {
        self.report.outline = outline;
        if !task.versions.is_empty() {
            return;
        }
        let doubts = match &outline {
            None => vec![
                "Nothing on the cloth stands out as residue would: no outline was drawn. Say where \
                 it is with look_in_px, or photograph it again in low light from the side."
                    .to_owned(),
            ],
            Some(outline) => {
                let expected = task.expected_width_mm.and_then(|mm| outline.against(mm));
                outline.doubts().into_iter().chain(expected).collect()
            }
        };
        for doubt in doubts {
            self.worsen(Verdict::Look, doubt);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SURE: OutlineSize = OutlineSize {
        width_mm: 50.0,
        height_mm: 30.0,
        u_width_mm: 1.3,
        u_height_mm: 1.3,
        border_seen: 0.98,
        rival_share: 0.05,
    };

    #[test]
    fn a_sure_outline_raises_no_doubt_and_each_weakness_one() {
        assert_eq!(SURE.doubts(), Vec::<String>::new());
        let faint = OutlineSize {
            border_seen: 0.7,
            ..SURE
        };
        assert!(faint.doubts()[0].contains("70 %"), "{:?}", faint.doubts());
        let rivalled = OutlineSize {
            rival_share: 0.5,
            ..SURE
        };
        assert!(rivalled.doubts()[0].contains("look_in_px"));
        let ragged = OutlineSize {
            u_height_mm: 6.0,
            ..SURE
        };
        assert!(ragged.doubts()[0].contains("height"));
    }

    #[test]
    fn an_expected_width_is_held_against_the_outline_only_beyond_its_uncertainty() {
        assert_eq!(SURE.against(51.0), None);
        assert!(SURE.against(60.0).is_some());
        let unsure = OutlineSize {
            u_width_mm: 12.0,
            ..SURE
        };
        assert_eq!(unsure.against(60.0), None);
    }
}
