//! The cut file as plain SVG: sizes in `mm`, so that no reader has to guess a resolution.
//!
//! SVG 2 section 8.2; CSS Values and Units 3 section 6.2 (1 in = 2.54 cm = 96 px).

use std::fmt::Write;

use kurbo::{BezPath, PathEl, Point};
use measures::{AsCut, Mm, Outline};
use svg::Document;
use svg::node::element::{Description, Group, Path, Title};
use svg::node::{Comment, Text};

use crate::{CutNote, Sheet};

/// What the ids of the pieces' groups begin with; their number in the file follows.
pub(crate) const PIECE_ID: &str = "piece-";

/// A sheet as an SVG file: a group for each part, in it one closed path for each contour, in
/// cutting order.
pub fn svg(sheet: &Sheet, note: &CutNote) -> String {
    let sentence = note.sentence();
    let mut document = sized(sheet.size.width, sheet.size.height)
        .add(Comment::new(comment(&sentence)))
        .add(Title::new(printable(&note.title)))
        .add(Description::new().add(Text::new(printable(&sentence))));
    for part in &sheet.parts {
        let id = if part.piece.is_some() {
            format!("{PIECE_ID}{}", part.number)
        } else {
            part.name.replace(' ', "-")
        };
        let mut group = Group::new()
            .set("id", id)
            .add(Title::new(printable(&part.name)));
        for contour in &part.contours {
            let path = Path::new()
                .set("d", path_data(contour))
                .set("fill", "none")
                .set("stroke", "#000000")
                .set("stroke-width", 0.1);
            group = group.add(path);
        }
        document = document.add(group);
    }
    format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{document}\n")
}

/// A small filled picture of the outline as cut, to stand in a page: an `svg` element that scales
/// with its place.
pub fn picture(outline: &Outline<Mm, AsCut>) -> String {
    let frame = outline.bounding_box();
    let view_box = [frame.x0, frame.y0, frame.width(), frame.height()]
        .map(number)
        .join(" ");
    let path = Path::new()
        .set("d", path_data(&outline.to_path()))
        .set("fill", "currentColor");
    Document::new()
        .set("viewBox", view_box)
        .add(path)
        .to_string()
}

pub(crate) fn sized(width_mm: f64, height_mm: f64) -> Document {
    let (width, height) = (number(width_mm), number(height_mm));
    Document::new()
        .set("width", format!("{width}mm"))
        .set("height", format!("{height}mm"))
        .set("viewBox", format!("0 0 {width} {height}"))
}

/// Neither two hyphens in a row nor one at the end (XML 1.0, section 2.5).
fn comment(text: &str) -> String {
    // Twice: what becomes of "---" has two in a row again.
    let apart = printable(text).replace("--", "- -").replace("--", "- -");
    apart.trim_end_matches('-').to_owned()
}

/// Control characters and the two that are none are not allowed in XML at all (section 2.2).
pub(crate) fn printable(text: &str) -> String {
    let allowed = |c: char| !c.is_control() && !matches!(c, '\u{fffe}' | '\u{ffff}');
    text.chars()
        .map(|c| if allowed(c) { c } else { ' ' })
        .collect()
}

pub(crate) fn path_data(path: &BezPath) -> String {
    let mut data = String::new();
    let mut add = |letter: char, points: &[Point]| {
        if !data.is_empty() {
            data.push(' ');
        }
        data.push(letter);
        for (i, p) in points.iter().enumerate() {
            let gap = if i == 0 { "" } else { " " };
            // Writing to a string cannot fail.
            let _ = write!(data, "{gap}{} {}", number(p.x), number(p.y));
        }
    };
    for element in path.elements() {
        match *element {
            PathEl::MoveTo(p) => add('M', &[p]),
            PathEl::LineTo(p) => add('L', &[p]),
            PathEl::QuadTo(a, p) => add('Q', &[a, p]),
            PathEl::CurveTo(a, b, p) => add('C', &[a, b, p]),
            PathEl::ClosePath => add('Z', &[]),
        }
    }
    data
}

/// A coordinate to a ten-thousandth of a millimetre, without needless zeros.
pub(crate) fn number(value: f64) -> String {
    let text = format!("{value:.4}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".to_owned()
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::number;

    #[test]
    fn numbers_are_short_and_have_no_negative_zero() {
        let written = [1.0, 0.5, -0.000_01, 12.345_678, 100.0].map(number);
        assert_eq!(written, ["1", "0.5", "0", "12.3457", "100"]);
    }
}
