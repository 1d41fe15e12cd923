//! Slots that cut right through an emblem's strokes: the stencil version that nobody has drawn.

use i_overlay::core::fill_rule::FillRule;
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::float::single::SingleFloatOverlay;
use kurbo::{BezPath, Point, Rect, Shape, Vec2};

use crate::drawing::flattened;
use crate::random::Rng;

/// A straight bar without anything, in drawing units.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slot {
    middle: Point,
    half_length: f64,
    half_width: f64,
    turn_deg: f64,
}

impl Slot {
    /// A slot through a part of the emblem or all of it.
    pub(crate) fn random(contours: &[BezPath], rng: &mut Rng) -> Self {
        let bounds = contours
            .iter()
            .map(Shape::bounding_box)
            .reduce(|a, b| a.union(b))
            .unwrap_or(Rect::ZERO);
        let size = bounds.width().min(bounds.height());
        let at = |rng: &mut Rng, from: f64, to: f64| from + rng.range(0.25, 0.75) * (to - from);
        Self {
            middle: Point::new(at(rng, bounds.x0, bounds.x1), at(rng, bounds.y0, bounds.y1)),
            half_length: rng.range(0.25, 1.0) * size,
            half_width: 0.5 * rng.range(0.02, 0.05) * size,
            turn_deg: *rng.pick(&[0.0, 0.0, 90.0, 45.0, -20.0]),
        }
    }

    fn corners(&self) -> [[f64; 2]; 4] {
        let along = Vec2::from_angle(self.turn_deg.to_radians());
        let across = along.turn_90();
        [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].map(|(l, w)| {
            let p = self.middle + l * self.half_length * along + w * self.half_width * across;
            [p.x, p.y]
        })
    }

    /// What it leaves of the contours.
    pub(crate) fn cut(&self, contours: &[BezPath]) -> Vec<BezPath> {
        const STEP: f64 = 0.1;
        let rings: Vec<Vec<[f64; 2]>> = contours
            .iter()
            .map(|c| flattened(c, STEP).iter().map(|p| [p.x, p.y]).collect())
            .collect();
        let left = rings.overlay(
            &self.corners().to_vec(),
            OverlayRule::Difference,
            FillRule::EvenOdd,
        );
        let path = |ring: &Vec<[f64; 2]>| {
            let mut path = BezPath::new();
            for (i, &[x, y]) in ring.iter().enumerate() {
                if i == 0 {
                    path.move_to((x, y));
                } else {
                    path.line_to((x, y));
                }
            }
            path.close_path();
            path
        };
        left.iter().flatten().map(path).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Design, Emblem};

    #[test]
    fn a_slot_takes_its_own_area_and_cuts_the_outline() {
        let disc = Emblem::new(Design::Disc);
        let slot = Slot {
            middle: Point::new(50.0, 50.0),
            half_length: 80.0,
            half_width: 2.0,
            turn_deg: 30.0,
        };
        let cut = Emblem {
            slot: Some(slot),
            ..disc
        };
        let [before, after] = [disc, cut].map(|e| e.outline().area());
        // A chord at h from the middle: the strip between two of them (elementary geometry).
        let strip = 2.0 * (2.0 * (2500.0_f64 - 4.0).sqrt() + 2500.0 * (0.04_f64).asin());
        assert!(
            ((before - after) / strip - 1.0).abs() < 0.01,
            "{before} {after} {strip}"
        );
    }
}
