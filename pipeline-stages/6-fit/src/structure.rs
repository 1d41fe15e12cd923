//! Where the residue differs from the artwork: residue where the artwork has none, and whole parts
//! that it lacks.
//!
//! Wear takes residue away in ragged patches that run across the artwork's edges as they please;
//! it adds none.

use std::ops::RangeInclusive;

use imageproc::distance_transform::euclidean_squared_distance_transform;
use imageproc::geometry::convex_hull;
use imageproc::image::{GrayImage, Luma};
use imageproc::point::Point;
use measures::Grid;
use rayon::prelude::*;

use crate::align::{Aligner, Alignment, Drawing};
use crate::border::Border;
use crate::colour::Colours;
use crate::pose::BLEED;
use crate::region::Region;
use crate::stripes::{self, Cloth};

/// Differences are taken to hang together over this length.
const LENGTH_MM: f64 = 2.0;
/// A spot differs when it lies more than this share of the emblem's contrast from the artwork.
const SHARE: f64 = 0.5;
/// Spots nearer to the artwork's edge than this may be its bleed or fray.
const CLEARANCE_MM: f64 = 0.9;
/// Fainter or stronger things than this share of the emblem's contrast are stains and folds,
const LIKE_RESIDUE: RangeInclusive<f64> = 0.65..=1.12;
/// as are those whose border changes the photo by less than this. Measured on painted scenes: 0.54
/// and more where another version's residue lies, 0.1 to 0.4 at the border of uneven light.
const STEP_MIN: f64 = 0.45;
/// Borders are looked at so far to either side.
const STEP_MM: f64 = 1.0;
/// The edge of what is no cloth blurs over so many samples,
const RIM: usize = 2;
/// and no part of an emblem has more of its border there than this.
const AT_END_MAX: f64 = 0.25;

/// A connected patch of cloth on which residue and artwork differ.
#[derive(Clone, Debug)]
pub(crate) struct Patch {
    pub(crate) area_mm2: f64,
    /// The sample in the middle of its list, which lies on it.
    pub(crate) sample: usize,
    /// Share of the patch's edge that lies along the artwork's.
    pub(crate) touching: f64,
    /// Share of the part of the artwork that it lies in, for a patch that does.
    pub(crate) of_part: f64,
    /// Mean difference, as a share of the emblem's contrast.
    pub(crate) difference: f64,
    /// How much the photo changes at its border, as a share of the emblem's contrast. `None`
    /// where the artwork's own edge, or what is no cloth, lies all about it.
    pub(crate) step: Option<f64>,
    /// Whether it is no residue: runs on beyond the cloth that is looked at and hardly comes near
    /// the artwork, or lies along the end of that cloth, as the edge of a ruler or a seam does, is
    /// part of a stripe, or has another colour.
    pub(crate) foreign: bool,
}

/// What differs.
#[derive(Clone, Debug, Default)]
pub(crate) struct Differences {
    /// Residue where the artwork has none.
    pub(crate) surplus: Vec<Patch>,
    /// Area of the largest patch of cloth that differs as much the other way, where nothing but
    /// the cloth's own unevenness does.
    pub(crate) uneven_mm2: f64,
    /// Openings and gaps of the artwork, too narrow for what shows in them to count as surplus, in
    /// which residue shows.
    pub(crate) filled: Found,
    /// None where the artwork has some.
    pub(crate) holes: Vec<Patch>,
    /// Area of the artwork.
    pub(crate) artwork_mm2: f64,
}

