//! Holes in the residue where the artwork has none: worn, or made?
//!
//! Where the residue shows is estimated spot by spot: what the photo shows over what it would show
//! if nothing had gone, both through the filter that is best against the cloth's noise (Wiener
//! 1949). Spots that show less than half hang together in patches; opened by a disc
//! (Serra 1982, chapter II), so that a hole and the wear beside it come apart, a patch that was
//! made is large, full-bodied or long, clear of the artwork's edge, sharp (the residue beside it is
//! whole), has no equal among the patches that wear has left elsewhere, its edge runs smoothly for
//! longer than theirs, and it is its own mirror image. Wear is ragged, thins out, and comes in all
//! sizes.

use std::collections::BTreeSet;

use crate::align::{Aligner, Alignment, Drawing};
use crate::hole::Hole;
use crate::made::{Edges, Ground};
use crate::pose::BLEED;
use crate::shape::Spot;
use crate::structure::{connected, enlarged, full_contrast, hull_area};

/// Spots that show less than this share of what the residue shows elsewhere are holes.
const GONE: f32 = 0.5;
/// Holes touch the artwork's edge where they come nearer to it than this,
const CLEARANCE_MM: f64 = 0.7;
/// and are not looked at when they do so along this share of their own edge.
const TOUCHING_MAX: f64 = 0.2;
/// Least share of the artwork's area that a hole must have to be looked at.
const SHARE_MIN: f64 = 0.003;
/// Patches are cut out of a grid about as fine as this, so that their edges are not steps.
const FINENESS_MM: f64 = 0.15;
const FINER_MAX: usize = 4;

/// What is smaller than this is smoothed away (standard deviation),
const SMOOTH_MM: f64 = 0.2;
/// and necks narrower than twice this are cut.
const NECK_MM: f64 = 0.6;

/// The most suspicious hole.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Suspect {
    /// Probability that it was made.
    pub(crate) probability: f64,
    pub(crate) area_mm2: f64,
    /// Its middle, on the shape.
    pub(crate) at: Option<Spot>,
}

/// Looks for holes in the residue and says which looks most like made.
pub(crate) fn suspect(
    aligner: &Aligner<'_>,
    alignment: &Alignment,
    near: &[(usize, usize)],
    drawing: &Drawing,
) -> Suspect {
    let grid = &aligner.region.grid;
    let covered: f64 = drawing.cover.iter().map(|c| f64::from(*c)).sum();
    let artwork_mm2 = covered * grid.pitch_mm * grid.pitch_mm;
    let depth = depths(aligner, alignment, near);
    let seen = Presence::estimate(aligner, alignment, drawing, &depth);
    let holes = seen.holes(artwork_mm2);
    let worst = Hole::most_suspicious(&holes);
    worst.map_or_else(Suspect::default, |(log_odds, hole)| {
        let [i, j] = hole.middle.map(|v| v.round() as usize);
        let (u, v) = aligner.spot_of(&alignment.pose, j * grid.width + i);
        Suspect {
            probability: (1.0 + (-log_odds).exp()).recip(),
            area_mm2: hole.area_mm2,
            at: Some([u, v]),
        }
    })
}

/// The neighbours across a sample's sides.
const SIDES: [(isize, isize); 4] = [(-1, 0), (1, 0), (0, -1), (0, 1)];

/// Millimetres inside the residue's edge, negative outside, at every sample of the region.
fn depths(aligner: &Aligner<'_>, alignment: &Alignment, near: &[(usize, usize)]) -> Vec<f32> {
    const FAR_OUT_MM: f32 = -5.0;
    let mut depth = vec![FAR_OUT_MM; aligner.region.grid.len()];
    for &(k, _) in near {
        let (u, v) = aligner.spot_of(&alignment.pose, k);
        if let Some((d, _)) = aligner.distance.at(u, v) {
            depth[k] = (d * alignment.pose.size_mm() + alignment.pose.0[BLEED]) as f32;
        }
    }
    depth
}

/// How much of the residue shows, on a finer grid than the region's.
struct Presence {
    width: usize,
    height: usize,
    pitch_mm: f64,
    /// Samples for one of the region's.
    finer: usize,
    gone: Vec<bool>,
    /// Share of the residue that shows, 1 where all does.
    share: Vec<f32>,
    depth: Vec<f32>,
    cloth: Vec<f32>,
}

