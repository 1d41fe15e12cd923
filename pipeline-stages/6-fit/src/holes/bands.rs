//! Straight bands without residue, in one piece or in many: slots through the strokes, or the stems and
//! the common height of letters. They may touch the artwork's edge, and are no holes; but wear is
//! ragged, and its edges face each other along no line for long.
//!
//! The edge points of what has gone vote for the lines that they may lie on, by the way that the
//! residue rises there (Hough's transform, as Duda and Hart 1972 have it, with O'Gorman and Clowes's
//! directions, 1976). A band lies between two lines that face each other.

use std::collections::BTreeSet;

use super::presence::disc;
use super::{Drawn, Presence};

/// Shorter bands are wear, or stripes of the cloth. Measured on painted scenes: 6.5 mm at most in some
/// 240 without a slot; 7 and more of most long slots, 5 and less of short ones and of those beside wear
/// or in noise, which are missed.
const LENGTH_MIN_MM: f64 = 7.0;
/// Widths of bands.
const WIDTH_MM: (f64, f64) = (0.8, 8.0);
/// Points this near to a line lie on it, if the residue rises across it within so much.
const STRAY_MM: f64 = 0.3;
const TURNED_DEG: f64 = 18.0;
/// A line is as long as the pieces of this length that have a point on it.
const PIECE_MM: f64 = 0.5;
/// Points nearer to the artwork's edge are its own.
const CLEARANCE_MM: f64 = 0.5;
/// How the residue rises is told from what lies this near, and must be so much (shares per mm).
const ABOUT_MM: f64 = 0.75;
const RISE_MIN: f64 = 0.3;
/// Lines that are looked at: those with most votes.
const LINES_MAX: usize = 80;

/// An edge point of what has gone, in millimetres.
#[derive(Clone, Copy, Debug)]
struct EdgePoint {
    at: [f64; 2],
    /// The way to more residue.
    rises_deg: f64,
}

/// A direction, and as a vector of length 1.
#[derive(Clone, Copy, Debug)]
struct Normal {
    deg: f64,
    unit: [f64; 2],
}

/// A line by its normal, which points to residue, and its distance from the corner along it.
#[derive(Clone, Copy, Debug)]
struct Line {
    normal: Normal,
    from_corner_mm: f64,
}

/// The longest band that is long enough.
pub(super) fn drawn(seen: &Presence) -> Option<Drawn> {
    let points = edge_points(seen);
    let bands = strongest_lines(seen, &points)
        .into_iter()
        .filter_map(|line| line.band(seen, &points));
    let longest = bands.max_by(|a, b| a.0.total_cmp(&b.0));
    longest
        .filter(|(length_mm, _)| *length_mm >= LENGTH_MIN_MM)
        .map(|band| band.1)
}

fn edge_points(seen: &Presence) -> Vec<EdgePoint> {
    let about = disc(ABOUT_MM / seen.pitch_mm);
    let side = |k: usize, on: usize| seen.gone.get(k + on).is_some_and(|g| *g != seen.gone[k]);
    (0..seen.gone.len())
        .filter(|&k| side(k, 1) || side(k, seen.width))
        .filter(|&k| f64::from(seen.depth[k]) > CLEARANCE_MM && seen.cloth[k] > 0.5)
        .filter_map(|k| {
            let [x, y] = rise(seen, k, &about)?;
            let place = [k % seen.width, k / seen.width];
            Some(EdgePoint {
                at: place.map(|v| (v as f64 + 0.5) * seen.pitch_mm),
                rises_deg: y.atan2(x).to_degrees(),
            })
        })
        .collect()
}