impl Differences {
    /// Residue where the artwork has none, as strong as the emblem's own, with an edge, and larger
    /// than the cloth's own unevenness makes it seem.
    pub(crate) fn surplus(&self) -> Found {
        const AREA_MIN_MM2: f64 = 1.5;
        /// Smaller spots are the cloth's, or lint: this share of the artwork's area, up to
        const SHARE_MIN: f64 = 0.003;
        /// what nobody overlooks.
        const AREA_SEEN_MM2: f64 = 15.0;
        let least = (SHARE_MIN * self.artwork_mm2).clamp(AREA_MIN_MM2, AREA_SEEN_MM2);
        let mut found = Found::among(&self.surplus, |p| {
            !p.foreign
                && p.area_mm2 >= least.max(self.uneven_mm2)
                && LIKE_RESIDUE.contains(&p.difference)
                && p.step.is_none_or(|step| step >= STEP_MIN)
        });
        found.area_mm2 += self.filled.area_mm2;
        found.sample = found.sample.or(self.filled.sample);
        found
    }

    /// Parts of the artwork that have no residue at all: nearly all of a part, or most of it, cut off
    /// clean at its edges. A stretch of a thin line that has gone lies along the artwork's edges too.
    pub(crate) fn missing_parts(&self) -> Found {
        const AREA_MIN_MM2: f64 = 5.0;
        const TOUCHING: f64 = 0.9;
        const MOST: f64 = 0.5;
        const NEARLY_ALL: f64 = 0.8;
        let is_whole =
            |p: &Patch| p.of_part >= NEARLY_ALL || p.of_part >= MOST && p.touching >= TOUCHING;
        Found::among(&self.holes, |p| p.area_mm2 >= AREA_MIN_MM2 && is_whole(p))
    }
}

/// Patches of one kind together.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Found {
    pub(crate) area_mm2: f64,
    /// A sample of the largest.
    pub(crate) sample: Option<usize>,
}

impl Found {
    fn among(patches: &[Patch], counts: impl Fn(&Patch) -> bool) -> Self {
        let counted = || patches.iter().filter(|p| counts(p));
        let largest = counted().max_by(|a, b| a.area_mm2.total_cmp(&b.area_mm2));
        Self {
            area_mm2: counted().fold(0.0, |sum, p| sum + p.area_mm2),
            sample: largest.map(|p| p.sample),
        }
    }
}

/// How the photo differs from the artwork, sample by sample.
pub(crate) struct Seen<'a> {
    region: &'a Region,
    /// Difference as a share of the emblem's contrast.
    share: Vec<f64>,
    /// Millimetres inside the residue's edge, negative outside; −∞ far from it.
    depth: Vec<f64>,
    contrast: f64,
    bleed_mm: f64,
}

impl<'a> Seen<'a> {
    pub(crate) fn of(
        aligner: &Aligner<'a>,
        alignment: &Alignment,
        near: &[(usize, usize)],
        drawing: &Drawing,
    ) -> Self {
        let region = aligner.region;
        let contrast = full_contrast(alignment);
        let model: Vec<f32> = drawing.cover.iter().map(|c| c * contrast as f32).collect();
        let difference = region.difference(&model, 0.5 * contrast.abs(), LENGTH_MM);
        let share = difference
            .iter()
            .map(|d| f64::from(*d) / contrast)
            .collect();
        Self {
            region,
            share,
            depth: aligner.depths_mm(&alignment.pose, near),
            contrast,
            bleed_mm: alignment.pose.0[BLEED],
        }
    }

    fn grid(&self) -> &Grid {
        &self.region.grid
    }

    /// Looks for patches that differ, on and about the emblem, which covers so much of each sample.
    pub(crate) fn differences(&self, cover: &[f32]) -> Differences {
        let covered: f64 = cover.iter().map(|c| f64::from(*c)).sum();
        Differences {
            surplus: self.surplus(cover),
            filled: self.filled(),
            uneven_mm2: self.uneven_mm2(),
            holes: self.holes(),
            artwork_mm2: covered * self.grid().pitch_mm.powi(2),
        }
    }

