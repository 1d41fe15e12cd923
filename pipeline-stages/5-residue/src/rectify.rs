//! The photo's pixels carried to a grid of millimetres on the cloth.

use measures::{ClothPlane, Grid, Mm, Photo, Point, Px, Ruler, Vector};
use rayon::prelude::*;

use crate::Settings;

/// How far the photo's far side may stretch out on strongly tilted cloth, as a multiple of its
/// size at the anchor's scale.
const STRETCH_MAX: f64 = 2.0;

/// The grid that covers the photo, or `look_in` and half its size around it.
pub(crate) fn grid(
    photo: &Photo,
    plane: &ClothPlane,
    look_in: Option<[Point<Px>; 2]>,
    settings: &Settings,
) -> Grid {
    let whole = Point::new(f64::from(photo.width_px()), f64::from(photo.height_px()));
    let (low, high) = match look_in {
        None => (Point::new(0.0, 0.0), whole),
        Some([a, b]) => {
            let margin = 0.5 * (b - a).x.abs().max((b - a).y.abs());
            let low = Point::<Px>::new(a.x.min(b.x) - margin, a.y.min(b.y) - margin);
            let high = Point::<Px>::new(a.x.max(b.x) + margin, a.y.max(b.y) + margin);
            (
                Point::new(low.x.clamp(0.0, whole.x), low.y.clamp(0.0, whole.y)),
                Point::new(high.x.clamp(0.0, whole.x), high.y.clamp(0.0, whole.y)),
            )
        }
    };
    let [first, last] = box_on_cloth(plane, [low, high]);
    let centre = plane.on_cloth(low.lerp(high, 0.5));
    let reach = STRETCH_MAX * low.distance(high) / plane.px_per_mm_at(low.lerp(high, 0.5));
    let inside = |v: f64, c: f64| {
        if v.is_finite() {
            v.clamp(c - reach, c + reach)
        } else {
            c
        }
    };
    let (x0, x1) = (inside(first.x, centre.x), inside(last.x, centre.x));
    let (y0, y1) = (inside(first.y, centre.y), inside(last.y, centre.y));
    let area = ((x1 - x0) * (y1 - y0)).max(1.0);
    let one_pixel = 1.0 / plane.px_per_mm_at(low.lerp(high, 0.5));
    let pitch_mm = settings
        .pitch_min_mm
        .max(one_pixel)
        .max((area / settings.grid_samples_max as f64).sqrt());
    Grid {
        origin: Point::new(x0, y0),
        pitch_mm,
        width: ((x1 - x0) / pitch_mm).ceil().max(16.0) as usize,
        height: ((y1 - y0) / pitch_mm).ceil().max(16.0) as usize,
    }
}

/// The upright rectangle on the cloth around an upright rectangle of the photo.
pub(crate) fn box_on_cloth(plane: &ClothPlane, [a, b]: [Point<Px>; 2]) -> [Point<Mm>; 2] {
    let corners = [a, Point::new(b.x, a.y), b, Point::new(a.x, b.y)];
    let on_cloth = corners.map(|p| plane.on_cloth(p));
    let fold = |f: fn(f64, f64) -> f64, start: f64| {
        Point::new(
            on_cloth.iter().map(|p| p.x).fold(start, f),
            on_cloth.iter().map(|p| p.y).fold(start, f),
        )
    };
    [
        fold(f64::min, f64::INFINITY),
        fold(f64::max, f64::NEG_INFINITY),
    ]
}

