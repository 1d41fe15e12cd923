//! Least-squares adjustment of the ruler's face: which plane, seen through this camera, puts
//! every located tick where its number says.
//!
//! Each point on a tick's centre line is carried back to the plane; there its place **along**
//! the ruler must be the tick's index times the pitch. Ticks far apart give the scale and the
//! tilt along the ruler; points far apart on the same tick give the tilt across (the ticks fan
//! out). Levenberg–Marquardt with Huber weights (Triggs et al., Bundle adjustment: a modern
//! synthesis, 2000).

use measures::cloth::PlanePose;
use measures::{Camera, Lens, Point, Px, Ruler};
use nalgebra::{DMatrix, DVector, Matrix3};
use rayon::prelude::*;

/// Prior knowledge of the adjustment.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Prior {
    /// Standard deviation of each slope around zero.
    pub(crate) slope: f64,
    /// Standard deviation of ln(length) by which a further ruler may differ from the first.
    pub(crate) log_stretch: f64,
    /// Standard deviation of the lens's bending (k1) around zero.
    pub(crate) bending: f64,
}

/// So little bending is none.
pub(crate) const STRAIGHT: f64 = 1e-12;

/// The adjusted plane of the rulers' faces.
#[derive(Clone, Debug)]
pub(crate) struct FacePlane {
    pub(crate) pose: PlanePose,
    /// Covariance (k = 1) of (`slope_x`, `slope_y`, ln `depth_mm`).
    pub(crate) covariance: Matrix3<f64>,
    /// For each ruler after the first: ln of how much longer its millimetre is than the first's,
    /// and the standard uncertainty of that.
    pub(crate) stretches: Vec<(f64, f64)>,
    /// The lens's bending (k1) and its standard uncertainty.
    pub(crate) bending: (f64, f64),
    /// Sum of squares of the residuals, far ones damped, in standard deviations.
    pub(crate) cost: f64,
    /// Root mean square of the residuals in standard deviations, far ones damped.
    pub(crate) spread: f64,
    /// Root mean square distance of the ticks from their places, in millimetres.
    pub(crate) rms_mm: f64,
}

/// Residuals beyond this many standard deviations count linearly (Huber 1964).
const HUBER_LIMIT: f64 = 2.5;
const MAX_STEPS: usize = 60;

struct Sighting {
    ruler: usize,
    place_mm: f64,
    at: Point<Px>,
    sigma_px: f64,
}

struct Adjustment<'a> {
    camera: &'a Camera,
    anchor: Point<Px>,
    sightings: Vec<Sighting>,
    rulers: usize,
    prior: Prior,
}

/// Adjusts the common face plane of `rulers` (at least one).
///
/// `None` when the ticks do not determine a plane before the camera.
pub(crate) fn adjust(rulers: &[Ruler], camera: &Camera, prior: Prior) -> Option<FacePlane> {
    let square = PlanePose {
        slope_x: 0.0,
        slope_y: 0.0,
        depth_mm: camera.focal_px / rulers.first()?.px_per_mm,
        anchor: Point::new(0.0, 0.0),
    };
    adjust_from(rulers, camera, prior, &square)
}

/// The same from a plane that is near the right one; its anchor is not looked at.
pub(crate) fn adjust_from(
    rulers: &[Ruler],
    camera: &Camera,
    prior: Prior,
    near: &PlanePose,
) -> Option<FacePlane> {
    let problem = Adjustment::new(rulers, camera, prior)?;
    let mut state = problem.start(rulers, near);
    let mut cost = problem.cost(&state);
    let mut damping = 1e-3;
    for _ in 0..MAX_STEPS {
        let (normal, gradient) = problem.normal_equations(&state);
        let damped = &normal + DMatrix::from_diagonal(&(normal.diagonal() * damping));
        let step = damped.cholesky()?.solve(&gradient);
        let tried = &state - &step;
        let tried_cost = problem.cost(&tried);
        if tried_cost <= cost {
            let converged = cost - tried_cost < 1e-10 * cost.max(1e-12);
            (state, cost) = (tried, tried_cost);
            damping = (damping * 0.2).max(1e-12);
            if converged {
                break;
            }
        } else {
            damping *= 8.0;
            if damping > 1e9 {
                break;
            }
        }
    }
    problem.finish(&state)
}

