//! Stripes of the cloth among what looks like residue: straight bands that run from one rim of the
//! emblem's surroundings to the other, where no part of an emblem reaches.
//!
//! Lines are proposed by votes (Duda & Hart 1972), fitted to what lies along them, and walked.

use std::f64::consts::PI;

use nalgebra::Vector2;

/// Places along a line, and lines, are told apart by this much.
const BIN_MM: f64 = 1.5;
/// A stripe is at most twice as wide.
const HALF_WIDTH_MM: f64 = 1.5;
/// Directions that are tried.
const DIRECTIONS: usize = 180;
/// Samples that vote, at most.
const VOTERS_MAX: usize = 1500;
/// Stripes looked for.
const STRIPES_MAX: usize = 16;
/// A stripe shows on at least this share of the bare cloth that it crosses, and in each outer
/// part, of this share of its length, where there is no emblem.
const SHOWN_MIN: f64 = 0.6;
const OUTER: f64 = 0.07;
const SHOWN_OUTER_MIN: f64 = 0.3;
/// Least length of bare cloth on a stripe.
const BARE_MIN_MM: f64 = 12.0;
/// Share of a patch that lies on a stripe if the patch is part of it.
const OF_PATCH: f64 = 0.7;

/// The part of the cloth that is looked at.
pub(crate) struct Cloth<'a> {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) pitch_mm: f64,
    /// Whether a sample is cloth beside the artwork.
    pub(crate) is_bare: &'a dyn Fn(usize) -> bool,
}

/// A straight line, in samples.
#[derive(Clone, Copy)]
struct Line {
    at: Vector2<f64>,
    along: Vector2<f64>,
}

impl Line {
    fn off(&self, place: Vector2<f64>) -> f64 {
        self.along.perp(&(place - self.at))
    }
}

/// Which of the patches are parts of stripes.
pub(crate) fn parts_of_stripes(patches: &[Vec<usize>], cloth: &Cloth<'_>) -> Vec<bool> {
    let half = HALF_WIDTH_MM / cloth.pitch_mm;
    let places: Vec<Vec<Vector2<f64>>> = patches
        .iter()
        .map(|p| p.iter().map(|&k| cloth.place(k)).collect())
        .collect();
    let mut left: Vec<Vector2<f64>> = places.concat();
    let mut is_part = vec![false; patches.len()];
    for _ in 0..STRIPES_MAX {
        let Some(line) = cloth.likeliest_line(&left) else {
            break;
        };
        let on_line = |p: &&Vector2<f64>| line.off(**p).abs() <= half;
        let crosses = cloth.is_crossed(
            line,
            &left
                .iter()
                .copied()
                .filter(|p| on_line(&p))
                .collect::<Vec<_>>(),
        );
        if crosses {
            for (is_part, places) in is_part.iter_mut().zip(&places) {
                let on = places.iter().filter(on_line).count() as f64;
                *is_part |= on >= OF_PATCH * places.len() as f64;
            }
        }
        left.retain(|p| !on_line(&p));
    }
    is_part
}

impl Cloth<'_> {
    fn place(&self, k: usize) -> Vector2<f64> {
        Vector2::new((k % self.width) as f64, (k / self.width) as f64)
    }

    /// The line with the most places along it, fitted to them.
    fn likeliest_line(&self, places: &[Vector2<f64>]) -> Option<Line> {
        let bin = BIN_MM / self.pitch_mm;
        let stride = places.len().div_ceil(VOTERS_MAX).max(1);
        let along = |d: usize| {
            let (sin, cos) = (PI * d as f64 / DIRECTIONS as f64).sin_cos();
            Vector2::new(cos, sin)
        };
        let most = (0..DIRECTIONS)
            .map(|d| {
                let along = along(d);
                let mut votes: Vec<(i32, i32)> = places
                    .iter()
                    .step_by(stride)
                    .map(|p| (bin_of(along.perp(p), bin), bin_of(along.dot(p), bin)))
                    .collect();
                votes.sort_unstable();
                votes.dedup();
                let (count, offset) = votes
                    .chunk_by(|a, b| a.0 == b.0)
                    .map(|line| (line.len(), line[0].0))
                    .max()
                    .unwrap_or((0, 0));
                (count, d, offset)
            })
            .max()?;
        let (count, d, offset) = most;
        if count < 2 {
            return None;
        }
        let normal = Vector2::new(-along(d).y, along(d).x);
        let mut line = Line {
            at: normal * ((f64::from(offset) + 0.5) * bin),
            along: along(d),
        };
        for _ in 0..2 {
            line = fitted(line, places, HALF_WIDTH_MM / self.pitch_mm)?;
        }
        Some(line)
    }

    /// Whether `seen` lies all along the line, from rim to rim.
    fn is_crossed(&self, line: Line, seen: &[Vector2<f64>]) -> bool {
        let length = self.width as f64 + self.height as f64;
        let inside = |t: f64| {
            let p = line.at + line.along * t;
            let (i, j) = (p.x.round(), p.y.round());
            (i >= 0.0 && j >= 0.0 && i < self.width as f64 && j < self.height as f64)
                .then(|| j as usize * self.width + i as usize)
        };
        let steps: Vec<(f64, usize)> = (0..2 * length as usize)
            .map(|k| k as f64 - length)
            .filter_map(|t| Some((t, inside(t)?)))
            .collect();
        let mut shown: Vec<i64> = seen
            .iter()
            .map(|p| line.along.dot(&(p - line.at)).round() as i64)
            .collect();
        shown.sort_unstable();
        let shows = |t: f64| {
            let next = shown.partition_point(|s| (*s as f64) < t - 1.0);
            shown.get(next).is_some_and(|s| *s as f64 <= t + 1.0)
        };
        let share = |part: &[(f64, usize)]| {
            let bare: Vec<f64> = part
                .iter()
                .filter(|(_, k)| (self.is_bare)(*k))
                .map(|(t, _)| *t)
                .collect();
            let shown = bare.iter().filter(|t| shows(**t)).count() as f64;
            (bare.len(), shown / bare.len().max(1) as f64)
        };
        let outer = (OUTER * steps.len() as f64).ceil() as usize;
        let (bare, all) = share(&steps);
        let ends = [&steps[..outer], &steps[steps.len() - outer..]].map(share);
        let is_shown = |(bare, shown): (usize, f64)| bare == 0 || shown >= SHOWN_OUTER_MIN;
        all >= SHOWN_MIN
            && bare as f64 * self.pitch_mm >= BARE_MIN_MM
            && ends.iter().any(|end| end.0 > 0)
            && ends.into_iter().all(is_shown)
    }
}

