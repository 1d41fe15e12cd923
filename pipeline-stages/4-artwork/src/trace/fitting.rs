//! Few curves for many points: cubics by least squares with repeated projection (Schneider, "An
//! algorithm for automatically fitting digitized curves", Graphics Gems, 1990), each as long as the
//! tolerance allows.

use kurbo::{BezPath, CubicBez, ParamCurve, ParamCurveDeriv, PathSeg, Point, Vec2};

use super::corners::{Corner, Line, ROUNDED_PX, corners, solve};

/// Rounds of projecting points anew onto the curve they gave.
const PROJECTIONS: usize = 6;
/// A straight line wins over a curve that reaches hardly further.
const STRAIGHT_BONUS: f64 = 0.9;
/// How far a curve may swing out between two points, against their distance.
const SWING: f64 = 0.1;
/// Lines of fewer points have no corners, nor noise.
const FEWEST_POINTS: usize = 6;
/// Points on each side that give a direction on a smooth line.
const DIRECTION_POINTS: usize = 12;

/// How far curves may lie from the traced points, in pixels, were these exact.
const TOLERANCE_PX: f64 = 0.2;
/// Standard deviations of the points' own noise that count on top, and at most.
const NOISE_FACTOR: f64 = 4.0;
const MOST_NOISE_PX: f64 = 0.15;

/// A closed path near the points of a closed line.
pub(super) fn fit(ring: &[Point]) -> BezPath {
    let mut path = BezPath::from_path_segments(fit_line(ring, true, TOLERANCE_PX).into_iter());
    path.close_path();
    path
}

/// Curves near the points of a line, closed or from its first point to its last, within a tolerance
/// and the points' own noise.
pub(super) fn fit_line(points: &[Point], closed: bool, tolerance_px: f64) -> Vec<PathSeg> {
    let found = if points.len() > FEWEST_POINTS {
        corners(Line { points, closed })
    } else {
        Vec::new()
    };
    let tolerance = tolerance_px + NOISE_FACTOR * noise(points).min(MOST_NOISE_PX);
    let pieces = if closed {
        pieces(points, &found)
    } else {
        open_pieces(points, &found)
    };
    pieces.iter().flat_map(|p| p.fit(tolerance)).collect()
}

/// An open line cut at its corners.
fn open_pieces(points: &[Point], corners: &[Corner]) -> Vec<Piece> {
    let last = points.len() - 1;
    let end = |index: usize| Corner {
        index,
        at: points[index],
    };
    let stops: Vec<Corner> = std::iter::once(end(0))
        .chain(
            corners
                .iter()
                .copied()
                .filter(|c| c.index > 0 && c.index < last),
        )
        .chain([end(last)])
        .collect();
    let between = stops.windows(2).map(|pair| {
        let (from, to) = (pair[0], pair[1]);
        let inner = points[from.index + 1..to.index].iter().copied();
        let inner =
            inner.filter(|p| p.distance(from.at) > ROUNDED_PX && p.distance(to.at) > ROUNDED_PX);
        Piece {
            points: [from.at].into_iter().chain(inner).chain([to.at]).collect(),
            round: false,
        }
    });
    between.collect()
}

/// Standard deviation of the points across the line, the larger of what neighbours and what points
/// a few pixels apart show: the ripples that JPEG leaves along an edge are several pixels long.
fn noise(ring: &[Point]) -> f64 {
    const APART: [usize; 2] = [1, 3];
    let of = |apart| noise_between(ring, apart);
    APART.into_iter().map(of).fold(0.0, f64::max)
}

/// The same from points so many places apart: each against the parabola through four neighbours,
/// whose weights −1, 4, (−6), 4, −1 sixths leave √(35/18) of it; by the median.
fn noise_between(ring: &[Point], apart: usize) -> f64 {
    let n = ring.len();
    if n <= FEWEST_POINTS * apart {
        return 0.0;
    }
    let at = |i: usize| ring[i % n].to_vec2();
    let mut off: Vec<f64> = (0..n)
        .map(|i| {
            let [a, b, c, d, e] = [0, 1, 2, 3, 4].map(|k| at(i + k * apart));
            let smooth = (b + d) * (4.0 / 6.0) - (a + e) / 6.0;
            let along = e - a;
            along.cross(c - smooth).abs() / along.hypot().max(f64::MIN_POSITIVE)
        })
        .collect();
    off.sort_by(f64::total_cmp);
    off[n / 2] / 0.6745 / (35.0f64 / 18.0).sqrt()
}

