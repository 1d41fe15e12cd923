//! Closed outlines, in a unit and in a handedness.

use std::marker::PhantomData;

use kurbo::{Affine, BezPath, Rect, Shape};

use crate::map::Map;
use crate::unit::{Mm, Unit, Vector};

/// The emblem as it is seen on the shirt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Worn;
/// The emblem as the knife cuts it. Only [`Outline::into_cut`] makes one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AsCut;

/// The side of the material that faces the knife.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum CutFrom {
    /// The adhesive side faces up: the outline is mirrored.
    Back,
    /// The visible side faces up: the outline is cut as worn.
    Face,
}

/// A filled area bounded by closed Bézier contours that neither cross nor overlap.
///
/// Outer contours have positive, inner ones (holes) negative signed area, so that the non-zero
/// and the even-odd rule agree. Every contour begins with a move and ends with a close.
#[derive(Clone, Debug, PartialEq)]
pub struct Outline<U, H = Worn> {
    contours: Vec<BezPath>,
    kind: PhantomData<(U, H)>,
}

impl<U: Unit, H> Outline<U, H> {
    /// The closed contours.
    pub fn contours(&self) -> &[BezPath] {
        &self.contours
    }

    /// Smallest upright rectangle around the outline, curves included.
    pub fn bounding_box(&self) -> Rect {
        self.contours
            .iter()
            .map(Shape::bounding_box)
            .reduce(|a, b| a.union(b))
            .unwrap_or(Rect::ZERO)
    }

    /// Filled area, in square `U`.
    pub fn area(&self) -> f64 {
        self.contours.iter().map(Shape::area).sum()
    }

    /// Length of all contours, in `U`, to a relative accuracy of 1e-6 or better.
    pub fn perimeter(&self) -> f64 {
        let accuracy = 1e-6 * self.bounding_box().width().max(1e-9);
        self.contours.iter().map(|c| c.perimeter(accuracy)).sum()
    }

    /// The outline moved, its handedness kept.
    #[must_use]
    pub fn shifted(&self, by: Vector<U>) -> Self {
        let shift = Affine::translate((by.x, by.y));
        Self {
            contours: self.contours.iter().map(|c| shift * c).collect(),
            kind: PhantomData,
        }
    }

    /// The outline turned about the origin, clockwise as seen; its handedness is kept. Quarter
    /// turns are exact.
    #[must_use]
    pub fn turned(&self, angle_deg: f64) -> Self {
        let quarters = angle_deg / 90.0;
        let turn = if quarters.fract() == 0.0 {
            let [cos, sin] = match quarters.rem_euclid(4.0) as u8 {
                0 => [1.0, 0.0],
                1 => [0.0, 1.0],
                2 => [-1.0, 0.0],
                _ => [0.0, -1.0],
            };
            Affine::new([cos, sin, -sin, cos, 0.0, 0.0])
        } else {
            Affine::rotate(angle_deg.to_radians())
        };
        Self {
            contours: self.contours.iter().map(|c| turn * c).collect(),
            kind: PhantomData,
        }
    }

    /// All contours in one path.
    pub fn to_path(&self) -> BezPath {
        self.contours.iter().flat_map(BezPath::iter).collect()
    }
}

impl<U: Unit> Outline<U, Worn> {
    /// An outline from closed contours that neither cross nor overlap; turns each contour so that
    /// outer ones run with positive area and holes with negative.
    ///
    /// `holes[i]` says whether contour `i` bounds a hole.
    pub fn from_contours(contours: Vec<BezPath>, holes: &[bool]) -> Self {
        let contours = contours
            .into_iter()
            .zip(holes)
            .map(|(c, &hole)| {
                if (c.area() < 0.0) == hole {
                    c
                } else {
                    c.reverse_subpaths()
                }
            })
            .collect();
        Self {
            contours,
            kind: PhantomData,
        }
    }

    /// The outline carried into another plane by a map without perspective.
    ///
    /// Perspective would bend the Béziers; place points through [`Map::apply`] for that.
    pub fn mapped<V: Unit>(&self, map: &Map<U, V>) -> Outline<V, Worn> {
        let m = map.rows();
        let affine = Affine::new([m[0][0], m[1][0], m[0][1], m[1][1], m[0][2], m[1][2]]);
        Outline {
            contours: self.contours.iter().map(|c| affine * c).collect(),
            kind: PhantomData,
        }
    }
}

impl Outline<Mm, Worn> {
    /// The outline as the knife must follow it: mirrored left to right about the middle of its
    /// own bounding box when the material is cut from its back.
    #[must_use]
    pub fn into_cut(self, from: CutFrom) -> Outline<Mm, AsCut> {
        let contours = match from {
            CutFrom::Face => self.contours,
            CutFrom::Back => {
                let middle = self.bounding_box().center().x;
                let flip = Affine::new([-1.0, 0.0, 0.0, 1.0, 2.0 * middle, 0.0]);
                // Mirroring turns every contour round; turning it back keeps outer areas positive.
                self.contours
                    .iter()
                    .map(|c| (flip * c).reverse_subpaths())
                    .collect()
            }
        };
        Outline {
            contours,
            kind: PhantomData,
        }
    }
}
