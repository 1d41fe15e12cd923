//! The drawing as layers of paint, from bottom to top, in user units.

use kurbo::{Affine, BezPath, Cap, Join, Point, Stroke, StrokeOpts};
use usvg::tiny_skia_path::{PathSegment, Transform};
use usvg::{FillRule, Group, Node, Paint, PaintOrder};

use crate::Error;

/// Closed contours and how they are filled.
#[derive(Clone, Debug)]
pub(crate) struct Shape {
    pub(crate) path: BezPath,
    pub(crate) even_odd: bool,
}

/// One application of paint.
#[derive(Clone, Debug)]
pub(crate) struct Layer {
    pub(crate) shape: Shape,
    /// White paint takes material away.
    pub(crate) white: bool,
    /// The layer shows only inside each of these; the shapes of one clip are united.
    pub(crate) clips: Vec<Vec<Shape>>,
    /// Which of the groups asked for it lies in; the innermost of several.
    pub(crate) group: Option<usize>,
}

impl Layer {
    /// What is painted and what it is clipped to.
    pub(crate) fn shapes(&self) -> impl Iterator<Item = &Shape> {
        std::iter::once(&self.shape).chain(self.clips.iter().flatten())
    }
}

#[derive(Debug, Default)]
pub(crate) struct Drawing {
    pub(crate) layers: Vec<Layer>,
    /// Every id of a group or a shape, in the order of the drawing.
    pub(crate) ids: Vec<String>,
    pub(crate) notes: Vec<String>,
}

/// Colour channels at or above this are white: tracing programs write almost-white for white.
const WHITE_FROM: u8 = 250;
/// White that lets something shine through is a highlight, not a hole.
const OPAQUE_FROM: f32 = 0.99;
/// How far the handles of a straight cubic may lie beside the line, in relation to its length:
/// what is left of single precision.
const STRAIGHT: f64 = 1e-6;
/// Accuracy of stroke outlines, in relation to the drawing's size.
const STROKE_ACCURACY: f64 = 1e-5;

/// All visible paint of the drawing; `to_user` leads from its pixels to user units, `groups` are
/// the ids to be told apart.
pub(crate) fn collect(
    tree: &usvg::Tree,
    to_user: Affine,
    file: &str,
    groups: &[&str],
) -> Result<Drawing, Error> {
    let size_px = f64::from(tree.size().width().max(tree.size().height()));
    let accuracy = STROKE_ACCURACY * size_px * scale(to_user);
    let mut collector = Collector {
        file,
        accuracy,
        seen: Seen::default(),
        layers: Vec::new(),
        groups,
        ids: Vec::new(),
        inside: None,
    };
    collector.group(tree.root(), to_user, &[])?;
    let Collector {
        seen, layers, ids, ..
    } = collector;
    Ok(Drawing {
        layers,
        ids,
        notes: seen.notes(),
    })
}

/// What happened on the way that the reader should know.
#[derive(Default)]
struct Seen {
    strokes: usize,
    whites: usize,
    patterns: usize,
    filters: usize,
    open: usize,
}

impl Seen {
    fn notes(&self) -> Vec<String> {
        let said = |count: usize, what: &str| (count > 0).then(|| format!("{count} {what}"));
        [
            said(
                self.strokes,
                "drawn line(s) turned into areas of their line width",
            ),
            said(
                self.whites,
                "white area(s) taken as no material: give them a colour if they are to be cut",
            ),
            said(self.patterns, "pattern fill(s) taken as solid"),
            said(
                self.open,
                "open outline(s) closed by a straight line from end to beginning",
            ),
            said(self.filters, "effect(s) such as blur or shadow left out"),
        ]
        .into_iter()
        .flatten()
        .collect()
    }
}

struct Collector<'a> {
    file: &'a str,
    /// Of stroke outlines, in user units.
    accuracy: f64,
    seen: Seen,
    layers: Vec<Layer>,
    groups: &'a [&'a str],
    ids: Vec<String>,
    /// The group that is being collected.
    inside: Option<usize>,
}

