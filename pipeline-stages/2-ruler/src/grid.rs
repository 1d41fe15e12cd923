//! The places of regular marks in a photo: a projective row, with the marks' common lean and fan.

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

/// Where mark number `i` lies: t = (a j + b) / (c j + 1) with j = i − `middle`, and how it leans:
/// dt/dv = `lean` + `fan` j. A row of equal steps on a plane is seen like this by any pinhole
/// camera (Hartley & Zisserman 2004, section 2.4).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Grid {
    pub(crate) a: f64,
    pub(crate) b: f64,
    pub(crate) c: f64,
    pub(crate) middle: f64,
    pub(crate) lean: f64,
    pub(crate) fan: f64,
}

/// A located point of a mark, in the axis' frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Spot {
    pub(crate) index: i32,
    pub(crate) t: f64,
    pub(crate) v: f64,
    /// Standard uncertainty (k = 1) of `t`, in pixels, or a relative one before it is known.
    pub(crate) sigma: f64,
}

/// A fitted grid with its quality.
#[derive(Clone, Debug)]
pub(crate) struct GridFit {
    pub(crate) grid: Grid,
    /// Robust standard deviation of the spots, in units of their sigma.
    pub(crate) spread: f64,
    /// Covariance (k = 1) of (a, b, c, lean, fan), from the scatter of the spots.
    pub(crate) covariance: DMatrix<f64>,
}

/// Standard uncertainty (k = 1), in pixels, of the length between two marks from what all marks'
/// places share and their scatter does not show: sampling by pixels (judged).
const SHARED_PX: f64 = 0.02;
/// Spots farther off than this many robust standard deviations are ignored (Tukey's biweight).
const BIWEIGHT_LIMIT: f64 = 4.7;

impl Grid {
    /// Place of mark `i` on the axis.
    pub(crate) fn place(&self, i: f64) -> f64 {
        let j = i - self.middle;
        (self.a * j + self.b) / (self.c * j + 1.0)
    }

    /// Distance of neighbouring marks at mark `i`, in pixels.
    pub(crate) fn pitch(&self, i: f64) -> f64 {
        let j = i - self.middle;
        (self.a - self.b * self.c) / (self.c * j + 1.0).powi(2)
    }

    pub(crate) fn lean_at(&self, i: f64) -> f64 {
        self.lean + self.fan * (i - self.middle)
    }

    /// Residual of a spot, in pixels along the axis.
    pub(crate) fn residual(&self, s: &Spot) -> f64 {
        let i = f64::from(s.index);
        s.t - self.place(i) - self.lean_at(i) * s.v
    }
}

impl GridFit {
    /// Standard uncertainty (k = 1) of the distance between two marks, in pixels.
    pub(crate) fn u_length_px(&self, first: i32, last: i32) -> f64 {
        let grid = &self.grid;
        let gradient = |i: i32| {
            let j = f64::from(i) - grid.middle;
            let below = grid.c * j + 1.0;
            let place = (grid.a * j + grid.b) / below;
            DVector::from_vec(vec![j / below, 1.0 / below, -place * j / below, 0.0, 0.0])
        };
        let g = gradient(last) - gradient(first);
        let scatter = (g.transpose() * &self.covariance * &g)[(0, 0)];
        scatter.max(0.0).sqrt().hypot(SHARED_PX)
    }
}

/// Which of the grid's freedoms the spots may use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Freedom {
    pub(crate) projective: bool,
    pub(crate) fan: bool,
}

