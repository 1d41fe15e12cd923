//! Rows of small marks without residue that end at the same two lines: lettering, which only a drawing
//! leaves.
//!
//! What shows less than everything about it, and is no wider than a stroke, is a mark (the closing by a
//! disc less the picture; Serra 1982, chapter XII). Wear leaves marks too, but of all heights: that one
//! beside another ends where that does, above and below, is chance of known size, and along a row such
//! chances multiply. How many rows like the best one chance would leave is its number of false alarms
//! (Desolneux, Moisan and Morel 2000).

use std::ops::Range;

use imageproc::image::{GrayImage, Luma};
use imageproc::morphology::{Mask, grayscale_close};
use rayon::prelude::*;

use super::{Drawn, Presence};
use crate::structure::{connected, hull};

/// Half the width of strokes.
const STROKE_RADII_MM: [f64; 4] = [0.5, 0.7, 1.0, 1.4];
/// How much less than what is about it a mark shows (share of the residue).
const LESS: f32 = 0.3;
/// Letters are so high, in radii of their strokes, but never less than so many millimetres,
const HEIGHT_RADII: (f64, f64) = (2.4, 9.0);
const HEIGHT_MIN_MM: f64 = 1.2;
/// at most so wide, in their own heights, and so far apart.
const WIDTH_MAX: f64 = 1.6;
const APART: (f64, f64) = (-0.15, 0.8);
/// Neighbours' ends differ by less than the second share of their height, and are not known to better
/// than the first.
const OFF: (f64, f64) = (0.04, 0.25);
/// Marks of whatever height beside a mark, on either side.
const NEIGHBOURS: f64 = 3.0;
const MARKS_MIN: usize = 3;
const DIRECTIONS: usize = 30;
/// A tenth to this power is the number of false alarms that is borne. Measured on painted scenes: 2.3 at
/// most in some 140 without lettering, 3.4 and more where it shows.
const EVIDENCE_MIN: f64 = 2.5;
/// What lies nearer to the artwork's edge says nothing.
const CLEARANCE_MM: f32 = 0.3;

/// What may be a letter.
struct Mark {
    /// Corners of its convex hull, in millimetres.
    corners: Vec<[f64; 2]>,
    area_mm2: f64,
    sample: usize,
}

/// Where a mark begins and ends along a row and across it, in millimetres.
struct Span<'a> {
    along: [f64; 2],
    across: [f64; 2],
    mark: &'a Mark,
}

/// A row by its last mark.
#[derive(Clone, Copy)]
struct Row {
    /// By how many powers of ten chance would leave fewer.
    evidence: f64,
    marks: usize,
    area_mm2: f64,
    /// A sample of its first mark.
    sample: usize,
}

/// The row that chance explains least, if it hardly does.
pub(super) fn drawn(seen: &Presence) -> Option<Drawn> {
    let emblem = Emblem::of(seen)?;
    let rows = STROKE_RADII_MM.par_iter().filter_map(|&radius_mm| {
        let marks = emblem.marks(radius_mm);
        let turns = (0..DIRECTIONS).map(|k| std::f64::consts::PI * k as f64 / DIRECTIONS as f64);
        let rows = turns.filter_map(|turn| best_row(&spans(&marks, radius_mm, turn)));
        rows.max_by(|a, b| a.evidence.total_cmp(&b.evidence))
    });
    let rows: Vec<Row> = rows.collect();
    let best = rows
        .into_iter()
        .max_by(|a, b| a.evidence.total_cmp(&b.evidence))?;
    (best.evidence > EVIDENCE_MIN).then_some(Drawn {
        area_mm2: best.area_mm2,
        sample: emblem.sample_of(best.sample),
    })
}

/// What shows within the box about the emblem, on whose samples marks are described.
struct Emblem<'a> {
    seen: &'a Presence,
    columns: Range<usize>,
    rows: Range<usize>,
    shows: GrayImage,
}

/// Steps of what shows.
const LEVELS: f32 = 200.0;

impl<'a> Emblem<'a> {
    fn of(seen: &'a Presence) -> Option<Self> {
        const SHARE_MAX: f32 = 1.2;
        let inside = |&k: &usize| seen.depth[k] > CLEARANCE_MM;
        let inside: Vec<usize> = (0..seen.depth.len()).filter(inside).collect();
        if inside.is_empty() {
            return None;
        }
        let [columns, rows] = seen.spans(&inside);
        let mut emblem = Self {
            seen,
            columns,
            rows,
            shows: GrayImage::new(0, 0),
        };
        let (width, height) = (emblem.columns.len() as u32, emblem.rows.len() as u32);
        emblem.shows = GrayImage::from_fn(width, height, |i, j| {
            let k = emblem.sample_of(j as usize * emblem.columns.len() + i as usize);
            let shows = LEVELS * seen.share[k].clamp(0.0, SHARE_MAX);
            Luma([if emblem.is_inside(k) { shows as u8 } else { 0 }])
        });
        Some(emblem)
    }

    /// The whole grid's sample at a sample of the box.
    fn sample_of(&self, k: usize) -> usize {
        let (i, j) = (k % self.columns.len(), k / self.columns.len());
        (self.rows.start + j) * self.seen.width + self.columns.start + i
    }

    fn is_inside(&self, sample: usize) -> bool {
        self.seen.depth[sample] > CLEARANCE_MM && self.seen.cloth[sample] > 0.5
    }

