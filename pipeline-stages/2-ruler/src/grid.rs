//! The places of regular marks in a photo: a projective row, with the marks' common lean and fan.

use nalgebra::{DMatrix, DVector};

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
                right[p] += w * full[cp] * s.t;
                for (q, &cq) in columns.iter().enumerate() {
                    normal[(p, q)] += w * full[cp] * full[cq];
                }
            }
        }
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
    let fits = choices.iter().filter_map(|&(projective, fan)| {
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
    fits.min_by(|a, b| a.0.total_cmp(&b.0)).map(|f| f.1)
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
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    let (_, &mut m, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    m
}
