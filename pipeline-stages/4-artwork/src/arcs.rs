//! Circles, ellipses, rounded corners and arcs, drawn out as cubics before the drawing library
//! sees them: it allows itself a tenth of a unit, and four cubics make a circle's area 0.03 % too
//! large.

use std::borrow::Cow;
use std::f64::consts::FRAC_PI_2;
use std::fmt::Write;
use std::ops::Range;

use kurbo::{Arc, BezPath, Point, RoundedRect, RoundedRectRadii, Shape, SvgArc, Vec2};
use svgtypes::{PathParser, PathSegment};
use usvg::roxmltree::{Document, Node};

/// How far cubics may lie from an arc, in relation to its radius.
const ARC_ACCURACY: f64 = 1e-5;

/// The drawing's text with every arc drawn out.
///
/// A shape whose element name a style sheet speaks of keeps its name, and the library's accuracy.
pub(crate) fn drawn_out<'a>(text: &'a str, document: &Document) -> Cow<'a, str> {
    let styles: String = document
        .descendants()
        .filter(|n| n.tag_name().name() == "style")
        .flat_map(|n| n.descendants().filter_map(|t| t.text()))
        .collect();
    let mut edits: Vec<(Range<usize>, String)> = document
        .descendants()
        .filter(Node::is_element)
        .filter_map(|node| match node.tag_name().name() {
            "path" => path_edit(&node, text),
            name @ ("circle" | "ellipse" | "rect") if !styles.contains(name) => {
                shape_edits(&node, text)
            }
            _ => None,
        })
        .flatten()
        .collect();
    if edits.is_empty() {
        return Cow::Borrowed(text);
    }
    edits.sort_by_key(|(range, _)| range.start);
    // What stands in an entity appears once for each time it is used.
    edits.dedup_by_key(|(range, _)| range.start);
    let mut out = String::with_capacity(text.len());
    let mut at = 0;
    for (range, new) in edits {
        out.push_str(&text[at..range.start]);
        out.push_str(&new);
        at = range.end;
    }
    out.push_str(&text[at..]);
    Cow::Owned(out)
}

type Edits = Vec<(Range<usize>, String)>;

/// Path data with arcs, rewritten.
fn path_edit(node: &Node, text: &str) -> Option<Edits> {
    let attribute = node.attribute_node("d")?;
    let range = attribute.range_value();
    // In an entity, or with references in it, the text is not the data.
    if text.get(range.clone())? != attribute.value() {
        return None;
    }
    let segments: Vec<PathSegment> = PathParser::from(attribute.value())
        .collect::<Result<_, _>>()
        .ok()?;
    let has_arcs = segments
        .iter()
        .any(|s| matches!(s, PathSegment::EllipticalArc { .. }));
    has_arcs.then(|| vec![(range, absolute_without_arcs(&segments))])
}

/// A basic shape turned into a path: new name, outline in `d`; its other attributes stay and mean
/// the same.
fn shape_edits(node: &Node, text: &str) -> Option<Edits> {
    let outline = shape_outline(node)?;
    let whole = node.range();
    let source = text.get(whole.clone())?;
    let name_length = source
        .strip_prefix('<')?
        .find(|c: char| c.is_whitespace() || c == '/' || c == '>')?;
    let name = &source[1..=name_length];
    let local = node.tag_name().name();
    let path = format!("{}path", name.strip_suffix(local)?);
    let start = whole.start + 1;
    let mut edits = vec![(
        start..start + name_length,
        format!("{path} d=\"{outline}\""),
    )];
    if let Some(before) = source.strip_suffix('>').map(str::trim_end)
        && let Some(open) = before.strip_suffix(name).filter(|b| b.ends_with("</"))
    {
        let at = whole.start + open.len();
        edits.push((at..at + name_length, path));
    }
    Some(edits)
}

