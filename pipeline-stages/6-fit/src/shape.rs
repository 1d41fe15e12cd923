//! An artwork's outline as the fit uses it: polygons, coverage and distance, in *shape units*
//! (origin at the middle of the bounding box, 1 = its longer side).

use kurbo::PathEl;
use measures::{Art, Map, Outline, Point, Vector};

/// How far the polygon may lie from the curve, in shape units: chords make a disc too small by up to
/// four thirds of this, its measured size too large by as much.
const FLATTENING: f64 = 1e-5;
/// Coverage samples along the longer side at the finest of the coverage pictures.
const COVERAGE_SAMPLES: usize = 256;

/// Scan lines for one row of the finest coverage picture.
const SUB_ROWS: usize = 4;

/// A point of a polygon, in shape units.
pub(crate) type Spot = [f64; 2];

#[derive(Clone, Debug)]
pub(crate) struct Shape {
    /// Closed polygons, the last corner joined to the first.
    pub(crate) polygons: Vec<Vec<Spot>>,
    /// Shape units to artwork units.
    pub(crate) to_art: Map<Art, Art>,
    /// Half width and half height, in shape units.
    pub(crate) half: Spot,
    /// Artwork units for one shape unit.
    pub(crate) unit_art: f64,
    coverage: Vec<Coverage>,
}

impl Shape {
    /// `None` when the outline has no area.
    pub(crate) fn new(outline: &Outline<Art>) -> Option<Self> {
        let bounds = outline.bounding_box();
        let unit = bounds.width().max(bounds.height());
        if !(unit > 0.0 && unit.is_finite() && outline.area() > 0.0) {
            return None;
        }
        let middle = bounds.center();
        let polygons = outline
            .contours()
            .iter()
            .map(|contour| {
                let mut spots: Vec<Spot> = Vec::new();
                kurbo::flatten(contour, FLATTENING * unit, |el| {
                    if let PathEl::MoveTo(p) | PathEl::LineTo(p) = el {
                        let spot = [(p.x - middle.x) / unit, (p.y - middle.y) / unit];
                        if spots.last() != Some(&spot) {
                            spots.push(spot);
                        }
                    }
                });
                if spots.len() > 1 && spots.first() == spots.last() {
                    spots.pop();
                }
                spots
            })
            .filter(|spots| spots.len() > 2)
            .collect();
        Some(Self::from_polygons(
            polygons,
            [0.5 * bounds.width() / unit, 0.5 * bounds.height() / unit],
            Map::similarity(unit, 0.0, Vector::new(middle.x, middle.y)),
            unit,
        ))
    }

    fn from_polygons(
        polygons: Vec<Vec<Spot>>,
        half: Spot,
        to_art: Map<Art, Art>,
        unit_art: f64,
    ) -> Self {
        let coverage = Coverage::pyramid(&polygons, half);
        Self {
            polygons,
            to_art,
            half,
            unit_art,
            coverage,
        }
    }

    /// The same shape seen from behind.
    pub(crate) fn mirrored(&self) -> Self {
        let polygons = self
            .polygons
            .iter()
            .map(|spots| spots.iter().rev().map(|s| [-s[0], s[1]]).collect())
            .collect();
        Self::from_polygons(polygons, self.half, self.to_art, self.unit_art)
    }

    /// How much of squares of about side `width` is filled.
    pub(crate) fn coverage(&self, width: f64) -> &Coverage {
        let level = (width * COVERAGE_SAMPLES as f64).max(1.0).log2().round() as usize;
        &self.coverage[level.min(self.coverage.len() - 1)]
    }

    /// Spots along the outline about `step` apart, with the length each stands for, polygon by
    /// polygon.
    /// Whether a contour bounds an opening: those run the other way round.
    pub(crate) fn is_opening(&self, contour: usize) -> bool {
        let spots = &self.polygons[contour];
        let next = spots.iter().cycle().skip(1);
        let twice: f64 = spots
            .iter()
            .zip(next)
            .map(|(a, b)| a[0] * b[1] - a[1] * b[0])
            .sum();
        twice < 0.0
    }

    pub(crate) fn walk(&self, step: f64) -> Vec<Vec<Stop>> {
        self.polygons
            .iter()
            .map(|spots| walk_polygon(spots, step))
            .collect()
    }
}

/// A place on the outline, in shape units.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stop {
    pub(crate) at: Spot,
    pub(crate) length: f64,
}

fn walk_polygon(spots: &[Spot], step: f64) -> Vec<Stop> {
    let n = spots.len();
    let sides: Vec<f64> = (0..n)
        .map(|k| {
            let (a, b) = (spots[k], spots[(k + 1) % n]);
            (b[0] - a[0]).hypot(b[1] - a[1])
        })
        .collect();
    let total: f64 = sides.iter().sum();
    let count = (total / step).round().max(4.0) as usize;
    let length = total / count as f64;
    let mut stops = Vec::with_capacity(count);
    let (mut k, mut before) = (0, 0.0);
    for i in 0..count {
        let s = (i as f64 + 0.5) * length;
        while k + 1 < n && before + sides[k] < s {
            before += sides[k];
            k += 1;
        }
        let (a, b) = (spots[k], spots[(k + 1) % n]);
        let side = sides[k].max(1e-12);
        let t = ((s - before) / side).clamp(0.0, 1.0);
        stops.push(Stop {
            at: [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])],
            length,
        });
    }
    stops
}

