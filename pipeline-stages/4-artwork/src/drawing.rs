//! An outline as a drawing again.

use measures::Artwork;

use crate::Tracing;
use svg::Document;
use svg::node::Text;
use svg::node::element::{Description, Group, Path, Title};

/// The artwork as an SVG drawing in its own units: one path, its notes as the description.
pub fn drawing(artwork: &Artwork) -> String {
    let path = Path::new()
        .set("fill", "#000000")
        .set("fill-rule", "evenodd")
        .set("d", path_data(&artwork.outline.to_path()));
    let document = page(artwork).add(path);
    format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{document}\n")
}

/// A tracing as an SVG drawing: a group for each colour, from the largest to the smallest, whose id
/// says its number and its colour.
pub fn coloured_drawing(tracing: &Tracing) -> String {
    if tracing.regions.is_empty() {
        return drawing(&tracing.artwork);
    }
    let artwork = &tracing.artwork;
    let mut document = page(artwork);
    for (i, region) in tracing.regions.iter().enumerate() {
        let [r, g, b] = region.colour;
        let colour = format!("{r:02x}{g:02x}{b:02x}");
        let path = Path::new()
            .set("fill", format!("#{colour}"))
            .set("fill-rule", "evenodd")
            .set("d", path_data(&region.outline.to_path()));
        let group = Group::new().set("id", format!("colour-{}-{colour}", i + 1));
        document = document.add(group.add(path));
    }
    format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{document}\n")
}

/// An empty drawing round the artwork, with its name and notes.
fn page(artwork: &Artwork) -> Document {
    let frame = artwork.outline.bounding_box().expand();
    let view_box = (frame.x0, frame.y0, frame.width(), frame.height());
    let refused = |c: char| c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}');
    let printable = |text: &str| text.replace(refused, " ");
    Document::new()
        .set("width", frame.width())
        .set("height", frame.height())
        .set("viewBox", view_box)
        .add(Title::new(printable(&artwork.file)))
        .add(Description::new().add(Text::new(printable(&artwork.notes.join("; ")))))
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
