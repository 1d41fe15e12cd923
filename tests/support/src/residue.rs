//! What a peeled emblem leaves on the cloth.

use kurbo::Point;

use crate::cloth::light_factor;
use crate::drawing::flattened;
use crate::emblem::Emblem;
use crate::random::{Noise, Rng, ramp};

/// The residue of one emblem.
#[derive(Clone, Debug, PartialEq)]
pub struct Residue {
    /// The emblem that was there.
    pub emblem: Emblem,
    /// Width of its filled outline's bounding box, as worn, unrotated.
    pub width_mm: f64,
    /// Middle of that box, in cloth millimetres from the anchor.
    pub centre_mm: [f64; 2],
    /// Clockwise from the cloth's x axis.
    pub rotation_deg: f64,
    /// How far the residue reaches past the emblem's edge, evenly.
    pub bleed_mm: f64,
    /// Width over which its edge fades.
    pub softness_mm: f64,
    /// Change of the cloth's sRGB values, in per cent: of red, green and blue.
    pub contrast_percent: [f64; 3],
    /// How raggedly the edge runs about its even course (standard deviation).
    pub roughness_mm: f64,
    /// Share that has gone, 0 to 1.
    pub missing: f64,
    /// Size of the patches that have gone.
    pub patch_mm: f64,
    /// Extra strength of a seam of glue along the edge, against the contrast.
    pub rim: f64,
    /// How unevenly strong it is, 0 to 1.
    pub unevenness: f64,
    /// Share of the weave that the glue hides, 0 to 1.
    pub flatness: f64,
}

impl Residue {
    /// Artwork units to millimetres.
    pub fn mm_per_art(&self) -> f64 {
        self.width_mm / self.emblem.outline().bounding_box().width()
    }
}

/// A signed distance (positive outside) sampled on a grid.
struct DistanceField {
    origin: [f32; 2],
    step: f32,
    width: usize,
    height: usize,
    values: Vec<f32>,
}

/// Distances beyond this are not told apart.
const REACH_MM: f64 = 3.0;

impl DistanceField {
    /// The distance to contours given as dense points, exact at the samples.
    fn new(contours: &[Vec<Point>], step: f64) -> Self {
        let all = || contours.iter().flatten();
        let low = all().fold([f64::INFINITY; 2], |m, p| [m[0].min(p.x), m[1].min(p.y)]);
        let high = all().fold([f64::NEG_INFINITY; 2], |m, p| {
            [m[0].max(p.x), m[1].max(p.y)]
        });
        let margin = REACH_MM + 2.0 * step;
        let origin = low.map(|v| v - margin);
        let cells = |k: usize| ((high[k] + margin - origin[k]) / step).ceil() as usize + 1;
        let (width, height) = (cells(0), cells(1));
        let mut squares = vec![(REACH_MM * REACH_MM) as f32; width * height];
        let mut crossings: Vec<Vec<f64>> = vec![Vec::new(); height];
        for contour in contours {
            for (i, &a) in contour.iter().enumerate() {
                let b = contour[(i + 1) % contour.len()];
                near(&mut squares, width, height, origin, step, a, b);
                crossed(&mut crossings, origin, step, a, b);
            }
        }
        let mut values: Vec<f32> = squares.iter().map(|s| s.sqrt()).collect();
        for (row, cuts) in values.chunks_exact_mut(width).zip(&mut crossings) {
            cuts.sort_by(f64::total_cmp);
            for pair in cuts.chunks_exact(2) {
                let from = ((pair[0] - origin[0]) / step).ceil().max(0.0) as usize;
                let to = ((pair[1] - origin[0]) / step).floor() as usize;
                for v in &mut row[from..=to.min(width - 1)] {
                    *v = -*v;
                }
            }
        }
        Self {
            origin: origin.map(|v| v as f32),
            step: step as f32,
            width,
            height,
            values,
        }
    }

    fn at(&self, x: f32, y: f32) -> f32 {
        let (u, v) = (
            (x - self.origin[0]) / self.step,
            (y - self.origin[1]) / self.step,
        );
        if u < 0.0 || v < 0.0 {
            return REACH_MM as f32;
        }
        let (i, j) = (u as usize, v as usize);
        if i + 1 >= self.width || j + 1 >= self.height {
            return REACH_MM as f32;
        }
        let (a, b) = (u - i as f32, v - j as f32);
        let k = j * self.width + i;
        let d = &self.values;
        let top = d[k] + a * (d[k + 1] - d[k]);
        let bottom = d[k + self.width] + a * (d[k + self.width + 1] - d[k + self.width]);
        top + b * (bottom - top)
    }
}

fn near(
    squares: &mut [f32],
    width: usize,
    height: usize,
    origin: [f64; 2],
    step: f64,
    a: Point,
    b: Point,
) {
    let span = |lo: f64, hi: f64, o: f64, n: usize| {
        let first = ((lo - REACH_MM - o) / step).floor().max(0.0) as usize;
        let last = (((hi + REACH_MM - o) / step).ceil() as usize).min(n - 1);
        first..=last
    };
    let to = b - a;
    let length = to.hypot2();
    for j in span(a.y.min(b.y), a.y.max(b.y), origin[1], height) {
        for i in span(a.x.min(b.x), a.x.max(b.x), origin[0], width) {
            let p = Point::new(origin[0] + i as f64 * step, origin[1] + j as f64 * step);
            let t = if length > 0.0 {
                ((p - a).dot(to) / length).clamp(0.0, 1.0)
            } else {
                0.0
            };
            let square = (p - a - to * t).hypot2() as f32;
            let cell = &mut squares[j * width + i];
            *cell = cell.min(square);
        }
    }
}

