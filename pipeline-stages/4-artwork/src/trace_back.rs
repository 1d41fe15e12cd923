//! From polygons back to curves: every edge of a boolean's result lies on an edge of its input,
//! and that edge stands for a piece of a known curve.

use std::collections::BTreeMap;

use kurbo::{
    BezPath, ParamCurve, ParamCurveDeriv, ParamCurveNearest, PathEl, PathSeg, Point, Rect, Vec2,
};

use crate::layers::Shape;
use crate::region::{Ring, edges};

/// Distance, in units of the flatness, within which an edge lies on another. Booleans work on
/// whole numbers and move points by some 1e-9 of the drawing's size.
const ON_EDGE: f64 = 0.02;
/// Parameters this near are one.
const SAME_PARAMETER: f64 = 1e-6;
/// Cells of the search grid along the drawing's longer side.
const CELLS: f64 = 256.0;
/// Chords of one segment: a bound for control points gone astray.
const MOST_CHORDS: f64 = 20_000.0;

/// A straight piece of a flattened curve.
#[derive(Clone, Copy, Debug)]
struct Chord {
    segment: usize,
    ends: [Point; 2],
    t: [f64; 2],
}

/// All curves of the drawing, found by place.
pub(crate) struct Sources {
    segments: Vec<PathSeg>,
    chords: Vec<Chord>,
    grid: BTreeMap<(i32, i32), Vec<usize>>,
    /// What lies beyond is part of no result.
    frame: Rect,
    cell: f64,
    reach: f64,
}

/// The piece of a straight line inside a frame (Liang and Barsky 1984).
pub(crate) fn within(frame: Rect, [a, b]: [Point; 2]) -> Option<[Point; 2]> {
    let [mut first, mut last] = [0.0f64, 1.0f64];
    for (from, to, low, high) in [
        (a.x, b.x, frame.x0, frame.x1),
        (a.y, b.y, frame.y0, frame.y1),
    ] {
        let (enters, leaves) = (from.min(to), from.max(to));
        if leaves < low || enters > high {
            return None;
        }
        if enters < leaves {
            let at = [low, high].map(|edge| (edge - from) / (to - from));
            first = first.max(at[0].min(at[1]));
            last = last.min(at[0].max(at[1]));
        }
    }
    (first <= last).then(|| [first, last].map(|t| a.lerp(b, t)))
}

/// Consecutive edges of a result that lie on one curve, one way along it.
#[derive(Clone, Copy, Debug)]
struct Run {
    segment: Option<usize>,
    /// Parameters at both ends, against the curve's sense where they fall.
    t: [f64; 2],
    ends: [Point; 2],
}

