//! Where the axis of a drag knife must go so that its trailing tip follows a contour.
//!
//! The tip stands still while the axis swings round it, and else follows the axis like a trailer:
//! always towards it. So the axis runs ahead of the tip by the blade's offset along the contour's
//! direction, and at every corner swings round the corner on an arc of that radius.

use kurbo::{Point, Vec2};

use crate::PLOTTER_UNITS_PER_MM;

/// Cosine of 15°: turns up to that are those of a flattened curve, sharper ones are corners.
const SMOOTH_COSINE: f64 = 0.965_925_826_289_068_3;

/// A drag knife on its way from contour to contour.
pub(crate) struct Knife {
    pub(crate) offset_mm: f64,
    pub(crate) overcut_mm: f64,
    pub(crate) passes: u32,
    /// How far straight pieces of a swivel may lie from its arc.
    pub(crate) accuracy_mm: f64,
    /// Distance between places that the machine can reach.
    pub(crate) grid_mm: f64,
    /// The way the blade points: lifting does not turn it.
    heading: Vec2,
}

impl Knife {
    /// A blade that points along x, in a machine of whole plotter units.
    pub(crate) fn new(offset_mm: f64, overcut_mm: f64, passes: u32, accuracy_mm: f64) -> Self {
        Self {
            offset_mm,
            overcut_mm,
            passes,
            accuracy_mm,
            grid_mm: 1.0 / PLOTTER_UNITS_PER_MM,
            heading: Vec2::new(1.0, 0.0),
        }
    }

    /// A short cut in waste material that turns a blade pointing anywhere along x: the angle left
    /// over falls by e for every offset of length (tractrix).
    pub(crate) fn alignment(&self, from: Point) -> Option<[Point; 2]> {
        let length = 1.0 + 10.0 * self.offset_mm;
        (self.offset_mm > 0.0).then(|| [from, from + Vec2::new(length, 0.0)])
    }

    /// The axis's way round a closed polygon; its last point joins the first.
    pub(crate) fn round(&mut self, ring: &[Point]) -> Vec<Point> {
        let tip = self.tip_path(ring);
        let Some(&start) = tip.first() else {
            return Vec::new();
        };
        let mut axis = vec![start + self.offset_mm * self.heading];
        for edge in tip.windows(2) {
            let along = (edge[1] - edge[0]).normalize();
            if self.heading.dot(along) > SMOOTH_COSINE {
                // On a smooth curve one point half way of the turn does: plotter units are coarse
                // beside the two ends of so short an arc.
                let half = (self.heading + along).normalize();
                if let Some(last) = axis.last_mut() {
                    *last = edge[0] + self.offset_mm * half;
                }
                self.heading = along;
            } else {
                self.swivel(edge[0], along, &mut axis);
            }
            axis.push(edge[1] + self.offset_mm * along);
        }
        axis
    }

    /// The polygon as often as asked, closed, and on past the start.
    fn tip_path(&self, ring: &[Point]) -> Vec<Point> {
        let mut ring = ring.to_vec();
        ring.dedup();
        if ring.len() > 1 && ring.first() == ring.last() {
            ring.pop();
        }
        if ring.len() < 2 {
            return Vec::new();
        }
        let rounds = ring.len() * self.passes as usize;
        let mut path: Vec<Point> = ring.iter().copied().cycle().take(rounds + 1).collect();
        let mut left = self.overcut_mm;
        for &next in ring.iter().cycle().skip(1) {
            if left <= 0.0 {
                break;
            }
            let here = path[path.len() - 1];
            let length = here.distance(next);
            path.push(here.lerp(next, (left / length).min(1.0)));
            left -= length;
        }
        path
    }

    /// Turns the blade on the spot, the short way round.
    fn swivel(&mut self, tip: Point, to: Vec2, axis: &mut Vec<Point>) {
        let angle = self.heading.cross(to).atan2(self.heading.dot(to));
        let sagitta = (self.accuracy_mm / self.offset_mm.max(f64::MIN_POSITIVE)).min(1.0);
        let largest_step = 2.0 * (1.0 - sagitta).acos();
        let steps = (angle.abs() / largest_step).ceil().max(1.0);
        let from = self.heading.atan2();
        for i in 1..steps as u32 {
            let at = Vec2::from_angle(from + angle * f64::from(i) / steps);
            axis.push(self.on_grid(tip, tip + self.offset_mm * at));
        }
        axis.push(tip + self.offset_mm * to);
        self.heading = to;
    }

    /// The point that the machine can reach, next to `wanted`, whose distance from the tip is the
    /// nearest to the blade's offset: along the arc a little error does no harm, across it pushes
    /// or pulls the tip.
    fn on_grid(&self, tip: Point, wanted: Point) -> Point {
        let grid = self.grid_mm;
        let (x, y) = ((wanted.x / grid).round(), (wanted.y / grid).round());
        let around = [-1.0, 0.0, 1.0];
        let off = |p: &Point| (p.distance(tip) - self.offset_mm).abs();
        around
            .iter()
            .flat_map(|dx| around.map(|dy| Point::new((x + dx) * grid, (y + dy) * grid)))
            .min_by(|a, b| off(a).total_cmp(&off(b)))
            .unwrap_or(wanted)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SQUARE: [Point; 4] = [
        Point::new(0.0, 0.0),
        Point::new(10.0, 0.0),
        Point::new(10.0, 10.0),
        Point::new(0.0, 10.0),
    ];

    #[test]
    fn without_offset_the_axis_is_the_tip() {
        let mut path = Knife::new(0.0, 0.0, 1, 0.005).round(&SQUARE);
        path.dedup();
        assert_eq!(
            path,
            [SQUARE[0], SQUARE[1], SQUARE[2], SQUARE[3], SQUARE[0]]
        );
    }

    #[test]
    fn overcut_goes_on_past_the_start_and_round_corners() {
        let mut path = Knife::new(0.0, 12.0, 1, 0.005).round(&SQUARE);
        path.dedup();
        assert_eq!(path[4..], [SQUARE[0], SQUARE[1], Point::new(10.0, 2.0)]);
    }

    #[test]
    fn passes_repeat_the_contour() {
        let mut path = Knife::new(0.0, 0.0, 3, 0.005).round(&SQUARE);
        path.dedup();
        assert_eq!(path.len(), 13);
    }

    #[test]
    fn at_a_corner_the_axis_keeps_its_distance() {
        let path = Knife::new(0.5, 0.0, 1, 0.001).round(&SQUARE);
        let arc: Vec<_> = path.iter().filter(|p| p.x > 10.0 + 1e-9).collect();
        assert!(arc.len() > 10, "an arc, not a chamfer");
        for p in arc {
            let off = p.distance(SQUARE[1]).min(p.distance(SQUARE[2])) - 0.5;
            assert!(off.abs() < 0.01, "{p} is {off} mm off the arc");
        }
        // It leaves the last edge where the blade points back to the start.
        assert_eq!(path[path.len() - 1], Point::new(0.0, -0.5));
    }
}