/// Fits a grid to the spots, robustly; `None` with too few of them.
pub(crate) fn fit(spots: &[Spot], freedom: Freedom) -> Option<GridFit> {
    let indices = spots.iter().map(|s| s.index);
    let (first, last) = (indices.clone().min()?, indices.max()?);
    let middle = 0.5 * f64::from(first + last);
    let mut columns = vec![0, 1];
    if freedom.projective {
        columns.push(2);
    }
    let has_depth = spots.iter().any(|s| (s.v - spots[0].v).abs() > 1e-9);
    if has_depth {
        columns.push(3);
        if freedom.fan {
            columns.push(4);
        }
    }
    if spots.len() < columns.len() + 2 || last - first < 3 {
        return None;
    }
    let mut grid = Grid {
        a: 0.0,
        b: 0.0,
        c: 0.0,
        middle,
        lean: 0.0,
        fan: 0.0,
    };
    let mut weights = vec![1.0; spots.len()];
    let mut spread = 1.0;
    let mut normal = DMatrix::zeros(columns.len(), columns.len());
    for pass in 0..12 {
        normal.fill(0.0);
        let mut right = DVector::zeros(columns.len());
        for (s, &weight) in spots.iter().zip(&weights) {
            let j = f64::from(s.index) - middle;
            let denominator = grid.c * j + 1.0;
            let full = [j, 1.0, -j * s.t, s.v, j * s.v];
            let w = weight / (s.sigma * denominator).powi(2);
            for (p, &cp) in columns.iter().enumerate() {
                let wf = w * full[cp];
                right[p] += wf * s.t;
                for (q, &cq) in columns.iter().enumerate().take(p + 1) {
                    normal[(p, q)] += wf * full[cq];
                }
            }
        }
        normal.fill_upper_triangle_with_lower_triangle();
        let solution = normal.clone().cholesky()?.solve(&right);
        let value = |c: usize| {
            columns
                .iter()
                .position(|&k| k == c)
                .map_or(0.0, |k| solution[k])
        };
        grid = Grid {
            a: value(0),
            b: value(1),
            c: value(2),
            middle,
            lean: value(3),
            fan: value(4),
        };
        let off: Vec<f64> = spots.iter().map(|s| grid.residual(s) / s.sigma).collect();
        spread = robust_deviation(&off).max(1e-9);
        // The first passes forgive more, so that a poor start does not throw out good marks.
        let limit = BIWEIGHT_LIMIT * spread * if pass < 3 { 2.0 } else { 1.0 };
        for (w, r) in weights.iter_mut().zip(&off) {
            let u = r / limit;
            *w = if u.abs() < 1.0 {
                (1.0 - u * u).powi(2)
            } else {
                0.0
            };
        }
    }
    let used: f64 = weights.iter().sum();
    let freedom_left = (used - columns.len() as f64).max(1.0);
    let chi2: f64 = spots
        .iter()
        .zip(&weights)
        .map(|(s, w)| w * (grid.residual(s) / s.sigma).powi(2))
        .sum();
    // The biweight shrinks the tails; 1.1 restores the variance of normal data (computed).
    let variance = 1.1 * chi2 / freedom_left;
    let inverse = normal.cholesky()?.inverse() * variance;
    let mut covariance = DMatrix::zeros(5, 5);
    for (p, &cp) in columns.iter().enumerate() {
        for (q, &cq) in columns.iter().enumerate() {
            covariance[(cp, cq)] = inverse[(p, q)];
        }
    }
    (grid.a.abs() > 1e-6).then_some(GridFit {
        grid,
        spread,
        covariance,
    })
}

/// The fit whose freedoms the evidence supports (Bayesian information criterion, Schwarz 1978).
pub(crate) fn fit_by_evidence(spots: &[Spot]) -> Option<GridFit> {
    let n = spots.len() as f64;
    let choices = [(false, false), (true, false), (false, true), (true, true)];
    let fits = choices.par_iter().filter_map(|&(projective, fan)| {
        let fit = fit(spots, Freedom { projective, fan })?;
        let cost: f64 = spots
            .iter()
            .map(|s| {
                let r = fit.grid.residual(s) / s.sigma;
                // Outliers cost alike under every choice.
                (r * r).min(16.0)
            })
            .sum();
        let parameters = f64::from(u8::from(projective)) + f64::from(u8::from(fan));
        Some((cost + parameters * n.ln(), fit))
    });
    let fits: Vec<(f64, GridFit)> = fits.collect();
    let best = fits.into_iter().min_by(|a, b| a.0.total_cmp(&b.0));
    best.map(|f| f.1)
}

/// As [`fit_by_evidence`], for spots whose sigma is only relative: it is scaled by their own
/// scatter first.
pub(crate) fn fit_by_evidence_scaled(spots: &[Spot]) -> Option<GridFit> {
    let full = fit(
        spots,
        Freedom {
            projective: true,
            fan: true,
        },
    )?;
    let scaled: Vec<Spot> = spots
        .iter()
        .map(|s| Spot {
            sigma: s.sigma * full.spread,
            ..*s
        })
        .collect();
    fit_by_evidence(&scaled)
}

