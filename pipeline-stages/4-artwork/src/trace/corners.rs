//! Corners of a traced line, found where the directions on both sides, carried on to the point
//! between them, do not agree.

use kurbo::{Point, Vec2};

/// Nearer than this to a corner a pixel's own width has rounded the line, in pixels.
pub(super) const ROUNDED_PX: f64 = 1.4;
/// How far to look along the line for its direction, in pixels.
const NEAR_PX: f64 = 5.0;
const FAR_PX: f64 = 8.0;
/// The same for a corner's place, where the line is smooth for so long.
const LONG_PX: [f64; 3] = [24.0, 16.0, 10.0];
/// Where a corner is narrower than this, pixels fill it and push its sides apart; at most so far
/// from its tip is left out.
const FILLED_PX: f64 = 0.8;
const MOST_FILLED_PX: f64 = 16.0;
/// What scatters by less about a line or a parabola is smooth, in pixels.
const SMOOTH_PX: f64 = 0.12;
/// Half the line that joins two neighbouring corners, its rounded ends left out, in pixels.
const JOIN_PX: f64 = 2.0;
/// A turn by less is no corner, in radians: on the straight reading and on the curved one.
const STRAIGHT_TURN: f64 = 0.4;
const CURVED_TURN: f64 = 0.2;
/// A turn by more is a corner whatever the sides do: no arc of 6 px or more turns so fast.
const SHARP_TURN: f64 = 1.1;
/// Of corners nearer to each other only the sharper is one, in pixels.
const APART_PX: f64 = 5.0;
/// How often a corner's place is read anew.
const REFINEMENTS: usize = 3;
/// A corner's place may be carried from the line by this and by what pixels round off a sharp one,
/// in pixels; the directions of short sides are not known well enough to tell narrower tips apart.
const CARRIED_PX: f64 = 1.0;
const NARROWEST_HALF_OPENING: f64 = 0.1;

/// A corner: the index of the nearest point and its place.
#[derive(Clone, Copy, Debug)]
pub(super) struct Corner {
    pub(super) index: usize,
    pub(super) at: Point,
}

/// Where a side leads and with which direction it arrives, away from the corner.
struct Side {
    end: Point,
    away: Vec2,
    /// How far its points scatter about it.
    residual_px: f64,
}

/// A line of traced points.
#[derive(Clone, Copy)]
pub(super) struct Line<'a> {
    pub(super) points: &'a [Point],
    /// Whether the last point is followed by the first.
    pub(super) closed: bool,
}

impl Line<'_> {
    /// The point after (or before) another.
    fn step(self, i: usize, forward: bool) -> Option<usize> {
        let n = self.points.len();
        match (forward, self.closed) {
            (true, true) => Some((i + 1) % n),
            (false, true) => Some((i + n - 1) % n),
            (true, false) => (i + 1 < n).then_some(i + 1),
            (false, false) => i.checked_sub(1),
        }
    }
}

/// The corners of a line, in order along it; the ends of an open one are none.
pub(super) fn corners(line: Line<'_>) -> Vec<Corner> {
    let ring = line.points;
    let turns: Vec<f64> = (0..ring.len()).map(|i| turn(line, i)).collect();
    let mut sharpest: Vec<usize> = (0..ring.len()).filter(|&i| turns[i] > 0.0).collect();
    sharpest.sort_by(|a, b| turns[*b].total_cmp(&turns[*a]).then(a.cmp(b)));
    let mut found: Vec<usize> = Vec::new();
    for i in sharpest {
        if found.iter().all(|&j| ring[i].distance(ring[j]) > APART_PX) {
            found.push(i);
        }
    }
    found.sort_unstable();
    let mut corners: Vec<Corner> = found
        .into_iter()
        .flat_map(|i| match split(line, i) {
            Some(two) => two.map(|at| corner_at(line, i, at)).to_vec(),
            None => vec![sharpened(line, i)],
        })
        .collect();
    corners.sort_by_key(|c| c.index);
    corners.dedup_by_key(|c| c.index);
    corners
}

