//! How long each mark is: where its contrast ends on either side of the band that all share.

use rayon::prelude::*;

use crate::grid::median;
use crate::marks::Marks;
use crate::plane::{Plane, plane_for};
use crate::template::offset;

/// Marks are followed this far from the middle of their band.
const MAX_REACH_PITCHES: f64 = 30.0;
/// Samples of a line across a mark: every third of a profile's, but all of them for marks
/// thinner than this against their pitch.
const STRIDE: usize = 3;
const THIN_PITCHES: f64 = 0.12;
/// Neighbouring lines averaged on such marks, which are faint and drown in grain.
const THIN_LINES: i32 = 3;
/// Interruptions up to this length do not end a mark.
const MAX_GAP_PITCHES: f64 = 0.35;
/// Longer ones (a line along the ruler crosses it) only up to this length, and only when at least
/// `MIN_RESUMED_PITCHES` of the mark follow.
const MAX_CROSSING_PITCHES: f64 = 0.9;
const MIN_RESUMED_PITCHES: f64 = 0.6;

/// Where one mark ends, in the axis' frame, in pixels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Extent {
    pub(crate) index: i32,
    pub(crate) low: f64,
    pub(crate) high: f64,
    /// Whether the photo ends before the mark does, at either end.
    pub(crate) low_is_cut: bool,
    pub(crate) high_is_cut: bool,
}

/// The extents of all marks from the first located to the last. Marks that were not located well
/// enough to measure by (thicker than the rest, partly covered) still have a length.
pub(crate) fn extents(planes: &[Plane], marks: &Marks) -> Vec<Extent> {
    let pitch = marks.grid().pitch(marks.grid().middle);
    let fewest = if is_thin(marks) { 22.0 } else { 8.0 };
    let plane = plane_for(planes, pitch, fewest);
    let step = (pitch / 10.0).max(plane.step_px);
    let (first, last) = marks.range;
    (first..=last)
        .into_par_iter()
        .filter_map(|index| {
            let half = 0.5 * inner_contrast(plane, marks, index)?;
            let walk = |direction| end(plane, marks, index, direction * step, half);
            let ((low, low_is_cut), (high, high_is_cut)) = (walk(-1.0), walk(1.0));
            Some(Extent {
                index,
                low,
                high,
                low_is_cut,
                high_is_cut,
            })
        })
        .collect()
}

/// Greatest change of the lengths from one end of a row to the other, in their median: tilt makes
/// less (judged).
const MAX_GROWTH: f64 = 0.5;

/// Whether lengths (index, length in pitches) grow along the row, as those of bars in a slanting
/// band do: by the median of slopes between marks an even number apart, which mostly have one
/// rank (Theil 1950).
pub(crate) fn grow(lengths: &[(i32, f64)]) -> bool {
    let half = (lengths.len() / 2) & !1;
    let (Some(first), Some(last)) = (lengths.first(), lengths.last()) else {
        return false;
    };
    let mut slopes: Vec<f64> = lengths
        .iter()
        .zip(&lengths[half..])
        .filter(|(a, b)| b.0 > a.0)
        .map(|(a, b)| (b.1 - a.1) / f64::from(b.0 - a.0))
        .collect();
    let mut all: Vec<f64> = lengths.iter().map(|l| l.1).collect();
    let growth = median(&mut slopes) * f64::from(last.0 - first.0);
    growth.abs() > MAX_GROWTH * median(&mut all)
}

/// The mark's own contrast in the middle of its band; `None` where no mark is seen.
fn inner_contrast(plane: &Plane, marks: &Marks, index: i32) -> Option<f64> {
    let mut inner: Vec<f64> = (-3..=3)
        .filter_map(|k| line_contrast(plane, marks, index, 0.2 * f64::from(k) * marks.half_band_px))
        .collect();
    let contrast = median(&mut inner);
    (contrast > 0.4 * marks.contrast).then_some(contrast)
}

