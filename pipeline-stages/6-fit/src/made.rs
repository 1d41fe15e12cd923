//! Edges of holes that run smoothly.
//!
//! What was cut runs straight or in one bend for long; wear is ragged at every scale. The edge of
//! what has gone is cut into the longest runs that keep to a circle or a straight line.

use std::collections::BTreeMap;

use measures::level::level_lines;
use nalgebra::{Matrix3, Matrix4, Vector3, Vector4};

/// Edges are looked at in steps of this.
const STEP_MM: f64 = 0.15;
/// How far a run may stray from its circle, root mean square.
const STRAYING_MM: f64 = 0.07;
/// Nearer to the artwork's edge than this, a hole's edge tells nothing.
const CLEARANCE_MM: f32 = 0.5;
/// Runs of fewer steps are of no account.
const STEPS_MIN: usize = 6;
/// Smaller patches have no edge to speak of.
const AREA_MIN_MM2: f64 = 1.5;

type Place = [f64; 2];

/// A piece of edge that keeps to a circle or a straight line.
#[derive(Clone, Copy, Debug)]
struct Run {
    length_mm: f64,
    /// Greatest distance between two of its points.
    across_mm: f64,
}

impl Run {
    /// Long and far-reaching: a small round hole is no smooth edge.
    fn reach_mm(&self) -> f64 {
        (self.length_mm * self.across_mm).sqrt()
    }

    fn no_longer_than(self, mm: f64) -> Self {
        let length_mm = self.length_mm.min(mm);
        Self {
            length_mm,
            across_mm: self.across_mm.min(length_mm),
        }
    }
}

/// All smooth runs, and where they are.
pub(crate) struct Edges {
    runs: Vec<Run>,
    /// The nearest run of every sample near to one, away from the artwork's edge.
    run_at: Vec<Option<usize>>,
    pitch_mm: f64,
    /// What runs reach where nothing was made.
    usual_mm: f64,
}

/// What has gone, on a grid: positive samples have.
pub(crate) struct Ground<'a> {
    pub(crate) gone: &'a [f32],
    pub(crate) depth: &'a [f32],
    pub(crate) width: usize,
    pub(crate) pitch_mm: f64,
    /// Distance of the samples that the grid was made from.
    pub(crate) resolved_mm: f64,
}

impl Edges {
    pub(crate) fn of(ground: &Ground<'_>) -> Self {
        /// For samples 1 mm apart; it goes with the square root of their distance.
        const USUAL_MM: f64 = 4.0;
        let (width, pitch) = (ground.width, ground.pitch_mm);
        let height = ground.gone.len() / width.max(1);
        let mut edges = Self {
            runs: Vec::new(),
            run_at: vec![None; ground.gone.len()],
            pitch_mm: pitch,
            usual_mm: USUAL_MM * ground.resolved_mm.sqrt(),
        };
        if width < 2 || height < 2 {
            return edges;
        }
        let mut nearest = vec![f64::INFINITY; ground.gone.len()];
        for line in level_lines(ground.gone, width, height) {
            let line: Vec<Place> = line.iter().map(|&(x, y)| [pitch * x, pitch * y]).collect();
            if area(&line) < AREA_MIN_MM2 {
                continue;
            }
            let (line, step) = evenly(&line);
            let sample = |p: &Place| {
                let [i, j] = p.map(|v| (v / pitch).round() as usize);
                j.min(height - 1) * width + i.min(width - 1)
            };
            let clear = |p: &Place| ground.depth[sample(p)] > CLEARANCE_MM;
            let clear: Vec<bool> = line.iter().map(clear).collect();
            for (first, count) in runs(&line, &clear) {
                let places: Vec<Place> = (first..first + count)
                    .map(|k| line[k % line.len()])
                    .collect();
                for &p in &places {
                    mark(p, edges.runs.len(), ground, &mut nearest, &mut edges.run_at);
                }
                edges.runs.push(Run {
                    length_mm: step * count as f64,
                    across_mm: across(&places),
                });
            }
        }
        edges
    }

    /// Reach of the longest run along a patch's edge, over the usual one elsewhere: `sides` has a
    /// sample for each of the edge's sides.
    pub(crate) fn longest_run(&self, sides: impl Iterator<Item = usize>) -> f64 {
        /// Millimetres of line for one of a sample's sides, on average over all directions.
        const LINE_FOR_SIDES: f64 = 0.8;
        /// What is expected counts for so many runs.
        const EXPECTED: f64 = 10.0;
        let mut own = BTreeMap::new();
        for run in sides.filter_map(|k| self.run_at[k]) {
            *own.entry(run).or_insert(0.0) += LINE_FOR_SIDES * self.pitch_mm;
        }
        let elsewhere = self.runs.iter().enumerate();
        let elsewhere = elsewhere.filter(|(run, _)| !own.contains_key(run));
        let (sum, count) = elsewhere
            .fold((EXPECTED * self.usual_mm, EXPECTED), |(s, n), (_, r)| {
                (s + r.reach_mm(), n + 1.0)
            });
        let longest = own
            .iter()
            .map(|(&run, &along_mm)| self.runs[run].no_longer_than(along_mm).reach_mm())
            .fold(0.0, f64::max);
        longest * count / sum
    }
}