/// The line between two corners; of a line without corners the whole, from a point and back.
struct Piece {
    points: Vec<Point>,
    /// Whether it joins itself smoothly.
    round: bool,
}

fn pieces(ring: &[Point], corners: &[Corner]) -> Vec<Piece> {
    if corners.is_empty() {
        let points = ring.iter().copied().chain([ring[0]]).collect();
        return vec![Piece {
            points,
            round: true,
        }];
    }
    (0..corners.len())
        .map(|k| {
            let (from, to) = (corners[k], corners[(k + 1) % corners.len()]);
            let count = (to.index + ring.len() - from.index - 1) % ring.len() + 1;
            let between = (1..count)
                .map(|i| ring[(from.index + i) % ring.len()])
                .filter(|p| p.distance(from.at) > ROUNDED_PX && p.distance(to.at) > ROUNDED_PX);
            let points = [from.at]
                .into_iter()
                .chain(between)
                .chain([to.at])
                .collect();
            Piece {
                points,
                round: false,
            }
        })
        .collect()
}

impl Piece {
    fn fit(&self, tolerance: f64) -> Vec<PathSeg> {
        let last = self.points.len() - 1;
        let mut segments = Vec::new();
        let mut from = 0;
        while from < last {
            let to_line = self.furthest(from, |to| self.line(from, to, tolerance).is_some());
            let to_curve = self.furthest(from, |to| self.curve(from, to, tolerance).is_some());
            let straight = (to_line - from) as f64 >= STRAIGHT_BONUS * (to_curve - from) as f64;
            let to = if straight { to_line } else { to_curve };
            let curve = if straight {
                None
            } else {
                self.curve(from, to, tolerance)
            };
            let (a, b) = (self.points[from], self.points[to]);
            segments.push(curve.map_or(PathSeg::Line(kurbo::Line::new(a, b)), PathSeg::Cubic));
            from = to;
        }
        segments
    }

    /// The last point that `fits` reaches from `from`: by doubling, then halving.
    fn furthest(&self, from: usize, fits: impl Fn(usize) -> bool) -> usize {
        let last = self.points.len() - 1;
        if fits(last) {
            return last;
        }
        let mut good = from + 1;
        let mut step = 2;
        while good + step < last && fits(good + step) {
            good += step;
            step *= 2;
        }
        let mut bad = (good + step).min(last);
        while bad - good > 1 {
            let middle = usize::midpoint(good, bad);
            let end = if fits(middle) { &mut good } else { &mut bad };
            *end = middle;
        }
        good
    }

    fn line(&self, from: usize, to: usize, tolerance: f64) -> Option<()> {
        let (a, b) = (self.points[from], self.points[to]);
        let along = (b - a) / (b - a).hypot();
        let near = |p: &Point| along.cross(*p - a).abs() <= tolerance;
        self.points[from..=to].iter().all(near).then_some(())
    }

    /// The cubic nearest to the points, if all lie within the tolerance of it.
    fn curve(&self, from: usize, to: usize, tolerance: f64) -> Option<CubicBez> {
        let points = &self.points[from..=to];
        let directions = [self.direction(from), self.direction(to).map(|d| -d)];
        let mut t = chord_lengths(points);
        let mut cubic = nearest_cubic(points, &t, directions)?;
        for _ in 0..PROJECTIONS {
            project(points, &mut t, &cubic);
            cubic = nearest_cubic(points, &t, directions)?;
        }
        project(points, &mut t, &cubic);
        let near = points
            .iter()
            .zip(&t)
            .all(|(p, t)| p.distance(cubic.eval(*t)) <= tolerance);
        // Nor does it swing out where points are far apart.
        let between = points.windows(2).zip(t.windows(2)).all(|(p, t)| {
            let along = p[1] - p[0];
            let across = along.cross(cubic.eval(0.5 * (t[0] + t[1])) - p[0]);
            across.abs() <= along.hypot() * (tolerance + SWING * along.hypot())
        });
        (near && between).then_some(cubic)
    }

