//! Layers of paint to one area: booleans on fine polygons (by a general polygon library), the
//! result put together again from the curves.

use i_overlay::core::fill_rule::FillRule;
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::core::solver::Solver;
use i_overlay::float::overlay::{FloatOverlay, OverlayOptions};
use kurbo::{BezPath, PathEl, Point, Rect};

use crate::layers::{Layer, Shape};
use crate::trace_back::{Sources, rings};
use crate::{Error, effort};

/// A closed polygon; the last point joins the first.
pub(crate) type Ring = Vec<[f64; 2]>;
/// Areas, each an outer ring and its holes.
pub(crate) type Polygons = Vec<Vec<Ring>>;

/// How far polygons may lie from the curves, in relation to the drawing's size. At 100 mm this is
/// a ten-thousandth of a millimetre.
pub(crate) const FLATNESS: f64 = 1e-6;
/// Areas smaller than this share of the drawing's square are specks left by drawing errors: a
/// hundredth of a square millimetre at 100 mm.
const SPECK: f64 = 1e-6;
/// Largest share of a drawing's size by which the result may differ from the polygons it came
/// from.
const PROVEN: f64 = 1e-5;
/// Single precision holds seven digits; a drawing far from the origin wastes them.
const LARGEST_OFFSET: f64 = 100.0;

/// The drawing's filled area.
#[derive(Debug)]
pub(crate) struct Area {
    pub(crate) contours: Vec<BezPath>,
    pub(crate) holes: Vec<bool>,
    pub(crate) notes: Vec<String>,
}

/// Paints the layers one over the other and returns the outline of what is material then.
pub(crate) fn fill(layers: &[Layer], file: &str) -> Result<Area, Error> {
    let mut notes = Vec::new();
    let all_white = layers.iter().all(|l| l.white);
    if all_white && !layers.is_empty() {
        notes.push("the whole drawing is white: taken as material".to_owned());
    }
    let no_area = |hint| Error::NoArea {
        file: file.to_owned(),
        hint,
    };
    let frame = layers
        .iter()
        .filter(|l| !l.white || all_white)
        .filter_map(|l| control_box(&l.shape.path))
        .reduce(|a, b| a.union(b))
        .ok_or_else(|| no_area(" (nothing in it is visible and filled)"))?;
    let size = frame.width().max(frame.height());
    check_place(frame, size, file)?;

    let painter = Painter {
        flatness: FLATNESS * size,
    };
    let shapes = || layers.iter().flat_map(Layer::shapes);
    effort::check(shapes(), painter.flatness, frame, file)?;
    let area = painter.paint(layers, all_white);
    let (area, specks) = without_specks(area, SPECK * size * size);
    if specks > 0 {
        notes.push(format!("{specks} speck(s) too small to see left out"));
    }
    if area.is_empty() {
        return Err(no_area(" (its shapes are empty, or white covers them)"));
    }
    let sources = Sources::new(shapes(), painter.flatness, frame);
    let holes = area
        .iter()
        .flat_map(|rings| (0..rings.len()).map(|i| i > 0))
        .collect();
    let contours: Vec<BezPath> = area
        .iter()
        .flatten()
        .map(|ring| sources.curves(ring))
        .collect();
    let drawn = layers
        .iter()
        .map(|l| contour_count(&l.shape.path))
        .sum::<usize>();
    if drawn != contours.len() {
        notes.push(format!(
            "{drawn} drawn contours became {} after uniting overlaps and taking away what is covered",
            contours.len()
        ));
    }
    let contours = if painter.proven(&area, &contours, PROVEN * size) {
        contours
    } else {
        notes.push("its curves could not be kept: very short straight lines stand for them".into());
        area.iter().flatten().map(polygon_path).collect()
    };
    Ok(Area {
        contours,
        holes,
        notes,
    })
}

fn check_place(frame: Rect, size: f64, file: &str) -> Result<(), Error> {
    let at = [frame.x0, frame.x1, frame.y0, frame.y1]
        .map(f64::abs)
        .into_iter()
        .fold(0.0, f64::max);
    if !at.is_finite() || at > LARGEST_OFFSET * size.max(f64::MIN_POSITIVE) {
        return Err(Error::FarAway {
            file: file.to_owned(),
            at,
            size,
        });
    }
    Ok(())
}

/// A box round the control points, which is never smaller than the curve's own.
fn control_box(path: &BezPath) -> Option<Rect> {
    let frame = path.control_box();
    (frame.width() > 0.0 || frame.height() > 0.0).then_some(frame)
}

fn contour_count(path: &BezPath) -> usize {
    path.elements()
        .iter()
        .filter(|e| matches!(e, PathEl::MoveTo(_)))
        .count()
}

struct Painter {
    flatness: f64,
}