impl Sources {
    /// The curves of `shapes`, flattened as for the booleans.
    pub(crate) fn new<'a>(
        shapes: impl Iterator<Item = &'a Shape>,
        flatness: f64,
        frame: Rect,
    ) -> Self {
        let cell = frame.width().max(frame.height()) / CELLS;
        let reach = ON_EDGE * flatness;
        let mut sources = Self {
            segments: Vec::new(),
            chords: Vec::new(),
            grid: BTreeMap::new(),
            frame: frame.inflate(reach, reach),
            cell,
            reach,
        };
        for shape in shapes {
            for segment in contours(&shape.path).iter().flat_map(BezPath::segments) {
                sources.add(segment, flatness);
            }
        }
        sources
    }

    fn add(&mut self, segment: PathSeg, flatness: f64) {
        let index = self.segments.len();
        self.segments.push(segment);
        let t: Vec<f64> = steps(segment, flatness).collect();
        for pair in t.windows(2) {
            let ends = [pair[0], pair[1]].map(|t| segment.eval(t));
            if ends[0] != ends[1] {
                self.add_chord(Chord {
                    segment: index,
                    ends,
                    t: [pair[0], pair[1]],
                });
            }
        }
    }

    fn add_chord(&mut self, chord: Chord) {
        let index = self.chords.len();
        self.chords.push(chord);
        let Some([a, b]) = within(self.frame, chord.ends) else {
            return;
        };
        // A long chord's box would cover many cells; short pieces of it do not.
        let pieces = ((a.distance(b) / self.cell).ceil() as usize).max(1);
        for i in 0..pieces {
            let ends = [i, i + 1].map(|k| a.lerp(b, k as f64 / pieces as f64));
            let frame = Rect::from_points(ends[0], ends[1]).inflate(self.reach, self.reach);
            let (low, high) = (
                self.cell_of(frame.origin()),
                self.cell_of((frame.x1, frame.y1).into()),
            );
            for key in (low.0..=high.0).flat_map(|x| (low.1..=high.1).map(move |y| (x, y))) {
                let here = self.grid.entry(key).or_default();
                if here.last() != Some(&index) {
                    here.push(index);
                }
            }
        }
    }

    fn cell_of(&self, p: Point) -> (i32, i32) {
        (
            (p.x / self.cell).floor() as i32,
            (p.y / self.cell).floor() as i32,
        )
    }

    /// The ring as a closed path, made of pieces of the curves it lies on.
    pub(crate) fn curves(&self, ring: &Ring) -> BezPath {
        let runs = self.runs(ring);
        let joints: Vec<Point> = (0..runs.len())
            .map(|i| self.joint(&runs[(i + runs.len() - 1) % runs.len()], &runs[i]))
            .collect();
        let mut path = BezPath::new();
        for (i, run) in runs.iter().enumerate() {
            let (from, to) = (joints[i], joints[(i + 1) % joints.len()]);
            if i == 0 {
                path.move_to(from);
            }
            path.push(self.piece(run, from, to).as_path_el());
        }
        path.close_path();
        path
    }

    fn runs(&self, ring: &Ring) -> Vec<Run> {
        let mut runs: Vec<Run> = Vec::new();
        for (a, b) in edges(ring) {
            let [a, b] = [a, b].map(|[x, y]| Point::new(x, y));
            let preferred = runs.last().and_then(|r| r.segment);
            let run = self.run(a, b, preferred);
            match runs.last_mut() {
                Some(last) if last.continues_with(&run) => last.extend(&run),
                _ => runs.push(run),
            }
        }
        // The ring may begin in the middle of a curve.
        if runs.len() > 1
            && let Some(last) = runs.last().copied()
            && last.continues_with(&runs[0])
        {
            let mut joined = last;
            joined.extend(&runs[0]);
            runs[0] = joined;
            runs.pop();
        }
        runs
    }

    /// One edge, with the curve it lies on; `preferred` wins where several coincide.
    fn run(&self, a: Point, b: Point, preferred: Option<usize>) -> Run {
        let middle = a.midpoint(b);
        let near = self.grid.get(&self.cell_of(middle)).into_iter().flatten();
        let on = near.filter_map(|&i| {
            let chord = &self.chords[i];
            let off = distance_to_chord(a, chord).max(distance_to_chord(b, chord));
            (off < self.reach).then_some((Some(chord.segment) != preferred, off, i))
        });
        let best = on.min_by(|x, y| x.0.cmp(&y.0).then(x.1.total_cmp(&y.1)));
        let Some((.., index)) = best else {
            return Run {
                segment: None,
                t: [0.0, 1.0],
                ends: [a, b],
            };
        };
        let chord = &self.chords[index];
        let segment = self.segments[chord.segment];
        let t = [a, b].map(|p| self.parameter(segment, chord, p));
        Run {
            segment: Some(chord.segment),
            t,
            ends: [a, b],
        }
    }

    /// The parameter of the curve's point next to `p`, which lies on `chord`: by interpolation and
    /// one Newton step.
    fn parameter(&self, segment: PathSeg, chord: &Chord, p: Point) -> f64 {
        let [a, b] = chord.ends;
        let (to_a, to_b) = (a.distance(p), b.distance(p));
        if to_a.min(to_b) < self.reach {
            return chord.t[usize::from(to_b < to_a)];
        }
        let share = (p - a).dot(b - a) / (b - a).hypot2();
        let t = chord.t[0] + share * (chord.t[1] - chord.t[0]);
        let speed = derivative(segment, t);
        let step = (p - segment.eval(t)).dot(speed) / speed.hypot2().max(f64::MIN_POSITIVE);
        (t + step).clamp(chord.t[0], chord.t[1])
    }

    /// Where two runs meet: at a curve's own end if there is one, exactly.
    fn joint(&self, before: &Run, after: &Run) -> Point {
        let own_end = |run: &Run, t: f64| {
            let segment = self.segments[run.segment?];
            if t < SAME_PARAMETER {
                Some(segment.start())
            } else {
                (t > 1.0 - SAME_PARAMETER).then(|| segment.end())
            }
        };
        own_end(before, before.t[1])
            .or_else(|| own_end(after, after.t[0]))
            .unwrap_or(after.ends[0])
    }

    fn piece(&self, run: &Run, from: Point, to: Point) -> PathSeg {
        let line = PathSeg::Line(kurbo::Line::new(from, to));
        let Some(segment) = run.segment.map(|i| self.segments[i]) else {
            return line;
        };
        let [t0, t1] = run.t;
        let forward = segment.subsegment(t0.min(t1)..t0.max(t1));
        let piece = if t0 <= t1 { forward } else { forward.reverse() };
        match piece {
            PathSeg::Line(_) => line,
            PathSeg::Quad(q) => {
                let shift = (from - q.p0 + (to - q.p2)) * 0.5;
                PathSeg::Quad(kurbo::QuadBez::new(from, q.p1 + shift, to))
            }
            PathSeg::Cubic(c) => PathSeg::Cubic(kurbo::CubicBez::new(
                from,
                c.p1 + (from - c.p0),
                c.p2 + (to - c.p3),
                to,
            )),
        }
    }
}