    /// Whether residue shows where the artwork has some about a sample.
    pub(crate) fn shows_about(&self, k: usize) -> bool {
        const REACH_MM: f64 = 1.5;
        const INSIDE_MM: f64 = 0.3;
        let grid = self.grid();
        let reach = (REACH_MM / grid.pitch_mm).round().max(1.0) as usize;
        let (i, j) = (k % grid.width, k / grid.width);
        let span = |at: usize, n: usize| at.saturating_sub(reach)..(at + reach + 1).min(n);
        let about =
            span(j, grid.height).flat_map(|j| span(i, grid.width).map(move |i| j * grid.width + i));
        let (sum, count) = about
            .filter(|&n| self.depth[n] > INSIDE_MM)
            .fold((0.0, 0usize), |(sum, count), n| {
                (sum + 1.0 + self.share[n], count + 1)
            });
        sum > SHARE * count as f64
    }

    /// Patches inside the residue's edge (1) or outside (−1) that show more than the artwork does
    /// (1) or less (−1), and their description.
    fn patches(&self, inside: f64, shows: f64) -> (Vec<Vec<usize>>, Vec<Patch>) {
        let (share, depth, grid) = (&self.share, &self.depth, self.grid());
        let differs = |k: usize| shows * share[k] > SHARE && inside * depth[k] > 0.0;
        let core = |k: usize| inside * depth[k] > CLEARANCE_MM;
        let found: Vec<Vec<usize>> = connected(grid.width, grid.height, &differs)
            .into_iter()
            .filter(|p| p.iter().any(|&k| core(k)))
            .collect();
        let described = found
            .iter()
            .map(|p| self.describe(p, inside, &differs))
            .collect();
        (found, described)
    }

    fn describe(&self, patch: &[usize], inside: f64, member: &dyn Fn(usize) -> bool) -> Patch {
        let (share, depth, grid) = (&self.share, &self.depth, self.grid());
        let near_edge = |k: usize| inside * depth[k] < 0.5 * CLEARANCE_MM;
        let is_cloth = |k: usize| self.region.cloth[k] > 0.5;
        let is_clear = |k: usize| inside * depth[k] > CLEARANCE_MM && is_cloth(k);
        let border = Border::of(patch, [grid.width, grid.height], member);
        let at_end = border.share_before_end(RIM, is_cloth);
        let reach = (STEP_MM / grid.pitch_mm).round().max(1.0) as usize;
        let step = border.step(&self.region.image, reach, is_clear);
        let n = patch.len() as f64;
        Patch {
            area_mm2: n * grid.pitch_mm * grid.pitch_mm,
            sample: patch[patch.len() / 2],
            touching: border.share(near_edge),
            of_part: 0.0,
            difference: patch.iter().map(|&k| share[k]).sum::<f64>() / n,
            step: step.map(|step| step / self.contrast),
            foreign: at_end > AT_END_MAX || at_end > 0.0 && hardly_near(patch, depth),
        }
    }

    fn holes(&self) -> Vec<Patch> {
        let (found, mut holes) = self.patches(1.0, -1.0);
        let grid = self.grid();
        let mut part_size = vec![0usize; grid.len()];
        for part in connected(grid.width, grid.height, &|k| self.depth[k] > 0.0) {
            for &k in &part {
                part_size[k] = part.len();
            }
        }
        for (hole, spots) in holes.iter_mut().zip(&found) {
            hole.of_part = spots.len() as f64 / part_size[spots[0]].max(1) as f64;
        }
        holes
    }

    /// Area of the largest patch of bare cloth that shows less than the cloth, as much as residue
    /// would show more.
    fn uneven_mm2(&self) -> f64 {
        let (_, patches) = self.patches(-1.0, -1.0);
        let like = |p: &&Patch| !p.foreign && LIKE_RESIDUE.contains(&-p.difference);
        let areas = patches.iter().filter(like).map(|p| p.area_mm2);
        areas.fold(0.0, f64::max)
    }