fn crossed(crossings: &mut [Vec<f64>], origin: [f64; 2], step: f64, a: Point, b: Point) {
    let (low, high) = if a.y < b.y { (a, b) } else { (b, a) };
    let first = ((low.y - origin[1]) / step).ceil() as usize;
    for (j, row) in crossings.iter_mut().enumerate().skip(first) {
        let y = origin[1] + j as f64 * step;
        if y >= high.y {
            break;
        }
        row.push(low.x + (y - low.y) * (high.x - low.x) / (high.y - low.y));
    }
}

/// Residue, prepared for asking.
pub(crate) struct Trace {
    field: DistanceField,
    centre: [f32; 2],
    cos: f32,
    sin: f32,
    bleed: f32,
    softness: f32,
    roughness: f32,
    change: [f32; 3],
    rim: f32,
    unevenness: f32,
    pub(crate) flatness: f32,
    noise: Noise,
    patch: f32,
    /// Noise below this has gone.
    threshold: f32,
    frayed: bool,
}

impl Trace {
    pub(crate) fn new(residue: &Residue, rng: &mut Rng) -> Self {
        let outline = residue.emblem.outline();
        let scale = residue.mm_per_art();
        let middle = outline.bounding_box().center();
        let contours: Vec<Vec<Point>> = outline
            .contours()
            .iter()
            .map(|c| {
                let points = flattened(c, 0.15 / scale);
                points
                    .iter()
                    .map(|&p| ((p - middle) * scale).to_point())
                    .collect()
            })
            .collect();
        let step = (residue.width_mm / 2000.0).max(0.05);
        let field = DistanceField::new(&contours, step);
        let (sin, cos) = (residue.rotation_deg as f32).to_radians().sin_cos();
        let noise = Noise::new(rng);
        let mut trace = Self {
            field,
            centre: residue.centre_mm.map(|v| v as f32),
            cos,
            sin,
            bleed: residue.bleed_mm as f32,
            softness: residue.softness_mm as f32,
            roughness: residue.roughness_mm as f32,
            change: residue
                .contrast_percent
                .map(|p| light_factor(p as f32) - 1.0),
            rim: residue.rim as f32,
            unevenness: residue.unevenness as f32,
            flatness: residue.flatness as f32,
            noise,
            patch: residue.patch_mm as f32,
            threshold: f32::NEG_INFINITY,
            frayed: residue.missing > 0.0,
        };
        trace.threshold = trace.quantile(residue.missing);
        trace
    }

    /// The noise value below which this share of the residue lies.
    fn quantile(&self, share: f64) -> f32 {
        let f = &self.field;
        let inside = (0..f.values.len())
            .step_by(7)
            .filter(|&k| f.values[k] < 0.0);
        let mut values: Vec<f32> = inside
            .map(|k| {
                let x = f.origin[0] + (k % f.width) as f32 * f.step;
                let y = f.origin[1] + (k / f.width) as f32 * f.step;
                self.patches(x, y)
            })
            .collect();
        values.sort_by(f32::total_cmp);
        let k = (share * values.len() as f64) as usize;
        values.get(k).copied().unwrap_or(f32::NEG_INFINITY)
    }

    fn patches(&self, x: f32, y: f32) -> f32 {
        self.noise
            .octaves(x / self.patch + 50.0, y / self.patch + 50.0, 4, 0.6)
    }

    /// How much residue lies at a spot of the cloth, 0 to 1 (more at a rim).
    pub(crate) fn strength(&self, x: f32, y: f32, blur: f32) -> f32 {
        let (dx, dy) = (x - self.centre[0], y - self.centre[1]);
        let (u, v) = (self.cos * dx + self.sin * dy, self.cos * dy - self.sin * dx);
        let distance = self.field.at(u, v) - self.bleed;
        let width = self.softness.max(blur);
        let ragged = 4.0 * self.roughness;
        if distance > width + ragged {
            return 0.0;
        }
        let distance = if distance > -width - ragged {
            // Three octaves from 2.5 mm down have a standard deviation of about a half.
            distance + 2.0 * self.roughness * self.noise.octaves(0.4 * u + 90.0, 0.4 * v, 3, 0.6)
        } else {
            distance
        };
        let edge = ((-distance / width) + 0.5).clamp(0.0, 1.0);
        let there = if self.frayed {
            let p = self.patches(u, v);
            ramp(self.threshold - 0.12, self.threshold + 0.12, p)
        } else {
            1.0
        };
        let rim = 1.0 + self.rim * ramp(-1.3, -0.3, distance);
        let uneven = self.noise.octaves(0.6 * u + 7.0, 0.6 * v, 3, 0.6) - 1.0;
        let even = 1.0 + self.unevenness * uneven;
        edge * there * rim * even
    }

    /// By what share the light changes at full strength.
    pub(crate) fn change(&self) -> [f32; 3] {
        self.change
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distance_field_is_true() {
        // A circle of 20 mm radius, its points 0.15 mm apart.
        let n = 840;
        let circle: Vec<Point> = (0..n)
            .map(|k| {
                let (s, c) = (std::f64::consts::TAU * f64::from(k) / f64::from(n)).sin_cos();
                Point::new(20.0 * c, 20.0 * s)
            })
            .collect();
        let field = DistanceField::new(&[circle], 0.05);
        for k in 0..500 {
            let a = 0.7 * k as f32;
            let r = 18.0 + 0.008 * k as f32;
            let seen = field.at(r * a.cos(), r * a.sin());
            assert!((seen - (r - 20.0)).abs() < 0.002, "at {r}: {seen}");
        }
    }
}
