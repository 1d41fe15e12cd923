//! Holes in the residue where the artwork has none: worn, or made?
//!
//! Where the residue shows is estimated spot by spot: what the photo shows over what it would show
//! if nothing had gone, both through the filter that is best against the cloth's noise (Wiener
//! 1949). Spots that show little hang together in patches; opened by a disc
//! (Serra 1982, chapter II), so that a hole and the wear beside it come apart, a patch that was
//! made is large, full-bodied or long, clear of the artwork's edge, sharp (the residue beside it is
//! whole), has the rim that the emblem's own edge has, if it has one, and has no equal among the
//! patches that wear has left elsewhere. Wear is ragged, thins out, and comes in all sizes. What is no
//! hole but only a drawing leaves besides: long thin lines, straight edges of lettering that face each
//! other, slots through the strokes, small marks in a row, openings that lie a little elsewhere, and
//! arcs.

mod arcs;
mod bands;
mod elsewhere;
mod lettering;
mod lines;
mod moved;
mod presence;
mod rim;
mod slots;

use imageproc::geometry::contour_area;
use rayon::prelude::*;

use crate::align::{Aligner, Alignment, Drawing};
use crate::shape::Spot;
use crate::structure::{connected, hull};

use elsewhere::Elsewhere;
use presence::{Presence, disc};
use rim::Rim;

/// Holes touch the artwork's edge where they come nearer to it than this,
const CLEARANCE_MM: f64 = 0.7;
/// and are not looked at when they do so along this share of their own edge.
const TOUCHING_MAX: f64 = 0.2;
/// Least share of the artwork's area that a hole must have to be looked at.
const SHARE_MIN: f64 = 0.003;
/// Depth given to samples far outside the artwork.
const FAR_OUT_MM: f64 = -5.0;

/// How finely holes are looked at, and how much their shapes say: the log odds of a hole being made
/// are linear in them.
///
/// Fitted to painted scenes (logistic regression; Cox 1958), in which one hole in five was made.
struct Look {
    /// What is smaller than this is smoothed away (standard deviation),
    smooth_mm: f64,
    /// and necks narrower than twice this are cut.
    neck_mm: f64,
    /// What shows less than one of these shares has gone. A hole that was made has an edge and is the
    /// same at each; wear beside it, which thins out, is not.
    gone_below: &'static [f32],
    /// Whether what only a drawing leaves shows in it: [`lines`], [`bands`], [`slots`], [`lettering`],
    /// [`moved`], [`arcs`].
    shows_edges: bool,
    at_one_per_cent: f64,
    per_doubled_area: f64,
    per_solidity: f64,
    per_doubled_length: f64,
    per_torn: f64,
}

const LOOKS: [Look; 2] = [
    Look {
        smooth_mm: 0.2,
        neck_mm: lines::NECK_MM,
        gone_below: &[0.35, 0.2],
        shows_edges: true,
        at_one_per_cent: -25.3,
        per_doubled_area: 0.94,
        per_solidity: 28.5,
        per_doubled_length: 2.5,
        per_torn: -25.0,
    },
    // For faint residue, whose small holes are noise.
    Look {
        smooth_mm: 0.9,
        neck_mm: 1.0,
        gone_below: &[0.5],
        shows_edges: false,
        at_one_per_cent: -31.2,
        per_doubled_area: 1.66,
        per_solidity: 32.7,
        per_doubled_length: -0.42,
        per_torn: -9.1,
    },
];

/// Log odds before a hole is looked at, in the scenes that the looks were fitted to.
const PRIOR: f64 = -1.5;
/// How much a hole's body, what shows beside it and its lead over other patches say together:
/// log odds again.
///
/// Fitted likewise, to 74 made and 577 worn holes of other scenes. The two judgements miss different
/// holes: the more suspicious one counts, but that by shape not where larger patches have gone all
/// about.
const AT_ONE_PER_CENT: f64 = -24.4;
const PER_DOUBLED_AREA: f64 = 1.0;
const PER_SOLIDITY: f64 = 16.8;
const PER_BESIDE: f64 = 10.3;
const PER_DOUBLED_LEAD: f64 = 1.0;
const SHAPE_ALONE: f64 = 2.5;
/// Holes of more than that share of the artwork were not among them, nor many with more lead: more of
/// either says no more. A ragged quarter of a large emblem is worn.
const SHARE_TELLING_MAX: f64 = 0.07;
const LEAD_TELLING_MAX: f64 = 8.0;

/// How much it says that a hole touches the artwork's edge: of painted holes that hardly do, two in
/// five worn ones touch it along a tenth of their own edge or more, and one in eight made ones.
const PER_TOUCHING: f64 = -9.0;