    fn surplus(&self, cover: &[f32]) -> Vec<Patch> {
        let (found, mut surplus) = self.patches(-1.0, 1.0);
        let is_bare = |k: usize| self.depth[k] < 0.0 && self.region.cloth[k] > 0.5;
        let bare = Cloth {
            width: self.grid().width,
            height: self.grid().height,
            pitch_mm: self.grid().pitch_mm,
            is_bare: &is_bare,
        };
        let striped = stripes::parts_of_stripes(&found, &bare);
        let colours = Colours::of(self.region, cover, &is_bare);
        for ((patch, spots), striped) in surplus.iter_mut().zip(&found).zip(striped) {
            patch.foreign |= striped || colours.differs(spots);
        }
        surplus
    }

    /// The artwork's narrow openings and gaps in which residue shows. A gap that is open at an end may
    /// be a corner, which bleed rounds: such gaps count when they are large together.
    fn filled(&self) -> Found {
        const OPEN_MIN_MM2: f64 = 3.0;
        let (grid, narrow) = (self.grid(), self.narrow());
        let sample_mm2 = grid.pitch_mm.powi(2);
        let (mut open, mut closed) = (Vec::new(), Vec::new());
        for gap in connected(grid.width, grid.height, &|k| narrow[k]) {
            if is_filled(&gap, &self.depth, &self.share, grid.pitch_mm) {
                let is_open = gap.iter().any(|&k| self.leads_out(k, &narrow));
                (if is_open { &mut open } else { &mut closed }).push(gap);
            }
        }
        let bare = |gap: &Vec<usize>| gap.iter().filter(|&&k| self.depth[k] < 0.0).count();
        let bare_mm2 = open.iter().map(bare).sum::<usize>() as f64 * sample_mm2;
        if bare_mm2 >= OPEN_MIN_MM2 {
            closed.append(&mut open);
        }
        let largest = closed.iter().max_by_key(|gap| gap.len());
        Found {
            area_mm2: closed.iter().map(Vec::len).sum::<usize>() as f64 * sample_mm2,
            sample: largest.map(|gap| gap[gap.len() / 2]),
        }
    }

    fn is_outside(&self, k: usize) -> bool {
        self.depth[k] - self.bleed_mm < 0.0
    }

    /// Samples outside the artwork that no disc of [`CLEARANCE_MM`] outside the residue covers (what
    /// is left of the outside when it is opened by that disc; Serra 1982, chapter II).
    fn narrow(&self) -> Vec<bool> {
        let grid = self.grid();
        let sample = |i: u32, j: u32| j as usize * grid.width + i as usize;
        let clear = GrayImage::from_fn(grid.width as u32, grid.height as u32, |i, j| {
            let is_clear = -self.depth[sample(i, j)] > CLEARANCE_MM;
            Luma([if is_clear { u8::MAX } else { 0 }])
        });
        let reach = CLEARANCE_MM / grid.pitch_mm + 0.5;
        euclidean_squared_distance_transform(&clear)
            .enumerate_pixels()
            .map(|(i, j, squared)| self.is_outside(sample(i, j)) && squared[0] > reach * reach)
            .collect()
    }

    /// Whether a sample lies beside the wider outside.
    fn leads_out(&self, k: usize, narrow: &[bool]) -> bool {
        let (width, outside) = (self.grid().width, |n: usize| {
            !narrow[n] && self.is_outside(n)
        });
        let beside = [k.wrapping_sub(1), k + 1, k.wrapping_sub(width), k + width];
        beside.iter().any(|&n| n < narrow.len() && outside(n))
    }
}

/// Whether a narrow opening or gap of the artwork shows residue where its edges' bleed does not reach.
fn is_filled(gap: &[usize], depth: &[f64], share: &[f64], pitch_mm: f64) -> bool {
    const BARE_MIN_MM2: f64 = 0.8;
    const DEEPEST_MIN_MM: f64 = 0.25;
    let deepest = gap.iter().map(|&k| -depth[k]).fold(0.0, f64::max);
    let bare = gap.iter().filter(|&&k| depth[k] < 0.0).count() as f64;
    let deep: Vec<f64> = gap
        .iter()
        .filter(|&&k| -depth[k] >= 0.5 * deepest)
        .map(|&k| share[k])
        .collect();
    (DEEPEST_MIN_MM..=CLEARANCE_MM).contains(&deepest)
        && bare * pitch_mm * pitch_mm >= BARE_MIN_MM2
        && deep.iter().sum::<f64>() > SHARE * deep.len() as f64
}

