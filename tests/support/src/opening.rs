//! Openings cut into an emblem at random: the inner detail of a version that nobody has drawn.

use kurbo::{Affine, BezPath, Point, Shape};

use crate::drawing::{bar, circle, ellipse, flattened, polygon, shield, star};
use crate::random::Rng;

/// What an opening looks like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Disc,
    Oval,
    Slot,
    Window,
    Star,
    Triangle,
    Shield,
}

/// A hole in the solid of an emblem.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Opening {
    kind: Kind,
    at: Point,
    scale: f64,
    turn_deg: f64,
}

impl Opening {
    /// An opening of about `share` of the emblem's area, clear of every contour; a smaller one
    /// where the solid has no room for it, and none where it has next to none.
    pub(crate) fn random(contours: &[BezPath], share: f64, rng: &mut Rng) -> Option<Self> {
        const TRIES: usize = 200;
        const LEAST: f64 = 0.008;
        /// Clearance about the opening, as a share of its own size and in drawing units.
        const CLEAR: [f64; 2] = [1.15, 1.2];
        let outline: Vec<Vec<Point>> = contours.iter().map(|c| flattened(c, 0.5)).collect();
        let bounds = contours
            .iter()
            .map(Shape::bounding_box)
            .reduce(|a, b| a.union(b))?;
        let filled = |p: Point| outline.iter().filter(|c| encloses(c, p)).count() % 2 == 1;
        let solid = 0.01
            * (0..10_000)
                .filter(|k| {
                    let (i, j) = (f64::from(k % 100) + 0.5, f64::from(k / 100) + 0.5);
                    let place = (0.01 * i * bounds.width(), 0.01 * j * bounds.height());
                    filled(bounds.origin() + kurbo::Vec2::from(place))
                })
                .count() as f64
            * 0.01
            * bounds.area();
        let kind = *rng.pick(&[
            Kind::Disc,
            Kind::Oval,
            Kind::Slot,
            Kind::Window,
            Kind::Star,
            Kind::Triangle,
            Kind::Shield,
        ]);
        let turn_deg = *rng.pick(&[0.0, 0.0, 90.0, 45.0, -20.0]);
        let unit_area = unit(kind).area().abs();
        let mut share = share;
        while share > LEAST {
            let scale = (share * solid / unit_area).sqrt();
            for _ in 0..TRIES {
                let opening = Self {
                    kind,
                    at: Point::new(
                        rng.range(bounds.x0, bounds.x1),
                        rng.range(bounds.y0, bounds.y1),
                    ),
                    scale,
                    turn_deg,
                };
                let wide = Self {
                    scale: CLEAR[0] * scale + CLEAR[1],
                    ..opening
                };
                let around = flattened(&wide.path(), 0.5);
                let free = || !outline.iter().flatten().any(|&p| encloses(&around, p));
                if filled(opening.at) && around.iter().all(|&p| filled(p)) && free() {
                    return Some(opening);
                }
            }
            share *= 0.8;
        }
        None
    }

    pub(crate) fn path(&self) -> BezPath {
        Affine::translate(self.at.to_vec2())
            * Affine::rotate(self.turn_deg.to_radians())
            * Affine::scale(self.scale)
            * unit(self.kind)
    }
}

/// Whether a point lies in a polygon.
fn encloses(polygon: &[Point], p: Point) -> bool {
    let crosses = |(a, b): (&Point, &Point)| {
        (a.y > p.y) != (b.y > p.y) && p.x < a.x + (p.y - a.y) / (b.y - a.y) * (b.x - a.x)
    };
    let next = polygon.iter().cycle().skip(1);
    polygon.iter().zip(next).filter(|&s| crosses(s)).count() % 2 == 1
}

/// The opening about (0, 0), some two units across.
fn unit(kind: Kind) -> BezPath {
    match kind {
        Kind::Disc => circle(0.0, 0.0, 1.0),
        Kind::Oval => ellipse(0.0, 0.0, 0.65, 1.1),
        Kind::Slot => bar(-0.3, -1.2, 0.3, 1.2, 0.3),
        Kind::Window => bar(-0.8, -1.0, 0.8, 1.0, 0.05),
        Kind::Star => star(0.0, 0.0, 5, 1.2, 0.55, 0.05),
        Kind::Triangle => polygon(&[(0.0, -1.1), (1.0, 0.8), (-1.0, 0.8)]),
        Kind::Shield => Affine::translate((0.0, -1.0)) * shield(0.0, 0.0, 0.9, 2.1, 0.1),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Design, Emblem};

    #[test]
    fn openings_lie_in_the_solid_and_have_the_share_asked_for() {
        let mut found = 0;
        for (seed, design) in (0..4).flat_map(|s| Design::TELLING.map(|d| (s, d))) {
            let plain = Emblem::new(design);
            let Some(open) = plain.with_opening(0.02, &mut Rng::new(seed)) else {
                continue;
            };
            found += 1;
            let [before, after] = [plain, open].map(|e| e.outline().area());
            let share = 1.0 - after / before;
            assert!((0.006..0.022).contains(&share), "{design:?}: {share}");
            assert_eq!(
                plain.outline().bounding_box(),
                open.outline().bounding_box()
            );
        }
        assert!(found >= 20, "{found} of 40 have room");
    }
}