fn bin_of(value: f64, bin: f64) -> i32 {
    (value / bin).floor() as i32
}

/// The line through the places that lie near `line`, by their moments.
fn fitted(line: Line, places: &[Vector2<f64>], half: f64) -> Option<Line> {
    let near: Vec<Vector2<f64>> = places
        .iter()
        .copied()
        .filter(|p| line.off(*p).abs() <= half)
        .collect();
    let n = near.len() as f64;
    let at = near.iter().sum::<Vector2<f64>>() / n;
    let spread = near
        .iter()
        .map(|p| (p - at) * (p - at).transpose())
        .sum::<nalgebra::Matrix2<f64>>();
    let eigen = (near.len() > 2).then(|| spread.symmetric_eigen())?;
    let along = eigen
        .eigenvectors
        .column(eigen.eigenvalues.imax())
        .into_owned();
    Some(Line { at, along })
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIDE: usize = 200;

    /// Which of the patches, given by what belongs to each, are parts of stripes on cloth with an
    /// emblem in its middle.
    fn parts(patches: &[&dyn Fn(f64, f64) -> bool]) -> Vec<bool> {
        let place = |k: usize| ((k % SIDE) as f64, (k / SIDE) as f64);
        let is_bare = |k: usize| {
            let (x, y) = place(k);
            (x - 100.0).hypot(y - 100.0) > 60.0
        };
        let patches: Vec<Vec<usize>> = patches
            .iter()
            .map(|patch| {
                (0..SIDE * SIDE)
                    .filter(|&k| is_bare(k) && patch(place(k).0, place(k).1))
                    .collect()
            })
            .collect();
        let cloth = Cloth {
            width: SIDE,
            height: SIDE,
            pitch_mm: 0.5,
            is_bare: &is_bare,
        };
        parts_of_stripes(&patches, &cloth)
    }

    fn slanting(x: f64, y: f64) -> bool {
        (x - 70.0 - 0.3 * y).abs() < 2.0
    }

    #[test]
    fn a_slanting_stripe_in_pieces_is_one_and_a_spot_beside_it_is_not() {
        let upper = |x: f64, y: f64| slanting(x, y) && y < 35.0;
        let lower = |x: f64, y: f64| slanting(x, y) && y > 165.0;
        let spot = |x: f64, y: f64| (x - 30.0).hypot(y - 20.0) < 8.0;
        assert_eq!(parts(&[&upper, &lower, &spot]), [true, true, false]);
    }

    #[test]
    fn a_bar_that_ends_before_the_rim_is_no_stripe() {
        let bar = |x: f64, y: f64| (y - 30.0).abs() < 2.0 && (20.0..180.0).contains(&x);
        assert_eq!(parts(&[&bar]), [false]);
        let stripe = |_: f64, y: f64| (y - 30.0).abs() < 2.0;
        assert_eq!(parts(&[&stripe]), [true]);
    }

    #[test]
    fn a_ring_about_the_emblem_is_no_stripe() {
        let ring = |x: f64, y: f64| ((x - 100.0).hypot(y - 100.0) - 80.0).abs() < 3.0;
        assert_eq!(parts(&[&ring]), [false]);
    }
}