/// Whether hardly any of a patch lies so near to the artwork that its depth is known.
fn hardly_near(patch: &[usize], depth: &[f64]) -> bool {
    const FEW: f64 = 0.25;
    let near = patch.iter().filter(|&&k| depth[k].is_finite()).count();
    (near as f64) < FEW * patch.len() as f64
}

/// Contrast where the residue is whole: what a quarter of the signal lies above.
pub(crate) fn full_contrast(alignment: &Alignment) -> f64 {
    let sign = alignment.contrast.signum();
    let mut contrasts: Vec<(f64, f64)> = alignment
        .contrasts
        .iter()
        .zip(&alignment.tile_signals)
        .map(|(a, q)| (a * sign, *q))
        .collect();
    contrasts.sort_by(|a, b| b.0.total_cmp(&a.0));
    let total: f64 = contrasts.iter().map(|c| c.1).sum();
    let mut sum = 0.0;
    contrasts
        .iter()
        .find(|c| {
            sum += c.1;
            sum >= 0.25 * total
        })
        .map_or(alignment.contrast, |c| c.0 * sign)
}

/// Connected patches of samples, neighbours being those above, below and beside.
pub(crate) fn connected(
    width: usize,
    height: usize,
    member: &dyn Fn(usize) -> bool,
) -> Vec<Vec<usize>> {
    let mut left: Vec<bool> = (0..width * height).map(member).collect();
    let mut patches = Vec::new();
    for first in 0..left.len() {
        if !std::mem::take(&mut left[first]) {
            continue;
        }
        let (mut patch, mut next) = (vec![first], 0);
        while let Some(&k) = patch.get(next) {
            let (column, row) = (k % width, k / width);
            let around = [
                (column > 0).then(|| k - 1),
                (column + 1 < width).then_some(k + 1),
                (row > 0).then(|| k - width),
                (row + 1 < height).then_some(k + width),
            ];
            let found = around.into_iter().flatten();
            patch.extend(found.filter(|&n| std::mem::take(&mut left[n])));
            next += 1;
        }
        patch.sort_unstable();
        patches.push(patch);
    }
    patches
}

/// Corners of the convex hull of samples taken as unit squares (Andrew 1979, monotone chain).
pub(crate) fn hull(patch: &[usize], width: usize) -> Vec<Point<i32>> {
    let mut corners: Vec<(i32, i32)> = patch
        .iter()
        .flat_map(|&k| {
            let (i, j) = ((k % width) as i32, (k / width) as i32);
            [(i, j), (i + 1, j), (i, j + 1), (i + 1, j + 1)]
        })
        .collect();
    corners.sort_unstable();
    corners.dedup();
    let corners: Vec<Point<i32>> = corners.into_iter().map(|(x, y)| Point::new(x, y)).collect();
    convex_hull(corners)
}