    /// Patches that show less than all about them, in which a disc of this radius finds no room.
    fn marks(&self, radius_mm: f64) -> Vec<Mark> {
        let radius = (radius_mm / self.seen.pitch_mm).round();
        let disc = Mask::disk(radius.clamp(1.0, f64::from(u8::MAX)) as u8);
        let closed = grayscale_close(&self.shows, &disc);
        let (shows, closed) = (self.shows.as_raw(), closed.as_raw());
        let lacks = |k: usize| f32::from(closed[k].saturating_sub(shows[k])) > LEVELS * LESS;
        let is_mark = |k: usize| lacks(k) && self.is_inside(self.sample_of(k));
        let patches = connected(self.columns.len(), self.rows.len(), &is_mark);
        let marks = patches.iter().filter_map(|patch| self.mark(patch));
        marks.collect()
    }

    /// A patch, if it is not too small.
    fn mark(&self, patch: &[usize]) -> Option<Mark> {
        let pitch_mm = self.seen.pitch_mm;
        if (patch.len() as f64) * pitch_mm < HEIGHT_MIN_MM {
            return None;
        }
        let corners: Vec<[f64; 2]> = hull(patch, self.columns.len())
            .iter()
            .map(|corner| [corner.x, corner.y].map(|v| f64::from(v) * pitch_mm))
            .collect();
        let [width, height] = [0, 1].map(|c| {
            let [low, high] = range(corners.iter().map(|corner| corner[c]));
            high - low
        });
        (width.hypot(height) >= HEIGHT_MIN_MM).then(|| Mark {
            area_mm2: patch.len() as f64 * pitch_mm.powi(2),
            sample: patch[patch.len() / 2],
            corners,
        })
    }
}

fn range(values: impl Iterator<Item = f64>) -> [f64; 2] {
    values.fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], v| {
        [low.min(v), high.max(v)]
    })
}

/// Marks of a letter's height and width along rows of this direction, in order.
fn spans(marks: &[Mark], radius_mm: f64, turn: f64) -> Vec<Span<'_>> {
    let (sin, cos) = turn.sin_cos();
    let lowest_mm = (HEIGHT_RADII.0 * radius_mm).max(HEIGHT_MIN_MM);
    let highest_mm = HEIGHT_RADII.1 * radius_mm;
    let spans = marks.iter().map(|mark| Span {
        along: range(mark.corners.iter().map(|[x, y]| x * cos + y * sin)),
        across: range(mark.corners.iter().map(|[x, y]| y * cos - x * sin)),
        mark,
    });
    let is_letter = |span: &Span<'_>| {
        let height_mm = span.height_mm();
        (lowest_mm..=highest_mm).contains(&height_mm)
            && span.along[1] - span.along[0] <= WIDTH_MAX * height_mm
    };
    let mut spans: Vec<Span<'_>> = spans.filter(is_letter).collect();
    spans.sort_by(|a, b| a.along[0].total_cmp(&b.along[0]));
    spans
}

impl Span<'_> {
    fn height_mm(&self) -> f64 {
        self.across[1] - self.across[0]
    }

    /// How little chance explains that `next` stands beside this mark, as a power of ten.
    fn says(&self, next: &Self) -> Option<f64> {
        let height_mm = 0.5 * (self.height_mm() + next.height_mm());
        let apart = (next.along[0] - self.along[1]) / height_mm;
        let off = [0, 1].map(|c| (self.across[c] - next.across[c]).abs() / height_mm);
        let beside = apart > APART.0 && apart < APART.1 && off.iter().all(|off| *off < OFF.1);
        let chance: f64 = off.iter().map(|off| 2.0 * off.max(OFF.0)).product();
        beside.then(|| -(NEIGHBOURS * chance).min(1.0).log10())
    }
}

/// The row that chance explains least; each mark may begin one.
fn best_row(spans: &[Span<'_>]) -> Option<Row> {
    let mut rows: Vec<Row> = Vec::with_capacity(spans.len());
    for span in spans {
        let (own_mm2, sample) = (span.mark.area_mm2, span.mark.sample);
        let longer = rows.iter().zip(spans).filter_map(|(row, last)| {
            Some(Row {
                evidence: row.evidence + last.says(span)?,
                marks: row.marks + 1,
                area_mm2: row.area_mm2 + own_mm2,
                sample: row.sample,
            })
        });
        let longest = longer.max_by(|a, b| a.evidence.total_cmp(&b.evidence));
        rows.push(longest.unwrap_or(Row {
            evidence: -(spans.len() as f64).log10(),
            marks: 1,
            area_mm2: own_mm2,
            sample,
        }));
    }
    let long = rows.into_iter().filter(|row| row.marks >= MARKS_MIN);
    long.max_by(|a, b| a.evidence.total_cmp(&b.evidence))
}

#[cfg(test)]
mod tests {
    use super::super::tests::presence;
    use super::*;

    /// Marks of these heights, 1.4 mm wide, upright on a line that climbs a little.
    fn row(heights_mm: &[f64]) -> Presence {
        let heights_mm = heights_mm.to_vec();
        presence(&move |u, v| {
            let (u, v) = (u + 0.1 * v, v - 0.1 * u);
            let at = (u - 8.0) / 2.0;
            let letter = heights_mm.get(at as usize).filter(|_| at >= 0.0);
            letter.is_some_and(|height| at.fract() < 0.7 && v > 12.0 && v < 12.0 + height)
        })
    }

    #[test]
    fn marks_of_one_height_in_a_row_are_lettering_and_others_are_not() {
        let lettering = drawn(&row(&[3.0; 6])).expect("lettering");
        assert!((lettering.area_mm2 / (6.0 * 1.4 * 3.0) - 1.0).abs() < 0.2);
        assert_eq!(drawn(&row(&[3.0; 2])), None);
        assert_eq!(drawn(&row(&[3.0, 1.5, 4.5, 2.2, 6.0, 3.6])), None);
    }
}
