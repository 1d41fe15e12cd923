//! Where the emblem lies against the ruler as it was photographed, so that the ruler can be laid
//! down again and the emblem placed from it.

use kurbo::{Affine, Point, Vec2};
use measures::ruler::RulerUnit;
use measures::{Artwork, ClothPlane, Fit, Mm, Px, Ruler};

/// A ruler laid down in the frame of the upright emblem: millimetres, x to the right, y down,
/// beginning where the artwork's own coordinates begin.
#[derive(Clone, Debug, PartialEq)]
pub struct Placement {
    /// The first tick used, on the line through the ticks' ends at the ruler's edge.
    pub first_tick: Point,
    /// The direction of rising readings, of length 1.
    pub along: Vec2,
    /// From that line into the ruler, where its ticks are drawn; of length 1.
    pub into_ruler: Vec2,
    /// Distance between neighbouring ticks, in mm.
    pub pitch_mm: f64,
    /// Index of the last tick used, the first being 0.
    pub last_index: i32,
    /// The unit that the ruler is divided in.
    pub unit: RulerUnit,
}

impl Placement {
    /// Lays `ruler` down on the cloth beneath it and turns the cloth so that the emblem stands
    /// upright. `thickness_mm` says how far the ruler's face lies above the cloth.
    ///
    /// `None` when the ruler has fewer than two ticks or lies beyond the plane's horizon.
    pub fn new(ruler: &Ruler, plane: &ClothPlane, fit: &Fit, thickness_mm: f64) -> Option<Self> {
        let upright = upright_from_cloth(fit)?;
        let on_sheet = |p| Some(upright * beneath(plane, thickness_mm, p)?);
        let pitch_mm = ruler.reading.pitch_mm;
        let ends = ruler.ticks.iter().filter_map(|t| {
            let at = on_sheet(t.points.first()?.at)?;
            Some((f64::from(t.index) * pitch_mm, at))
        });
        let (on_ticks, along) = line_through(&ends.collect::<Vec<_>>())?;
        let across = Vec2::new(-along.y, along.x);
        let corners = ruler.body.map(on_sheet);
        let [edge, _, far, _] = corners.map(|p| p.map(|p| across.dot(p - on_ticks)));
        let (edge, far) = (edge?, far?);
        let into = if far < edge { -1.0 } else { 1.0 };
        // The body begins one pitch outside the ends of the ticks.
        let to_ends = edge + into * pitch_mm;
        Some(Self {
            first_tick: on_ticks + across * to_ends,
            along,
            into_ruler: across * into,
            pitch_mm,
            last_index: ruler.ticks.last()?.index - ruler.ticks.first()?.index,
            unit: ruler.reading.unit,
        })
    }

    /// Which of `rulers` to place the emblem from, and how it lies: one whose graduated edge
    /// faces the emblem before one that has to be reached across, then the nearest. A ruler with
    /// ticks along both edges counts as two.
    pub fn choose(
        rulers: &[Ruler],
        plane: &ClothPlane,
        artwork: &Artwork,
        fit: &Fit,
        thickness_mm: f64,
    ) -> Option<(usize, Self)> {
        let centre = artwork.outline.bounding_box().center().to_vec2() * fit.mm_per_art;
        let laid = rulers.iter().enumerate().filter_map(|(i, ruler)| {
            let placement = Self::new(ruler, plane, fit, thickness_mm)?;
            let distance = placement.distance_mm(centre.to_point());
            Some(((distance < 0.0, distance.abs()), (i, placement)))
        });
        laid.min_by(|(a, _), (b, _)| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)))
            .map(|(_, found)| found)
    }

    /// How far along the ruler, from the first tick used, the place opposite `p` lies, in mm.
    pub fn reading_mm(&self, p: Point) -> f64 {
        self.along.dot(p - self.first_tick)
    }

    /// Distance of `p` from the line of tick ends, in mm: positive off the ruler's edge, negative
    /// on the ruler's own side.
    pub fn distance_mm(&self, p: Point) -> f64 {
        -self.into_ruler.dot(p - self.first_tick)
    }

    /// How the upright emblem's baseline is turned against the ruler, clockwise as seen, in
    /// degrees from −90 (not included) to 90: the ruler has two ends.
    pub fn baseline_turn_deg(&self) -> f64 {
        let turn = -self.along.y.atan2(self.along.x).to_degrees();
        turn - 180.0 * ((turn - 90.0) / 180.0).ceil()
    }

    /// The place of a reading, in mm from the first tick used.
    pub fn at_mm(&self, reading_mm: f64) -> Point {
        self.first_tick + self.along * reading_mm
    }
}

