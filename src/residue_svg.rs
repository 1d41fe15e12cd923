//! `residue.svg`: the residue's own outline at true size, as seen on the cloth.

use kurbo::BezPath;
use measures::{Mm, Outline, Worn};
use svg::Document;
use svg::node::element::{Description, Path, Title};

const MARGIN_MM: f64 = 5.0;

/// The outline as an SVG file in millimetres, as worn: not mirrored, bleed included.
pub(crate) fn write(outline: &Outline<Mm, Worn>, job: &str, emblem: &str) -> String {
    let frame = outline.bounding_box().inflate(MARGIN_MM, MARGIN_MM);
    let number = |x: f64| (x * 1e3).round() / 1e3 + 0.0;
    let [x, y, width, height] = [frame.x0, frame.y0, frame.width(), frame.height()].map(number);
    let mut document = Document::new()
        .set("width", format!("{width}mm"))
        .set("height", format!("{height}mm"))
        .set("viewBox", format!("{x} {y} {width} {height}"))
        .add(Title::new(printable(&format!("{job}: {emblem}, residue"))))
        .add(Description::new().add(svg::node::Text::new(
            "The residue as measured, true size, as worn (not mirrored). Adhesive may have bled \
             past the emblem's edge: compare before cutting.",
        )));
    for contour in outline.contours() {
        let path = Path::new()
            .set("d", rounded(contour).to_svg())
            .set("fill", "none")
            .set("stroke", "#000000")
            .set("stroke-width", 0.1);
        document = document.add(path);
    }
    format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{document}\n")
}

fn rounded(path: &BezPath) -> BezPath {
    let round =
        |p: kurbo::Point| kurbo::Point::new((p.x * 1e3).round() / 1e3, (p.y * 1e3).round() / 1e3);
    path.iter()
        .map(|element| match element {
            kurbo::PathEl::MoveTo(p) => kurbo::PathEl::MoveTo(round(p)),
            kurbo::PathEl::LineTo(p) => kurbo::PathEl::LineTo(round(p)),
            kurbo::PathEl::QuadTo(a, p) => kurbo::PathEl::QuadTo(round(a), round(p)),
            kurbo::PathEl::CurveTo(a, b, p) => kurbo::PathEl::CurveTo(round(a), round(b), round(p)),
            kurbo::PathEl::ClosePath => kurbo::PathEl::ClosePath,
        })
        .collect()
}

/// Control characters are not allowed in XML at all.
fn printable(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use kurbo::Shape as _;

    #[test]
    fn true_size_with_a_margin() {
        let square = kurbo::Rect::new(-10.0, 5.0, 20.0, 25.0).to_path(0.1);
        let text = write(
            &Outline::from_contours(vec![square], &[false]),
            "a<b",
            "crest",
        );
        assert!(
            text.contains("width=\"40mm\"") && text.contains("height=\"30mm\""),
            "{text}"
        );
        assert!(text.contains("viewBox=\"-15 0 40 30\""), "{text}");
        assert!(text.contains("a&lt;b"), "{text}");
    }
}
