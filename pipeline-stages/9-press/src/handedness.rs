//! Two small pictures: the emblem as it is worn, and as it leaves the cutter.

use kurbo::{Affine, BezPath, Point};
use measures::{Art, CutFrom, Outline};

use crate::SheetContent;
use crate::canvas::{BLACK, Faces, GREY, Mark, Style, text};

/// Side of each picture, in mm.
const SIDE_MM: f64 = 24.0;
/// From the left edge of one picture to that of the next, in mm.
const PITCH_MM: f64 = 62.0;
/// Height of both with their words, in mm.
pub(crate) const HEIGHT_MM: f64 = SIDE_MM + 9.0;

/// The pictures, their upper left corner at `at`.
pub(crate) fn marks(content: &SheetContent<'_>, at: Point, faces: &Faces) -> Vec<Mark> {
    let (turned, words) = match content.material.cut_from.value {
        CutFrom::Back => (true, "As cut: mirrored, adhesive side up"),
        CutFrom::Face => (false, "As cut: not mirrored, visible side up"),
    };
    let pictures = [(false, "As worn"), (turned, words)];
    let mut marks = Vec::new();
    for (i, (mirrored, words)) in pictures.into_iter().enumerate() {
        let corner = Point::new(at.x + PITCH_MM * i as f64, at.y + 1.0);
        marks.push(Mark::Fill {
            path: small(&content.artwork.outline, corner, mirrored),
            ink: BLACK,
        });
        let style = Style::plain(8.5).ink(GREY);
        for (line, words) in faces
            .wrapped(words, style, PITCH_MM - 4.0)
            .into_iter()
            .enumerate()
        {
            let y = corner.y + SIDE_MM + 4.0 + style.line_mm() * line as f64;
            marks.push(text(
                Point::new(at.x + PITCH_MM * i as f64, y),
                style,
                words,
            ));
        }
    }
    marks
}

/// The outline in a square of [`SIDE_MM`].
fn small(outline: &Outline<Art>, corner: Point, mirrored: bool) -> BezPath {
    let frame = outline.bounding_box();
    let scale = SIDE_MM / frame.width().max(frame.height()).max(f64::MIN_POSITIVE);
    let across = if mirrored { -scale } else { scale };
    let place = Affine::translate((corner.x + scale * frame.width() / 2.0, corner.y))
        * Affine::scale_non_uniform(across, scale)
        * Affine::translate((-frame.center().x, -frame.y0));
    place * outline.to_path()
}
