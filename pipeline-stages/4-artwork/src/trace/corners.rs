//! Corners of a traced line, found where the directions on both sides, carried on to the point
//! between them, do not agree.

use kurbo::{Point, Vec2};

/// Nearer than this to a corner a pixel's own width has rounded the line, in pixels.
pub(super) const ROUNDED_PX: f64 = 1.4;
/// How far to look along the line for its direction, in pixels.
const NEAR_PX: f64 = 5.0;
const FAR_PX: f64 = 8.0;
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
/// in pixels.
const CARRIED_PX: f64 = 1.0;

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
}

/// The corners of a closed line, in order along it.
pub(super) fn corners(ring: &[Point]) -> Vec<Corner> {
    let turns: Vec<f64> = (0..ring.len()).map(|i| turn(ring, i)).collect();
    let mut sharpest: Vec<usize> = (0..ring.len()).filter(|&i| turns[i] > 0.0).collect();
    sharpest.sort_by(|a, b| turns[*b].total_cmp(&turns[*a]).then(a.cmp(b)));
    let mut found: Vec<usize> = Vec::new();
    for i in sharpest {
        if found.iter().all(|&j| ring[i].distance(ring[j]) > APART_PX) {
            found.push(i);
        }
    }
    found.sort_unstable();
    let mut corners: Vec<Corner> = found.into_iter().map(|i| sharpened(ring, i)).collect();
    corners.sort_by_key(|c| c.index);
    corners.dedup_by_key(|c| c.index);
    corners
}

/// How sharply the line turns at a point; 0 where that is no corner.
fn turn(ring: &[Point], i: usize) -> f64 {
    let straight = |forward| side(ring, i, forward, NEAR_PX, false);
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
    let curved = |forward| side(ring, i, forward, FAR_PX, true);
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
fn sharpened(ring: &[Point], found: usize) -> Corner {
    let mut corner = Corner {
        index: found,
        at: ring[found],
    };
    for _ in 0..REFINEMENTS {
        let i = corner.index;
        let sides = (
            side(ring, i, false, NEAR_PX, false),
            side(ring, i, true, NEAR_PX, false),
        );
        let (Some(a), Some(b)) = sides else {
            return corner;
        };
        let met = a.end + a.away * ((b.end - a.end).cross(b.away) / a.away.cross(b.away));
        let reach = (NEAR_PX as usize).min(ring.len() / 4);
        let near = (0..=2 * reach).map(|k| (i + ring.len() + k - reach) % ring.len());
        let nearest = near.min_by(|a, b| ring[*a].distance(met).total_cmp(&ring[*b].distance(met)));
        let index = nearest.unwrap_or(i);
        // Half a pixel's width fills a corner of this opening up to here.
        let half_opening = (0.5 * between(a.away, b.away)).sin();
        let believable = met.distance(ring[index]) < CARRIED_PX + 0.7 / half_opening;
        if !believable {
            return corner;
        }
        corner = Corner { index, at: met };
    }
    corner
}

/// The line on one side of a point as a straight line or a parabola over its length, by least
/// squares, carried on to the point.
fn side(ring: &[Point], i: usize, forward: bool, reach: f64, curved: bool) -> Option<Side> {
    let n = ring.len();
    let step = |j: usize| {
        if forward {
            (j + 1) % n
        } else {
            (j + n - 1) % n
        }
    };
    let mut points: Vec<(f64, Point)> = Vec::new();
    let (mut at, mut length) = (i, 0.0);
    while length < reach && points.len() < n {
        let next = step(at);
        length += ring[at].distance(ring[next]);
        at = next;
        if length >= ROUNDED_PX {
            points.push((length, ring[at]));
        }
    }
    let unknowns = if curved { 3 } else { 2 };
    if points.len() < unknowns + 1 {
        return None;
    }
    let (x, y) = (
        fit(&points, unknowns, |p| p.x)?,
        fit(&points, unknowns, |p| p.y)?,
    );
    let away = Vec2::new(x[1], y[1]);
    Some(Side {
        end: Point::new(x[0], y[0]),
        away: away / away.hypot(),
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