/// How the residue's share changes about a sample, inside the artwork (least squares); `None` where
/// it hardly does.
fn rise(seen: &Presence, k: usize, about: &[(isize, isize)]) -> Option<[f64; 2]> {
    let inside = seen.around(k, about).zip(about).filter_map(|(n, offset)| {
        let n = n.filter(|&n| seen.depth[n] > 0.0)?;
        Some((f64::from(seen.share[n].clamp(0.0, 1.0)), *offset))
    });
    let [mut n, mut s, mut x, mut y, mut sx, mut sy, mut squares] = [0.0; 7];
    for (share, (i, j)) in inside {
        let (i, j) = (i as f64 * seen.pitch_mm, j as f64 * seen.pitch_mm);
        (n, s, x, y) = (n + 1.0, s + share, x + i, y + j);
        (sx, sy) = (sx + share * i, sy + share * j);
        squares += 0.5 * (i * i + j * j);
    }
    let slope = [sx - s * x / n, sy - s * y / n].map(|v| v / squares);
    (slope[0].hypot(slope[1]) > RISE_MIN).then_some(slope)
}

/// The lines that most points may lie on.
fn strongest_lines(seen: &Presence, points: &[EdgePoint]) -> Vec<Line> {
    const DIRECTIONS: i32 = 360;
    const VOTES_DEG: i32 = 12;
    let reach = (seen.width as f64).hypot(seen.height as f64) * seen.pitch_mm;
    let bins = (2.0 * reach / STRAY_MM) as usize + 2;
    let normals: Vec<Normal> = (0..DIRECTIONS).map(|deg| Normal::new(deg.into())).collect();
    let mut votes = vec![0u32; DIRECTIONS as usize * bins];
    for point in points {
        let middle = point.rises_deg.round() as i32;
        for deg in middle - VOTES_DEG..=middle + VOTES_DEG {
            let row = deg.rem_euclid(DIRECTIONS) as usize;
            let [across, _] = point.in_frame(&normals[row]);
            votes[row * bins + ((across + reach) / STRAY_MM) as usize] += 1;
        }
    }
    let least = (0.5 * LENGTH_MIN_MM / seen.pitch_mm) as u32;
    let is_peak = |cell: usize| {
        let (row, bin) = (cell / bins, cell % bins);
        let near = |deg: i32, on: usize| {
            let row = (row as i32 + deg).rem_euclid(DIRECTIONS) as usize;
            votes[row * bins + (bin + on).saturating_sub(1).min(bins - 1)]
        };
        votes[cell] >= least && (-3..=3).all(|deg| (0..3).all(|on| near(deg, on) <= votes[cell]))
    };
    let mut peaks: Vec<usize> = (0..votes.len()).filter(|&cell| is_peak(cell)).collect();
    peaks.sort_by_key(|&cell| std::cmp::Reverse(votes[cell]));
    let line = |&cell: &usize| Line {
        normal: normals[cell / bins],
        from_corner_mm: ((cell % bins) as f64 + 0.5) * STRAY_MM - reach,
    };
    peaks.iter().take(LINES_MAX).map(line).collect()
}

impl Normal {
    fn new(deg: f64) -> Self {
        let (sin, cos) = deg.to_radians().sin_cos();
        Self {
            deg,
            unit: [cos, sin],
        }
    }
}

impl EdgePoint {
    /// Its place along a normal and along the line that has it.
    fn in_frame(&self, normal: &Normal) -> [f64; 2] {
        let ([x, y], [cos, sin]) = (self.at, normal.unit);
        [x * cos + y * sin, y * cos - x * sin]
    }

    fn rises_towards(&self, deg: f64) -> bool {
        let turned = (self.rises_deg - deg + 180.0).rem_euclid(360.0) - 180.0;
        turned.abs() <= TURNED_DEG
    }
}