/// How sharply the line turns at a point; 0 where that is no corner.
fn turn(line: Line<'_>, i: usize) -> f64 {
    let straight = |forward| side(line, i, forward, NEAR_PX, false);
    let (Some(back), Some(ahead)) = (straight(false), straight(true)) else {
        return 0.0;
    };
    let turn = between(-back.away, ahead.away);
    if turn < STRAIGHT_TURN {
        return 0.0;
    }
    if turn > SHARP_TURN {
        return turn;
    }
    let curved = |forward| side(line, i, forward, FAR_PX, true);
    match (curved(false), curved(true)) {
        (Some(back), Some(ahead)) if between(-back.away, ahead.away) < CURVED_TURN => 0.0,
        _ => turn,
    }
}

fn between(a: Vec2, b: Vec2) -> f64 {
    a.cross(b).atan2(a.dot(b)).abs()
}

/// The corner at or next to a point: where both sides would meet had no pixel rounded it. Sides
/// read from the point nearest to their meeting are read better, so it is done again from there.
fn sharpened(line: Line<'_>, found: usize) -> Corner {
    let ring = line.points;
    let mut corner = Corner {
        index: found,
        at: ring[found],
    };
    let mut filled_px = ROUNDED_PX;
    for _ in 0..REFINEMENTS {
        let i = corner.index;
        let sides = (
            best_side(line, i, false, filled_px),
            best_side(line, i, true, filled_px),
        );
        let (Some(a), Some(b)) = sides else {
            return corner;
        };
        let met = meeting(&a, &b);
        let index = corner_at(line, i, met).index;
        // Half a pixel's width fills a corner of this opening up to here.
        let half_opening = (0.5 * between(a.away, b.away)).sin();
        filled_px = (FILLED_PX / half_opening).clamp(ROUNDED_PX, MOST_FILLED_PX);
        let rounded_off = 0.7 / half_opening.max(NARROWEST_HALF_OPENING);
        let believable = met.distance(ring[index]) < CARRIED_PX + rounded_off;
        if !believable {
            return corner;
        }
        corner = Corner { index, at: met };
    }
    corner
}

/// A corner at a place, with the nearest point of the line, not far from `i`.
fn corner_at(line: Line<'_>, i: usize, at: Point) -> Corner {
    let ring = line.points;
    let reach = (2.0 * NEAR_PX) as usize;
    let reach = reach.min(ring.len() / 4);
    let near = (0..=2 * reach).filter_map(|k| {
        let j = i + ring.len() + k - reach;
        let inside = (ring.len()..2 * ring.len()).contains(&j);
        (line.closed || inside).then_some(j % ring.len())
    });
    let nearest = near.min_by(|a, b| ring[*a].distance(at).total_cmp(&ring[*b].distance(at)));
    Corner {
        index: nearest.unwrap_or(i),
        at,
    }
}

fn meeting(a: &Side, b: &Side) -> Point {
    a.end + a.away * ((b.end - a.end).cross(b.away) / a.away.cross(b.away))
}

/// The side over the longest stretch that is one smooth line: the more points, the surer the place
/// where a sharp corner's sides meet.
fn best_side(line: Line<'_>, i: usize, forward: bool, from: f64) -> Option<Side> {
    let long = LONG_PX
        .into_iter()
        .filter_map(|reach| side_between(line, i, forward, (from, from + reach), 3))
        .find(|s| s.residual_px < SMOOTH_PX);
    long.or_else(|| side(line, i, forward, NEAR_PX, false))
}

/// Two corners so near to each other that, looked at from afar, they are one between them: where
/// the sides beyond meet the short line that joins them.
fn split(line: Line<'_>, i: usize) -> Option<[Point; 2]> {
    let before = side_between(line, i, false, (APART_PX - 0.5, 2.0 * APART_PX), 2)?;
    let after = side_between(line, i, true, (APART_PX - 0.5, 2.0 * APART_PX), 2)?;
    let join = middle(line, i)?;
    let turns = [
        between(-before.away, join.away),
        between(join.away, after.away),
    ];
    let smooth = [&before, &after, &join]
        .iter()
        .all(|s| s.residual_px < 1.5 * SMOOTH_PX);
    let corners = [meeting(&before, &join), meeting(&join, &after)];
    let length = (corners[1] - corners[0]).dot(join.away);
    let near = |c: &Point| c.distance(line.points[i]) < 2.0 * APART_PX;
    let believable = turns.iter().all(|t| *t > STRAIGHT_TURN)
        && smooth
        && corners.iter().all(near)
        && (APART_PX - 1.0..2.0 * APART_PX).contains(&length);
    believable.then_some(corners)
}

