//! Lengths in pixels, millimetres and artwork units are different types: adding one to another
//! does not compile. The only bridges are [`crate::Map`]s.

use std::fmt;
use std::marker::PhantomData;
use std::ops::{Add, Mul, Neg, Sub};

/// A unit of length in one of the pipeline's three planes.
pub trait Unit: Copy + Clone + fmt::Debug + PartialEq + Send + Sync + 'static {
    /// How the unit is written after a number.
    const SYMBOL: &'static str;
}

/// Pixels of the upright photo: x to the right, y down, the top-left pixel covers (0,0)–(1,1).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Px;
/// Millimetres on the cloth (or on the material to be cut): x to the right, y down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Mm;
/// User units of an artwork file's own view box: x to the right, y down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Art;

impl Unit for Px {
    const SYMBOL: &'static str = "px";
}
impl Unit for Mm {
    const SYMBOL: &'static str = "mm";
}
impl Unit for Art {
    const SYMBOL: &'static str = "artwork units";
}

/// Millimetres in one inch, exactly (international yard and pound agreement, 1 July 1959;
/// addendum to NBS Circular 572).
pub const MM_PER_INCH: f64 = 25.4;

/// A place in the plane of unit `U`.
#[derive(Clone, Copy, PartialEq)]
pub struct Point<U> {
    /// To the right.
    pub x: f64,
    /// Down.
    pub y: f64,
    unit: PhantomData<U>,
}

/// A displacement in the plane of unit `U`.
#[derive(Clone, Copy, PartialEq)]
pub struct Vector<U> {
    /// To the right.
    pub x: f64,
    /// Down.
    pub y: f64,
    unit: PhantomData<U>,
}

impl<U: Unit> Point<U> {
    /// The point (x, y).
    pub const fn new(x: f64, y: f64) -> Self {
        Self {
            x,
            y,
            unit: PhantomData,
        }
    }
    /// Distance to `other`, in `U`.
    pub fn distance(self, other: Self) -> f64 {
        (self - other).length()
    }
    /// The point at fraction `t` of the way to `other`.
    pub fn lerp(self, other: Self, t: f64) -> Self {
        self + (other - self) * t
    }
}

impl<U: Unit> Vector<U> {
    /// The vector (x, y).
    pub const fn new(x: f64, y: f64) -> Self {
        Self {
            x,
            y,
            unit: PhantomData,
        }
    }
    /// Length, in `U`.
    pub fn length(self) -> f64 {
        self.x.hypot(self.y)
    }
    /// Scalar product.
    pub fn dot(self, other: Self) -> f64 {
        self.x * other.x + self.y * other.y
    }
    /// Z component of the cross product: positive when `other` lies clockwise as seen (y down).
    pub fn cross(self, other: Self) -> f64 {
        self.x * other.y - self.y * other.x
    }
    /// The same length, turned a quarter clockwise as seen (y down).
    pub fn quarter_turn(self) -> Self {
        Self::new(-self.y, self.x)
    }
    /// Angle from the x axis in radians, clockwise as seen (y down).
    pub fn angle_rad(self) -> f64 {
        self.y.atan2(self.x)
    }
    /// The vector of length 1 in this direction; `None` for the null vector.
    pub fn unit(self) -> Option<Self> {
        let length = self.length();
        (length > 0.0).then(|| self * (1.0 / length))
    }
}

impl<U: Unit> fmt::Debug for Point<U> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "({}, {}) {}", self.x, self.y, U::SYMBOL)
    }
}
impl<U: Unit> fmt::Debug for Vector<U> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "⟨{}, {}⟩ {}", self.x, self.y, U::SYMBOL)
    }
}
impl<U: Unit> Sub for Point<U> {
    type Output = Vector<U>;
    fn sub(self, other: Self) -> Vector<U> {
        Vector::new(self.x - other.x, self.y - other.y)
    }
}
impl<U: Unit> Add<Vector<U>> for Point<U> {
    type Output = Self;
    fn add(self, v: Vector<U>) -> Self {
        Self::new(self.x + v.x, self.y + v.y)
    }
}
impl<U: Unit> Sub<Vector<U>> for Point<U> {
    type Output = Self;
    fn sub(self, v: Vector<U>) -> Self {
        Self::new(self.x - v.x, self.y - v.y)
    }
}
impl<U: Unit> Add for Vector<U> {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self::new(self.x + other.x, self.y + other.y)
    }
}
impl<U: Unit> Sub for Vector<U> {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self::new(self.x - other.x, self.y - other.y)
    }
}
impl<U: Unit> Mul<f64> for Vector<U> {
    type Output = Self;
    fn mul(self, k: f64) -> Self {
        Self::new(self.x * k, self.y * k)
    }
}
impl<U: Unit> Neg for Vector<U> {
    type Output = Self;
    fn neg(self) -> Self {
        self * -1.0
    }
}
impl<U: Unit> serde::Serialize for Point<U> {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        [self.x, self.y].serialize(s)
    }
}
/// Leaves the typed world for kurbo's unitless geometry.
impl<U: Unit> From<Point<U>> for kurbo::Point {
    fn from(p: Point<U>) -> Self {
        Self::new(p.x, p.y)
    }
}
/// Comes back from kurbo's unitless geometry; the caller names the unit.
impl<U: Unit> From<kurbo::Point> for Point<U> {
    fn from(p: kurbo::Point) -> Self {
        Self::new(p.x, p.y)
    }
}