impl Line {
    /// The longer of the bands along this line that have the two most usual widths, and its length: where
    /// the residue rises across the line, falls across another, and has gone in between.
    fn band(&self, seen: &Presence, points: &[EdgePoint]) -> Option<(f64, Drawn)> {
        const WIDTHS_TRIED: usize = 2;
        let near: Vec<_> = self.rising(points, self.normal.deg).collect();
        let own = pieces(&near, 0.0);
        if (own.len() as f64) * PIECE_MM < LENGTH_MIN_MM {
            return None;
        }
        let facing: Vec<_> = self
            .rising(points, self.normal.deg + 180.0)
            .filter(|(width, _)| (WIDTH_MM.0..WIDTH_MM.1).contains(width))
            .collect();
        let widths = usual_widths(&facing).into_iter().take(WIDTHS_TRIED);
        let bands = widths.filter_map(|width_mm| {
            let gone = |piece: &&i32| self.is_gone(seen, **piece, width_mm);
            let opposite = pieces(&facing, width_mm);
            let band: Vec<i32> = own.intersection(&opposite).filter(gone).copied().collect();
            let length_mm = band.len() as f64 * PIECE_MM;
            let middle = *band.get(band.len() / 2)?;
            let drawn = Drawn {
                area_mm2: length_mm * width_mm,
                sample: self.sample(seen, middle, 0.5 * width_mm)?,
            };
            Some((length_mm, drawn))
        });
        bands.max_by(|a, b| a.0.total_cmp(&b.0))
    }

    /// How far before the line the points lie across which the residue rises this way, and the pieces
    /// of the line that they lie beside.
    fn rising<'a>(
        &'a self,
        points: &'a [EdgePoint],
        deg: f64,
    ) -> impl Iterator<Item = (f64, i32)> + 'a {
        let rising = points.iter().filter(move |p| p.rises_towards(deg));
        rising.map(|p| {
            let [across, along] = p.in_frame(&self.normal);
            let piece = (along / PIECE_MM).floor() as i32;
            (self.from_corner_mm - across, piece)
        })
    }

    /// Whether nothing shows on this side of a piece of the line, as far as `width_mm`.
    fn is_gone(&self, seen: &Presence, piece: i32, width_mm: f64) -> bool {
        const PLACES: [f64; 5] = [0.2, 0.35, 0.5, 0.65, 0.8];
        const MOST: usize = 4;
        let gone = |share: &&f64| {
            let sample = self.sample(seen, piece, *share * width_mm);
            sample.is_some_and(|k| seen.gone[k])
        };
        PLACES.iter().filter(gone).count() >= MOST
    }

    /// The sample so far before a piece of the line.
    fn sample(&self, seen: &Presence, piece: i32, before_mm: f64) -> Option<usize> {
        let [cos, sin] = self.normal.unit;
        let (across, along) = (
            self.from_corner_mm - before_mm,
            (f64::from(piece) + 0.5) * PIECE_MM,
        );
        let place = [across * cos - along * sin, across * sin + along * cos];
        let [i, j] = place.map(|v| (v / seen.pitch_mm).floor());
        let inside = i >= 0.0 && j >= 0.0 && i < seen.width as f64 && j < seen.height as f64;
        inside.then(|| j as usize * seen.width + i as usize)
    }
}

/// Pieces of a line that have a point so far before it.
fn pieces(points: &[(f64, i32)], before_mm: f64) -> BTreeSet<i32> {
    let there = points
        .iter()
        .filter(|(mm, _)| (mm - before_mm).abs() < STRAY_MM);
    there.map(|point| point.1).collect()
}

/// Widths by how many points have them, most first.
fn usual_widths(facing: &[(f64, i32)]) -> Vec<f64> {
    let bins = (WIDTH_MM.1 / STRAY_MM) as usize + 1;
    let mut count = vec![0usize; bins];
    for (width, _) in facing {
        count[(width / STRAY_MM) as usize] += 1;
    }
    let mut order: Vec<usize> = (0..bins).filter(|&k| count[k] > 0).collect();
    order.sort_by_key(|&k| std::cmp::Reverse(count[k]));
    let width = |k: usize| (k as f64 + 0.5) * STRAY_MM;
    order.into_iter().map(width).collect()
}

#[cfg(test)]
mod tests {
    use super::super::tests::gone_between;
    use super::*;

    #[test]
    fn one_edge_alone_and_what_is_too_wide_are_no_bands() {
        let slanted = |u: f64| 10.0 + 0.2 * u;
        assert_eq!(drawn(&gone_between(slanted, |_| 100.0)), None);
        assert_eq!(drawn(&gone_between(slanted, |u| slanted(u) + 11.0)), None);
    }
}