impl<'a> Adjustment<'a> {
    fn new(rulers: &[Ruler], camera: &'a Camera, prior: Prior) -> Option<Self> {
        let first = rulers.first()?;
        let anchor = first.ends[0].lerp(first.ends[1], 0.5);
        let sightings = rulers.iter().enumerate().flat_map(|(ruler, r)| {
            r.ticks.iter().flat_map(move |tick| {
                let place_mm = f64::from(tick.index) * r.reading.pitch_mm;
                tick.points.iter().map(move |p| Sighting {
                    ruler,
                    place_mm,
                    at: p.at,
                    sigma_px: p.sigma_px.max(1e-3),
                })
            })
        });
        let sightings: Vec<_> = sightings.collect();
        (sightings.len() >= 4).then_some(Self {
            camera,
            anchor,
            sightings,
            rulers: rulers.len(),
            prior,
        })
    }

    /// State: `slope_x`, `slope_y`, ln `depth_mm`, then for each ruler its direction (rad), the
    /// place of its first tick (mm) and ln of its stretch; last, the lens's bending k1. The first
    /// ruler's stretch stays zero.
    fn start(&self, rulers: &[Ruler], near: &PlanePose) -> DVector<f64> {
        let mut state = DVector::zeros(4 + 3 * self.rulers);
        state[0] = near.slope_x;
        state[1] = near.slope_y;
        state[2] = near.depth_mm.ln();
        let to_plane = self.pose(&state).to_photo(self.camera).inverse();
        for (i, ruler) in rulers.iter().enumerate() {
            let Some(to_plane) = &to_plane else { continue };
            let [from, to] = ruler.ends.map(|p| to_plane.apply(p));
            let turn = (to - from).angle_rad();
            state[3 + 3 * i] = turn;
            state[4 + 3 * i] = from.x * turn.cos() + from.y * turn.sin();
        }
        state
    }

    fn pose(&self, state: &DVector<f64>) -> PlanePose {
        PlanePose {
            slope_x: state[0],
            slope_y: state[1],
            depth_mm: state[2].exp(),
            anchor: self.anchor,
        }
    }

    /// Distance of each tick point from its place along the ruler, in mm, and the same in
    /// standard deviations.
    fn residuals(&self, state: &DVector<f64>) -> Option<Vec<(f64, f64)>> {
        self.residuals_of(state, &self.straightened(state))
    }

    /// The sightings as a straight-drawing lens would show them.
    fn straightened(&self, state: &DVector<f64>) -> Vec<Point<Px>> {
        let lens = Lens {
            k1: state[self.bending()],
            focal_px: self.camera.focal_px,
            principal: self.camera.principal,
        };
        let sightings = self.sightings.iter();
        sightings.map(|s| lens.straightened(s.at)).collect()
    }

    /// [`Self::residuals`] of sightings that have been straightened.
    fn residuals_of(
        &self,
        state: &DVector<f64>,
        straightened: &[Point<Px>],
    ) -> Option<Vec<(f64, f64)>> {
        let to_plane = self.pose(state).to_photo(self.camera).inverse()?;
        let of_ruler = |own: &[f64]| (own[0].sin_cos(), own[1], own[2].exp());
        let own: Vec<_> = state.as_slice()[3..self.bending()]
            .chunks_exact(3)
            .map(of_ruler)
            .collect();
        let residual = |(s, &at): (&Sighting, &Point<Px>)| {
            let p = to_plane.apply(at);
            let ((sin, cos), first, stretch) = own[s.ruler];
            let mm = p.x * cos + p.y * sin - first - s.place_mm * stretch;
            (mm, mm / (s.sigma_px * to_plane.scale_at(s.at)))
        };
        let sightings = self.sightings.iter().zip(straightened);
        Some(sightings.map(residual).collect())
    }

    fn bending(&self) -> usize {
        3 + 3 * self.rulers
    }