impl Collector<'_> {
    /// Enters a group or shape; returns the group that was being collected before.
    fn enter(&mut self, id: &str) -> Option<usize> {
        let before = self.inside;
        if !id.is_empty() && !self.ids.iter().any(|known| known == id) {
            self.ids.push(id.to_owned());
        }
        if let Some(index) = self.groups.iter().position(|g| *g == id) {
            self.inside = Some(index);
        }
        before
    }

    /// `outer` maps the surrounding group's coordinates to user units.
    fn group(&mut self, group: &Group, outer: Affine, clips: &[Vec<Shape>]) -> Result<(), Error> {
        if group.opacity().get() == 0.0 {
            return Ok(());
        }
        if group.mask().is_some() {
            return Err(Error::NotAnOutline {
                file: self.file.to_owned(),
                seen: "a mask",
                remedy: "release the mask (or expand the appearance) in your drawing program",
            });
        }
        let before = self.enter(group.id());
        self.seen.filters += group.filters().len();
        let here = outer * affine(group.transform());
        let mut clips = clips.to_vec();
        let mut clip = group.clip_path();
        while let Some(path) = clip {
            clips.push(clip_shapes(path.root(), here * affine(path.transform())));
            clip = path.clip_path();
        }
        for node in group.children() {
            match node {
                Node::Group(inner) => self.group(inner, here, &clips)?,
                Node::Path(path) if path.is_visible() => self.path(path, here, &clips),
                // Pictures and text were dealt with before.
                Node::Path(_) | Node::Image(_) | Node::Text(_) => {}
            }
        }
        self.inside = before;
        Ok(())
    }

    fn path(&mut self, path: &usvg::Path, here: Affine, clips: &[Vec<Shape>]) {
        let before = self.enter(path.id());
        let data = bez_path(path.data());
        if path.fill().is_some() {
            self.seen.open += open_contours(&data);
        }
        let fill = path.fill().map(|fill| {
            let even_odd = fill.rule() == FillRule::EvenOdd;
            (
                Shape {
                    path: here * &data,
                    even_odd,
                },
                fill.paint(),
                fill.opacity().get(),
            )
        });
        let stroke = path.stroke().map(|stroke| {
            // The outline is made where the stroke's width is one number: before the transform.
            let accuracy = self.accuracy / scale(here).max(f64::MIN_POSITIVE);
            let outline = kurbo::stroke(&data, &pen(stroke), &StrokeOpts::default(), accuracy);
            let shape = Shape {
                path: here * outline,
                even_odd: false,
            };
            (shape, stroke.paint(), stroke.opacity().get())
        });
        self.seen.strokes += usize::from(stroke.as_ref().is_some_and(|(.., o)| *o > 0.0));
        let paints = match path.paint_order() {
            PaintOrder::FillAndStroke => [fill, stroke],
            PaintOrder::StrokeAndFill => [stroke, fill],
        };
        for (shape, paint, opacity) in paints.into_iter().flatten() {
            self.paint(shape, paint, opacity, clips);
        }
        self.inside = before;
    }

    fn paint(&mut self, shape: Shape, paint: &Paint, opacity: f32, clips: &[Vec<Shape>]) {
        let white = match paint {
            Paint::Color(c) => [c.red, c.green, c.blue].iter().all(|&v| v >= WHITE_FROM),
            Paint::Pattern(_) => {
                self.seen.patterns += 1;
                false
            }
            Paint::LinearGradient(_) | Paint::RadialGradient(_) => false,
        };
        if opacity == 0.0 || (white && opacity < OPAQUE_FROM) {
            return;
        }
        self.seen.whites += usize::from(white);
        self.layers.push(Layer {
            shape,
            white,
            clips: clips.to_vec(),
            group: self.inside,
        });
    }
}