/// The edges of what shows less than this share are an emblem's, if any.
const EDGES_BELOW: f32 = 0.5;
/// Log odds of what only a drawing leaves.
const DRAWN: f64 = 3.0;

/// Two holes are alike when area and length-to-width differ by less than this (natural
/// logarithm); as few pairs of worn ones are alike so is the second number the evidence in it.
const ALIKE: f64 = 0.2;
const EVIDENCE_OF_ALIKE: f64 = 1.9;

/// A hole in the residue.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Hole {
    area_mm2: f64,
    /// Area over the artwork's.
    share: f64,
    /// Area, with what lies within it, over that of its convex hull.
    solidity: f64,
    /// Length over width, by its moments.
    elongation: f64,
    /// Share of its edge that lies along the artwork's.
    touching: f64,
    /// Share of its edge at which a neck to other holes was cut.
    torn: f64,
    /// How much of the residue shows just beside it: 1 where all does.
    beside: f64,
    /// Area over that of the largest patch that has gone elsewhere.
    lead: f64,
    /// Log odds of being made by the rim about it.
    by_rim: f64,
    /// Its middle, in samples of the region.
    middle: [f64; 2],
}

impl Look {
    /// By both judgements, the artwork's edge and the rim.
    fn log_odds(&self, hole: &Hole) -> f64 {
        let by_surroundings = hole.by_surroundings();
        let by_shape = self.by_shape(hole).min(by_surroundings + SHAPE_ALONE);
        let judged = by_shape.max(by_surroundings);
        judged + PER_TOUCHING * hole.touching + hole.by_rim
    }

    /// What looks most like made, in what is `seen`.
    fn worst(&self, mut seen: Presence, artwork_mm2: f64) -> Worst {
        let disc = disc(self.neck_mm / seen.pitch_mm);
        let mut worst = NOTHING;
        for share in self.gone_below {
            seen.part_at(*share);
            let core = seen.core(&disc);
            let holes = seen.holes(&core, &disc, artwork_mm2);
            let made = self.most_suspicious(&holes);
            if let Some((odds, hole)) = made.filter(|(odds, _)| *odds > worst.0) {
                worst = (odds, hole.area_mm2, Some(hole.middle));
            }
        }
        if self.shows_edges && worst.0 < DRAWN {
            seen.part_at(EDGES_BELOW);
            let core = seen.core(&disc);
            let drawn = lines::drawn(&seen, &core)
                .or_else(|| bands::drawn(&seen))
                .or_else(|| slots::drawn(&seen))
                .or_else(|| lettering::drawn(&seen))
                .or_else(|| moved::drawn(&seen))
                .or_else(|| arcs::drawn(&seen));
            if let Some(drawn) = drawn {
                worst = (DRAWN, drawn.area_mm2, Some(seen.place(drawn.sample)));
            }
        }
        worst
    }

    /// The hole that looks most like made, and its log odds, its twins' counted in.
    fn most_suspicious<'a>(&self, holes: &'a [Hole]) -> Option<(f64, &'a Hole)> {
        let judged = holes.iter().enumerate().map(|(i, hole)| {
            let own = self.log_odds(hole);
            let twins = holes[..i]
                .iter()
                .filter(|other| hole.is_like(other))
                .map(|other| own + self.log_odds(other) - PRIOR + EVIDENCE_OF_ALIKE);
            (twins.fold(own, f64::max), hole)
        });
        judged.max_by(|a, b| a.0.total_cmp(&b.0))
    }

    fn by_shape(&self, hole: &Hole) -> f64 {
        self.at_one_per_cent
            + self.per_doubled_area * (100.0 * hole.share).log2()
            + self.per_solidity * hole.solidity
            + self.per_doubled_length * hole.elongation.log2()
            + self.per_torn * hole.torn
    }
}

impl Hole {
    fn by_surroundings(&self) -> f64 {
        AT_ONE_PER_CENT
            + PER_DOUBLED_AREA * (100.0 * self.share.min(SHARE_TELLING_MAX)).log2()
            + PER_SOLIDITY * self.solidity
            + PER_BESIDE * self.beside
            + PER_DOUBLED_LEAD * self.lead.min(LEAD_TELLING_MAX).log2()
    }

    fn is_like(&self, other: &Self) -> bool {
        (self.area_mm2 / other.area_mm2).ln().abs() < ALIKE
            && (self.elongation / other.elongation).ln().abs() < ALIKE
    }
}

/// The most suspicious hole.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Suspect {
    /// Probability that it was made.
    pub(crate) probability: f64,
    pub(crate) area_mm2: f64,
    /// Its middle, on the shape.
    pub(crate) at: Option<Spot>,
}

