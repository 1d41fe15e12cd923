//! A row of regular marks: its frame, its count, and what the grey along it tells of the marks.

use fourier::Complex;

use crate::plane::{Plane, plane_for};

/// Samples of the grey along the row for one mark.
const PER_MARK: usize = 8;

/// A frame laid along a tick row: `t` runs along it, `v` across (clockwise from `t` as seen).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Axis {
    pub(crate) origin: (f64, f64),
    pub(crate) angle: f64,
    /// Curvature of the row within the photo, per pixel.
    pub(crate) bend: f64,
    /// Sine and cosine of the angle.
    direction: (f64, f64),
}

impl Axis {
    pub(crate) fn new(origin: (f64, f64), angle: f64, bend: f64) -> Self {
        Self {
            origin,
            angle,
            bend,
            direction: angle.sin_cos(),
        }
    }

    /// The photo point at `t`, `v`, in pixels.
    pub(crate) fn at(&self, t: f64, v: f64) -> (f64, f64) {
        let (sin, cos) = self.direction;
        let v = v + 0.5 * self.bend * t * t;
        (
            self.origin.0 + t * cos - v * sin,
            self.origin.1 + t * sin + v * cos,
        )
    }
}

/// A row of regular marks, followed but not yet located one by one.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    /// Frame whose `v = 0` runs along the middle of the shortest marks.
    pub(crate) axis: Axis,
    /// Half the height of the band in which every mark is seen, in pixels.
    pub(crate) half_band_px: f64,
    /// Lean of the marks: dt/dv = `lean.0` + `lean.1` · t.
    pub(crate) lean: (f64, f64),
    /// Number of the mark at `t`: c0 + c1 t + c2 t².
    pub(crate) count: [f64; 3],
    /// The marks are darker than what is between them.
    pub(crate) dark: bool,
    /// Where along the row marks are seen.
    pub(crate) range: (f64, f64),
}

impl Row {
    /// Number of the mark at `t`, fractional between marks.
    pub(crate) fn count_at(&self, t: f64) -> f64 {
        self.count[0] + t * (self.count[1] + t * self.count[2])
    }

    /// Distance of neighbouring marks at `t`, in pixels.
    pub(crate) fn pitch_at(&self, t: f64) -> f64 {
        1.0 / (self.count[1] + 2.0 * t * self.count[2])
    }

    /// Place of mark number `x`.
    pub(crate) fn place_of(&self, x: f64) -> f64 {
        let mut t = (x - self.count[0]) / self.count[1];
        for _ in 0..8 {
            t -= (self.count_at(t) - x) * self.pitch_at(t);
        }
        t
    }

    /// The row of the gaps between these marks.
    pub(crate) fn between(&self) -> Self {
        let mut count = self.count;
        count[0] += 0.5;
        Self {
            count,
            dark: !self.dark,
            ..self.clone()
        }
    }

    pub(crate) fn lean_at(&self, t: f64) -> f64 {
        self.lean.0 + self.lean.1 * t
    }
}

/// Grey along the row, averaged over the band, at `PER_MARK` places for each mark: (count, grey).
fn course_of_grey(planes: &[Plane], row: &Row) -> Vec<(f64, f64)> {
    const ROWS: i32 = 5;
    let plane = plane_for(planes, row.pitch_at(0.0), 8.0);
    let from = row.count_at(row.range.0).ceil();
    let marks = (row.count_at(row.range.1).floor() - from).max(0.0) as usize;
    (0..marks * PER_MARK)
        .filter_map(|k| {
            let x = from + k as f64 / PER_MARK as f64;
            let t = row.place_of(x);
            let mut sum = 0.0;
            for r in 0..ROWS {
                let v = row.half_band_px * 0.8 * (2.0 * f64::from(r) / f64::from(ROWS - 1) - 1.0);
                let (px, py) = row.axis.at(t + row.lean_at(t) * v, v);
                sum += f64::from(plane.bilinear(px, py)?);
            }
            Some((x, sum / f64::from(ROWS)))
        })
        .collect()
}

/// Amplitude and phase of the grey at `frequency` cycles for each mark.
fn component(grey: &[(f64, f64)], frequency: f64) -> Complex<f64> {
    let mean = grey.iter().map(|g| g.1).sum::<f64>() / grey.len().max(1) as f64;
    let sum: Complex<f64> = grey
        .iter()
        .map(|g| Complex::from_polar(g.1 - mean, -std::f64::consts::TAU * frequency * g.0))
        .sum();
    sum / grey.len().max(1) as f64
}

/// Thin marks show their harmonics as strongly as their pitch, and the pitch may be drowned by
/// other things. The rows of two to six times the spacing that the grey along this one supports.
pub(crate) fn coarser(planes: &[Plane], row: &Row) -> Vec<Row> {
    let grey = course_of_grey(planes, row);
    if grey.len() < 12 * PER_MARK {
        return Vec::new();
    }
    let own = component(&grey, 1.0).norm();
    (2..=6)
        .filter_map(|m| {
            let m = f64::from(m);
            let z = component(&grey, 1.0 / m);
            if z.norm() < 0.3 * own {
                return None;
            }
            // What stands beside the sought frequency is noise.
            let beside = [0.9, 0.95, 1.05, 1.1].map(|k| component(&grey, k / m).norm());
            let noise = beside.iter().sum::<f64>() / 4.0;
            if z.norm() < 4.0 * noise {
                return None;
            }
            let mut count = row.count.map(|c| c / m);
            count[0] += z.arg() / std::f64::consts::TAU;
            let mut wider = Row {
                count,
                ..row.clone()
            };
            settle_polarity(planes, &mut wider);
            Some(wider)
        })
        .collect()
}

/// Decides whether the marks are dark or bright: marks are narrower than the gaps between them.
/// Shifts the count so that marks lie at whole numbers.
pub(crate) fn settle_polarity(planes: &[Plane], row: &mut Row) {
    let grey = course_of_grey(planes, row);
    let mut fold = [(0.0f64, 0.0f64); 2 * PER_MARK];
    for (x, g) in &grey {
        let bin = (x.rem_euclid(1.0) * fold.len() as f64) as usize % fold.len();
        fold[bin].0 += g;
        fold[bin].1 += 1.0;
    }
    let means: Vec<f64> = fold
        .iter()
        .filter(|f| f.1 > 0.0)
        .map(|f| f.0 / f.1)
        .collect();
    let mean = means.iter().sum::<f64>() / means.len().max(1) as f64;
    let skew: f64 = means.iter().map(|g| (g - mean).powi(3)).sum();
    row.dark = skew <= 0.0;
    // The fundamental is bright at whole numbers.
    if row.dark {
        row.count[0] += 0.5;
    }
}
