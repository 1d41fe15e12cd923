//! The residue's outline as it is seen, with or without artwork.

use kurbo::{BezPath, Shape};
use measures::{Grid, Mm, Outline, Point};

use crate::flatten::box_blurred;
use crate::view::{View, filled};

/// The residue as measured.
#[derive(Clone, Debug)]
pub struct SeenResidue {
    /// Smooth closed curves on the cloth.
    pub outline: Outline<Mm>,
    /// Width and height of their bounding box.
    pub width_mm: f64,
    /// The same.
    pub height_mm: f64,
    /// Expanded uncertainty (k = 2) of width and height: where along the blurred edge the curve
    /// runs, and whether wear took or left a tip. The scale's own uncertainty is not in it.
    pub u_size_mm: [f64; 2],
    /// How surely it is residue; `None` if artwork told.
    pub doubt: Option<Doubt>,
}

/// What speaks against an outline that no artwork confirms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Doubt {
    /// Share of the border that stands out of the cloth's own unevenness, 0 to 1.
    pub border_seen: f64,
    /// How much the next best place stands out, as a share of this one.
    pub rival_share: f64,
}

/// Width of the boxes, two in a row, that make texture into area.
const BLUR_MM: f64 = 1.2;
/// Standard uncertainty (k = 1) of width and height where the edge is whole, as measured on painted
/// scenes.
const U_EDGE_MM: f64 = 0.6;
/// Contours shorter than this are specks.
const LENGTH_MIN_MM: f64 = 8.0;
/// How far from the expected outline residue still counts as this emblem's.
const REACH_MM: f64 = 3.0;

/// Draws the residue's outline: the line half way between cloth and residue.
///
/// `None` when nothing stands out.
pub fn outline(view: &View<'_>) -> Option<SeenResidue> {
    let (w, h) = (view.grid.width, view.grid.height);
    let radius = ((0.5 * BLUR_MM / view.grid.pitch_mm).round() as usize).max(1);
    let smooth = (0..2).fold(view.value.clone(), |plane, _| {
        box_blurred(&plane, w, h, radius)
    });
    let inside = match view.expected {
        Some(expected) => filled(expected, &view.grid),
        None => view.region.as_ref()?.on(&view.grid),
    };
    let mask: Vec<f32> = inside.iter().map(|&i| f32::from(i)).collect();
    let reach = (REACH_MM / view.grid.pitch_mm).ceil() as usize;
    let near = box_blurred(&mask, w, h, reach);
    let allowed: Vec<bool> = near.iter().map(|&m| m > 1e-6).collect();
    let level = half_way(&smooth, &allowed)?;
    let inside: Vec<f32> = smooth
        .iter()
        .zip(&allowed)
        .zip(&view.cloth)
        .map(|((&v, &a), &c)| {
            if a && c > 0.0 {
                v - level
            } else {
                -level.abs()
            }
        })
        .collect();
    let (contours, holes) = smooth_contours(&inside, &view.grid);
    if contours.is_empty() {
        return None;
    }
    let outline = Outline::from_contours(contours, &holes);
    let bounds = outline.bounding_box();
    Some(SeenResidue {
        width_mm: bounds.width(),
        height_mm: bounds.height(),
        u_size_mm: view.region.as_ref().map_or([2.0 * U_EDGE_MM; 2], |r| {
            let [left, up, right, down] = r.loose_mm;
            [left.hypot(right), up.hypot(down)].map(|loose| 2.0 * U_EDGE_MM.hypot(loose))
        }),
        doubt: view.region.as_ref().map(|r| Doubt {
            border_seen: r.border_seen,
            rival_share: r.rival_share,
        }),
        outline,
    })
}

/// The level half way between the means of what lies above and below it (Ridler & Calvard 1978).
fn half_way(values: &[f32], allowed: &[bool]) -> Option<f32> {
    let used: Vec<f32> = values
        .iter()
        .zip(allowed)
        .filter(|(_, a)| **a)
        .map(|(v, _)| *v)
        .collect();
    if used.len() < 16 {
        return None;
    }
    let mut level = used.iter().sum::<f32>() / used.len() as f32;
    for _ in 0..30 {
        let (mut sums, mut counts) = ([0.0f32; 2], [0usize; 2]);
        for v in &used {
            let side = usize::from(*v > level);
            sums[side] += v;
            counts[side] += 1;
        }
        let mean = |side: usize| sums[side] / counts[side].max(1) as f32;
        let before = level;
        level = 0.5 * (mean(1) + mean(0));
        if level.to_bits() == before.to_bits() {
            break;
        }
    }
    Some(level)
}

/// The zero level of a sampled function as closed Catmull–Rom splines, inside positive, and which
/// of them bound holes.
fn smooth_contours(values: &[f32], grid: &Grid) -> (Vec<BezPath>, Vec<bool>) {
    let mut contours = Vec::new();
    let mut holes = Vec::new();
    for line in level_lines(values, grid.width, grid.height) {
        let places: Vec<Point<Mm>> = line.iter().map(|&(u, v)| grid.place(u, v)).collect();
        let closed = |k: usize| places[k % places.len()];
        let length: f64 = (0..places.len())
            .map(|k| closed(k).distance(closed(k + 1)))
            .sum();
        if length < LENGTH_MIN_MM {
            continue;
        }
        let count = (length / BLUR_MM).ceil().max(6.0) as usize;
        let spline = spline_through(&resampled(&places, length, count));
        // The function is positive on the right of every line as it is walked, so an outer
        // contour runs clockwise as seen: with positive area.
        holes.push(spline.area() < 0.0);
        contours.push(spline);
    }
    (contours, holes)
}