/// Logarithms of linear red, green and blue on the grid, and 1 where the grid lies in the photo.
pub(crate) fn sample(
    photo: &Photo,
    plane: &ClothPlane,
    grid: &Grid,
    black_level: f64,
) -> ([Vec<f32>; 3], Vec<f32>) {
    let middle = plane.in_photo(crate::middle(grid));
    let step = (grid.pitch_mm * plane.px_per_mm_at(middle) + 0.25)
        .floor()
        .max(1.0) as usize;
    let small = Reduced::new(photo, step, black_level);
    let [mut red, mut green, mut blue] = [0, 1, 2].map(|_| vec![0.0f32; grid.len()]);
    let mut cloth = vec![0.0f32; grid.len()];
    let m = plane.to_photo().rows();
    let rows = red
        .par_chunks_exact_mut(grid.width)
        .zip(green.par_chunks_exact_mut(grid.width))
        .zip(blue.par_chunks_exact_mut(grid.width))
        .zip(cloth.par_chunks_exact_mut(grid.width));
    rows.enumerate()
        .for_each(|(j, (((red, green), blue), cloth))| {
            for i in 0..grid.width {
                let p = grid.place(i as f64, j as f64);
                let nearness = 1.0 / (m[2][0] * p.x + m[2][1] * p.y + m[2][2]);
                let x = (m[0][0] * p.x + m[0][1] * p.y + m[0][2]) * nearness;
                let y = (m[1][0] * p.x + m[1][1] * p.y + m[1][2]) * nearness;
                let seen = match &plane.lens {
                    Some(lens) => lens.bent(Point::new(x, y)),
                    None => Point::new(x, y),
                };
                if let Some([r, g, b, _]) = small.at(seen.x, seen.y) {
                    (red[i], green[i], blue[i], cloth[i]) = (r, g, b, 1.0);
                }
            }
        });
    ([red, green, blue], cloth)
}

/// Logarithms of the linear light of blocks of `step` × `step` pixels, each of its mean pixel value.
struct Reduced {
    width: usize,
    height: usize,
    per_step: f64,
    /// Three to a block, and one more, so that four can be taken everywhere: they are worked on as
    /// fast as one.
    light: Vec<f32>,
}

impl Reduced {
    fn new(photo: &Photo, step: usize, black_level: f64) -> Self {
        let most = 255 * step * step;
        // IEC 61966-2-1: the transfer function of sRGB.
        let log_light: Vec<f32> = (0..=most)
            .map(|sum| {
                let v = sum as f64 / most as f64;
                let linear = if v <= 0.04045 {
                    v / 12.92
                } else {
                    ((v + 0.055) / 1.055).powf(2.4)
                };
                (linear + black_level).ln() as f32
            })
            .collect();
        let (width, height) = (photo.width_px() as usize, photo.height_px() as usize);
        let (row_bytes, blocks) = (3 * width, width / step);
        let of_block = |sums: &[u32]| {
            let mut sum = [0; 3];
            for pixel in sums.as_chunks::<3>().0 {
                sum.iter_mut().zip(pixel).for_each(|(s, p)| *s += p);
            }
            let [red, green, blue] = sum;
            let log_light = |sum: u32| log_light[sum as usize];
            [log_light(red), log_light(green), log_light(blue)]
        };
        let mut light = vec![0.0; 3 * blocks * (height / step) + 1];
        let pixels = photo.rgb.as_raw().par_chunks_exact(row_bytes * step);
        pixels
            .zip(light.par_chunks_exact_mut(3 * blocks.max(1)))
            .for_each(|(rows, light)| {
                let mut sums = vec![0u32; row_bytes];
                for row in rows.chunks_exact(row_bytes) {
                    for (sum, &v) in sums.iter_mut().zip(row) {
                        *sum += u32::from(v);
                    }
                }
                let light = light.as_chunks_mut::<3>().0;
                for (light, sums) in light.iter_mut().zip(sums.chunks_exact(3 * step)) {
                    *light = of_block(sums);
                }
            });
        Self {
            width: blocks,
            height: height / step,
            per_step: 1.0 / step as f64,
            light,
        }
    }

    /// Bilinear value at a photo position in pixels; `None` outside.
    fn at(&self, x: f64, y: f64) -> Option<[f32; 4]> {
        let (u, v) = (x * self.per_step - 0.5, y * self.per_step - 0.5);
        // Written so that NaN, too, is outside.
        let inside = u >= 0.0
            && v >= 0.0
            && u < (self.width.saturating_sub(1)) as f64
            && v < (self.height.saturating_sub(1)) as f64;
        if !inside {
            return None;
        }
        let (i, j) = (u as i32, v as i32);
        let (a, b) = ((u - f64::from(i)) as f32, (v - f64::from(j)) as f32);
        let k = j as usize * self.width + i as usize;
        let four = |k: usize| self.light.get(3 * k..)?.first_chunk::<4>().copied();
        let top = between(four(k)?, four(k + 1)?, a);
        let bottom = between(four(k + self.width)?, four(k + self.width + 1)?, a);
        Some(between(top, bottom, b))
    }
}

