//! Where the count of marks may have slipped. Glare hides marks, and beside it shows the gaps as
//! marks: counted on from there, all marks beyond stand off by a part of a pitch.

use crate::grid::{Grid, Spot, median};

/// More missing marks in a row than this are a gap.
const MOST_MISSING: i32 = 3;
/// Marks on either side of a gap that say where those on the other side should stand.
const EITHER_SIDE: usize = 16;
/// Of fewer marks the direction is not asked.
const FEWEST_FOR_A_SLOPE: usize = 6;
/// What a bent ruler, a bending lens and noise leave between the two sides, in pitches (judged).
const MAX_JUMP_PITCHES: f64 = 0.15;

/// Fewer marks beyond the outermost gap, or fewer than are missing in it, may be anything.
const FEWEST_BEYOND: i32 = 6;

/// First and last of the most marks that were counted without a slip.
pub(crate) fn sound_range(spots: &[Spot], grid: &Grid) -> Option<(i32, i32)> {
    let marks = residuals_of_marks(spots, grid);
    let marks = without_strays(&marks);
    let mut parts: Vec<&[(i32, f64)]> = Vec::new();
    let mut from = 0;
    for k in 1..marks.len() {
        if jump(marks, k).is_some_and(|j| j.abs() > MAX_JUMP_PITCHES) {
            parts.push(&marks[from..k]);
            from = k;
        }
    }
    parts.push(&marks[from..]);
    let longest = parts.into_iter().max_by_key(|p| p.len())?;
    Some((longest.first()?.0, longest.last()?.0))
}

/// Index and residual of every located mark, in pitches, in order: the mean of its bands.
pub(crate) fn residuals_of_marks(spots: &[Spot], grid: &Grid) -> Vec<(i32, f64)> {
    let mut sorted: Vec<&Spot> = spots.iter().collect();
    sorted.sort_by_key(|s| s.index);
    sorted
        .chunk_by(|a, b| a.index == b.index)
        .map(|bands| {
            let sum: f64 = bands.iter().map(|s| grid.residual(s)).sum();
            let pitch = grid.pitch(f64::from(bands[0].index));
            (bands[0].index, sum / bands.len() as f64 / pitch)
        })
        .collect()
}

/// Without the few marks at either end that stand beyond a gap.
fn without_strays(mut marks: &[(i32, f64)]) -> &[(i32, f64)] {
    let few_beyond = |marks: &[(i32, f64)], k: usize| {
        let missing = missing_before(marks, k);
        let beyond = k.min(marks.len() - k) as i32;
        missing > MOST_MISSING && beyond < FEWEST_BEYOND.max(missing)
    };
    while let Some(k) = (1..marks.len()).find(|&k| few_beyond(marks, k)) {
        let (before, after) = marks.split_at(k);
        marks = if before.len() < after.len() {
            after
        } else {
            before
        };
    }
    marks
}

fn missing_before(marks: &[(i32, f64)], k: usize) -> i32 {
    marks[k].0 - marks[k - 1].0 - 1
}

/// How far the marks from number `k` of the list on stand off the line of those before, in the
/// middle of the gap between; `None` where there is no gap.
fn jump(marks: &[(i32, f64)], k: usize) -> Option<f64> {
    if missing_before(marks, k) <= MOST_MISSING {
        return None;
    }
    let middle = 0.5 * f64::from(marks[k - 1].0 + marks[k].0);
    let left = &marks[k.saturating_sub(EITHER_SIDE)..k];
    let right = &marks[k..(k + EITHER_SIDE).min(marks.len())];
    Some(carried_to(right, middle) - carried_to(left, middle))
}

/// The residuals' line at a place, by the median of slopes (Theil 1950).
fn carried_to(marks: &[(i32, f64)], place: f64) -> f64 {
    let half = marks.len() / 2;
    let mut slopes: Vec<f64> = if marks.len() < FEWEST_FOR_A_SLOPE {
        Vec::new()
    } else {
        let pairs = marks.iter().zip(&marks[half..]);
        pairs
            .map(|(a, b)| (b.1 - a.1) / f64::from(b.0 - a.0))
            .collect()
    };
    let slope = median(&mut slopes);
    let mut at_place: Vec<f64> = marks
        .iter()
        .map(|m| m.1 + slope * (place - f64::from(m.0)))
        .collect();
    median(&mut at_place)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::fit_by_evidence;

    /// Marks of `parts`, each a range and how far its marks stand off, in pitches, and the range
    /// counted on.
    fn sound(parts: &[(std::ops::Range<i32>, f64)], bend: f64) -> (i32, i32) {
        let mut spots: Vec<Spot> = Vec::new();
        for (k, (range, off)) in parts.iter().enumerate() {
            for index in range.clone() {
                let i = f64::from(index);
                // A regular scatter of a hundredth of a pitch.
                let scatter = 0.15 * f64::from((index * 7 + k as i32).rem_euclid(5) - 2) / 2.0;
                let t = 15.0 * (i + off) + bend * (i / 60.0).powi(3) + scatter;
                spots.push(Spot {
                    index,
                    t,
                    v: 0.0,
                    sigma: 0.1,
                });
            }
        }
        let fit = fit_by_evidence(&spots).expect("enough spots");
        sound_range(&spots, &fit.grid).expect("enough spots")
    }

    #[test]
    fn what_stands_off_beyond_a_gap_is_left_out() {
        assert_eq!(
            sound(&[(-70..0, 0.0), (12..24, 0.5), (40..65, 1.0)], 0.0),
            (-70, -1)
        );
        assert_eq!(sound(&[(0..40, 0.0), (60..120, -1.0)], 0.0), (60, 119));
    }

    #[test]
    fn strays_beyond_the_ends_are_left_out() {
        let parts = [
            (-40..-38, 0.0),
            (-20..60, 0.0),
            (70..72, 0.01),
            (80..83, 0.0),
        ];
        assert_eq!(sound(&parts, 0.0), (-20, 59));
    }

    #[test]
    fn gaps_alone_are_bridged_and_so_are_those_of_bent_rows() {
        for bend in [0.0, 4.0, -8.0] {
            let parts = [(-60..-20, 0.0), (-12..3, 0.0), (9..14, 0.0), (24..60, 0.0)];
            assert_eq!(sound(&parts, bend), (-60, 59), "{bend} px");
        }
    }
}