impl Run {
    fn continues_with(&self, next: &Self) -> bool {
        match (self.segment, next.segment) {
            (Some(a), Some(b)) if a == b => {
                let rising = |t: [f64; 2]| t[1] >= t[0];
                (self.t[1] - next.t[0]).abs() < SAME_PARAMETER && rising(self.t) == rising(next.t)
            }
            _ => false,
        }
    }

    fn extend(&mut self, next: &Self) {
        self.t[1] = next.t[1];
        self.ends[1] = next.ends[1];
    }
}

/// Parameters at which `segment` is cut into chords that lie within `flatness` of it.
///
/// The distance of a chord over a step h in the parameter is at most h²/8 times the largest second
/// derivative, which a Bézier's control points bound (Wang's formula).
pub(crate) fn steps(segment: PathSeg, flatness: f64) -> impl Iterator<Item = f64> {
    let n = piece_count(segment, flatness);
    (0..=n).map(move |i| i as f64 / n as f64)
}

/// How many such chords there are.
pub(crate) fn piece_count(segment: PathSeg, flatness: f64) -> usize {
    let bend = match segment {
        PathSeg::Line(_) => 0.0,
        PathSeg::Quad(q) => 2.0 * second_difference(q.p0, q.p1, q.p2),
        PathSeg::Cubic(c) => {
            6.0 * second_difference(c.p0, c.p1, c.p2).max(second_difference(c.p1, c.p2, c.p3))
        }
    };
    (bend / (8.0 * flatness))
        .sqrt()
        .ceil()
        .clamp(1.0, MOST_CHORDS) as usize
}

fn second_difference(a: Point, b: Point, c: Point) -> f64 {
    (a.to_vec2() - 2.0 * b.to_vec2() + c.to_vec2()).hypot()
}

/// The path as closed polygons.
pub(crate) fn rings(path: &BezPath, flatness: f64) -> Vec<Ring> {
    let mut rings: Vec<Ring> = Vec::new();
    for contour in contours(path) {
        let corner = |t: f64, s: PathSeg| {
            let p = s.eval(t);
            [p.x, p.y]
        };
        let mut ring: Ring = contour
            .segments()
            .flat_map(|s| steps(s, flatness).skip(1).map(move |t| corner(t, s)))
            .collect();
        ring.dedup();
        if ring.len() > 2 {
            rings.push(ring);
        }
    }
    rings
}

/// The contours one by one, each closed by a line where it was left open.
pub(crate) fn contours(path: &BezPath) -> Vec<BezPath> {
    let mut all: Vec<BezPath> = Vec::new();
    for element in path.elements() {
        match element {
            PathEl::MoveTo(_) => all.push(BezPath::from_vec(vec![*element])),
            PathEl::ClosePath => {}
            _ => {
                if let Some(contour) = all.last_mut() {
                    contour.push(*element);
                }
            }
        }
    }
    for contour in &mut all {
        contour.close_path();
    }
    all
}

fn derivative(segment: PathSeg, t: f64) -> Vec2 {
    match segment {
        PathSeg::Line(s) => s.deriv().eval(t).to_vec2(),
        PathSeg::Quad(s) => s.deriv().eval(t).to_vec2(),
        PathSeg::Cubic(s) => s.deriv().eval(t).to_vec2(),
    }
}

fn distance_to_chord(p: Point, chord: &Chord) -> f64 {
    kurbo::Line::new(chord.ends[0], chord.ends[1])
        .nearest(p, 0.0)
        .distance_sq
        .sqrt()
}