impl Presence {
    fn estimate(
        aligner: &Aligner<'_>,
        alignment: &Alignment,
        drawing: &Drawing,
        depth: &[f32],
    ) -> Self {
        /// What has gone hangs together over this length, or so many samples.
        const LENGTH_MM: f64 = 2.0;
        const LENGTH_SAMPLES: f64 = 3.0;
        let region = aligner.region;
        let grid = &region.grid;
        let contrast = full_contrast(alignment) as f32;
        let model: Vec<f32> = drawing.cover.iter().map(|c| c * contrast).collect();
        let length = LENGTH_MM.max(LENGTH_SAMPLES * grid.pitch_mm);
        let spread = 0.5 * f64::from(contrast.abs());
        let [seen, full] = region.seen_alike(&model, spread, length, SMOOTH_MM);
        let [seen, full] =
            [seen, full].map(|v| v.iter().map(|v| v / contrast).collect::<Vec<f32>>());
        let share = shown(&seen, &full, depth);
        let finer = ((grid.pitch_mm / FINENESS_MM).round() as usize).clamp(1, FINER_MAX);
        let (width, height) = (grid.width * finer, grid.height * finer);
        let fine = |plane: &[f32]| enlarged(plane, grid.width, grid.height, finer);
        let (share, depth, cloth) = (fine(&share), fine(depth), fine(&region.cloth));
        let whole = whole(&share, &depth);
        let share: Vec<f32> = share.iter().map(|s| s / whole).collect();
        let gone = (0..share.len())
            .map(|k| share[k] < GONE && depth[k] > 0.0 && cloth[k] > 0.5)
            .collect();
        Self {
            width,
            height,
            pitch_mm: grid.pitch_mm / finer as f64,
            finer,
            gone,
            share,
            depth,
            cloth,
        }
    }

    /// Holes whose necks have been cut, clear of the artwork's edge.
    fn holes(&self, artwork_mm2: f64) -> Vec<Hole> {
        let disc = disc(NECK_MM / self.pitch_mm);
        let core: Vec<bool> = (0..self.gone.len())
            .map(|k| {
                self.gone[k]
                    && self
                        .around(k, &disc)
                        .all(|n| n.is_some_and(|n| self.gone[n]))
            })
            .collect();
        let elsewhere = Elsewhere::of(self);
        let edges = self.edges();
        let mut owner = vec![0usize; self.gone.len()];
        connected(self.width, self.height, &|k| core[k])
            .into_iter()
            .enumerate()
            .filter_map(|(i, patch)| {
                let mut opened = Vec::with_capacity(2 * patch.len());
                for &k in &patch {
                    for n in self.around(k, &disc).flatten() {
                        if self.gone[n] && owner[n] != i + 1 {
                            owner[n] = i + 1;
                            opened.push(n);
                        }
                    }
                }
                let member = |k: usize| owner[k] == i + 1;
                let mut hole = self.describe(&opened, artwork_mm2, &member);
                if hole.share < SHARE_MIN || hole.touching >= TOUCHING_MAX {
                    return None;
                }
                hole.lead = hole.area_mm2 / elsewhere.largest_mm2(patch[0]);
                hole.beside = self.beside(&opened, &member);
                hole.symmetry = self.symmetry(&opened, &member);
                let sides = opened.iter().flat_map(|&k| {
                    let open = self.around(k, &SIDES).filter(|n| !n.is_some_and(member));
                    open.map(move |_| k)
                });
                hole.run = edges.longest_run(sides);
                Some(hole)
            })
            .collect()
    }

    /// The smooth runs of the edge of what has gone.
    fn edges(&self) -> Edges {
        /// Stand for residue that is there, where none can be missing.
        const UNSEEN: f32 = -0.5;
        const OUTSIDE: f32 = -1.5;
        let gone = (0..self.gone.len()).map(|k| match (self.depth[k] > 0.0, self.cloth[k] > 0.5) {
            (true, true) => GONE - self.share[k],
            (true, false) => UNSEEN,
            (false, _) => OUTSIDE,
        });
        Edges::of(&Ground {
            gone: &gone.collect::<Vec<f32>>(),
            depth: &self.depth,
            width: self.width,
            pitch_mm: self.pitch_mm,
            resolved_mm: self.pitch_mm * self.finer as f64,
        })
    }