/// Log odds of being made, area in square millimetres, middle in samples of the region.
type Worst = (f64, f64, Option<[f64; 2]>);

const NOTHING: Worst = (f64::NEG_INFINITY, 0.0, None);

/// A figure without residue that is no hole.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Drawn {
    area_mm2: f64,
    /// A sample of it, on the finer grid.
    sample: usize,
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
    let depth: Vec<f32> = aligner
        .depths_mm(&alignment.pose, near)
        .into_iter()
        // Enlarged below, which bears no infinity.
        .map(|d| d.max(FAR_OUT_MM) as f32)
        .collect();
    let seen = LOOKS.par_iter().map(|look| {
        let seen = Presence::estimate(aligner, alignment, drawing, &depth, look.smooth_mm);
        look.worst(seen, artwork_mm2)
    });
    let seen: Vec<Worst> = seen.collect();
    // Of equals the finer one.
    let worst = seen.into_iter().rev().max_by(|a, b| a.0.total_cmp(&b.0));
    let (odds, area_mm2, middle) = worst.unwrap_or(NOTHING);
    middle.map_or_else(Suspect::default, |middle| {
        let [i, j] = middle.map(|v| v.round() as usize);
        let (u, v) = aligner.spot_of(&alignment.pose, j * grid.width + i);
        Suspect {
            probability: (1.0 + (-odds).exp()).recip(),
            area_mm2,
            at: Some([u, v]),
        }
    })
}

impl Presence {
    /// Holes whose necks have been cut, clear of the artwork's edge. Their `core` are the samples
    /// about which everything has gone as far as `disc` reaches.
    fn holes(&self, core: &[bool], disc: &[(isize, isize)], artwork_mm2: f64) -> Vec<Hole> {
        let elsewhere = Elsewhere::of(self);
        let rim = Rim::of(self);
        let mut owner = vec![0usize; self.gone.len()];
        connected(self.width, self.height, &|k| core[k])
            .into_iter()
            .enumerate()
            .filter_map(|(i, patch)| {
                let mut opened = Vec::with_capacity(2 * patch.len());
                for &k in &patch {
                    for n in self.around(k, disc).flatten() {
                        if self.gone[n] && owner[n] != i + 1 {
                            owner[n] = i + 1;
                            opened.push(n);
                        }
                    }
                }
                let member = |k| owner[k] == i + 1;
                let mut hole = self.describe(&opened, artwork_mm2, &member);
                let ring = self.ring(&opened, &member);
                let rim = rim.as_ref().and_then(|rim| rim.log_odds(self, &ring));
                hole.beside = self.beside(&ring);
                hole.by_rim = rim.unwrap_or(0.0);
                hole.lead = hole.area_mm2 / elsewhere.largest_mm2(patch[0]);
                (hole.share >= SHARE_MIN && hole.touching < TOUCHING_MAX).then_some(hole)
            })
            .collect()
    }

    /// Samples of the emblem that a patch goes all round.
    fn islands(&self, patch: &[usize], member: &dyn Fn(usize) -> bool) -> f64 {
        let [columns, rows] = self.spans(patch);
        let (width, height) = (columns.len(), rows.len());
        let sample = |k: usize| (rows.start + k / width) * self.width + columns.start + k % width;
        let leads_out = |&k: &usize| {
            let (i, j) = (k % width, k / width);
            let at_end = i == 0 || j == 0 || i + 1 == width || j + 1 == height;
            at_end || self.depth[sample(k)] <= 0.0
        };
        connected(width, height, &|k| !member(sample(k)))
            .iter()
            .filter(|other| !other.iter().any(leads_out))
            .map(|island| island.len() as f64)
            .sum()
    }