/// Cloth millimetres to the upright emblem's.
pub(crate) fn upright_from_cloth(fit: &Fit) -> Option<Affine> {
    let to_art = fit.art_to_cloth.inverse()?.rows();
    let k = fit.mm_per_art;
    let [[a, c, e], [b, d, f], _] = to_art;
    Some(Affine::new([k * a, k * b, k * c, k * d, k * e, k * f]))
}

/// The place on the cloth, in cloth millimetres, straight beneath a point that is seen at `p` and
/// lies `height_mm` above the cloth.
fn beneath(plane: &ClothPlane, height_mm: f64, p: measures::Point<Px>) -> Option<Point> {
    let (pose, camera) = (&plane.pose, &plane.camera);
    let ray = |p: measures::Point<Px>| {
        let f = camera.focal_px;
        [
            (p.x - camera.principal.x) / f,
            (p.y - camera.principal.y) / f,
            1.0,
        ]
    };
    let normal = unit([-pose.slope_x, -pose.slope_y, 1.0]);
    let right = unit([1.0, 0.0, pose.slope_x]);
    let down = cross(normal, right);
    let origin = ray(pose.anchor).map(|c| c * pose.depth_mm);
    let towards = ray(p);
    let reach = (dot(normal, origin) - height_mm) / dot(normal, towards);
    if !(reach.is_finite() && reach > 0.0) {
        return None;
    }
    let seen = [0, 1, 2].map(|i| towards[i] * reach - origin[i]);
    let place: measures::Point<Mm> = measures::Point::new(dot(seen, right), dot(seen, down));
    Some(place.into())
}

fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

fn unit(v: [f64; 3]) -> [f64; 3] {
    let length = dot(v, v).sqrt();
    v.map(|c| c / length)
}

/// The straight line through places with known readings: where the first tick lies, and the
/// direction of rising readings. Least squares, the direction from the sum of squares across the
/// line (total least squares, its principal axis in closed form).
fn line_through(ticks: &[(f64, Point)]) -> Option<(Point, Vec2)> {
    let (&(first, from), &(_, to)) = (ticks.first()?, ticks.last()?);
    let n = ticks.len() as f64;
    let middle = ticks
        .iter()
        .fold(Vec2::ZERO, |sum, (_, p)| sum + p.to_vec2())
        / n;
    let reading = ticks.iter().map(|(mm, _)| mm).sum::<f64>() / n;
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (_, p) in ticks {
        let d = p.to_vec2() - middle;
        (xx, xy, yy) = (xx + d.x * d.x, xy + d.x * d.y, yy + d.y * d.y);
    }
    let along = Vec2::from_angle(0.5 * (2.0 * xy).atan2(xx - yy));
    let along = if along.dot(to - from) < 0.0 {
        -along
    } else {
        along
    };
    (xx + yy > 0.0).then(|| ((middle + along * (first - reading)).to_point(), along))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_of_ticks_gives_its_first_tick_and_direction() {
        let along = Vec2::from_angle(0.3);
        let ticks: Vec<_> = (4..40)
            .map(|i| {
                (
                    f64::from(i),
                    (Vec2::new(10.0, 20.0) + along * f64::from(i - 4)).to_point(),
                )
            })
            .collect();
        let (first, found) = line_through(&ticks).expect("a line");
        assert!((first - Point::new(10.0, 20.0)).hypot() < 1e-9);
        assert!((found - along).hypot() < 1e-9);
    }

    #[test]
    fn readings_distances_and_turns_are_as_laid_down() {
        let placement = Placement {
            first_tick: Point::new(0.0, 100.0),
            along: Vec2::from_angle(-2.0_f64.to_radians()),
            into_ruler: Vec2::from_angle(88.0_f64.to_radians()),
            pitch_mm: 1.0,
            last_index: 100,
            unit: RulerUnit::Mm,
        };
        let centre = placement.at_mm(40.0) - placement.into_ruler * 55.0;
        assert!((placement.reading_mm(centre) - 40.0).abs() < 1e-9);
        assert!((placement.distance_mm(centre) - 55.0).abs() < 1e-9);
        assert!((placement.baseline_turn_deg() - 2.0).abs() < 1e-9);
        let upside_down = Placement {
            along: -placement.along,
            ..placement
        };
        assert!(
            (upside_down.baseline_turn_deg() - 2.0).abs() < 1e-9,
            "a ruler has two ends"
        );
    }
}
