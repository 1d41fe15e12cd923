//! Plane-to-plane maps that carry the units they lead from and to.

use std::marker::PhantomData;

use nalgebra::{Matrix2, Matrix3, Vector3};

use crate::unit::{Point, Unit, Vector};

/// A projective map (homography) from the plane of `A` to the plane of `B`.
///
/// Multiple view geometry, Hartley & Zisserman (2004), section 2.3.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Map<A, B> {
    matrix: Matrix3<f64>,
    units: PhantomData<(A, B)>,
}

impl<A: Unit, B: Unit> Map<A, B> {
    /// The map with this matrix acting on column vectors (x, y, 1).
    pub fn from_matrix(matrix: Matrix3<f64>) -> Self {
        Self {
            matrix,
            units: PhantomData,
        }
    }

    /// Size, turn (radians, clockwise as seen) and shift, in this order.
    pub fn similarity(scale: f64, turn_rad: f64, shift: Vector<B>) -> Self {
        let (sin, cos) = turn_rad.sin_cos();
        Self::from_matrix(Matrix3::new(
            scale * cos,
            -scale * sin,
            shift.x,
            scale * sin,
            scale * cos,
            shift.y,
            0.0,
            0.0,
            1.0,
        ))
    }

    /// The matrix, acting on column vectors.
    pub fn matrix(&self) -> &Matrix3<f64> {
        &self.matrix
    }

    /// The matrix row by row, scaled so that its last element is 1 where that is possible.
    pub fn rows(&self) -> [[f64; 3]; 3] {
        let m = &self.matrix;
        let k = if m[(2, 2)].abs() > f64::EPSILON {
            1.0 / m[(2, 2)]
        } else {
            1.0
        };
        [0, 1, 2].map(|r| [0, 1, 2].map(|c| m[(r, c)] * k))
    }

    /// Where `p` lies in the other plane.
    pub fn apply(&self, p: Point<A>) -> Point<B> {
        let v = self.matrix * Vector3::new(p.x, p.y, 1.0);
        Point::new(v.x / v.z, v.y / v.z)
    }

    /// Derivative of the map at `p`: how a small displacement there is carried over.
    pub fn jacobian(&self, p: Point<A>) -> Matrix2<f64> {
        let m = &self.matrix;
        let v = m * Vector3::new(p.x, p.y, 1.0);
        let (x, y) = (v.x / v.z, v.y / v.z);
        Matrix2::new(
            m[(0, 0)] - x * m[(2, 0)],
            m[(0, 1)] - x * m[(2, 1)],
            m[(1, 0)] - y * m[(2, 0)],
            m[(1, 1)] - y * m[(2, 1)],
        ) / v.z
    }

    /// Lengths in `B` for one `A` at `p`: the square root of the areas' ratio there.
    pub fn scale_at(&self, p: Point<A>) -> f64 {
        self.jacobian(p).determinant().abs().sqrt()
    }

    /// This map, then `next`.
    pub fn then<C: Unit>(&self, next: &Map<B, C>) -> Map<A, C> {
        Map::from_matrix(next.matrix * self.matrix)
    }

    /// The way back; `None` when the map flattens the plane.
    pub fn inverse(&self) -> Option<Map<B, A>> {
        self.matrix.try_inverse().map(Map::from_matrix)
    }
}