#[inline]
fn between(from: [f32; 4], to: [f32; 4], share: f32) -> [f32; 4] {
    let mut between = from;
    for (v, to) in between.iter_mut().zip(to) {
        *v += share * (to - *v);
    }
    between
}

/// Takes the rulers' bodies, and a margin around them, out of the cloth.
pub(crate) fn mask_rulers(
    cloth: &mut [f32],
    grid: &Grid,
    plane: &ClothPlane,
    rulers: &[Ruler],
    margin_mm: f64,
) {
    for ruler in rulers {
        let body = Body::new(ruler.body.map(|p| plane.on_cloth(p)));
        let index = body.corners.map(|p| grid.index(p));
        let margin = margin_mm / grid.pitch_mm;
        let span = |of: fn(&(f64, f64)) -> f64, n: usize| {
            let low = index.iter().map(of).fold(f64::INFINITY, f64::min) - margin;
            let high = index.iter().map(of).fold(f64::NEG_INFINITY, f64::max) + margin;
            low.clamp(0.0, n as f64) as usize..(high.clamp(0.0, n as f64) as usize + 1).min(n)
        };
        let (columns, rows) = (span(|p| p.0, grid.width), span(|p| p.1, grid.height));
        let masked =
            cloth[rows.start * grid.width..rows.end * grid.width].par_chunks_exact_mut(grid.width);
        masked.zip(rows).for_each(|(cloth, j)| {
            for i in columns.clone() {
                let p = grid.place(i as f64, j as f64);
                if body.is_nearer(p, margin_mm) {
                    cloth[i] = 0.0;
                }
            }
        });
    }
}

/// A filled convex quadrilateral.
pub(crate) struct Body {
    corners: [Point<Mm>; 4],
    /// Of unit length, outwards, side by side.
    normals: [Vector<Mm>; 4],
}

impl Body {
    pub(crate) fn new(corners: [Point<Mm>; 4]) -> Self {
        let around = (corners[2] - corners[0]).cross(corners[3] - corners[1]);
        let normals = [0, 1, 2, 3].map(|k| {
            let side = corners[(k + 1) % 4] - corners[k];
            let outwards = -side.quarter_turn() * around.signum();
            outwards * (1.0 / side.dot(side).max(1e-12).sqrt())
        });
        Self { corners, normals }
    }

    /// Whether a point lies inside or nearer than `mm`.
    pub(crate) fn is_nearer(&self, p: Point<Mm>, mm: f64) -> bool {
        const ROUNDING: f64 = 1e-6;
        // The farthest out of one side's line: nearly always that alone tells.
        let sides = self.corners.iter().zip(&self.normals);
        let out = sides.map(|(&corner, normal)| normal.dot(p - corner));
        let out = out.fold(f64::NEG_INFINITY, f64::max);
        out < -ROUNDING || (out < mm + ROUNDING && self.square_distance(p) < mm * mm)
    }

    /// Square of the distance from a point; 0 inside.
    fn square_distance(&self, p: Point<Mm>) -> f64 {
        let mut turns = [0usize; 2];
        let mut nearest = f64::INFINITY;
        for k in 0..4 {
            let (a, b) = (self.corners[k], self.corners[(k + 1) % 4]);
            let side = b - a;
            turns[usize::from(side.cross(p - a) > 0.0)] += 1;
            let t = ((p - a).dot(side) / side.dot(side).max(1e-12)).clamp(0.0, 1.0);
            let off = p - (a + side * t);
            nearest = nearest.min(off.dot(off));
        }
        if turns.contains(&0) { 0.0 } else { nearest }
    }
}
