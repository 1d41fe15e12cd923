//! The rest of rulers: what lies beyond their ticks and digits, bare ends and broad backs.
//!
//! Such a strip begins where ticks and digits end, has another colour than the cloth at the
//! graduated edge, and ends at one straight edge, square to the way out, beyond which the colour is
//! the cloth's again. Emblems have other edges, and stripes come back.

use measures::{ClothPlane, Grid, Mm, Point, Ruler, Vector};

use crate::Settings;
use crate::blocks::Blocks;
use crate::rectify::Body;

/// How far bare ends and backs are followed.
const REACH_MM: f64 = 45.0;
/// Least change of light at the edge (natural logarithm),
const STEP_MIN_LN: f64 = 0.12;
/// seen alike at this share of the places along it,
const COHERENT: f64 = 0.8;
/// from means over so much to either side.
const BESIDE_MM: f64 = 3.0;
/// The cloth at the graduated edge is looked at this far from it, out of the ruler's shadow.
const CLOTH_MM: [f64; 2] = [5.0, 9.0];
/// Places along the way and across it.
const SPACING_MM: f64 = 1.0;

type Quad = [Point<Mm>; 4];
type Colour = [f64; 3];

/// Takes the rest of every ruler, and a margin about it, out of the cloth.
pub(crate) fn take_out(
    blocks: &mut Blocks,
    grid: &Grid,
    plane: &ClothPlane,
    rulers: &[Ruler],
    settings: &Settings,
) {
    for ruler in rulers {
        let marked = ruler.body.map(|p| plane.on_cloth(p));
        let view = View {
            blocks,
            grid,
            margin_mm: settings.ruler_margin_mm,
        };
        let whole = view.whole(marked);
        if whole != marked {
            let margin = settings.foreign_margin_mm;
            let body = Body::new(whole);
            let is_ruler: Vec<bool> = (0..blocks.cloth.len())
                .map(|k| body.is_nearer(blocks.place(grid, k), margin))
                .collect();
            blocks.take_out(|k| is_ruler[k]);
        }
    }
}

struct View<'a> {
    blocks: &'a Blocks,
    grid: &'a Grid,
    margin_mm: f64,
}

/// A way off the ruler: from one side of what its marks cover.
struct Way {
    corner: Point<Mm>,
    /// Along that side, whole, and outwards, of length 1.
    side: Vector<Mm>,
    out: Vector<Mm>,
}

impl View<'_> {
    /// The quad that ticks and digits cover, with the back and the bare ends.
    fn whole(&self, marked: Quad) -> Quad {
        let [a, b, c, d] = marked;
        let unit = |v: Vector<Mm>| v * (1.0 / v.length().max(1e-9));
        let (along, inwards) = (unit(b - a), unit(d - a));
        let edge = Way {
            corner: a,
            side: b - a,
            out: inwards * -1.0,
        };
        let mut whole = marked;
        let back = Way {
            corner: d,
            side: c - d,
            out: inwards,
        };
        if let Some(mm) = self.bare_mm(&back, &edge) {
            (whole[2], whole[3]) = (c + inwards * mm, d + inwards * mm);
        }
        for (near, far, out) in [(1, 2, along), (0, 3, along * -1.0)] {
            let end = Way {
                corner: whole[near],
                side: whole[far] - whole[near],
                out,
            };
            let beside = Way {
                corner: whole[near],
                side: out * (2.0 * BESIDE_MM + self.margin_mm),
                out: edge.out,
            };
            if let Some(mm) = self.bare_mm(&end, &beside) {
                (whole[near], whole[far]) = (whole[near] + out * mm, whole[far] + out * mm);
            }
        }
        whole
    }

    /// How far the ruler goes on that way, the cloth being what lies the way of `cloth`.
    fn bare_mm(&self, way: &Way, cloth: &Way) -> Option<f64> {
        let cloth: Vec<Colour> = ways_mm(CLOTH_MM[0], CLOTH_MM[1])
            .flat_map(|mm| self.row(cloth, mm))
            .flatten()
            .collect();
        let cloth = median(&cloth)?;
        let first = self.margin_mm + 0.5 * SPACING_MM;
        let rows: Vec<Vec<Option<Colour>>> = ways_mm(first, REACH_MM)
            .map(|mm| self.row(way, mm))
            .collect();
        let channel = (0..3).max_by(|&a, &b| {
            let off = |c: usize| middle_of(rows.first(), c).map_or(0.0, |v| (v - cloth[c]).abs());
            off(a).total_cmp(&off(b))
        })?;
        let at = last_row(&rows, channel, cloth[channel])?;
        Some(first + SPACING_MM * at as f64)
    }

    /// What the places so far out show.
    fn row(&self, way: &Way, mm: f64) -> Vec<Option<Colour>> {
        let places = (way.side.length() / SPACING_MM).ceil().max(1.0) as usize;
        let place =
            |k: usize| way.corner + way.side * ((k as f64 + 0.5) / places as f64) + way.out * mm;
        (0..places)
            .map(|k| self.blocks.mean_at(self.grid, place(k)))
            .collect()
    }
}

/// Places along a way, [`SPACING_MM`] apart.
fn ways_mm(from: f64, to: f64) -> impl Iterator<Item = f64> {
    let count = ((to - from) / SPACING_MM) as u32 + 1;
    (0..count).map(move |k| from + SPACING_MM * f64::from(k))
}