/// The outline of a round shape whose measures are plain numbers.
fn shape_outline(node: &Node) -> Option<String> {
    if node.attribute("d").is_some() {
        return None;
    }
    // Absent attributes are 0; with units or per cent they are left to the library.
    let number = |name: &str| match node.attribute(name) {
        None => Some(0.0),
        Some(v) => v
            .trim()
            .trim_end_matches("px")
            .parse::<f64>()
            .ok()
            .filter(|v| v.is_finite()),
    };
    let side = |name: &str| number(name).filter(|&v| v > 0.0);
    let round = |name: &str, other: &str| {
        if node.attribute(name).is_some() {
            side(name)
        } else {
            side(other)
        }
    };
    let (center, radii) = match node.tag_name().name() {
        "circle" => ((number("cx")?, number("cy")?), (side("r")?, side("r")?)),
        "ellipse" => (
            (number("cx")?, number("cy")?),
            (round("rx", "ry")?, round("ry", "rx")?),
        ),
        _ => {
            let (x, y, w, h) = (number("x")?, number("y")?, side("width")?, side("height")?);
            let (rx, ry) = (
                round("rx", "ry")?.min(w / 2.0),
                round("ry", "rx")?.min(h / 2.0),
            );
            return Some(rounded_rectangle((x, y, w, h), (rx, ry)));
        }
    };
    Some(ellipse(center.into(), radii.into()).to_svg())
}

/// In relation to the smaller radius; an ellipse thinner than any emblem would need millions of curves.
fn accuracy(radii: Vec2) -> f64 {
    const THINNEST: f64 = 1e-4;
    let (small, large) = (radii.x.min(radii.y), radii.x.max(radii.y));
    ARC_ACCURACY * small.max(THINNEST * large)
}

/// Drawn quarter by quarter, so that there are nodes at the ends of both axes.
fn ellipse(center: Point, radii: Vec2) -> BezPath {
    let mut path = BezPath::new();
    path.move_to(center + Vec2::new(radii.x, 0.0));
    for quarter in 0..4 {
        let start = f64::from(quarter) * FRAC_PI_2;
        let arc = Arc::new(center, radii, start, FRAC_PI_2, 0.0);
        path.extend(arc.append_iter(accuracy(radii)));
    }
    path.close_path();
    path
}

/// A rectangle with elliptic corners: one with circular corners, stretched.
fn rounded_rectangle((x, y, w, h): (f64, f64, f64, f64), (rx, ry): (f64, f64)) -> String {
    let stretch = ry / rx;
    let corners = RoundedRectRadii::from_single_radius(rx);
    let circular = RoundedRect::new(0.0, 0.0, w, h / stretch, corners).to_path(ARC_ACCURACY * rx);
    let place = kurbo::Affine::translate((x, y)) * kurbo::Affine::scale_non_uniform(1.0, stretch);
    (place * circular).to_svg()
}

/// The same path in absolute coordinates, arcs as cubics (SVG 2, section 9.3 and appendix B.2).
fn absolute_without_arcs(segments: &[PathSegment]) -> String {
    let mut pen = Pen::default();
    for segment in segments {
        pen.draw(segment);
    }
    pen.out
}

#[derive(Default)]
struct Pen {
    out: String,
    at: Point,
    start: Point,
    /// The last control point, for smooth continuation, with the command it belongs to.
    control: Option<(char, Point)>,
}

impl Pen {
    fn draw(&mut self, segment: &PathSegment) {
        let from = self.at;
        let origin = if segment.is_abs() {
            Vec2::ZERO
        } else {
            from.to_vec2()
        };
        let place = |x: f64, y: f64| Point::new(x, y) + origin;
        match *segment {
            PathSegment::MoveTo { x, y, .. } => {
                self.start = place(x, y);
                self.put('M', &[self.start]);
            }
            PathSegment::LineTo { x, y, .. } => self.put('L', &[place(x, y)]),
            PathSegment::HorizontalLineTo { x, .. } => {
                self.put('L', &[Point::new(x + origin.x, from.y)]);
            }
            PathSegment::VerticalLineTo { y, .. } => {
                self.put('L', &[Point::new(from.x, y + origin.y)]);
            }
            PathSegment::CurveTo {
                x1,
                y1,
                x2,
                y2,
                x,
                y,
                ..
            } => {
                self.put('C', &[place(x1, y1), place(x2, y2), place(x, y)]);
            }
            PathSegment::SmoothCurveTo { x2, y2, x, y, .. } => {
                self.put('C', &[self.reflected('C'), place(x2, y2), place(x, y)]);
            }
            PathSegment::Quadratic { x1, y1, x, y, .. } => {
                self.put('Q', &[place(x1, y1), place(x, y)]);
            }
            PathSegment::SmoothQuadratic { x, y, .. } => {
                self.put('Q', &[self.reflected('Q'), place(x, y)]);
            }
            PathSegment::EllipticalArc {
                rx,
                ry,
                x_axis_rotation,
                large_arc,
                sweep,
                x,
                y,
                ..
            } => {
                self.arc(&SvgArc {
                    from,
                    to: place(x, y),
                    radii: Vec2::new(rx.abs(), ry.abs()),
                    x_rotation: x_axis_rotation.to_radians(),
                    large_arc,
                    sweep,
                });
            }
            PathSegment::ClosePath { .. } => {
                self.put('Z', &[]);
                self.at = self.start;
            }
        }
    }