    /// Samples about `k`, `None` beyond the grid.
    fn around<'a>(
        &self,
        k: usize,
        disc: &'a [(isize, isize)],
    ) -> impl Iterator<Item = Option<usize>> + use<'a> {
        let (width, height) = (self.width, self.height);
        let (i, j) = (k % width, k / width);
        disc.iter().map(move |&(di, dj)| {
            let (i, j) = (i.checked_add_signed(di)?, j.checked_add_signed(dj)?);
            (i < width && j < height).then_some(j * width + i)
        })
    }

    fn describe(&self, patch: &[usize], artwork_mm2: f64, member: &dyn Fn(usize) -> bool) -> Hole {
        let n = patch.len() as f64;
        let place = |k: usize| [(k % self.width) as f64, (k / self.width) as f64];
        let middle = [0, 1].map(|c| patch.iter().map(|&k| place(k)[c]).sum::<f64>() / n);
        let (mut sides, mut at_edge, mut cut) = (0usize, 0usize, 0usize);
        // A sample's own extent keeps thin patches from having no width.
        let (mut xx, mut xy, mut yy) = (1.0 / 12.0, 0.0, 1.0 / 12.0);
        for &k in patch {
            for n in self.around(k, &SIDES).filter(|n| !n.is_some_and(member)) {
                sides += 1;
                at_edge += usize::from(f64::from(self.depth[k]) < CLEARANCE_MM);
                cut += usize::from(n.is_some_and(|n| self.gone[n]));
            }
            let [x, y] = [0, 1].map(|c| place(k)[c] - middle[c]);
            (xx, xy, yy) = (xx + x * x / n, xy + x * y / n, yy + y * y / n);
        }
        let (half, apart) = (0.5 * (xx + yy), (0.5 * (xx - yy)).hypot(xy));
        let area_mm2 = n * self.pitch_mm * self.pitch_mm;
        Hole {
            area_mm2,
            share: area_mm2 / artwork_mm2.max(1e-9),
            solidity: n / hull_area(patch, self.width),
            elongation: ((half + apart) / (half - apart)).sqrt(),
            touching: at_edge as f64 / sides.max(1) as f64,
            torn: cut as f64 / sides.max(1) as f64,
            beside: 1.0,
            lead: 1.0,
            run: 1.0,
            symmetry: 1.0,
            middle: middle.map(|v| v / self.finer as f64),
        }
    }
}

impl Presence {
    /// How much of the residue shows just beside a patch, 0 to 1: not so near that its own edge
    /// blurs it.
    fn beside(&self, patch: &[usize], member: &dyn Fn(usize) -> bool) -> f64 {
        const RING_MM: [f64; 2] = [0.3, 0.9];
        const INSIDE_MM: f32 = 0.4;
        let sides = disc(1.0);
        let edge = || {
            let open = |&k: &usize| self.around(k, &sides).any(|n| !n.is_some_and(member));
            patch.iter().copied().filter(open)
        };
        let [near, far] = RING_MM.map(|mm| {
            let disc = disc(mm / self.pitch_mm + 0.5);
            let reached: BTreeSet<usize> = edge()
                .flat_map(|k| self.around(k, &disc).flatten().collect::<Vec<_>>())
                .collect();
            reached
        });
        let ring: Vec<f64> = far
            .difference(&near)
            .filter(|&&k| !member(k) && self.depth[k] > INSIDE_MM && self.cloth[k] > 0.5)
            .map(|&k| f64::from(self.share[k].clamp(0.0, 1.0)))
            .collect();
        if ring.is_empty() {
            return f64::from(GONE);
        }
        ring.iter().sum::<f64>() / ring.len() as f64
    }
}

impl Presence {
    /// How much of a patch and its mirror image covers both, 0 to 1, about the best axis through
    /// its middle.
    fn symmetry(&self, patch: &[usize], member: &dyn Fn(usize) -> bool) -> f64 {
        const AXES: u32 = 30;
        const LOOKED_AT: usize = 1500;
        let place = |k: usize| [(k % self.width) as f64, (k / self.width) as f64];
        let n = patch.len() as f64;
        let middle = [0, 1].map(|c| patch.iter().map(|&k| place(k)[c]).sum::<f64>() / n);
        let some = patch.iter().step_by(patch.len().div_ceil(LOOKED_AT).max(1));
        let some: Vec<[f64; 2]> = some
            .map(|&k| [0, 1].map(|c| place(k)[c] - middle[c]))
            .collect();
        let height = self.gone.len() / self.width;
        let covered = |axis: u32| {
            let (sin, cos) = (std::f64::consts::TAU * f64::from(axis) / f64::from(AXES)).sin_cos();
            let is_in = |&&[x, y]: &&[f64; 2]| {
                let u = (middle[0] + cos * x + sin * y).round();
                let v = (middle[1] + sin * x - cos * y).round();
                let inside = u >= 0.0 && v >= 0.0 && u < self.width as f64 && v < height as f64;
                inside && member(v as usize * self.width + u as usize)
            };
            some.iter().filter(is_in).count()
        };
        let both = (0..AXES).map(covered).max().unwrap_or(0) as f64;
        both / (2.0 * some.len() as f64 - both).max(1.0)
    }
}