    /// The line's direction at a point where it is smooth.
    fn direction(&self, i: usize) -> Option<Vec2> {
        let n = self.points.len() - 1;
        let (before, after) = if self.round {
            // The last point is the first again; beyond a quarter of a small ring it turns back.
            let reach = DIRECTION_POINTS.min(n / 4);
            ((i + n - reach) % n, (i + reach) % n)
        } else if i == 0 || i == n {
            return None;
        } else {
            let reach = DIRECTION_POINTS.min(i).min(n - i);
            (i - reach, i + reach)
        };
        let along = self.points[after] - self.points[before];
        (along.hypot() > 0.0).then(|| along / along.hypot())
    }
}

fn chord_lengths(points: &[Point]) -> Vec<f64> {
    let mut length = 0.0;
    let mut t = vec![0.0];
    for pair in points.windows(2) {
        length += pair[0].distance(pair[1]);
        t.push(length);
    }
    t.iter().map(|s| s / length).collect()
}

/// The cubic between the first and the last point that lies nearest to those between, leaving and
/// arriving in the directions given.
fn nearest_cubic(points: &[Point], t: &[f64], directions: [Option<Vec2>; 2]) -> Option<CubicBez> {
    let (first, last) = (*points.first()?, *points.last()?);
    // Each unknown moves one of the two handles one way.
    let both = [Vec2::new(1.0, 0.0), Vec2::new(0.0, 1.0)];
    let ways: Vec<(usize, Vec2)> = (0..2)
        .flat_map(|handle| match directions[handle] {
            Some(d) => vec![(handle, d)],
            None => both.map(|d| (handle, d)).to_vec(),
        })
        .collect();
    let n = ways.len();
    if points.len() < n + 2 {
        let third = (last - first) / 3.0;
        return Some(CubicBez::new(first, first + third, last - third, last));
    }
    let mut rows = vec![vec![0.0; n + 1]; n];
    for (p, &t) in points.iter().zip(t) {
        let u = 1.0 - t;
        let weights = [3.0 * t * u * u, 3.0 * t * t * u];
        let fixed =
            first.to_vec2() * (u * u * u + weights[0]) + last.to_vec2() * (t * t * t + weights[1]);
        let wanted = p.to_vec2() - fixed;
        for (row, (i, a)) in rows.iter_mut().zip(&ways) {
            for (cell, (j, b)) in row.iter_mut().zip(&ways) {
                *cell += weights[*i] * weights[*j] * a.dot(*b);
            }
            row[n] += weights[*i] * a.dot(wanted);
        }
    }
    let solution = solve(rows)?;
    let length: f64 = points.windows(2).map(|p| p[0].distance(p[1])).sum();
    let mut handles = [Vec2::ZERO; 2];
    for ((handle, way), amount) in ways.iter().zip(&solution) {
        // A handle that points backwards makes a loop.
        if directions[*handle].is_some() && *amount <= 0.0 {
            return None;
        }
        handles[*handle] += *way * *amount;
    }
    // Nor may few points let one swing out.
    let tame = handles.iter().all(|h| h.hypot() <= length);
    tame.then(|| CubicBez::new(first, first + handles[0], last + handles[1], last))
}

/// Moves every parameter to the curve's point next to its point: one Newton step each.
fn project(points: &[Point], t: &mut [f64], cubic: &CubicBez) {
    let (first, second) = (cubic.deriv(), cubic.deriv().deriv());
    for (p, t) in points.iter().zip(t.iter_mut()) {
        let off = cubic.eval(*t) - *p;
        let (d1, d2) = (first.eval(*t).to_vec2(), second.eval(*t).to_vec2());
        let slope = d1.hypot2() + off.dot(d2);
        if slope > 0.0 {
            *t = (*t - off.dot(d1) / slope).clamp(0.0, 1.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_rings_are_fitted_too() {
        const RADIUS_PX: f64 = 3.0;
        let most_off = TOLERANCE_PX + NOISE_FACTOR * MOST_NOISE_PX;
        for n in FEWEST_POINTS + 1..60 {
            let at = |i: usize| std::f64::consts::TAU * i as f64 / n as f64;
            let ring: Vec<Point> = (0..n)
                .map(|i| Point::new(5.0, 5.0) + RADIUS_PX * Vec2::from_angle(at(i)))
                .collect();
            let area = kurbo::Shape::area(&fit(&ring)).abs();
            let radius_px = (area / std::f64::consts::PI).sqrt();
            let off = (radius_px - RADIUS_PX).abs();
            assert!(off <= most_off, "{n} points: radius {radius_px} px");
        }
    }
}
