//! Openings, and parts that stand alone, that lie a little elsewhere in the residue than in the artwork:
//! too near for what shows or lacks beside them to be told from bleed or wear by itself.
//!
//! Each is laid beside its place. What it no longer covers and what it then covers must both say so:
//! residue shows on the one side and has gone on the other. Wear adds none, bleed takes none away.

use rayon::prelude::*;

use super::{Drawn, Presence};
use crate::structure::connected;

/// Smaller openings and parts are not looked at.
const AREA_MIN_MM2: f64 = 6.0;
/// They are moved by this much along rows and columns,
const STEP_MM: f64 = 0.4;
/// so many times at most.
const STEPS: isize = 3;
/// What lies nearer to an edge of the artwork is blurred.
const CLEARANCE_MM: f32 = 0.2;
/// How much a move must say. Measured on painted scenes: 0.26 at most in 160 where nothing had moved;
/// more for 16 of 41 openings and parts that lay 0.8 mm off.
const EVIDENCE_MIN_MM: f64 = 0.4;

/// What a move says, in samples.
#[derive(Clone, Copy, Debug, Default)]
struct Moved {
    /// Of what would be residue, more shows than has gone by so much.
    shows: f64,
    /// Of what would be bare, more has gone than shows.
    lacks: f64,
    bare: usize,
    filled: usize,
    /// A sample that would be bare.
    sample: usize,
}

impl Moved {
    /// What its worse side says, by the share of that side that agrees, over the root of all that it
    /// changes: noise adds up to the root of an area.
    fn evidence(&self) -> f64 {
        let agrees = |says: f64, samples: usize| (says / samples.max(1) as f64).max(0.0);
        let agree = agrees(self.shows, self.filled).min(agrees(self.lacks, self.bare));
        agree * self.shows.min(self.lacks) / ((self.bare + self.filled).max(1) as f64).sqrt()
    }

    fn better(self, other: Self) -> Self {
        if other.evidence() > self.evidence() {
            other
        } else {
            self
        }
    }
}

/// What has moved most clearly, if anything has.
pub(super) fn drawn(seen: &Presence) -> Option<Drawn> {
    let pieces = seen.pieces();
    let mut owner = vec![usize::MAX; seen.depth.len()];
    for (i, piece) in pieces.iter().enumerate() {
        for &k in piece {
            owner[k] = i;
        }
    }
    let moves = pieces.par_iter().enumerate();
    let moves = moves.map(|(i, piece)| seen.best_move(piece, |k| owner[k] == i));
    let best = moves.reduce(Moved::default, Moved::better);
    (best.evidence() * seen.pitch_mm >= EVIDENCE_MIN_MM).then_some(Drawn {
        area_mm2: best.bare as f64 * seen.pitch_mm.powi(2),
        sample: best.sample,
    })
}

impl Presence {
    /// Openings and parts of the artwork about which the grid leaves room to move them.
    fn pieces(&self) -> Vec<Vec<usize>> {
        let reach = self.step() * STEPS as usize;
        let has_room = |&k: &usize| {
            let (i, j) = (k % self.width, k / self.width);
            i >= reach && j >= reach && i + reach < self.width && j + reach < self.height
        };
        let counts = |piece: &Vec<usize>| {
            piece.len() as f64 * self.pitch_mm.powi(2) >= AREA_MIN_MM2 && piece.iter().all(has_room)
        };
        let inside = |k: usize| self.depth[k] > 0.0;
        let mut pieces = connected(self.width, self.height, &inside);
        pieces.extend(connected(self.width, self.height, &|k| !inside(k)));
        pieces.retain(counts);
        pieces
    }

    /// In samples.
    fn step(&self) -> usize {
        (STEP_MM / self.pitch_mm).round().max(1.0) as usize
    }

    fn best_move(&self, piece: &[usize], is_member: impl Fn(usize) -> bool) -> Moved {
        let step = self.step() as isize;
        let reach_mm = std::f64::consts::SQRT_2 * (step * STEPS) as f64 * self.pitch_mm;
        let near = |&&k: &&usize| f64::from(self.depth[k].abs()) < reach_mm;
        let edge: Vec<usize> = piece.iter().filter(near).copied().collect();
        let moves = (-STEPS..=STEPS).flat_map(|i| (-STEPS..=STEPS).map(move |j| (i, j)));
        moves.fold(Moved::default(), |best, (i, j)| {
            best.better(self.moved(&edge, &is_member, step * (j * self.width as isize + i)))
        })
    }

    /// What it says that a piece, of which these are the samples near its edge, lies `by` samples on.
    fn moved(&self, edge: &[usize], is_member: &impl Fn(usize) -> bool, by: isize) -> Moved {
        let mut moved = Moved::default();
        for &k in edge {
            if !is_member(k.wrapping_add_signed(-by)) {
                self.turn_over(&mut moved, k);
            }
            let beside = k.wrapping_add_signed(by);
            if !is_member(beside) {
                self.turn_over(&mut moved, beside);
            }
        }
        moved
    }

    /// Counts what a sample says for being the other of bare and residue.
    fn turn_over(&self, moved: &mut Moved, k: usize) {
        if self.depth[k].abs() < CLEARANCE_MM || self.cloth[k] <= 0.5 {
            return;
        }
        let shows = f64::from(2.0 * self.share[k].clamp(0.0, 1.0) - 1.0);
        if self.depth[k] > 0.0 {
            moved.lacks -= shows;
            moved.bare += 1;
            moved.sample = k;
        } else {
            moved.shows += shows;
            moved.filled += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SIDE, presence};
    use super::*;

    const PITCH_MM: f64 = 0.15;

    /// In the midst of an emblem 24 mm square, an opening of 6 mm where the artwork has it; residue
    /// shows where `shows` says so, by the distance from the opening's middle.
    fn about_an_opening(shows: impl Fn(f64, f64) -> bool) -> Presence {
        let from_middle = |k: usize| [k % SIDE, k / SIDE].map(|v| PITCH_MM * v as f64 - 15.0);
        let depth = |x: f64, y: f64| (x.hypot(y) - 3.0).min(12.0 - x.abs().max(y.abs()));
        let mut seen = presence(&|u, v| !shows(u - 15.0, v - 15.0));
        seen.depth = (0..SIDE * SIDE)
            .map(|k| {
                let [x, y] = from_middle(k);
                depth(x, y) as f32
            })
            .collect();
        seen
    }

    #[test]
    fn an_opening_that_lies_elsewhere_has_moved() {
        let opening = |mm: f64| about_an_opening(move |x, y| (x - mm).hypot(y) > 3.0);
        let moved = drawn(&opening(0.9)).expect("it has moved");
        // What two discs of 6 mm, 0.9 mm apart, have not in common is about 2 r d.
        assert!((moved.area_mm2 / 5.4 - 1.0).abs() < 0.35, "{moved:?}");
        assert_eq!(drawn(&opening(0.0)), None);
    }

    #[test]
    fn wear_on_one_side_and_bleed_all_about_move_nothing() {
        let worn = about_an_opening(|x, y| x.hypot(y) > if x > 0.0 { 4.2 } else { 3.0 });
        assert_eq!(drawn(&worn), None);
        assert_eq!(drawn(&about_an_opening(|x, y| x.hypot(y) > 2.3)), None);
    }
}
