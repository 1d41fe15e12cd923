//! Other turns at which an emblem may lie in the place where it was found: a roundel whose badge
//! has worn off fits nearly as well at many, and from the wrong one no descent leads to the right.

use std::f64::consts::PI;

use crate::align::Aligner;
use crate::coarse::angle_between;
use crate::pose::{Pose, TURN};
use crate::shape::Shape;

const STEP_RAD: f64 = PI / 60.0;
/// Turns nearer than this to the one found are reached from there.
const NEAR_RAD: f64 = PI / 30.0;
/// Share of a shape that lies on its turned self, at least, for the turn to be worth a look.
const ALIKE: f64 = 0.7;
/// A turn is followed when it shows this share of what the best shows.
const SCORE_MIN: f64 = 0.7;
/// So much more than the one found must a turn show that is not usual. Measured on painted roundels
/// found at a wrong turn: 1.13 and more at the right one.
const MORE: f64 = 1.05;
const KEPT: usize = 4;

/// The turned poses about `found` that explain the region best, best first; none for a shape that
/// looks like itself at no other turn. Turned by more than `usual_rad` only what shows more than
/// `found` does.
pub(crate) fn others(aligner: &Aligner, shape: &Shape, found: &Pose, usual_rad: f64) -> Vec<Pose> {
    let turns: Vec<f64> = (0..(2.0 * PI / STEP_RAD).round() as usize)
        .map(|k| k as f64 * STEP_RAD)
        .collect();
    let far = |turn: f64| angle_between(turn, 0.0) > NEAR_RAD;
    let alike: Vec<bool> = turns
        .iter()
        .map(|&t| far(t) && overlap(shape, t) > ALIKE)
        .collect();
    if !alike.contains(&true) {
        return Vec::new();
    }
    let turned = |turn: f64| {
        let mut pose = *found;
        pose.0[TURN] += turn;
        pose
    };
    let scores: Vec<f64> = turns.iter().map(|&t| score(aligner, &turned(t))).collect();
    let best = scores.iter().copied().fold(0.0, f64::max);
    let n = turns.len();
    let is_likely = |k: usize| {
        let turn = angle_between(found.0[TURN] + turns[k], 0.0);
        turn <= usual_rad || scores[k] > MORE * scores[0]
    };
    let mut peaks: Vec<usize> = (0..n)
        .filter(|&k| {
            let beside = scores[(k + 1) % n].max(scores[(k + n - 1) % n]);
            alike[k] && is_likely(k) && scores[k] >= beside && scores[k] > SCORE_MIN * best
        })
        .collect();
    peaks.sort_by(|&i, &j| scores[j].total_cmp(&scores[i]));
    peaks.truncate(KEPT);
    peaks.into_iter().map(|k| turned(turns[k])).collect()
}

/// Share of the shape that lies on itself after a turn.
fn overlap(shape: &Shape, turn_rad: f64) -> f64 {
    const FINENESS: f64 = 1.0 / 32.0;
    let coverage = shape.coverage(FINENESS);
    let (sin, cos) = turn_rad.sin_cos();
    let [a, b] = shape.half.map(|h| (h / FINENESS).ceil() as i32);
    let (mut all, mut both) = (0.0, 0.0);
    for j in -b..=b {
        for i in -a..=a {
            let (x, y) = (f64::from(i) * FINENESS, f64::from(j) * FINENESS);
            let here = f64::from(coverage.at(x, y));
            all += here;
            both += here.min(f64::from(coverage.at(cos * x + sin * y, cos * y - sin * x)));
        }
    }
    both / all.max(1e-12)
}

/// How far the shape stands out at a pose: the matched filter's signal-to-noise ratio.
fn score(aligner: &Aligner, pose: &Pose) -> f64 {
    let near = aligner.near(pose);
    let drawn = aligner.draw(pose, &near, false).white;
    let white = &aligner.region.white;
    let (mut with, mut own) = (0.0, 0.0);
    for &(k, _) in &near {
        with += f64::from(white[k] * drawn[k]);
        own += f64::from(drawn[k] * drawn[k]);
    }
    with.abs() / own.sqrt().max(1e-12)
}