impl Painter {
    /// Runs of layers of one kind are united at once; booleans are the dear part.
    fn paint(&self, layers: &[Layer], all_white: bool) -> Polygons {
        let removes = |l: &Layer| l.white && !all_white;
        let mut area = Polygons::new();
        for run in layers.chunk_by(|a, b| removes(a) == removes(b)) {
            let united = unite(run.iter().flat_map(|l| self.visible(l)).collect());
            let rule = if removes(&run[0]) {
                OverlayRule::Difference
            } else {
                OverlayRule::Union
            };
            area = combine(&area, &united, rule);
        }
        area
    }

    fn visible(&self, layer: &Layer) -> Polygons {
        let clips = layer
            .clips
            .iter()
            .map(|shapes| unite(shapes.iter().flat_map(|s| self.filled(s)).collect()));
        clips.fold(self.filled(&layer.shape), |area, clip| {
            combine(&area, &clip, OverlayRule::Intersect)
        })
    }

    fn filled(&self, shape: &Shape) -> Polygons {
        let rule = if shape.even_odd {
            FillRule::EvenOdd
        } else {
            FillRule::NonZero
        };
        overlay(
            &rings(&shape.path, self.flatness),
            &Vec::new(),
            OverlayRule::Subject,
            rule,
        )
    }

    /// Whether flattening the curves gives the polygons they were made from, to within
    /// `tolerance` on average along the outline.
    fn proven(&self, area: &Polygons, curves: &[BezPath], tolerance: f64) -> bool {
        let again: Vec<Ring> = curves
            .iter()
            .flat_map(|c| rings(c, self.flatness))
            .collect();
        let again = overlay(&again, &Vec::new(), OverlayRule::Subject, FillRule::NonZero);
        let difference = combine(area, &again, OverlayRule::Xor);
        let difference: f64 = difference.iter().map(|rings| net_area(rings)).sum();
        let length: f64 = area.iter().flatten().map(perimeter).sum();
        difference <= tolerance * length
    }
}

/// Overlapping areas to one; every ring keeps its sense, so that the non-zero rule unites.
fn unite(areas: Polygons) -> Polygons {
    let rings: Vec<Ring> = areas.into_iter().flatten().collect();
    overlay(&rings, &Vec::new(), OverlayRule::Subject, FillRule::NonZero)
}

fn combine(a: &Polygons, b: &Polygons, rule: OverlayRule) -> Polygons {
    let flat = |p: &Polygons| p.iter().flatten().cloned().collect::<Vec<Ring>>();
    overlay(&flat(a), &flat(b), rule, FillRule::NonZero)
}

fn overlay(subject: &Vec<Ring>, clip: &Vec<Ring>, rule: OverlayRule, fill: FillRule) -> Polygons {
    if subject.is_empty() && clip.is_empty() {
        return Polygons::new();
    }
    // Points on straight runs are kept: each edge then lies on one edge of the input.
    let mut options = OverlayOptions::default();
    options.preserve_output_collinear = true;
    FloatOverlay::with_subj_and_clip_custom(subject, clip, options, Solver::default())
        .overlay(rule, fill)
}

fn without_specks(area: Polygons, smallest: f64) -> (Polygons, usize) {
    let before: usize = area.iter().map(Vec::len).sum();
    let area: Polygons = area
        .into_iter()
        .filter(|rings| {
            rings
                .first()
                .is_some_and(|r| signed_area(r).abs() > smallest)
        })
        .map(|rings| {
            rings
                .into_iter()
                .filter(|r| signed_area(r).abs() > smallest)
                .collect()
        })
        .collect();
    let after: usize = area.iter().map(Vec::len).sum();
    (area, before - after)
}

fn net_area(rings: &[Ring]) -> f64 {
    rings.iter().map(signed_area).sum::<f64>().abs()
}

fn signed_area(ring: &Ring) -> f64 {
    edges(ring)
        .map(|(a, b)| a[0] * b[1] - b[0] * a[1])
        .sum::<f64>()
        / 2.0
}

fn perimeter(ring: &Ring) -> f64 {
    edges(ring)
        .map(|(a, b)| (b[0] - a[0]).hypot(b[1] - a[1]))
        .sum()
}

pub(crate) fn edges(ring: &Ring) -> impl Iterator<Item = ([f64; 2], [f64; 2])> + '_ {
    ring.iter()
        .copied()
        .zip(ring.iter().copied().cycle().skip(1))
        .take(ring.len())
}

fn polygon_path(ring: &Ring) -> BezPath {
    let mut path = BezPath::new();
    for (i, &[x, y]) in ring.iter().enumerate() {
        let p = Point::new(x, y);
        path.push(if i == 0 {
            PathEl::MoveTo(p)
        } else {
            PathEl::LineTo(p)
        });
    }
    path.close_path();
    path
}