/// The straight line through a point and those next to it on both sides.
fn middle(line: Line<'_>, i: usize) -> Option<Side> {
    let mut points = vec![(0.0, line.points[i])];
    for (forward, sense) in [(false, -1.0), (true, 1.0)] {
        let (mut at, mut length) = (i, 0.0);
        while let Some(next) = line.step(at, forward) {
            length += line.points[at].distance(line.points[next]);
            if length > JOIN_PX || points.len() > line.points.len() {
                break;
            }
            points.push((sense * length, line.points[next]));
            at = next;
        }
    }
    straight_or_curved(&points, 2)
}

/// The line on one side of a point as a straight line or a parabola over its length, by least
/// squares, carried on to the point.
fn side(line: Line<'_>, i: usize, forward: bool, reach: f64, curved: bool) -> Option<Side> {
    let unknowns = if curved { 3 } else { 2 };
    side_between(line, i, forward, (ROUNDED_PX, reach), unknowns)
}

/// The same from one distance along the line to another.
fn side_between(
    line: Line<'_>,
    i: usize,
    forward: bool,
    (from, reach): (f64, f64),
    unknowns: usize,
) -> Option<Side> {
    let ring = line.points;
    let mut points: Vec<(f64, Point)> = Vec::new();
    let (mut at, mut length, mut steps) = (i, 0.0, 0);
    while length < reach && steps < ring.len() {
        let Some(next) = line.step(at, forward) else {
            break;
        };
        length += ring[at].distance(ring[next]);
        at = next;
        steps += 1;
        if length >= from {
            points.push((length, ring[at]));
        }
    }
    straight_or_curved(&points, unknowns)
}

/// The polynomial nearest to points by their lengths along the line.
fn straight_or_curved(points: &[(f64, Point)], unknowns: usize) -> Option<Side> {
    if points.len() < unknowns + 1 {
        return None;
    }
    let (x, y) = (
        fit(points, unknowns, |p| p.x)?,
        fit(points, unknowns, |p| p.y)?,
    );
    let away = Vec2::new(x[1], y[1]);
    let place = |c: &[f64], s: f64| c.iter().rev().fold(0.0, |sum, c| sum * s + c);
    let squares: f64 = points
        .iter()
        .map(|(s, p)| (*p - Point::new(place(&x, *s), place(&y, *s))).hypot2())
        .sum();
    Some(Side {
        end: Point::new(x[0], y[0]),
        away: away / away.hypot(),
        residual_px: (squares / (points.len() - unknowns) as f64).sqrt(),
    })
}

/// Coefficients of the polynomial in the length nearest to a coordinate.
fn fit(points: &[(f64, Point)], unknowns: usize, of: impl Fn(Point) -> f64) -> Option<Vec<f64>> {
    let mut rows = vec![vec![0.0; unknowns + 1]; unknowns];
    for &(s, p) in points {
        let powers: Vec<f64> = (0..unknowns).map(|k| s.powi(k as i32)).collect();
        for (row, a) in rows.iter_mut().zip(&powers) {
            for (cell, b) in row.iter_mut().zip(&powers) {
                *cell += a * b;
            }
            row[unknowns] += a * of(p);
        }
    }
    solve(rows)
}

/// Gauss elimination with pivots; each row ends with its right-hand side.
pub(super) fn solve(mut rows: Vec<Vec<f64>>) -> Option<Vec<f64>> {
    let n = rows.len();
    for k in 0..n {
        let pivot = (k..n).max_by(|a, b| rows[*a][k].abs().total_cmp(&rows[*b][k].abs()))?;
        rows.swap(k, pivot);
        if rows[k][k].abs() < 1e-12 {
            return None;
        }
        let upper = rows[k].clone();
        for row in rows.iter_mut().skip(k + 1) {
            let factor = row[k] / upper[k];
            row.iter_mut()
                .zip(&upper)
                .for_each(|(cell, u)| *cell -= factor * u);
        }
    }
    let mut solution = vec![0.0; n];
    for k in (0..n).rev() {
        let known: f64 = (k + 1..n).map(|j| rows[k][j] * solution[j]).sum();
        solution[k] = (rows[k][n] - known) / rows[k][k];
    }
    Some(solution)
}