/// Notes which run is the nearest to the samples about one of its places.
fn mark(
    place: Place,
    run: usize,
    ground: &Ground<'_>,
    nearest: &mut [f64],
    run_at: &mut [Option<usize>],
) {
    const NEAR_MM: f64 = 0.25;
    const NEAR_SAMPLES: f64 = 0.8;
    let near = NEAR_MM / ground.pitch_mm + NEAR_SAMPLES;
    let [x, y] = place.map(|v| v / ground.pitch_mm);
    let height = ground.gone.len() / ground.width;
    let span = |v: f64, n: usize| {
        let last = (v + near).floor().max(0.0) as usize;
        (v - near).ceil().max(0.0) as usize..(last + 1).min(n)
    };
    for j in span(y, height) {
        for i in span(x, ground.width) {
            let (k, away) = (j * ground.width + i, (i as f64 - x).hypot(j as f64 - y));
            if away < near.min(nearest[k]) && ground.depth[k] > CLEARANCE_MM {
                nearest[k] = away;
                run_at[k] = Some(run);
            }
        }
    }
}

fn area(line: &[Place]) -> f64 {
    let next = line.iter().cycle().skip(1);
    let twice: f64 = line
        .iter()
        .zip(next)
        .map(|(a, b)| a[0] * b[1] - a[1] * b[0])
        .sum();
    0.5 * twice.abs()
}

/// Points in even steps along a closed line, and the step.
fn evenly(line: &[Place]) -> (Vec<Place>, f64) {
    const POINTS_MIN: f64 = 8.0;
    let mut at = vec![0.0];
    for (a, b) in line.iter().zip(line.iter().cycle().skip(1)) {
        at.push(at[at.len() - 1] + (a[0] - b[0]).hypot(a[1] - b[1]));
    }
    let length = at[line.len()];
    let count = (length / STEP_MM).round().max(POINTS_MIN);
    let step = length / count;
    let mut k = 0;
    let points = (0..count as usize)
        .map(|n| {
            let along = step * n as f64;
            while k + 1 < line.len() && at[k + 1] < along {
                k += 1;
            }
            let (a, b) = (line[k], line[(k + 1) % line.len()]);
            let t = (along - at[k]) / (at[k + 1] - at[k]).max(1e-12);
            [0, 1].map(|c| a[c] + t * (b[c] - a[c]))
        })
        .collect();
    (points, step)
}

fn across(places: &[Place]) -> f64 {
    const LOOKED_AT: usize = 20;
    let some: Vec<&Place> = places
        .iter()
        .step_by((places.len() / LOOKED_AT).max(1))
        .collect();
    let pairs = some.iter().enumerate();
    pairs
        .flat_map(|(n, a)| some[..n].iter().map(|b| (a[0] - b[0]).hypot(a[1] - b[1])))
        .fold(0.0, f64::max)
}

/// The longest pieces of a closed line that keep to circles, none over another: first point and
/// number of points.
fn runs(line: &[Place], clear: &[bool]) -> Vec<(usize, usize)> {
    let n = line.len();
    let mut longest: Vec<(usize, usize)> = longest_from_each(line, clear)
        .into_iter()
        .enumerate()
        .filter(|(_, count)| *count >= STEPS_MIN)
        .collect();
    longest.sort_by_key(|&(first, count)| (std::cmp::Reverse(count), first));
    let mut taken = vec![false; n];
    let mut found = Vec::new();
    for (first, count) in longest {
        let (mut best, mut begun) = ((0, 0), first);
        for k in first..first + count {
            if taken[k % n] {
                begun = k + 1;
            } else if k + 1 - begun > best.1 {
                best = (begun, k + 1 - begun);
            }
        }
        if best.1 >= STEPS_MIN {
            (best.0..best.0 + best.1).for_each(|k| taken[k % n] = true);
            found.push(best);
        }
    }
    found
}

/// How many points from each on keep to one circle.
fn longest_from_each(line: &[Place], clear: &[bool]) -> Vec<usize> {
    let n = line.len();
    let sums = Sums::of(line);
    let mut end = 0;
    (0..n)
        .map(|first| {
            end = end.max(first + STEPS_MIN - 1);
            if end > first + n || (first..end).any(|k| !clear[k % n]) {
                return 0;
            }
            while end < first + n && clear[end % n] && sums.straying(first, end + 1) < STRAYING_MM {
                end += 1;
            }
            end - first
        })
        .collect()
}