/// Filled share of square cells.
#[derive(Clone, Debug)]
pub(crate) struct Coverage {
    cell: f64,
    origin: Spot,
    width: usize,
    height: usize,
    share: Vec<f32>,
}

impl Coverage {
    /// The finest picture and its halvings.
    fn pyramid(polygons: &[Vec<Spot>], half: Spot) -> Vec<Self> {
        let cell = 1.0 / COVERAGE_SAMPLES as f64;
        // With an empty rim even at the coarsest.
        let cells = |h: f64| ((2.0 * h / cell).ceil() as usize + 48) & !15;
        let (width, height) = (cells(half[0]), cells(half[1]));
        let origin = [-0.5 * width as f64 * cell, -0.5 * height as f64 * cell];
        let mut share = vec![0.0f32; width * height];
        for sub in 0..height * SUB_ROWS {
            let y = origin[1] + (sub as f64 + 0.5) / SUB_ROWS as f64 * cell;
            let row = &mut share[sub / SUB_ROWS * width..][..width];
            for pair in crossings(polygons, y).chunks_exact(2) {
                let to_cell = |x: f64| ((x - origin[0]) / cell).clamp(0.0, width as f64);
                fill_span(
                    row,
                    to_cell(pair[0]),
                    to_cell(pair[1]),
                    1.0 / SUB_ROWS as f32,
                );
            }
        }
        let mut levels = vec![Self {
            cell,
            origin,
            width,
            height,
            share,
        }];
        for _ in 0..4 {
            let finer = &levels[levels.len() - 1];
            levels.push(finer.halved());
        }
        levels
    }

    fn halved(&self) -> Self {
        let (w, h) = (self.width / 2, self.height / 2);
        let share = (0..w * h)
            .map(|k| {
                let top = 2 * (k / w) * self.width + 2 * (k % w);
                let bottom = top + self.width;
                0.25 * (self.share[top]
                    + self.share[top + 1]
                    + self.share[bottom]
                    + self.share[bottom + 1])
            })
            .collect();
        Self {
            cell: 2.0 * self.cell,
            origin: self.origin,
            width: w,
            height: h,
            share,
        }
    }

    /// Share of the square about a spot that is filled.
    pub(crate) fn at(&self, u: f64, v: f64) -> f32 {
        let x = (u - self.origin[0]) / self.cell - 0.5;
        let y = (v - self.origin[1]) / self.cell - 0.5;
        // The rim is empty.
        let inside = |x: f64, n: usize| x >= 0.0 && x < (n - 1) as f64;
        if !(inside(x, self.width) && inside(y, self.height)) {
            return 0.0;
        }
        let (i, j) = (x as u32, y as u32);
        let (a, b) = ((x - f64::from(i)) as f32, (y - f64::from(j)) as f32);
        let k = j as usize * self.width + i as usize;
        let (top, bottom) = (&self.share[k..k + 2], &self.share[k + self.width..][..2]);
        let top = top[0] * (1.0 - a) + top[1] * a;
        let bottom = bottom[0] * (1.0 - a) + bottom[1] * a;
        top * (1.0 - b) + bottom * b
    }
}

/// Where the horizontal line at `y` enters and leaves the filled area, from left to right.
fn crossings(polygons: &[Vec<Spot>], y: f64) -> Vec<f64> {
    let mut xs: Vec<f64> = polygons
        .iter()
        .flat_map(|spots| {
            let next = spots.iter().cycle().skip(1);
            spots
                .iter()
                .zip(next)
                .filter(move |(a, b)| (a[1] > y) != (b[1] > y))
                .map(move |(a, b)| a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0]))
        })
        .collect();
    xs.sort_by(f64::total_cmp);
    xs
}

fn fill_span(row: &mut [f32], from: f64, to: f64, amount: f32) {
    let (first, last) = (from as usize, to as usize);
    for (i, cell) in row.iter_mut().enumerate().take(last + 1).skip(first) {
        let overlap = (to.min(i as f64 + 1.0) - from.max(i as f64)).max(0.0);
        *cell += amount * overlap as f32;
    }
}

/// Signed distance to the outline, positive inside, exact within `band`; in shape units.
#[derive(Clone, Debug)]
pub(crate) struct Distance {
    cell: f64,
    origin: Spot,
    width: usize,
    height: usize,
    value: Vec<f32>,
}

