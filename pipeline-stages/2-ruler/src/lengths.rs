//! How long each mark is: where its contrast ends on either side of the band that all share.

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
