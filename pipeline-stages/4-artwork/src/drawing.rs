//! An outline as a drawing again.

use measures::Artwork;
use svg::Document;
use svg::node::Text;
use svg::node::element::{Description, Path, Title};

/// The artwork as an SVG drawing in its own units: one path, its notes as the description.
pub fn drawing(artwork: &Artwork) -> String {
    let frame = artwork.outline.bounding_box().expand();
    let view_box = (frame.x0, frame.y0, frame.width(), frame.height());
    let printable = |text: &str| text.replace(char::is_control, " ");
    let path = Path::new()
        .set("fill", "#000000")
        .set("fill-rule", "evenodd")
        .set("d", path_data(&artwork.outline.to_path()));
    let document = Document::new()
        .set("width", frame.width())
        .set("height", frame.height())
        .set("viewBox", view_box)
        .add(Title::new(printable(&artwork.file)))
        .add(Description::new().add(Text::new(printable(&artwork.notes.join("; ")))))
        .add(path);
    format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{document}\n")
}

/// Coordinates to a hundred-thousandth of a unit.
fn path_data(path: &kurbo::BezPath) -> String {
    let mut rounded = path.clone();
    for element in rounded.elements_mut() {
        let round = |p: &mut kurbo::Point| {
            *p = kurbo::Point::new((p.x * 1e5).round() / 1e5, (p.y * 1e5).round() / 1e5);
        };
        match element {
            kurbo::PathEl::MoveTo(p) | kurbo::PathEl::LineTo(p) => round(p),
            kurbo::PathEl::QuadTo(a, p) => [a, p].into_iter().for_each(round),
            kurbo::PathEl::CurveTo(a, b, p) => [a, b, p].into_iter().for_each(round),
            kurbo::PathEl::ClosePath => {}
        }
    }
    rounded.to_svg()
}