/// A plane with `times` as many samples each way, bilinear between those that were there.
pub(crate) fn enlarged(plane: &[f32], width: usize, height: usize, times: usize) -> Vec<f32> {
    if times == 1 {
        return plane.to_vec();
    }
    let between = |k: usize, n: usize| {
        let at = ((k as f32 + 0.5) / times as f32 - 0.5).clamp(0.0, (n - 1) as f32);
        let first = (at as usize).min(n.saturating_sub(2));
        (first, at - first as f32)
    };
    let columns: Vec<_> = (0..width * times).map(|i| between(i, width)).collect();
    let mut out = vec![0.0; plane.len() * times * times];
    let rows = out.par_chunks_exact_mut(width * times).enumerate();
    rows.for_each(|(j, out)| {
        let (row, b) = between(j, height);
        let (top, bottom) = (
            &plane[row * width..],
            &plane[(row + 1).min(height - 1) * width..],
        );
        for (out, &(column, a)) in out.iter_mut().zip(&columns) {
            let right = (column + 1).min(width - 1);
            let upper = top[column] * (1.0 - a) + top[right] * a;
            let lower = bottom[column] * (1.0 - a) + bottom[right] * a;
            *out = upper * (1.0 - b) + lower * b;
        }
    });
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn patch(area_mm2: f64, touching: f64, difference: f64) -> Patch {
        Patch {
            area_mm2,
            sample: 7,
            touching,
            of_part: 1.0,
            difference,
            step: Some(0.7),
            foreign: false,
        }
    }

    fn seen(surplus: Vec<Patch>, uneven_mm2: f64, holes: Vec<Patch>) -> Differences {
        Differences {
            surplus,
            uneven_mm2,
            filled: Found::default(),
            holes,
            artwork_mm2: 1000.0,
        }
    }

    #[test]
    fn surplus_is_like_residue_has_an_edge_and_stands_out_of_the_cloth() {
        let patches = || {
            let soft = Patch {
                step: Some(0.2),
                ..patch(300.0, 0.0, 0.7)
            };
            let strong = patch(90.0, 0.0, 1.5);
            vec![patch(4.0, 0.0, 0.9), strong, patch(2.0, 0.0, 0.9), soft]
        };
        let counted = |uneven_mm2| seen(patches(), uneven_mm2, vec![]).surplus().area_mm2;
        assert!((counted(0.0) - 4.0).abs() < 1e-12);
        assert!(counted(5.0) < 1e-12);
    }

    #[test]
    fn parts_are_missing_that_went_whole() {
        let part = |area_mm2, touching, of_part| Patch {
            of_part,
            ..patch(area_mm2, touching, -0.9)
        };
        let worn = [part(40.0, 0.5, 0.6), part(30.0, 0.95, 0.2)];
        let gone = [part(25.0, 1.0, 0.6), part(10.0, 0.7, 0.9)];
        let holes = worn.into_iter().chain(gone).collect();
        let missing = seen(vec![], 0.0, holes).missing_parts();
        assert!((missing.area_mm2 - 35.0).abs() < 1e-12);
    }

    #[test]
    fn narrow_openings_tell_whether_residue_shows_in_them() {
        // 2 mm square: the bleed leaves 1.2 mm of it.
        let opening: Vec<usize> = (0..16).collect();
        let depth: Vec<f64> = (0..16)
            .map(|k| {
                let to_side = |v: usize| 0.25 + 0.5 * v.min(3 - v) as f64;
                0.3 - to_side(k % 4).min(to_side(k / 4))
            })
            .collect();
        let shows = |inside: f64, k: usize| if depth[k] < -0.2 { inside } else { 0.7 };
        let filled = |inside: f64| {
            let share: Vec<f64> = (0..16).map(|k| shows(inside, k)).collect();
            is_filled(&opening, &depth, &share, 0.5)
        };
        assert!(filled(0.8) && !filled(0.2));
    }

    #[test]
    fn patches_that_touch_at_corners_only_are_two() {
        let member = |k: usize| {
            let (i, j) = (k % 20, k / 20);
            (i < 5 && j < 5) || ((5..9).contains(&i) && (5..9).contains(&j))
        };
        assert_eq!(connected(20, 20, &member).len(), 2);
    }

    #[test]
    fn an_enlarged_plane_keeps_straight_slopes() {
        let plane: Vec<f32> = (0..12)
            .map(|k| (k % 4) as f32 + 10.0 * (k / 4) as f32)
            .collect();
        let fine = enlarged(&plane, 4, 3, 3);
        assert_eq!(fine.len(), 12 * 9);
        // The middles of the samples that were there.
        assert!((fine[1 + 12] - 0.0).abs() < 1e-5 && (fine[4 + 4 * 12] - 11.0).abs() < 1e-5);
        assert!((fine[5 + 4 * 12] - 11.333_333).abs() < 1e-4);
    }
}