/// Follows one mark from the middle of its band in the direction of `step`: where it ends, and
/// whether only because the photo does.
fn end(plane: &Plane, marks: &Marks, index: i32, step: f64, half: f64) -> (f64, bool) {
    let pitch = marks.grid().pitch(f64::from(index));
    let gap = (MAX_GAP_PITCHES * pitch).max(2.0 * step.abs());
    let start = 0.3 * marks.half_band_px * step.signum();
    let mut end = start;
    // Where a stretch after a crossing line began, until it is long enough to count.
    let mut resumed: Option<f64> = None;
    let mut seen = start;
    let mut before = 2.0 * half;
    let mut window = [before; 3];
    let mut v = start;
    while v.abs() < MAX_REACH_PITCHES * pitch {
        let Some(value) = line_contrast(plane, marks, index, v) else {
            return (end, (v - end).abs() <= gap);
        };
        window = [window[1], window[2], value];
        // Mean of three rows, which belongs to the row before this one.
        let now = (window[0] + window[1] + window[2]) / 3.0;
        let at = v - step;
        if now >= half {
            if resumed.is_none() && (at - seen).abs() > gap {
                resumed = Some(at);
            }
            seen = at;
        } else if before >= half {
            seen = at - step * (half - now) / (before - now).max(1e-9);
        }
        match resumed {
            Some(from) if (seen - from).abs() >= MIN_RESUMED_PITCHES * pitch => {
                resumed = None;
                end = seen;
            }
            Some(_) if (at - seen).abs() > gap => break,
            Some(_) => {}
            None if (at - seen).abs() > MAX_CROSSING_PITCHES * pitch => break,
            None => end = seen,
        }
        before = now;
        v += step;
    }
    (end, false)
}

fn is_thin(marks: &Marks) -> bool {
    marks.template.width_pitches() < THIN_PITCHES
}

fn line_contrast(plane: &Plane, marks: &Marks, index: i32, v: f64) -> Option<f64> {
    if !is_thin(marks) {
        return single_line(plane, marks, index, v, STRIDE);
    }
    let apart = marks.grid().pitch(f64::from(index)) / 30.0;
    let lines: Option<Vec<f64>> = (0..THIN_LINES)
        .map(|k| v + apart * f64::from(k - THIN_LINES / 2))
        .map(|v| single_line(plane, marks, index, v, 1))
        .collect();
    Some(lines?.iter().sum::<f64>() / f64::from(THIN_LINES))
}

fn single_line(plane: &Plane, marks: &Marks, index: i32, v: f64, stride: usize) -> Option<f64> {
    let i = f64::from(index);
    let grid = marks.grid();
    let (t, pitch) = (grid.place(i) + grid.lean_at(i) * v, grid.pitch(i));
    let sign = if marks.dark { -1.0 } else { 1.0 };
    marks.template.contrast(stride, |k| {
        let (x, y) = marks.axis.at(t + offset(k) * pitch, v);
        Some(sign * f64::from(plane.bilinear(x, y)?))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_in_a_slanting_band_grow_and_those_of_rulers_do_not() {
        let keys: Vec<(i32, f64)> = (0..18)
            .map(|i| {
                let bar = if i % 2 == 1 { 0.5 } else { 0.0 };
                (i, 0.7 + bar + 0.047 * f64::from(i))
            })
            .collect();
        assert!(grow(&keys));
        for ranks in [&[5, 10][..], &[2, 4, 8, 16], &[4, 8], &[2, 10, 20]] {
            for (n, start) in [(18, 0), (37, 3), (64, 7), (150, 1)] {
                let ruler: Vec<(i32, f64)> = (start..start + n)
                    .map(|i| {
                        let rank = ranks.iter().filter(|r| i % *r == 0).count();
                        let tilt = 1.0 + 0.2 * f64::from(i - start) / f64::from(n);
                        (i, tilt * (2.0 + 1.3 * rank as f64))
                    })
                    .collect();
                assert!(!grow(&ruler), "{ranks:?}, {n} from {start}");
            }
        }
    }
}