/// Sums of products along a closed line, walked twice.
struct Sums(Vec<Matrix4<f64>>);

impl Sums {
    fn of(line: &[Place]) -> Self {
        let n = line.len() as f64;
        let middle = [0, 1].map(|c| line.iter().map(|p| p[c]).sum::<f64>() / n);
        let mut sums = vec![Matrix4::zeros()];
        for p in line.iter().chain(line) {
            let [x, y] = [0, 1].map(|c| p[c] - middle[c]);
            let v = Vector4::new(1.0, x, y, x * x + y * y);
            sums.push(sums[sums.len() - 1] + v * v.transpose());
        }
        Self(sums)
    }

    /// Distance of the points from the circle that fits them (Kåsa 1976), root mean square.
    fn straying(&self, from: usize, to: usize) -> f64 {
        let sum = self.0[to] - self.0[from];
        let a: Matrix3<f64> = sum.fixed_view::<3, 3>(0, 0).into_owned();
        let b: Vector3<f64> = sum.fixed_view::<3, 1>(0, 3).into_owned();
        let Some(inverse) = (a + Matrix3::from_diagonal_element(1e-9)).try_inverse() else {
            return f64::INFINITY;
        };
        let c = inverse * b;
        let left = sum[(3, 3)] - 2.0 * c.dot(&b) + c.dot(&(a * c));
        let radius2 = c[0] + 0.25 * (c[1] * c[1] + c[2] * c[2]);
        (left.max(0.0) / (to - from) as f64 / (4.0 * radius2.max(1e-6))).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WIDTH: usize = 160;
    const PITCH_MM: f64 = 0.15;

    /// The reach of every run of the edge of what has gone, longest first; residue begins at the
    /// left side of the picture.
    fn reaches(gone: &dyn Fn(f64, f64) -> f64) -> Vec<f64> {
        let place = |k: usize| [k % WIDTH, k / WIDTH].map(|v| PITCH_MM * v as f64);
        let samples = || (0..WIDTH * WIDTH).map(place);
        let edges = Edges::of(&Ground {
            gone: &samples()
                .map(|[x, y]| gone(x, y) as f32)
                .collect::<Vec<_>>(),
            depth: &samples().map(|[x, _]| x as f32).collect::<Vec<_>>(),
            width: WIDTH,
            pitch_mm: PITCH_MM,
            resolved_mm: PITCH_MM,
        });
        let mut reaches: Vec<f64> = edges.runs.iter().map(Run::reach_mm).collect();
        reaches.sort_by(|a, b| b.total_cmp(a));
        reaches
    }

    fn bar(x: f64, y: f64) -> f64 {
        (5.0 - (x - 12.0).abs()).min(1.5 - (y - 12.0).abs())
    }

    #[test]
    fn straight_sides_and_round_edges_are_runs() {
        let sides = reaches(&bar);
        assert!(sides.len() >= 4 && sides[..2].iter().all(|r| (r - 10.0).abs() < 0.8));
        assert!(sides[2] < 5.0, "{sides:?}");
        let disc = reaches(&|x, y| 3.0 - (x - 12.0).hypot(y - 12.0));
        let whole = (6.0 * 6.0 * std::f64::consts::PI).sqrt();
        assert!(disc.len() == 1 && (disc[0] - whole).abs() < 0.2, "{disc:?}");
    }

    #[test]
    fn ragged_edges_have_short_runs_and_specks_none() {
        let ragged = reaches(&|x, y| bar(x, y) + 0.3 * (4.0 * x).sin() * (3.0 * y).cos());
        assert!(ragged[0] < 6.0, "{ragged:?}");
        assert!(reaches(&|x, y| 0.6 - (x - 12.0).hypot(y - 12.0)).is_empty());
    }

    #[test]
    fn what_runs_along_the_artworks_edge_tells_nothing() {
        assert!(reaches(&|x, _| 0.4 - x).is_empty());
        let through = reaches(&|x, y| (1.5 - (y - 12.0).abs()).min(6.0 - x));
        assert!(through[0] < 6.5, "{through:?}");
    }

    #[test]
    fn a_run_is_measured_by_those_of_other_patches() {
        let longest = |others: f64| {
            let run = |length_mm| Run {
                length_mm,
                across_mm: length_mm,
            };
            let edges = Edges {
                runs: std::iter::once(8.0).chain([others; 90]).map(run).collect(),
                run_at: (0..40).map(|k| (k < 30).then_some(0)).collect(),
                pitch_mm: 0.5,
                usual_mm: 2.0,
            };
            [edges.longest_run(0..40), edges.longest_run(0..10)]
        };
        let [whole, part] = longest(2.0);
        assert!((whole - 4.0).abs() < 1e-9 && (part - 2.0).abs() < 1e-9);
        assert!((longest(4.0)[0] - 8.0 / 3.8).abs() < 1e-9);
    }
}