    fn arc(&mut self, arc: &SvgArc) {
        let Some(round) = Arc::from_svg_arc(arc) else {
            // A radius of 0 makes it a line.
            return self.put('L', &[arc.to]);
        };
        let mut cubics = Vec::new();
        round.to_cubic_beziers(accuracy(round.radii), |a, b, p| cubics.push([a, b, p]));
        if let Some(last) = cubics.last_mut() {
            last[2] = arc.to;
        }
        for cubic in cubics {
            self.put('C', &cubic);
        }
        self.control = None;
    }

    fn reflected(&self, command: char) -> Point {
        match self.control {
            Some((c, p)) if c == command => self.at + (self.at - p),
            _ => self.at,
        }
    }

    fn put(&mut self, command: char, points: &[Point]) {
        self.out.push(command);
        for p in points {
            // Writing to a string cannot fail.
            let _ = write!(self.out, "{} {} ", p.x, p.y);
        }
        self.control = match points {
            [.., c, _] => Some((command, *c)),
            _ => None,
        };
        self.at = points.last().copied().unwrap_or(self.at);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rewritten(svg: &str) -> String {
        drawn_out(svg, &Document::parse(svg).expect("valid")).into_owned()
    }

    #[test]
    fn only_what_is_round_changes() {
        let plain = "<svg><path d='M0 0 L5 5'/><rect width='5' height='5'/><circle r='5%'/></svg>";
        assert_eq!(rewritten(plain), plain);
        let named = "<svg><style>circle{fill:red}</style><circle r='5'/></svg>";
        assert_eq!(rewritten(named), named);
    }

    #[test]
    fn elements_with_children_and_prefixes_stay_whole() {
        let svg = "<s:svg xmlns:s='http://www.w3.org/2000/svg'><s:circle r='5' class='a'><s:title>x</s:title></s:circle ></s:svg>";
        let new = rewritten(svg);
        assert!(
            new.contains("<s:path d=\"M") && new.contains("</s:path >"),
            "{new}"
        );
        assert!(Document::parse(&new).is_ok());
    }

    /// An arc keeps its end points, its smooth neighbours and its area (SVG 2, section 9.3.8).
    #[test]
    fn path_data_keeps_its_meaning() {
        let data = "m10,10 h20 a10 10 0 0 1 10 10 v20 c0 5 5 5 5 0 s5-5 5 0 q5 5 0 10 t0 10 a 30 20 30 1 0 5 5 z l5 5";
        let before = kurbo::BezPath::from_svg(data).expect("valid");
        let segments: Vec<_> = PathParser::from(data).map(|s| s.expect("valid")).collect();
        let after = kurbo::BezPath::from_svg(&absolute_without_arcs(&segments)).expect("valid");
        let (a, b) = (before.bounding_box(), after.bounding_box());
        for (a, b) in [(a.x0, b.x0), (a.y0, b.y0), (a.x1, b.x1), (a.y1, b.y1)] {
            assert!((a - b).abs() < 0.02, "{a} {b}");
        }
        assert!((before.area() / after.area() - 1.0).abs() < 1e-3);
    }
}