/// The row after which a strip that begins with the first, and is not like the cloth, ends at an edge.
fn last_row(rows: &[Vec<Option<Colour>>], channel: usize, cloth: f64) -> Option<usize> {
    let steps: Vec<f64> = (0..rows.len()).map(|k| step(rows, k, channel)).collect();
    let strip = middle_of(rows.first(), channel)? - cloth;
    if strip.abs() < STEP_MIN_LN {
        return None;
    }
    let falls = |k: usize| -steps[k] * strip.signum();
    let at = (0..steps.len())
        .filter(|&k| falls(k) >= STEP_MIN_LN)
        .max_by(|&a, &b| falls(a).total_cmp(&falls(b)))?;
    let beyond = middle_of(rows.get(at + 2), channel)? - cloth;
    let comes_back = (at + 1..steps.len()).any(|k| -falls(k) > 0.6 * falls(at));
    (beyond.abs() < 0.5 * strip.abs() && !comes_back).then_some(at)
}

/// By how much the light changes after row `k`; 0 where that is not seen alike along it.
fn step(rows: &[Vec<Option<Colour>>], k: usize, channel: usize) -> f64 {
    const SEEN: f64 = 0.6;
    let reach = (BESIDE_MM / SPACING_MM) as usize;
    let mean = |rows: &[Vec<Option<Colour>>], place: usize| {
        let values: Vec<f64> = rows
            .iter()
            .filter_map(|row| Some(row[place]?[channel]))
            .collect();
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    };
    let (within, beyond) = rows.split_at(k + 1);
    let within = &within[within.len().saturating_sub(reach)..];
    let beyond = &beyond[..reach.min(beyond.len())];
    let places = rows[0].len();
    let mut changes: Vec<f64> = (0..places)
        .filter_map(|p| Some(mean(beyond, p)? - mean(within, p)?))
        .collect();
    if (changes.len() as f64) < SEEN * places as f64 {
        return 0.0;
    }
    changes.sort_unstable_by(f64::total_cmp);
    let middle = changes[changes.len() / 2];
    let alike = changes
        .iter()
        .filter(|c| *c * middle.signum() > 0.5 * middle.abs())
        .count();
    if alike as f64 >= COHERENT * changes.len() as f64 {
        middle
    } else {
        0.0
    }
}

fn middle_of(row: Option<&Vec<Option<Colour>>>, channel: usize) -> Option<f64> {
    let seen: Vec<Colour> = row?.iter().copied().flatten().collect();
    Some(median(&seen)?[channel])
}

fn median(colours: &[Colour]) -> Option<Colour> {
    let of = |c: usize| {
        let mut values: Vec<f64> = colours.iter().map(|colour| colour[c]).collect();
        values.sort_unstable_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    Some([of(0)?, of(1)?, of(2)?])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Millimetres of back and of the two bare ends found, on cloth of such a light with a ruler whose
    /// marks cover 80 × 10 mm, 20 mm from the left and 40 mm from the top of the picture.
    fn found(light: impl Fn(f64, f64) -> f32) -> [f64; 3] {
        let grid = Grid {
            origin: Point::new(0.0, 0.0),
            pitch_mm: 0.4,
            width: 300,
            height: 250,
        };
        let of = |k: usize| {
            let p = grid.place((k % grid.width) as f64, (k / grid.width) as f64);
            let noise = 0.02 * ((k * 7919 % 101) as f32 / 50.0 - 1.0);
            light(p.x, p.y) + noise
        };
        let plane: Vec<f32> = (0..grid.len()).map(of).collect();
        let marked = [(20.0, 40.0), (100.0, 40.0), (100.0, 50.0), (20.0, 50.0)]
            .map(|(x, y)| Point::new(x, y));
        let body = Body::new(marked);
        let is_cloth = |k: usize| {
            let p = grid.place((k % grid.width) as f64, (k / grid.width) as f64);
            f32::from(u8::from(!body.is_nearer(p, 4.0)))
        };
        let cloth: Vec<f32> = (0..grid.len()).map(is_cloth).collect();
        let blocks = Blocks::new(&[plane.clone(), plane.clone(), plane], &cloth, &grid);
        let view = View {
            blocks: &blocks,
            grid: &grid,
            margin_mm: 4.0,
        };
        let whole = view.whole(marked);
        [whole[2].y - 50.0, whole[1].x - 100.0, 20.0 - whole[0].x]
    }

    fn within(x: f64, y: f64, [x0, x1]: [f64; 2], [y0, y1]: [f64; 2]) -> bool {
        (x0..x1).contains(&x) && (y0..y1).contains(&y)
    }

    #[test]
    fn back_and_bare_ends_belong_to_the_ruler() {
        let body = |x, y| within(x, y, [8.0, 112.0], [40.0, 72.0]);
        let [back, right, left] = found(|x, y| if body(x, y) { 0.4 } else { 0.0 });
        assert!((back - 22.0).abs() < 2.0, "{back}");
        assert!(
            (right - 12.0).abs() < 2.0 && (left - 12.0).abs() < 2.0,
            "{right} {left}"
        );
    }

    fn is_bare(found: [f64; 3]) -> bool {
        found.iter().all(|mm| mm.abs() < 1e-9)
    }

    #[test]
    fn cloth_residue_and_stripes_do_not() {
        let shape = |x: f64, y: f64| (x - 60.0).hypot(y - 75.0) < 15.0;
        assert!(is_bare(found(|x, y| if shape(x, y) { 0.3 } else { 0.0 })));
        let stripes = |y: f64| (y / 14.0).rem_euclid(2.0) < 1.0;
        assert!(is_bare(found(|_, y| if stripes(y) { 0.3 } else { 0.0 })));
        assert!(is_bare(found(|_, _| 0.0)));
    }
}
