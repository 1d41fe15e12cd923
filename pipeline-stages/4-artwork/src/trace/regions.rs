//! Regions of different colours with shared borders: every border between two regions is traced
//! and fitted once, so that the regions on its two sides neither gap nor overlap.
//!
//! The borders run along the cracks between pixels (Kovalevsky, "Finite topology as applied to
//! image analysis", CVGIP 46, 1989), from one place where three regions meet to the next; each
//! crack's point is then moved to where the colour is half way between the two.

use std::collections::{BTreeMap, BTreeSet};

use kurbo::{BezPath, ParamCurve, PathSeg, Point};

use super::fitting;
use super::palette::Labels;

/// How far curves may lie from a border's points, in pixels: JPEG stores colours at half the
/// resolution.
const TOLERANCE_PX: f64 = 0.35;

/// A corner between pixels.
type Vertex = (usize, usize);
/// A crack between two pixels: its upper or left end, and whether it runs down.
type Crack = (usize, usize, bool);

/// Right, down, left, up.
const WAYS: [(i32, i32); 4] = [(1, 0), (0, 1), (-1, 0), (0, -1)];

/// A step along a crack, the region on its right as seen.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Step {
    from: Vertex,
    way: usize,
}

impl Step {
    fn to(self) -> Vertex {
        let (dx, dy) = WAYS[self.way];
        (
            self.from.0.wrapping_add_signed(dx as isize),
            self.from.1.wrapping_add_signed(dy as isize),
        )
    }

    fn crack(self) -> Crack {
        let to = self.to();
        (
            self.from.0.min(to.0),
            self.from.1.min(to.1),
            self.way % 2 == 1,
        )
    }

    /// The pixels to its right and to its left, as seen.
    fn sides(self) -> [(usize, usize); 2] {
        let (x, y) = self.from;
        match self.way {
            0 => [(x, y), (x, y - 1)],
            1 => [(x - 1, y), (x, y)],
            2 => [(x - 1, y - 1), (x - 1, y)],
            _ => [(x, y - 1), (x - 1, y - 1)],
        }
    }
}

/// Traces regions, each border once.
pub(super) struct Borders<'a> {
    labels: &'a Labels,
    fitted: BTreeMap<Crack, Vec<PathSeg>>,
    /// Largest distance from a border's points to its curves, in pixels.
    pub(super) deviation_px: f64,
}

impl<'a> Borders<'a> {
    pub(super) fn new(labels: &'a Labels) -> Self {
        Self {
            labels,
            fitted: BTreeMap::new(),
            deviation_px: 0.0,
        }
    }

    /// The closed contours of all pixels whose label is `inside`; holes run the other way round.
    pub(super) fn region(&mut self, inside: impl Fn(u8) -> bool) -> Vec<BezPath> {
        let loops = self.loops(&inside);
        loops.iter().map(|steps| self.contour(steps)).collect()
    }

    fn loops(&self, inside: &impl Fn(u8) -> bool) -> Vec<Vec<Step>> {
        let labels = self.labels;
        let borders = |step: Step| {
            let [right, left] = step.sides().map(|(x, y)| inside(labels.at(x, y)));
            right && !left
        };
        let mut open: BTreeSet<Step> = BTreeSet::new();
        for y in 1..labels.height {
            for x in 1..labels.width {
                let steps = (0..4).map(|way| Step { from: (x, y), way });
                let within = |s: &Step| {
                    let (u, v) = s.to();
                    (1..labels.width).contains(&u) && (1..labels.height).contains(&v)
                };
                open.extend(steps.filter(within).filter(|s| borders(*s)));
            }
        }
        let mut loops = Vec::new();
        while let Some(start) = open.pop_first() {
            let mut steps = vec![start];
            let mut at = start;
            // Right turns first: pixels that touch at a corner only are apart.
            while let Some(next) = [1, 0, 3]
                .map(|turn| Step {
                    from: at.to(),
                    way: (at.way + turn) % 4,
                })
                .into_iter()
                .find(|next| open.contains(next))
            {
                open.remove(&next);
                steps.push(next);
                at = next;
            }
            loops.push(steps);
        }
        loops
    }

