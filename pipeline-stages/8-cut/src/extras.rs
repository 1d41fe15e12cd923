//! What is cut along with the pieces when asked for: a frame and lines to lift the waste in parts,
//! and a square to check the machine with.

use kurbo::{BezPath, Line, ParamCurve, Point, Rect, Shape};
use serde::Deserialize;

use crate::Settings;
use crate::sheet::Part;

/// Something that is cut along with the pieces.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Extra {
    /// A rectangle round all pieces: the waste inside comes off, the rest stays on the roll.
    WeedingFrame,
    /// Straight cuts through the waste between the pieces, so that it comes off in strips.
    WeedingLines,
    /// A square of known size, cut first: measure it, lift it, and see whether force and offset
    /// are right before the pieces are cut.
    TestSquare,
}

impl Extra {
    /// All, by the names that jobs use.
    pub const NAMES: [(&'static str, Self); 3] = [
        ("weeding-frame", Self::WeedingFrame),
        ("weeding-lines", Self::WeedingLines),
        ("test-square", Self::TestSquare),
    ];
}

/// How near to a piece a weeding line may end.
const CLEARANCE_MM: f64 = 1.0;
/// A weeding line shorter than this is of no use.
const SHORTEST_LINE_MM: f64 = 5.0;

/// What is cut before the pieces, what after them, and the box round everything.
pub(crate) fn around(
    pieces: &[Part],
    frame: Rect,
    extras: &[Extra],
    settings: &Settings,
) -> (Vec<Part>, Vec<Part>, Rect) {
    let asked = |extra| extras.contains(&extra);
    let (mut before, mut after) = (Vec::new(), Vec::new());
    let mut outer = frame;
    let gap = settings.weeding_frame_mm.min(settings.margin_mm);
    let weeded = frame.inflate(gap, gap);
    if asked(Extra::WeedingLines) {
        let lines = weeding_lines(pieces, weeded, settings.weeding_line_spacing_mm);
        if !lines.is_empty() {
            after.push(part("weeding lines", lines));
        }
    }
    if asked(Extra::WeedingFrame) {
        after.push(part("weeding frame", vec![rectangle(weeded)]));
    }
    if asked(Extra::TestSquare) {
        let side = settings.test_square_mm;
        let top = frame.y1 + settings.spacing_mm + gap;
        let square = Rect::new(frame.x0, top, frame.x0 + side, top + side);
        outer = outer.union(square);
        before.push(part("test square", vec![rectangle(square)]));
    }
    (before, after, outer)
}

fn part(name: &str, contours: Vec<BezPath>) -> Part {
    Part {
        piece: None,
        copy: 1,
        number: 0,
        name: name.to_owned(),
        turn_deg: 0.0,
        contours,
    }
}

fn rectangle(r: Rect) -> BezPath {
    r.to_path(0.1)
}

/// Cuts across the roll at even distances, where no piece lies; each goes there and back, so that
/// it is a closed contour like all others.
fn weeding_lines(pieces: &[Part], weeded: Rect, spacing_mm: f64) -> Vec<BezPath> {
    // Holes in a piece come off with the piece's own waste.
    let outer: Vec<&BezPath> = pieces
        .iter()
        .flat_map(|p| &p.contours)
        .filter(|c| c.area() > 0.0)
        .collect();
    let count = (weeded.height() / spacing_mm).floor() as u32;
    let first = weeded.y0 + (weeded.height() - f64::from(count) * spacing_mm) / 2.0;
    (0..=count)
        .map(|i| first + f64::from(i) * spacing_mm)
        .filter(|y| *y > weeded.y0 + SHORTEST_LINE_MM && *y < weeded.y1 - SHORTEST_LINE_MM)
        .flat_map(|y| free_stretches(&outer, weeded, y))
        .map(|(from, to)| {
            let mut line = BezPath::new();
            line.move_to(from);
            line.line_to(to);
            line.close_path();
            line
        })
        .collect()
}

/// The parts of a line across at height `y` that keep clear of all pieces.
fn free_stretches(outer: &[&BezPath], weeded: Rect, y: f64) -> Vec<(Point, Point)> {
    let mut taken: Vec<(f64, f64)> = Vec::new();
    for contour in outer {
        let frame = contour.bounding_box().inflate(CLEARANCE_MM, CLEARANCE_MM);
        if !(frame.y0..=frame.y1).contains(&y) {
            continue;
        }
        // Where the contour comes nearer than the clearance: on three lines, above, on and below.
        for dy in [-CLEARANCE_MM, 0.0, CLEARANCE_MM] {
            taken.extend(inside(contour, frame, y + dy));
        }
    }
    taken.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut free = Vec::new();
    let mut from = weeded.x0;
    for (a, b) in taken.into_iter().chain([(weeded.x1 + CLEARANCE_MM, 0.0)]) {
        let to = (a - CLEARANCE_MM).min(weeded.x1);
        if to - from >= SHORTEST_LINE_MM {
            free.push((Point::new(from, y), Point::new(to, y)));
        }
        from = from.max(b + CLEARANCE_MM);
    }
    free
}

/// Where a line across is inside a contour.
fn inside(contour: &BezPath, frame: Rect, y: f64) -> Vec<(f64, f64)> {
    let line = Line::new((frame.x0 - 1.0, y), (frame.x1 + 1.0, y));
    let mut crossings: Vec<f64> = contour
        .segments()
        .flat_map(|s| s.intersect_line(line))
        .map(|hit| line.eval(hit.line_t).x)
        .collect();
    crossings.sort_by(f64::total_cmp);
    // Crossings may double at nodes: what lies between two is asked of the contour itself.
    crossings
        .windows(2)
        .map(|w| (w[0], w[1]))
        .filter(|(a, b)| contour.winding(Point::new(f64::midpoint(*a, *b), y)) != 0)
        .collect()
}