/// `count` places at equal distances along a closed polygon, each the mean over its stretch.
fn resampled(places: &[Point<Mm>], length: f64, count: usize) -> Vec<kurbo::Point> {
    let mut sums = vec![(0.0, kurbo::Vec2::ZERO); count];
    let mut s = 0.0;
    for k in 0..places.len() {
        let (a, b) = (places[k], places[(k + 1) % places.len()]);
        let side = a.distance(b);
        let at = (((s + 0.5 * side) / length * count as f64) as usize).min(count - 1);
        let middle: kurbo::Point = a.lerp(b, 0.5).into();
        sums[at].0 += side;
        sums[at].1 += side * middle.to_vec2();
        s += side;
    }
    sums.into_iter()
        .filter(|(w, _)| *w > 0.0)
        .map(|(w, v)| (v / w).to_point())
        .collect()
}

/// A closed Catmull–Rom spline as cubic Béziers.
fn spline_through(points: &[kurbo::Point]) -> BezPath {
    let n = points.len();
    let at = |k: usize| points[k % n];
    let mut path = BezPath::new();
    path.move_to(at(0));
    for k in 0..n {
        let (before, from, to, after) = (at(k + n - 1), at(k), at(k + 1), at(k + 2));
        path.curve_to(from + (to - before) / 6.0, to - (after - from) / 6.0, to);
    }
    path.close_path();
    path
}

/// Closed lines along which a sampled function is zero, by marching squares (Lorensen & Cline
/// 1987, in the plane). The rim counts as negative, so that every line closes.
fn level_lines(values: &[f32], w: usize, h: usize) -> Vec<Vec<(f64, f64)>> {
    let value = |i: usize, j: usize| {
        let rim = i == 0 || j == 0 || i + 1 == w || j + 1 == h;
        let v = values[j * w + i];
        if rim { -1e-3 - v.abs() } else { v }
    };
    // An edge between neighbouring samples: 2·index for the one to the right, + 1 for down.
    let cross = |edge: usize| {
        let (i, j) = ((edge / 2) % w, (edge / 2) / w);
        let (a, b) = (
            value(i, j),
            if edge.is_multiple_of(2) {
                value(i + 1, j)
            } else {
                value(i, j + 1)
            },
        );
        let t = f64::from(a / (a - b));
        if edge.is_multiple_of(2) {
            (i as f64 + t, j as f64)
        } else {
            (i as f64, j as f64 + t)
        }
    };
    let mut next = std::collections::BTreeMap::new();
    for j in 0..h - 1 {
        for i in 0..w - 1 {
            let corners = [
                value(i, j),
                value(i + 1, j),
                value(i + 1, j + 1),
                value(i, j + 1),
            ];
            let k = 2 * (j * w + i);
            let sides = [k, k + 3, k + 2 * w, k + 1];
            // Walking round the cell clockwise, a line enters where the function falls from
            // inside to outside and leaves at the next rise, so that inside lies on its right.
            for s in 0..4 {
                if corners[s] > 0.0 && corners[(s + 1) % 4] <= 0.0 {
                    let rise = (1..4)
                        .map(|d| (s + d) % 4)
                        .find(|&t| corners[t] <= 0.0 && corners[(t + 1) % 4] > 0.0);
                    if let Some(rise) = rise {
                        next.insert(sides[s], sides[rise]);
                    }
                }
            }
        }
    }
    let mut lines = Vec::new();
    while let Some((&start, _)) = next.first_key_value() {
        let mut line = Vec::new();
        let mut edge = start;
        while let Some(following) = next.remove(&edge) {
            line.push(cross(edge));
            edge = following;
        }
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::region::tests::field;
    use crate::view::Focus;

    #[test]
    fn residue_without_artwork_is_outlined_within_its_stated_uncertainty() {
        // A ring of 30 mm across, with an opening of 10 mm.
        let ring = |x: f64, y: f64| f32::from((5.0..15.0).contains(&x.hypot(y)));
        for contrast in [1.0, -1.0] {
            let focus = Focus {
                low: Point::new(-28.0, -28.0),
                high: Point::new(28.0, 28.0),
                expected: None,
            };
            let seen = View::new(&field(|x, y| contrast * ring(x, y)), &focus)
                .and_then(|view| outline(&view))
                .expect("the ring stands out");
            for (size, u) in [seen.width_mm, seen.height_mm]
                .into_iter()
                .zip(seen.u_size_mm)
            {
                assert!((size - 30.0).abs() < u, "{size} ± {u}");
                assert!(u < 2.5, "{u}");
            }
            let area = std::f64::consts::PI * (15.0f64.powi(2) - 5.0f64.powi(2));
            let share = seen.outline.area() / area;
            assert!((share - 1.0).abs() < 0.1, "{share}");
        }
    }

    #[test]
    fn level_lines_close_and_keep_inside_on_the_right() {
        let grid = Grid {
            origin: Point::new(0.0, 0.0),
            pitch_mm: 1.0,
            width: 60,
            height: 50,
        };
        let values: Vec<f32> = (0..grid.len())
            .map(|k| 15.0 - ((k % 60) as f32 - 30.0).hypot((k / 60) as f32 - 25.0))
            .collect();
        let (contours, holes) = smooth_contours(&values, &grid);
        assert_eq!(holes, [false]);
        let expected = std::f64::consts::PI * 15.0 * 15.0;
        assert!(
            (contours[0].area() / expected - 1.0).abs() < 0.01,
            "{}",
            contours[0].area()
        );
    }
}