    /// A loop as curves, border by border.
    fn contour(&mut self, steps: &[Step]) -> BezPath {
        let first = (0..steps.len()).find(|&i| self.is_junction(steps[i].from));
        let mut segments = Vec::new();
        match first {
            None => {
                // The same beginning from both sides.
                let first = (0..steps.len())
                    .min_by_key(|&i| steps[i].crack())
                    .unwrap_or(0);
                let ring: Vec<Step> = (0..steps.len())
                    .map(|i| steps[(first + i) % steps.len()])
                    .collect();
                segments.extend(self.border(&ring, true));
            }
            Some(first) => {
                let mut run: Vec<Step> = Vec::new();
                for i in 0..steps.len() {
                    run.push(steps[(first + i) % steps.len()]);
                    if self.is_junction(steps[(first + i) % steps.len()].to()) {
                        segments.extend(self.border(&run, false));
                        run.clear();
                    }
                }
            }
        }
        let mut path = BezPath::new();
        if let Some(start) = segments.first() {
            path.move_to(start.start());
            for segment in &segments {
                path.push(segment.as_path_el());
            }
            path.close_path();
        }
        path
    }

    fn border(&mut self, steps: &[Step], closed: bool) -> Vec<PathSeg> {
        let [right, left] = steps[0].sides().map(|(x, y)| self.labels.at(x, y));
        let forward = right < left;
        let mut way: Vec<Step> = steps.to_vec();
        if !forward {
            way.reverse();
        }
        let Some(key) = way.iter().map(|s| s.crack()).min() else {
            return Vec::new();
        };
        if !self.fitted.contains_key(&key) {
            if closed && !forward {
                // Begin where the other side begins.
                way.rotate_right(1);
            }
            let mut points: Vec<Point> = way.iter().map(|s| self.place(*s)).collect();
            if !closed {
                let ends = if forward {
                    (steps[0].from, steps[steps.len() - 1].to())
                } else {
                    (steps[steps.len() - 1].to(), steps[0].from)
                };
                points.insert(0, self.junction(ends.0));
                points.push(self.junction(ends.1));
            }
            let curves = fitting::fit_line(&points, closed, TOLERANCE_PX);
            self.deviation_px = self
                .deviation_px
                .max(super::deviation_px(&points, curves.iter().copied()));
            self.fitted.insert(key, curves);
        }
        let fitted = &self.fitted[&key];
        if forward {
            return fitted.clone();
        }
        fitted.iter().rev().map(PathSeg::reverse).collect()
    }

    /// Where the colour is half way between those of a crack's two pixels.
    fn place(&self, step: Step) -> Point {
        let [a, b] = step.sides();
        let t = self.labels.crossing(a, b);
        // The border of one pixel is not the picture's.
        let middle = |(x, y): (usize, usize)| Point::new(x as f64 - 0.5, y as f64 - 0.5);
        middle(a).lerp(middle(b), t)
    }

    fn cracks_at(&self, at: Vertex) -> impl Iterator<Item = Step> + '_ {
        let steps = (0..4).map(move |way| Step { from: at, way });
        steps.filter(|s| {
            let (x, y) = s.to();
            let inner = (1..self.labels.width).contains(&x) && (1..self.labels.height).contains(&y);
            inner && {
                let [a, b] = s.sides().map(|(x, y)| self.labels.at(x, y));
                a != b
            }
        })
    }

    /// Whether more than two borders meet there.
    fn is_junction(&self, at: Vertex) -> bool {
        self.cracks_at(at).count() > 2
    }

    /// The middle of the cracks that meet there.
    fn junction(&self, at: Vertex) -> Point {
        let places: Vec<Point> = self.cracks_at(at).map(|s| self.place(s)).collect();
        let sum = places
            .iter()
            .fold(kurbo::Vec2::ZERO, |sum, p| sum + p.to_vec2());
        (sum / places.len().max(1) as f64).to_point()
    }
}
