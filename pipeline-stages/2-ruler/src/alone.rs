//! Whether a row of marks stands alone. Beyond a ruler's graduated edge lies something else; a
//! mesh, a rib or a grid goes on in the same rhythm.

use fourier::Complex;

use crate::marks::Marks;
use crate::plane::{Plane, plane_for};
use crate::reading::Line;
use crate::template::{PROFILE, offset};

/// Stretches beyond the edge, in pitches, each of which shows the rhythm where cloth goes on. A
/// scale on the other side of a common line ends before the last.
const STRETCHES: [(f64, f64); 3] = [(1.0, 4.0), (4.0, 8.0), (8.0, 14.0)];
const LINES_PER_PITCH: f64 = 4.0;
/// Neighbouring marks whose phases must agree.
const TOGETHER: usize = 12;
/// Share of the marks' own amplitude that counts as the same rhythm, if neighbours keep step:
/// those of mere grain have a mean of 1/√12 of their own size.
const SAME_RHYTHM: f64 = 0.35;
const IN_STEP: f64 = 0.55;
/// … and if their groups keep step with the marks from one end to the other: cloth under a ruler
/// that happens to have about its pitch does not.
const IN_STEP_ALONG: f64 = 0.7;

/// Whether the marks' rhythm goes on beyond the graduated edge, `edge`;
/// `outward` is the direction of `v` that leads away from the marks.
pub(crate) fn goes_on(planes: &[Plane], marks: &Marks, edge: Line, outward: f64) -> bool {
    let pitch = marks.grid().pitch(marks.grid().middle);
    let plane = plane_for(planes, pitch, 8.0);
    let inner = rhythm(plane, marks, &|_| 0.0).amplitude;
    STRETCHES.iter().all(|&(from, to)| {
        let lines = ((to - from) * LINES_PER_PITCH) as i32;
        (0..lines).any(|k| {
            let away = outward * pitch * (from + f64::from(k) / LINES_PER_PITCH);
            let found = rhythm(plane, marks, &|i| edge.at(i) + away);
            found.amplitude > SAME_RHYTHM * inner
                && found.in_step > IN_STEP
                && found.in_step_along > IN_STEP_ALONG
        })
    })
}

/// The grey along a line, at the marks' pitch. Nothing where the photo ends.
#[derive(Default)]
struct Rhythm {
    /// Mean over groups of neighbours, each with one phase.
    amplitude: f64,
    /// Its share of what it would be if all of a group were in step,
    in_step: f64,
    /// and what all groups make together, as a share of that.
    in_step_along: f64,
}

fn rhythm(plane: &Plane, marks: &Marks, v_of: &dyn Fn(i32) -> f64) -> Rhythm {
    let (first, last) = marks.range;
    let phases: Vec<Complex<f64>> = (first..=last)
        .filter_map(|index| fundamental(plane, marks, index, v_of(index)))
        .collect();
    if 2 * phases.len() < (last - first) as usize {
        return Rhythm::default();
    }
    let (mut together, mut each, mut all) = (0.0, 0.0, Complex::<f64>::default());
    for group in phases.chunks(TOGETHER) {
        let n = group.len() as f64;
        let mean = group.iter().sum::<Complex<f64>>() / n;
        all += mean;
        together += mean.norm();
        each += (group.iter().map(Complex::norm_sqr).sum::<f64>() / n).sqrt();
    }
    Rhythm {
        amplitude: together / phases.len().div_ceil(TOGETHER) as f64,
        in_step: together / each.max(1e-9),
        in_step_along: all.norm() / together.max(1e-9),
    }
}

fn fundamental(plane: &Plane, marks: &Marks, index: i32, v: f64) -> Option<Complex<f64>> {
    let i = f64::from(index);
    let grid = marks.grid();
    let (t, pitch) = (grid.place(i) + grid.lean_at(i) * v, grid.pitch(i));
    (0..PROFILE - 1)
        .step_by(2)
        .map(|k| {
            let (x, y) = marks.axis.at(t + offset(k) * pitch, v);
            let grey = f64::from(plane.bilinear(x, y)?);
            Some(Complex::from_polar(
                grey,
                -std::f64::consts::TAU * offset(k),
            ))
        })
        .sum()
}