/// The shapes that make up a clip path: each counts with its fill, whatever its colour.
fn clip_shapes(group: &Group, here: Affine) -> Vec<Shape> {
    let mut shapes = Vec::new();
    for node in group.children() {
        match node {
            Node::Group(inner) => {
                shapes.extend(clip_shapes(inner, here * affine(inner.transform())));
            }
            Node::Path(path) => {
                let even_odd = path.fill().is_some_and(|f| f.rule() == FillRule::EvenOdd);
                shapes.push(Shape {
                    path: here * bez_path(path.data()),
                    even_odd,
                });
            }
            Node::Image(_) | Node::Text(_) => {}
        }
    }
    shapes
}

fn affine(t: Transform) -> Affine {
    Affine::new([t.sx, t.ky, t.kx, t.sy, t.tx, t.ty].map(f64::from))
}

/// Lengths after the map for one before: the square root of the areas' ratio.
fn scale(map: Affine) -> f64 {
    map.determinant().abs().sqrt()
}

fn bez_path(path: &usvg::tiny_skia_path::Path) -> BezPath {
    let point = |p: usvg::tiny_skia_path::Point| Point::new(p.x.into(), p.y.into());
    let mut out = BezPath::new();
    for segment in path.segments() {
        match segment {
            PathSegment::MoveTo(p) => out.move_to(point(p)),
            PathSegment::LineTo(p) => out.line_to(point(p)),
            PathSegment::QuadTo(a, p) => out.quad_to(point(a), point(p)),
            PathSegment::CubicTo(a, b, p) => {
                let from = out.current_position().unwrap_or_default();
                if is_straight(from, [point(a), point(b)], point(p)) {
                    out.line_to(point(p));
                } else {
                    out.curve_to(point(a), point(b), point(p));
                }
            }
            PathSegment::Close => out.close_path(),
        }
    }
    out
}

/// Contours that are filled though they do not end where they began.
fn open_contours(path: &BezPath) -> usize {
    use kurbo::PathEl;
    let mut open = 0;
    let (mut start, mut at) = (Point::ORIGIN, Point::ORIGIN);
    for element in path
        .elements()
        .iter()
        .chain([&PathEl::MoveTo(Point::ORIGIN)])
    {
        match element {
            PathEl::MoveTo(p) => {
                open += usize::from(at != start);
                (start, at) = (*p, *p);
            }
            PathEl::ClosePath => at = start,
            other => at = other.end_point().unwrap_or(at),
        }
    }
    open
}

/// Whether a cubic's handles lie on the line between its ends: many programs write lines so.
fn is_straight(from: Point, handles: [Point; 2], to: Point) -> bool {
    let along = to - from;
    let length = along.hypot();
    handles.iter().all(|h| {
        let off = *h - from;
        let share = off.dot(along) / (length * length);
        off.cross(along).abs() <= STRAIGHT * length * length && (0.0..=1.0).contains(&share)
    })
}

fn pen(stroke: &usvg::Stroke) -> Stroke {
    let join = match stroke.linejoin() {
        usvg::LineJoin::Miter | usvg::LineJoin::MiterClip => Join::Miter,
        usvg::LineJoin::Round => Join::Round,
        usvg::LineJoin::Bevel => Join::Bevel,
    };
    let cap = match stroke.linecap() {
        usvg::LineCap::Butt => Cap::Butt,
        usvg::LineCap::Round => Cap::Round,
        usvg::LineCap::Square => Cap::Square,
    };
    let pen = Stroke::new(stroke.width().get().into())
        .with_join(join)
        .with_caps(cap)
        .with_miter_limit(stroke.miterlimit().get().into());
    match stroke.dasharray() {
        Some(dashes) => pen.with_dashes(
            stroke.dashoffset().into(),
            dashes.iter().map(|&d| f64::from(d)),
        ),
        None => pen,
    }
}