/// The patches that have gone, and the two largest of them.
struct Elsewhere {
    patch_of: Vec<usize>,
    largest: [(usize, f64); 2],
}

impl Elsewhere {
    fn of(seen: &Presence) -> Self {
        let patches = connected(seen.width, seen.height, &|k| seen.gone[k]);
        let mut patch_of = vec![usize::MAX; seen.gone.len()];
        let mut largest = [(usize::MAX, 0.0); 2];
        for (i, patch) in patches.iter().enumerate() {
            for &k in patch {
                patch_of[k] = i;
            }
            let area = patch.len() as f64 * seen.pitch_mm * seen.pitch_mm;
            if area > largest[0].1 {
                largest = [(i, area), largest[0]];
            } else if area > largest[1].1 {
                largest[1] = (i, area);
            }
        }
        Self { patch_of, largest }
    }

    /// Area of the largest patch but the one that `k` is in; specks count as one.
    fn largest_mm2(&self, k: usize) -> f64 {
        const SPECK_MM2: f64 = 1.0;
        let [first, second] = self.largest;
        let other = if first.0 == self.patch_of[k] {
            second
        } else {
            first
        };
        other.1.max(SPECK_MM2)
    }
}

/// Share of the residue that shows at each sample: what is `seen` of what would be seen were it
/// `full`, both in contrasts.
///
/// Deep inside a large emblem little would, since its mean goes with the light; there what lacks is
/// compared with what shows elsewhere.
fn shown(seen: &[f32], full: &[f32], depth: &[f32]) -> Vec<f32> {
    const DEEP_MM: f32 = 3.0;
    const FLATTENED: f32 = 0.5;
    /// What shows less could not be seen even where residue is.
    const VISIBLE: f32 = 0.15;
    const QUANTILE: f64 = 0.9;
    let mut inside: Vec<f32> = full
        .iter()
        .zip(depth)
        .filter(|(_, d)| **d > 0.0)
        .map(|(f, _)| *f)
        .collect();
    inside.sort_unstable_by(f32::total_cmp);
    let usual = inside.get((QUANTILE * inside.len() as f64) as usize);
    let usual = usual.map_or(1.0, |usual| usual.max(VISIBLE));
    let of = |((s, f), d): ((&f32, &f32), &f32)| {
        if *d > DEEP_MM && *f < FLATTENED * usual {
            1.0 - (f - s) / usual
        } else {
            s / f.max(VISIBLE)
        }
    };
    seen.iter().zip(full).zip(depth).map(of).collect()
}

/// What residue shows that has not gone, away from its edges, along which glue may be thicker.
fn whole(share: &[f32], depth: &[f32]) -> f32 {
    const INSIDE_MM: f32 = 1.0;
    const QUANTILE: f64 = 0.75;
    let mut inside: Vec<f32> = share
        .iter()
        .zip(depth)
        .filter(|(_, d)| **d > INSIDE_MM)
        .map(|(s, _)| *s)
        .collect();
    if inside.is_empty() {
        return 1.0;
    }
    let k = ((QUANTILE * inside.len() as f64) as usize).min(inside.len() - 1);
    let (_, whole, _) = inside.select_nth_unstable_by(k, f32::total_cmp);
    whole.clamp(0.4, 1.2)
}