    fn prior_sigma(&self, parameter: usize) -> Option<f64> {
        match parameter {
            0 | 1 => Some(self.prior.slope),
            p if p == self.bending() => Some(self.prior.bending),
            // Holds the first ruler as the measure of all.
            5 => Some(1e-9),
            p if p > 5 && p % 3 == 2 => Some(self.prior.log_stretch),
            _ => None,
        }
    }

    fn cost(&self, state: &DVector<f64>) -> f64 {
        let Some(residuals) = self.residuals(state) else {
            return f64::INFINITY;
        };
        let data: f64 = residuals.iter().map(|r| huber(r.1)).sum();
        let prior: f64 = (0..state.len())
            .filter_map(|p| self.prior_sigma(p).map(|s| (state[p] / s).powi(2)))
            .sum();
        let cost = data + prior;
        if cost.is_finite() {
            cost
        } else {
            f64::INFINITY
        }
    }

    /// JᵀWJ and JᵀWr, priors included.
    fn normal_equations(&self, state: &DVector<f64>) -> (DMatrix<f64>, DVector<f64>) {
        let n = state.len();
        let straightened = self.straightened(state);
        let centre = self.residuals_of(state, &straightened).unwrap_or_default();
        let columns: Vec<Vec<f64>> = (0..n)
            .into_par_iter()
            .map(|p| self.derivative(state, p, &straightened))
            .collect();
        let mut normal = DMatrix::zeros(n, n);
        let mut gradient = DVector::zeros(n);
        for (k, &(_, r)) in centre.iter().enumerate() {
            let weight = (HUBER_LIMIT / r.abs()).min(1.0);
            for p in 0..n {
                gradient[p] += weight * columns[p][k] * r;
                for q in 0..=p {
                    normal[(p, q)] += weight * columns[p][k] * columns[q][k];
                }
            }
        }
        normal.fill_upper_triangle_with_lower_triangle();
        for p in 0..n {
            if let Some(sigma) = self.prior_sigma(p) {
                normal[(p, p)] += sigma.powi(-2);
                gradient[p] += state[p] * sigma.powi(-2);
            }
        }
        (normal, gradient)
    }

    /// Derivative of the standardised residuals by one parameter.
    fn derivative(
        &self,
        state: &DVector<f64>,
        parameter: usize,
        straightened: &[Point<Px>],
    ) -> Vec<f64> {
        let step = 1e-6;
        let shifted = |by: f64| {
            let mut s = state.clone();
            s[parameter] += by;
            let residuals = if parameter == self.bending() {
                self.residuals(&s)
            } else {
                self.residuals_of(&s, straightened)
            };
            residuals.unwrap_or_default()
        };
        let (up, down) = (shifted(step), shifted(-step));
        up.iter()
            .zip(&down)
            .map(|(a, b)| (a.1 - b.1) / (2.0 * step))
            .collect()
    }

    fn finish(&self, state: &DVector<f64>) -> Option<FacePlane> {
        let (normal, _) = self.normal_equations(state);
        let residuals = self.residuals(state)?;
        let count = residuals.len() as f64;
        let variance = residuals.iter().map(|r| huber(r.1)).sum::<f64>() / count;
        let covariance = normal.cholesky()?.inverse() * variance.max(1.0);
        let stretches = (1..self.rulers)
            .map(|i| 5 + 3 * i)
            .map(|p| (state[p], covariance[(p, p)].sqrt()));
        let bending = self.bending();
        Some(FacePlane {
            bending: (state[bending], covariance[(bending, bending)].sqrt()),
            cost: self.cost(state),
            spread: variance.sqrt(),
            pose: self.pose(state),
            covariance: covariance.fixed_view::<3, 3>(0, 0).into_owned(),
            stretches: stretches.collect(),
            rms_mm: (residuals.iter().map(|r| r.0 * r.0).sum::<f64>() / count).sqrt(),
        })
    }
}

fn huber(r: f64) -> f64 {
    if r.abs() <= HUBER_LIMIT {
        r * r
    } else {
        HUBER_LIMIT * (2.0 * r.abs() - HUBER_LIMIT)
    }
}