impl Distance {
    /// Samples the distance every `cell`, out to `band` on both sides.
    pub(crate) fn new(shape: &Shape, cell: f64, band: f64) -> Self {
        let margin = band + 2.0 * cell;
        let origin = [-shape.half[0] - margin, -shape.half[1] - margin];
        let width = (2.0 * (shape.half[0] + margin) / cell).ceil() as usize + 1;
        let height = (2.0 * (shape.half[1] + margin) / cell).ceil() as usize + 1;
        let mut square = vec![(band * band) as f32; width * height];
        let columns: Vec<f32> = (0..width)
            .map(|i| (origin[0] + i as f64 * cell) as f32)
            .collect();
        for spots in &shape.polygons {
            for (a, b) in spots.iter().zip(spots.iter().cycle().skip(1)) {
                let index = |v: f64, o: f64, n: usize| (((v - o) / cell).max(0.0) as usize).min(n);
                let i0 = index(a[0].min(b[0]) - band, origin[0], width);
                let i1 = index(a[0].max(b[0]) + band, origin[0], width - 1);
                let j0 = index(a[1].min(b[1]) - band, origin[1], height);
                let j1 = index(a[1].max(b[1]) + band, origin[1], height - 1);
                let side = [b[0] - a[0], b[1] - a[1]];
                let per_length2 = 1.0 / (side[0] * side[0] + side[1] * side[1]).max(1e-18);
                // Single precision, four at a time: good to a millionth of the shape's size.
                let along = side.map(|s| (s * per_length2) as f32);
                let side = side.map(|s| s as f32);
                for j in j0..=j1 {
                    let y = (origin[1] + j as f64 * cell - a[1]) as f32;
                    let row = &mut square[j * width..][..width];
                    for (best, x) in row[i0..=i1].iter_mut().zip(&columns[i0..=i1]) {
                        let x = x - a[0] as f32;
                        let t = (x * along[0] + y * along[1]).clamp(0.0, 1.0);
                        let (dx, dy) = (x - t * side[0], y - t * side[1]);
                        *best = (dx * dx + dy * dy).min(*best);
                    }
                }
            }
        }
        let mut value = square;
        for (j, row) in value.chunks_exact_mut(width).enumerate() {
            for v in &mut *row {
                *v = -v.sqrt();
            }
            for pair in crossings(&shape.polygons, origin[1] + j as f64 * cell).chunks_exact(2) {
                let first = ((pair[0] - origin[0]) / cell).ceil() as usize;
                let last = ((pair[1] - origin[0]) / cell).floor() as usize;
                for v in row.iter_mut().take(last + 1).skip(first) {
                    *v = -*v;
                }
            }
        }
        Self {
            cell,
            origin,
            width,
            height,
            value,
        }
    }

    /// Distance and its gradient; `None` outside the sampled area, where the distance is below
    /// −band.
    pub(crate) fn at(&self, u: f64, v: f64) -> Option<(f64, Spot)> {
        let x = (u - self.origin[0]) / self.cell;
        let y = (v - self.origin[1]) / self.cell;
        if !(x >= 0.0 && y >= 0.0 && x < (self.width - 1) as f64 && y < (self.height - 1) as f64) {
            return None;
        }
        let (i, j) = (x as u32, y as u32);
        let (a, b) = (x - f64::from(i), y - f64::from(j));
        let k = j as usize * self.width + i as usize;
        let (top, bottom) = (&self.value[k..k + 2], &self.value[k + self.width..][..2]);
        let [p, q, r, s] = [top[0], top[1], bottom[0], bottom[1]].map(f64::from);
        let top = p + a * (q - p);
        let bottom = r + a * (s - r);
        let gradient = [
            ((1.0 - b) * (q - p) + b * (s - r)) / self.cell,
            (bottom - top) / self.cell,
        ];
        Some((top + b * (bottom - top), gradient))
    }

    /// Whether the distance is sampled there.
    pub(crate) fn covers(&self, u: f64, v: f64) -> bool {
        let x = (u - self.origin[0]) / self.cell;
        let y = (v - self.origin[1]) / self.cell;
        x >= 0.0 && y >= 0.0 && x < (self.width - 1) as f64 && y < (self.height - 1) as f64
    }
}

/// Where a spot lies in artwork units.
impl Shape {
    pub(crate) fn art(&self, spot: Spot) -> Point<Art> {
        self.to_art.apply(Point::new(spot[0], spot[1]))
    }
}

#[cfg(test)]
mod tests {
    use kurbo::{Circle, Shape as _};

    use super::*;

    /// A hundredth of what a scale is known to at best.
    const SIZE_PERCENT: f64 = 0.002;

    #[test]
    fn a_disc_of_chords_is_hardly_smaller_than_the_disc() {
        let disc = Circle::new((30.0, 20.0), 15.0).to_path(1e-9);
        let shape = Shape::new(&Outline::from_contours(vec![disc], &[false])).unwrap();
        let spots = &shape.polygons[0];
        let doubled: f64 = (0..spots.len())
            .map(|k| {
                let (a, b) = (spots[k], spots[(k + 1) % spots.len()]);
                a[0] * b[1] - a[1] * b[0]
            })
            .sum();
        let radius = (0.5 * doubled.abs() / std::f64::consts::PI).sqrt();
        let too_small_percent = 100.0 * (1.0 - radius / 0.5);
        assert!(
            (0.0..SIZE_PERCENT).contains(&too_small_percent),
            "{too_small_percent}"
        );
    }
}