/// Offsets within `radius` samples.
fn disc(radius: f64) -> Vec<(isize, isize)> {
    let reach = radius as isize;
    (-reach..=reach)
        .flat_map(|j| (-reach..=reach).map(move |i| (i, j)))
        .filter(|&(i, j)| ((i * i + j * j) as f64) <= radius * radius)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIDE: usize = 200;
    const ARTWORK_MM2: f64 = 1500.0;

    /// Holes in a solid whose edge runs along the left side of the picture.
    fn holes(gone: &dyn Fn(f64, f64) -> bool) -> Vec<Hole> {
        let pitch_mm = 0.15;
        let place = |k: usize| [k % SIDE, k / SIDE].map(|v| pitch_mm * v as f64);
        let presence = Presence {
            width: SIDE,
            height: SIDE,
            pitch_mm,
            finer: 1,
            share: (0..SIDE * SIDE)
                .map(|k| f32::from(u8::from(!gone(place(k)[0], place(k)[1]))))
                .collect(),
            gone: (0..SIDE * SIDE)
                .map(|k| gone(place(k)[0], place(k)[1]))
                .collect(),
            depth: (0..SIDE * SIDE).map(|k| place(k)[0] as f32).collect(),
            cloth: vec![1.0; SIDE * SIDE],
        };
        presence.holes(ARTWORK_MM2)
    }

    fn disc(x: f64, y: f64, r: f64) -> impl Fn(f64, f64) -> bool {
        move |u, v| (u - x).hypot(v - y) < r
    }

    #[test]
    fn discs_and_slots_are_measured() {
        let seen = holes(&disc(15.0, 12.0, 3.0));
        assert_eq!(seen.len(), 1);
        let area = std::f64::consts::PI * 9.0;
        assert!((seen[0].area_mm2 / area - 1.0).abs() < 0.02);
        assert!((seen[0].share - area / ARTWORK_MM2).abs() < 0.001);
        assert!(
            seen[0].solidity > 0.95 && seen[0].torn < 1e-9 && (seen[0].beside - 1.0).abs() < 1e-6
        );
        assert!((seen[0].elongation - 1.0).abs() < 0.01);
        assert!((seen[0].middle[0] - 100.0).abs() < 0.1);
        let slot = holes(&|u, v| (u - 15.0).abs() < 5.0 && (v - 15.0).abs() < 1.25);
        assert!((slot[0].elongation - 4.0).abs() < 0.1);
        assert!(slot[0].solidity > 0.97);
    }

    #[test]
    fn a_hole_and_the_wear_beside_it_come_apart() {
        let (hole, wear) = (disc(10.0, 15.0, 3.0), disc(20.0, 15.0, 2.5));
        let strip = |u: f64, v: f64| (10.0..20.0).contains(&u) && (v - 15.0).abs() < 0.5;
        let seen = holes(&|u, v| hole(u, v) || wear(u, v) || strip(u, v));
        assert_eq!(seen.len(), 2);
        assert!(
            seen.iter()
                .all(|h| h.solidity > 0.9 && h.torn > 0.02 && h.beside < 1.0),
            "{seen:?}"
        );
        assert_eq!(holes(&disc(2.0, 15.0, 3.0)).len(), 0, "it touches the edge");
    }

    #[test]
    fn smooth_edges_look_made_and_ragged_ones_worn() {
        // Both have the same area, nearly the same body and clean surroundings.
        let square = |u: f64, v: f64| (u - 15.0).abs().max((v - 15.0).abs()) < 3.0;
        let ragged = |u: f64, v: f64| {
            let wave = |t: f64| 0.3 * (4.0 * t).sin() + 0.2 * (9.0 * t + 1.0).sin();
            (u - 15.0).abs() < 3.0 + wave(v) && (v - 15.0).abs() < 3.0 + wave(u + 2.0)
        };
        let [smooth, worn] = [holes(&square), holes(&ragged)].map(|h| h[0]);
        assert!((smooth.share / worn.share - 1.0).abs() < 0.1);
        assert!(smooth.run > 1.7 * worn.run, "{smooth:?} {worn:?}");
        let odds = |hole| Hole::most_suspicious(&[hole]).map_or(0.0, |h| h.0);
        assert!(odds(smooth) > odds(worn) + 2.0);
    }

    #[test]
    fn discs_and_triangles_are_symmetric_and_bent_holes_are_not() {
        let triangle = |u: f64, v: f64| v > 10.0 && (u - 15.0).abs() < 0.5 * (18.0 - v);
        let hook = |u: f64, v: f64| {
            (10.0..18.0).contains(&u) && (10.0..12.0).contains(&v)
                || (16.0..18.0).contains(&u) && (10.0..15.0).contains(&v)
        };
        let of = |gone: &dyn Fn(f64, f64) -> bool| holes(gone)[0].symmetry;
        assert!(of(&disc(15.0, 12.0, 3.0)) > 0.95);
        assert!(of(&triangle) > 0.93);
        assert!(of(&hook) < 0.75);
    }

    #[test]
    fn what_has_gone_elsewhere_is_compared() {
        let (hole, wear) = (disc(10.0, 15.0, 3.0), disc(22.0, 15.0, 1.5));
        let seen = holes(&|u, v| hole(u, v) || wear(u, v));
        assert_eq!(seen.len(), 2);
        let [first, second] = [0, 1].map(|i| seen[i].lead);
        assert!((first.max(second) - 4.0).abs() < 0.2, "{seen:?}");
        assert!((first.min(second) - 0.25).abs() < 0.02, "{seen:?}");
    }
}