    fn describe(&self, patch: &[usize], artwork_mm2: f64, member: &dyn Fn(usize) -> bool) -> Hole {
        const SIDES: [(isize, isize); 4] = [(-1, 0), (1, 0), (0, -1), (0, 1)];
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
            solidity: (n + self.islands(patch, member)) / contour_area(&hull(patch, self.width)),
            elongation: ((half + apart) / (half - apart)).sqrt(),
            touching: at_edge as f64 / sides.max(1) as f64,
            torn: cut as f64 / sides.max(1) as f64,
            beside: 0.0,
            lead: 1.0,
            by_rim: 0.0,
            middle: middle.map(|v| v / self.finer as f64),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(super) const SIDE: usize = 200;
    const NECK_MM: f64 = 0.6;
    const ARTWORK_MM2: f64 = 1500.0;

    fn holes(gone: &dyn Fn(f64, f64) -> bool) -> Vec<Hole> {
        let seen = presence(gone);
        let disc = super::disc(NECK_MM / seen.pitch_mm);
        seen.holes(&seen.core(&disc), &disc, ARTWORK_MM2)
    }

    /// A solid whose edge runs along the left side of the picture.
    pub(super) fn presence(gone: &dyn Fn(f64, f64) -> bool) -> Presence {
        let pitch_mm = 0.15;
        let place = |k: usize| [k % SIDE, k / SIDE].map(|v| pitch_mm * v as f64);
        Presence {
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
        }
    }

    /// In a solid 30 mm square, what lies between two edges has gone.
    pub(super) fn gone_between(lower: impl Fn(f64) -> f64, upper: impl Fn(f64) -> f64) -> Presence {
        presence(&|u, v| v > lower(u) && v < upper(u))
    }

    fn disc(x: f64, y: f64, r: f64) -> impl Fn(f64, f64) -> bool {
        move |u, v| (u - x).hypot(v - y) < r
    }

    #[test]
    fn straight_slots_are_drawn_and_ragged_or_short_ones_are_not() {
        let slanted = |u: f64| 10.0 + 0.2 * u;
        let straight = gone_between(slanted, |u| slanted(u) + 2.0);
        let ragged = gone_between(
            |u| slanted(u) + 0.9 * (1.7 * u).sin(),
            |u| slanted(u) + 2.0 + (2.3 * u).cos(),
        );
        let short = |end: f64| presence(&|u, v| u < end && (v - 12.0).abs() < 1.0);
        for drawn in [bands::drawn, slots::drawn] {
            let slot = drawn(&straight).expect("a slot");
            assert!((slot.area_mm2 / 60.0 - 1.0).abs() < 0.2, "{slot:?}");
            assert_eq!(drawn(&ragged), None);
            assert_eq!(drawn(&short(6.0)), None);
            assert!(drawn(&short(12.0)).is_some());
        }
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
        let speck = disc(15.5, 12.0, 1.0);
        let specked = holes(&|u, v| disc(15.0, 12.0, 4.0)(u, v) && !speck(u, v));
        assert!(specked[0].solidity > 0.95, "{specked:?}");
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
    fn full_bodied_large_or_long_holes_look_made() {
        let hole = |share, solidity, elongation| Hole {
            area_mm2: share * ARTWORK_MM2,
            share,
            solidity,
            elongation,
            touching: 0.0,
            torn: 0.0,
            beside: 0.9,
            lead: 1.0,
            by_rim: 0.0,
            middle: [0.0; 2],
        };
        let look = &LOOKS[0];
        let made = [(0.01, 0.95, 1.0), (0.04, 0.9, 1.0), (0.01, 0.8, 4.0)];
        let worn = [(0.01, 0.8, 1.0), (0.04, 0.7, 1.3), (0.004, 0.9, 1.2)];
        assert!(
            made.iter()
                .all(|&(a, s, l)| look.by_shape(&hole(a, s, l)) > 0.0)
        );
        assert!(
            worn.iter()
                .all(|&(a, s, l)| look.by_shape(&hole(a, s, l)) < 0.0)
        );
        let torn = Hole {
            torn: 0.2,
            ..hole(0.01, 0.95, 1.0)
        };
        assert!(look.by_shape(&torn) < 0.0);
        assert!(hole(0.01, 0.9, 1.0).is_like(&hole(0.011, 0.8, 1.1)));
        assert!(!hole(0.01, 0.9, 1.0).is_like(&hole(0.014, 0.9, 1.0)));
    }

    #[test]
    fn full_bodied_sharp_holes_without_equals_look_made() {
        let hole = |share, solidity, beside, lead| Hole {
            area_mm2: share * ARTWORK_MM2,
            share,
            solidity,
            elongation: 1.0,
            touching: 0.0,
            torn: 0.0,
            beside,
            lead,
            by_rim: 0.0,
            middle: [0.0; 2],
        };
        let made = [(0.01, 0.97, 0.85, 2.0), (0.04, 0.92, 0.8, 8.0)];
        let worn = [
            (0.01, 0.8, 0.85, 2.0),
            (0.01, 0.97, 0.6, 2.0),
            (0.01, 0.97, 0.85, 0.2),
            (0.003, 0.95, 0.8, 0.5),
        ];
        let odds = |&(area, solidity, beside, lead): &(f64, f64, f64, f64)| {
            hole(area, solidity, beside, lead).by_surroundings()
        };
        assert!(made.iter().all(|h| odds(h) > 0.0), "{made:?}");
        assert!(worn.iter().all(|h| odds(h) < 0.0), "{worn:?}");
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
