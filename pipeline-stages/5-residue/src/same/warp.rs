//! The map through matched places: a similarity, and what small errors of either photo's tilt add
//! to it.

use measures::{Map, Mm, Point, Vector};
use nalgebra::{Matrix3, SMatrix, SVector};

/// Shift right and down, size, turn, stretch along and askew, change of scale to the right and
/// down.
const UNKNOWNS: usize = 8;
type Unknowns = SVector<f64, UNKNOWNS>;
type Information = SMatrix<f64, UNKNOWNS, UNKNOWNS>;

/// What is to be expected of them beforehand, as standard deviations (k = 1): nothing is known of
/// shift and turn, two rulers agree on the size, and planes are off by 3° at 250 mm at most, about.
const U_SIZE: f64 = 0.02;
const U_STRETCH: f64 = 0.003;
const U_CHANGE_PER_MM: f64 = 2e-4;
/// Matched places lie no better than this.
const NOISE_MIN_MM: f64 = 0.02;
/// The median length of a normal deviation in the plane, in standard deviations (Rayleigh).
const MEDIAN_LENGTH: f64 = 1.177;
/// Places that lie so many times farther off than usual are left out.
const OUTLIER: f64 = 3.0;
/// Fewer places do not make a map.
const PLACES_MIN: usize = 8;
const ROUNDS: usize = 5;

/// A place in both photos, and how much it counts.
pub(super) struct Pair {
    pub(super) before: Point<Mm>,
    pub(super) after: Point<Mm>,
    pub(super) alike: f64,
}

/// A map and its standard uncertainties (k = 1) at the place it was made about.
pub(super) struct Warp {
    pub(super) map: Map<Mm, Mm>,
    pub(super) u_place_mm: f64,
    pub(super) u_turn_rad: f64,
}

/// What carries one set of places to the other: a correction of `base` by least squares, places far
/// off it left out. `repeats` is how often each spot of cloth is in some pair. `None` with too few
/// that agree.
pub(super) fn through(
    pairs: &[Pair],
    base: &Map<Mm, Mm>,
    about: Point<Mm>,
    repeats: f64,
) -> Option<Warp> {
    let back = base.inverse()?;
    let places: Vec<(Vector<Mm>, Vector<Mm>, f64)> = pairs
        .iter()
        .map(|p| (p.before - about, back.apply(p.after) - about, p.alike))
        .collect();
    let mut theta = Unknowns::zeros();
    let mut limit = f64::INFINITY;
    let mut covariance = None;
    for _ in 0..ROUNDS {
        let off = |theta: &Unknowns, p: &(Vector<Mm>, Vector<Mm>, f64)| p.1 - moved(theta, p.0);
        let used: Vec<_> = places
            .iter()
            .filter(|p| off(&theta, p).length() <= limit)
            .collect();
        if used.len() < PLACES_MIN {
            return None;
        }
        let mean: f64 = used.iter().map(|p| p.2).sum::<f64>() / used.len() as f64;
        let mut sizes: Vec<f64> = used.iter().map(|p| off(&theta, p).length()).collect();
        sizes.sort_by(f64::total_cmp);
        let noise = (sizes[sizes.len() / 2] / MEDIAN_LENGTH).max(NOISE_MIN_MM);
        let expected = expected();
        let mut information = expected;
        let mut pull = -(expected * theta);
        for p in &used {
            let weight = p.2 / (mean * repeats * noise * noise);
            let j = derivative(p.0);
            let d = off(&theta, p);
            information += j.transpose() * j * weight;
            pull += j.transpose() * SVector::<f64, 2>::new(d.x, d.y) * weight;
        }
        let inverse = information.try_inverse()?;
        theta += inverse * pull;
        covariance = Some(inverse);
        let mut sizes: Vec<f64> = places.iter().map(|p| off(&theta, p).length()).collect();
        sizes.sort_by(f64::total_cmp);
        limit = OUTLIER * sizes[sizes.len() / 2].max(NOISE_MIN_MM);
    }
    let covariance = covariance?;
    let origin: Map<Mm, Mm> = Map::similarity(1.0, 0.0, Vector::new(-about.x, -about.y));
    let onward: Map<Mm, Mm> = Map::similarity(1.0, 0.0, Vector::new(about.x, about.y));
    let own: Map<Mm, Mm> = Map::from_matrix(matrix(&theta));
    Some(Warp {
        map: origin.then(&own).then(&onward).then(base),
        u_place_mm: (0.5 * (covariance[(0, 0)] + covariance[(1, 1)])).sqrt(),
        u_turn_rad: covariance[(3, 3)].sqrt(),
    })
}

fn expected() -> Information {
    let [size, stretch, change] = [U_SIZE, U_STRETCH, U_CHANGE_PER_MM].map(|u| u.powi(-2));
    Information::from_diagonal(&Unknowns::from_column_slice(&[
        0.0, 0.0, size, 0.0, stretch, stretch, change, change,
    ]))
}

fn matrix(t: &Unknowns) -> Matrix3<f64> {
    Matrix3::new(
        1.0 + t[2] + t[4],
        t[5] - t[3],
        t[0],
        t[5] + t[3],
        1.0 + t[2] - t[4],
        t[1],
        t[6],
        t[7],
        1.0,
    )
}

fn moved(t: &Unknowns, p: Vector<Mm>) -> Vector<Mm> {
    let v = matrix(t) * nalgebra::Vector3::new(p.x, p.y, 1.0);
    Vector::new(v.x / v.z, v.y / v.z)
}

/// How a place moves with the unknowns, near none.
fn derivative(p: Vector<Mm>) -> SMatrix<f64, 2, UNKNOWNS> {
    let (x, y) = (p.x, p.y);
    SMatrix::<f64, 2, UNKNOWNS>::from_row_slice(&[
        1.0,
        0.0,
        x,
        -y,
        x,
        y,
        -x * x,
        -x * y, //
        0.0,
        1.0,
        y,
        x,
        -y,
        x,
        -x * y,
        -y * y,
    ])
}