/// 1.4826 times the median absolute value: the standard deviation of normal data around zero.
pub(crate) fn robust_deviation(values: &[f64]) -> f64 {
    let mut sizes: Vec<f64> = values.iter().map(|v| v.abs()).collect();
    1.4826 * median(&mut sizes)
}

/// The middle value; zero of an empty list.
pub(crate) fn median(values: &mut [f64]) -> f64 {
    quantile(values, 0.5)
}

/// The value below which this share of the others lies; 0 of none.
pub(crate) fn quantile(values: &mut [f64], share: f64) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let place = ((share * values.len() as f64) as usize).min(values.len() - 1);
    let (_, &mut value, _) = values.select_nth_unstable_by(place, f64::total_cmp);
    value
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Uniform numbers in 0..1 (linear congruential generator, constants of Knuth's MMIX).
    fn roll(state: &mut u64) -> f64 {
        *state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (*state >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(state: &mut u64) -> f64 {
        (0..12).map(|_| roll(state)).sum::<f64>() - 6.0
    }

    fn row(n: i32, place: impl Fn(f64) -> f64, sigma: f64, seed: u64) -> Vec<Spot> {
        let mut state = seed;
        let mut spot = |index| {
            let t = place(f64::from(index)) + sigma * normal(&mut state);
            Spot {
                index,
                t,
                v: 0.0,
                sigma,
            }
        };
        (0..n).map(&mut spot).collect()
    }

    /// The side y = 0 of the unit square seen through the homography of four points
    /// (0,0)(1,0)(1,1)(0,1) → (10,20)(110,10)(130,140)(20,120), on which OpenCV, scikit-image and
    /// the closed form of Heckbert (1989) agree: x' = (75.4676258993 x + 10)/(1 − 0.2230215827 x).
    #[test]
    fn finds_the_projective_row_of_a_reference_homography() {
        let reference = |x: f64| (75.467_625_899_3 * x + 10.0) / (1.0 - 0.223_021_582_7 * x);
        let spots = row(21, |i| reference(i / 20.0), 1e-9, 1);
        let spots: Vec<Spot> = spots
            .into_iter()
            .map(|s| Spot { sigma: 0.01, ..s })
            .collect();
        let found = fit(
            &spots,
            Freedom {
                projective: true,
                fan: false,
            },
        )
        .expect("enough spots");
        for k in 0..=40 {
            let i = 0.5 * f64::from(k);
            let off = found.grid.place(i) - reference(i / 20.0);
            assert!(off.abs() < 1e-6, "mark {i}: {off} px");
        }
        assert!((found.grid.place(20.0) - 110.0).abs() < 1e-6);
    }

    /// Pitch variance of a regular row is at least 12 σ²/(n(n²−1)) (least squares, e.g. Draper &
    /// Smith 1998, section 1.4).
    #[test]
    fn pitch_is_nearly_as_precise_as_it_can_be() {
        let (n, sigma, trials) = (80, 0.05, 300);
        let errors: Vec<(f64, f64)> = (0..trials)
            .map(|seed| {
                let spots = row(n, |i| 16.0 * i + 3.0, sigma, seed);
                let found = fit_by_evidence(&spots).expect("enough spots");
                (
                    found.grid.pitch(39.5) - 16.0,
                    found.covariance[(0, 0)].sqrt(),
                )
            })
            .collect();
        let rms = (errors.iter().map(|e| e.0 * e.0).sum::<f64>() / trials as f64).sqrt();
        let n = f64::from(n);
        let bound = sigma * (12.0 / (n * (n * n - 1.0))).sqrt();
        assert!(rms < 1.25 * bound, "{rms} against {bound}");
        let claimed = errors.iter().map(|e| e.1).sum::<f64>() / trials as f64;
        assert!(
            (0.85..1.2).contains(&(claimed / rms)),
            "claimed {claimed}, is {rms}"
        );
    }

    #[test]
    fn outliers_do_not_pull() {
        let mut spots = row(60, |i| 10.0 * i / (1.0 + 1e-4 * i), 0.02, 9);
        for k in [3, 17, 18, 40, 55] {
            spots[k].t += 2.5;
        }
        let found = fit_by_evidence(&spots).expect("enough spots");
        let off = found.grid.place(59.0) - 590.0 / 1.0059;
        assert!(off.abs() < 0.02, "{off}");
    }
}
