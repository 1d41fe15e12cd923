//! Borders of what has gone that keep to an arc over a long stretch: drawn, whatever has gone beside them.
//! Wear is ragged at every scale. Straight borders are not looked at: the cloth's stripes have them, too.

use std::ops::Range;

use kurbo::{Point, Vec2};
use measures::level;
use rayon::prelude::*;

use super::{Drawn, Presence};

/// Borders run where this share of the residue shows.
const LEVELS: [f32; 2] = [0.3, 0.45];
/// Stretches are so long, and no shorter than so many samples of the region, over which noise hangs
/// together.
const LENGTH_MM: f64 = 12.0;
const LENGTH_SAMPLES: f64 = 30.0;
/// Places on a border lie so far apart.
const STEP_MM: f64 = 0.25;
/// What lies nearer to the artwork's edge follows that.
const CLEARANCE_MM: f32 = 0.8;
/// The places of a stretch keep so near to an arc, root mean square. Measured on painted scenes: 0.116 at
/// least in some 170 where nothing but wear had gone, 0.03 to 0.06 about most discs.
const STRAY_MAX_MM: f64 = 0.07;
/// Tighter arcs are specks, wider ones may be stripes.
const RADIUS_MM: Range<f64> = 1.2..20.0;

/// The stretch that keeps nearest to its arc, if it does.
pub(super) fn drawn(seen: &Presence) -> Option<Drawn> {
    let borders: Vec<Border> = LEVELS
        .par_iter()
        .flat_map_iter(|level| seen.borders(*level))
        .collect();
    let length_mm = LENGTH_MM.max(LENGTH_SAMPLES * seen.pitch_mm * seen.finer as f64);
    let places = (length_mm / STEP_MM) as usize;
    let stretches = borders.par_iter().filter_map(|border| {
        let (stray_mm, middle) = border.smoothest(places)?;
        Some((stray_mm, border, middle))
    });
    let stretches: Vec<(f64, &Border, Point)> = stretches.collect();
    let least = stretches.into_iter().min_by(|a, b| a.0.total_cmp(&b.0));
    let (stray_mm, border, middle) = least?;
    (stray_mm < STRAY_MAX_MM).then(|| Drawn {
        area_mm2: border.area_mm2,
        sample: seen.sample_at(middle),
    })
}

/// One closed border of what has gone.
struct Border {
    /// Places along it, [`STEP_MM`] apart, in millimetres; those too near to the artwork's edge are `None`.
    places: Vec<Option<Point>>,
    area_mm2: f64,
}

impl Presence {
    fn borders(&self, level: f32) -> Vec<Border> {
        let shows = |x: usize, y: usize| {
            let k = y * self.width + x;
            let inside = self.depth[k] > 0.0 && self.cloth[k] > 0.5;
            f64::from(if inside { self.share[k] } else { 1.0 })
        };
        let loops = level::loops([self.width, self.height], &shows, f64::from(level));
        loops.iter().map(|border| self.border(border)).collect()
    }

    fn border(&self, corners: &[Point]) -> Border {
        let corners: Vec<Point> = corners
            .iter()
            .map(|p| (p.to_vec2() * self.pitch_mm).to_point())
            .collect();
        let pairs = || corners.iter().zip(corners.iter().cycle().skip(1));
        let area: f64 = pairs().map(|(a, b)| a.to_vec2().cross(b.to_vec2())).sum();
        let mut places = Vec::new();
        let mut until_next = 0.0;
        for (a, b) in pairs() {
            let length = a.distance(*b);
            while until_next < length {
                let place = a.lerp(*b, until_next / length);
                let is_clear = self.depth[self.sample_at(place)] > CLEARANCE_MM;
                places.push(is_clear.then_some(place));
                until_next += STEP_MM;
            }
            until_next -= length;
        }
        Border {
            places,
            area_mm2: 0.5 * area.abs(),
        }
    }

    fn sample_at(&self, place: Point) -> usize {
        let index = |mm: f64, count: usize| ((mm / self.pitch_mm).round() as usize).min(count - 1);
        index(place.y, self.height) * self.width + index(place.x, self.width)
    }
}

impl Border {
    /// How far the stretch of so many places that keeps nearest to an arc strays from it, and its middle
    /// one.
    fn smoothest(&self, count: usize) -> Option<(f64, Point)> {
        if self.places.len() < count {
            return None;
        }
        let mut run: Vec<Point> = Vec::with_capacity(2 * self.places.len());
        let mut best: Option<(f64, Point)> = None;
        for place in self.places.iter().chain(&self.places[..count - 1]) {
            let Some(place) = place else {
                run.clear();
                continue;
            };
            run.push(*place);
            if run.len() < count {
                continue;
            }
            let stretch = &run[run.len() - count..];
            let stray = stray_mm(stretch);
            if let Some(stray) = stray.filter(|s| best.is_none_or(|best| *s < best.0)) {
                best = Some((stray, stretch[count / 2]));
            }
        }
        best
    }
}

/// Distance of places from the arc that is nearest to them, root mean square; none for one that is too
/// tight or too wide. The arc is the least-squares circle of Kåsa (1976).
fn stray_mm(places: &[Point]) -> Option<f64> {
    let n = places.len() as f64;
    let sum = |of: &dyn Fn(Vec2) -> f64| places.iter().map(|p| of(p.to_vec2())).sum::<f64>();
    let middle = Vec2::new(sum(&|p| p.x), sum(&|p| p.y)) / n;
    let mean = |of: &dyn Fn(Vec2) -> f64| sum(&|p| of(p - middle)) / n;
    let [xx, xy, yy] = [
        mean(&|p| p.x * p.x),
        mean(&|p| p.x * p.y),
        mean(&|p| p.y * p.y),
    ];
    let [xz, yz] = [mean(&|p| p.x * p.hypot2()), mean(&|p| p.y * p.hypot2())];
    let centre = Vec2::new(xz * yy - yz * xy, yz * xx - xz * xy) / (2.0 * (xx * yy - xy * xy));
    let radius_mm = (xx + yy + centre.hypot2()).sqrt();
    RADIUS_MM
        .contains(&radius_mm)
        .then(|| mean(&|p| ((p - centre).hypot() - radius_mm).powi(2)).sqrt())
}

#[cfg(test)]
mod tests {
    use super::super::tests::presence;
    use super::*;

    #[test]
    fn a_disc_with_wear_beside_it_is_drawn_and_a_ragged_one_or_a_stripe_is_not() {
        let disc = |u: f64, v: f64| (u - 15.0).hypot(v - 15.0) < 3.5;
        let wear = |u: f64, v: f64| (u - 19.0).hypot(v - 15.5) < 1.5;
        let drawn_disc = drawn(&presence(&|u, v| disc(u, v) || wear(u, v))).expect("a disc");
        let [disc_mm2, wear_mm2] = [3.5, 1.5].map(|r: f64| std::f64::consts::PI * r * r);
        assert!(drawn_disc.area_mm2 > disc_mm2 && drawn_disc.area_mm2 < disc_mm2 + wear_mm2);
        let ragged = |u: f64, v: f64| {
            let [x, y] = [u - 15.0, v - 15.0];
            x.hypot(y) < 3.5 + 0.25 * (9.0 * y.atan2(x)).sin()
        };
        assert_eq!(drawn(&presence(&ragged)), None);
        assert_eq!(drawn(&presence(&|_, v| (v - 15.0).abs() < 2.0)), None);
    }
}
