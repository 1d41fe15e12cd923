//! Reads the unit from the pattern of tick lengths.
//!
//! Every way of dividing has its own order of long and short ticks: each 5th and 10th for
//! millimetres, each 2nd, 4th, 8th and 16th for sixteenths of an inch. For each of them, and each
//! place it may begin, the lengths are explained by one length a rank plus outliers; the
//! likelihoods are compared, with a penalty for each rank (Schwarz 1978).

use measures::ruler::Reading;
use measures::ruler::RulerUnit::{self, Inch, Mm};
use measures::unit::MM_PER_INCH;

use crate::figures::Places;
use crate::grid::{median, robust_deviation};
use crate::schemes::{Alike, OTHER_RHYTHMS, SCHEMES, Scheme};

/// Share of ticks whose length tells nothing (digits, dirt, glare).
const OUTLIERS: f64 = 0.08;
/// Lengths of outliers spread over this many pitches.
const OUTLIER_RANGE: f64 = 20.0;
/// Ticks of one rank scatter at least this much, in pitches.
const MIN_SCATTER: f64 = 0.06;
/// … and in proportion to their length.
const RELATIVE_SCATTER: f64 = 0.012;
/// A rank must exceed the one below by this much, in pitches and relative to it.
const MIN_STEP_PITCHES: f64 = 0.2;
const MIN_STEP_RELATIVE: f64 = 0.12;
/// Model errors are shared between ticks; likelihood ratios count for this power.
const TEMPER: f64 = 0.5;
/// Weight of the next coarser fraction of an inch where every second mark has no length (judged).
const HALF_UNMEASURED: f64 = 0.5;
/// Figures that run into their ticks make them longer, and all alike. So many ticks of the highest
/// rank, or fewer, may be such, and the scale twice as coarse, with this weight (judged).
const FEW_LONGEST: usize = 3;
const FIGURES_TAKEN_FOR_TICKS: f64 = 0.2;
/// How often a job names another unit than its ruler has (judged).
const JOB_IS_WRONG: f64 = 0.002;
/// Rulers are divided at least so finely: parts of an inch.
const COARSEST: f64 = 8.0;
/// What the lengths say.
#[derive(Clone, Debug)]
pub(crate) struct Verdict {
    /// Readings with their probabilities, the most probable first.
    pub(crate) readings: Vec<Reading>,
    /// ln of how much better the order of ranks explains the lengths than the same lengths in
    /// random order.
    pub(crate) evidence: f64,
    /// Share of the ticks that do not have their rank's length.
    pub(crate) misfits: f64,
    /// ln of how much better it explains them than the best of the rhythms that are no ruler's.
    pub(crate) lead: f64,
    /// Where figures would stand.
    pub(crate) figures_at: Places,
}

struct Explained {
    phase: i32,
    /// Usual length of the ticks next to the longest, in pitches.
    next_longest: f64,
    score: f64,
    evidence: f64,
    misfits: f64,
    scatter: f64,
    /// Geometric mean of the usual lengths of the shortest and the longest ticks, in pitches.
    size: f64,
    /// How surely every second tick of the highest rank is no longer than the others.
    longest_alike: Alike,
    /// Ticks of the highest rank.
    longest: usize,
}

/// How large the marks are, against their pitch.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Look {
    /// Width of a mark.
    pub(crate) width_pitches: f64,
    /// Width that a very thin mark would have.
    pub(crate) blur_pitches: f64,
}

/// Reads `lengths` (index, length in pitches) of marks of this look. `unit` is what the job says,
/// if anything.
/// `None` when no order of ranks is seen.
pub(crate) fn read(lengths: &[(i32, f64)], look: Look, unit: Option<RulerUnit>) -> Option<Verdict> {
    let explained: Vec<(&Scheme, Explained)> = SCHEMES
        .iter()
        .filter_map(|scheme| {
            let period = *scheme.levels.last()?;
            let best = (0..period)
                .filter_map(|phase| explain(lengths, scheme.levels, phase))
                .max_by(|a, b| a.score.total_cmp(&b.score))?;
            Some((scheme, best))
        })
        .collect();
    let top = explained
        .iter()
        .max_by(|a, b| a.1.score.total_cmp(&b.1.score))?;
    let seen = lengths.last()?.0 - lengths.first()?.0;
    let mut weighted: Vec<Reading> = Vec::new();
    for (scheme, e) in &explained {
        let likelihood = (TEMPER * (e.score - top.1.score)).exp();
        for (its_unit, parts, prior) in scheme.meanings(e.longest_alike) {
            let fits_hint = unit.is_none_or(|u| u == its_unit);
            let pitch = pitch_mm(its_unit, parts);
            let usual = usual_look(e.size, look, pitch) * usual_extent(f64::from(seen) * pitch);
            let probability =
                likelihood * prior * usual * if fits_hint { 1.0 } else { JOB_IS_WRONG };
            add(&mut weighted, its_unit, parts, probability);
            if its_unit == Inch && 0.5 * parts >= COARSEST {
                let mut doubt = 0.0;
                if half_unmeasured(lengths) {
                    doubt += HALF_UNMEASURED;
                }
                if e.longest <= FEW_LONGEST {
                    doubt += FIGURES_TAKEN_FOR_TICKS;
                }
                if doubt > 0.0 {
                    add(&mut weighted, Inch, 0.5 * parts, doubt * probability);
                }
            }
        }
    }
    let other = other_rhythm(lengths, top.1.scatter);
    let total: f64 = weighted.iter().map(|r| r.probability).sum();
    for r in &mut weighted {
        r.probability /= total;
    }
    weighted.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    Some(Verdict {
        readings: weighted,
        evidence: top.1.evidence,
        misfits: top.1.misfits,
        lead: top.1.score - other,
        figures_at: Places {
            phase: top.1.phase,
            period: top.0.levels[top.0.levels.len() - 1],
            from_pitches: top.1.next_longest,
        },
    })
}

/// Whether hardly any of every second mark has a length: those there are may be of any rank.
fn half_unmeasured(lengths: &[(i32, f64)]) -> bool {
    const FEW: f64 = 0.3;
    let odd = lengths.iter().filter(|l| l.0.rem_euclid(2) == 1).count();
    let (odd, even) = (odd as f64, (lengths.len() - odd) as f64);
    odd.min(even) < FEW * odd.max(even)
}

fn pitch_mm(unit: RulerUnit, parts: f64) -> f64 {
    match unit {
        Mm => 1.0 / parts,
        Inch => MM_PER_INCH / parts,
    }
}

/// How usual the ticks' size in millimetres would be under a reading, 0 to 1: what tells tenths
/// of an inch, whose ticks are short and thin against their pitch, from millimetres. Between the
/// shortest and the longest, ticks 1 mm apart are about 4.6 mm long, those farther apart a
/// little longer; lines are 0.2 mm wide (common practice, no source).
fn usual_look(size: f64, look: Look, pitch_mm: f64) -> f64 {
    const LENGTH_SPREAD: f64 = 0.35;
    const WIDTH_SPREAD: f64 = 0.5;
    let length = (size * pitch_mm / (4.6 * pitch_mm.powf(0.2))).ln() / LENGTH_SPREAD;
    let expected = (0.2 / pitch_mm).hypot(look.blur_pitches);
    let width = (look.width_pitches.max(0.01) / expected).ln() / WIDTH_SPREAD;
    (-0.5 * (length * length + width * width)).exp()
}

/// How usual a ruler of at least this length is beside a shirt, 0 to 1 (judged): most have a foot
/// or less.
fn usual_extent(seen_mm: f64) -> f64 {
    let beyond = (seen_mm / 320.0).ln().max(0.0) / 0.4;
    (-0.5 * beyond * beyond).exp()
}

/// The best score of the rhythms that are no ruler's.
/// `least_scatter`, that of the ruler's order, keeps a rhythm from gaining by few lengths that
/// happen to agree closely.
fn other_rhythm(lengths: &[(i32, f64)], least_scatter: f64) -> f64 {
    OTHER_RHYTHMS
        .iter()
        .flat_map(|levels| {
            let period = levels.last().copied().unwrap_or(1);
            (0..period).filter_map(|phase| Ranked::of(lengths, levels, phase, least_scatter))
        })
        .map(|r| r.score())
        .fold(f64::NEG_INFINITY, f64::max)
}

fn add(readings: &mut Vec<Reading>, unit: RulerUnit, parts: f64, probability: f64) {
    let pitch_mm = pitch_mm(unit, parts);
    let same = |r: &&mut Reading| r.unit == unit && (r.pitch_mm - pitch_mm).abs() < 1e-9;
    match readings.iter_mut().find(same) {
        Some(r) => r.probability += probability,
        None => readings.push(Reading {
            unit,
            pitch_mm,
            probability,
        }),
    }
}

fn rank(levels: &[i32], position: i32) -> usize {
    levels
        .iter()
        .rposition(|&l| position.rem_euclid(l) == 0)
        .map_or(0, |k| k + 1)
}

/// Lengths sorted by rank, with the usual length and scatter of each.
struct Ranked<'a> {
    lengths: &'a [(i32, f64)],
    levels: &'a [i32],
    phase: i32,
    counts: Vec<usize>,
    means: Vec<f64>,
    /// Scatter of the lengths about their rank's, in pitches, and with what grows with the length.
    scatter: f64,
    scatters: Vec<f64>,
}

impl<'a> Ranked<'a> {
    /// `None` when a rank has too few ticks.
    fn of(
        lengths: &'a [(i32, f64)],
        levels: &'a [i32],
        phase: i32,
        least_scatter: f64,
    ) -> Option<Self> {
        let ranks = levels.len() + 1;
        let mut by_rank: Vec<Vec<f64>> = vec![Vec::new(); ranks];
        for &(i, length) in lengths {
            by_rank[rank(levels, i - phase)].push(length);
        }
        let too_few = by_rank[ranks - 1].len() < 2 || by_rank[0].len() < 3;
        if too_few || by_rank.iter().any(Vec::is_empty) {
            return None;
        }
        let means: Vec<f64> = by_rank.iter().map(|r| median(&mut r.clone())).collect();
        let off: Vec<f64> = lengths
            .iter()
            .map(|&(i, l)| l - means[rank(levels, i - phase)])
            .collect();
        let scatter = robust_deviation(&off).max(least_scatter);
        let scatters = means
            .iter()
            .map(|m| scatter.hypot(RELATIVE_SCATTER * m))
            .collect();
        Some(Self {
            lengths,
            levels,
            phase,
            counts: by_rank.iter().map(Vec::len).collect(),
            means,
            scatter,
            scatters,
        })
    }

    fn rank(&self, index: i32) -> usize {
        rank(self.levels, index - self.phase)
    }

    fn density(&self, length: f64, k: usize) -> f64 {
        let z = (length - self.means[k]) / self.scatters[k];
        (1.0 - OUTLIERS) * (-0.5 * z * z).exp() / (self.scatters[k] * std::f64::consts::TAU.sqrt())
            + OUTLIERS / OUTLIER_RANGE
    }

    /// ln of the lengths' likelihood in this order.
    fn ordered(&self) -> f64 {
        let of = |&(i, l): &(i32, f64)| self.density(l, self.rank(i)).ln();
        self.lengths.iter().map(of).sum()
    }

    /// ln of their likelihood in any order.
    fn mixed(&self) -> f64 {
        let n = self.lengths.len() as f64;
        let of = |&(_, l): &(i32, f64)| {
            let any = |k: usize| self.counts[k] as f64 / n * self.density(l, k);
            (0..self.counts.len()).map(any).sum::<f64>().ln()
        };
        self.lengths.iter().map(of).sum()
    }

    fn score(&self) -> f64 {
        let n = self.lengths.len() as f64;
        let period = f64::from(self.levels[self.levels.len() - 1]);
        self.ordered() - 0.5 * (self.counts.len() as f64 + 1.0) * n.ln() - period.ln()
    }

    /// Each rank is clearly longer than the one below.
    fn rises(&self) -> bool {
        let doubt_of = |k: usize| self.scatters[k].powi(2) / self.counts[k] as f64;
        (1..self.means.len()).all(|k| {
            let doubt = (doubt_of(k) + doubt_of(k - 1)).sqrt();
            let least = MIN_STEP_PITCHES
                .max(MIN_STEP_RELATIVE * self.means[k - 1])
                .max(2.0 * doubt);
            self.means[k] - self.means[k - 1] >= least
        })
    }

    /// Whether the longest ticks, and every second of them, have one length.
    fn longest_alike(&self) -> Alike {
        let top = self.means.len() - 1;
        let period = self.levels[top - 1];
        let mut seen = [0usize; 2];
        let mut agreeing = [0usize; 2];
        for &(i, l) in self.lengths.iter().filter(|l| self.rank(l.0) == top) {
            let side = usize::from((i - self.phase).div_euclid(period).rem_euclid(2) == 1);
            seen[side] += 1;
            if (l - self.means[top]).abs() < 3.5 * self.scatters[top] {
                agreeing[side] += 1;
            }
        }
        let most = (0..2).all(|side| 10 * agreeing[side] >= 6 * seen[side]);
        match agreeing[0].min(agreeing[1]) {
            _ if self.longer_between() => Alike::OneLonger,
            2.. if most => Alike::Surely,
            1 if agreeing == seen && seen[0] + seen[1] > 2 => Alike::Probably,
            _ if self.every_second_is_longer() => Alike::Longer,
            _ if self.one_is_longer() => Alike::OneLonger,
            _ => Alike::Unknown,
        }
    }

    /// Two or more ticks of lower rank are clearly longer than the longest: those may be the next
    /// whole, and the rest of its rank worn.
    fn longer_between(&self) -> bool {
        let top = self.means.len() - 1;
        let least = self.means[top] + MIN_STEP_PITCHES.max(MIN_STEP_RELATIVE * self.means[top]);
        let is_longer = |l: &&(i32, f64)| self.rank(l.0) < top && l.1 >= least;
        self.lengths.iter().filter(is_longer).count() >= 2
    }

    fn one_is_longer(&self) -> bool {
        let top = self.means.len() - 1;
        let least = self.means[top] + MIN_STEP_PITCHES.max(MIN_STEP_RELATIVE * self.means[top]);
        let is_longer = |&(i, l): &(i32, f64)| self.rank(i) == top && l >= least;
        self.lengths.iter().any(is_longer)
    }

    /// Of the longest ticks, three or more, every second one is clearly longer, and those of
    /// either kind agree with each other.
    fn every_second_is_longer(&self) -> bool {
        let top = self.means.len() - 1;
        let period = self.levels[top - 1];
        let mut sides = [Vec::new(), Vec::new()];
        for &(i, l) in self.lengths.iter().filter(|l| self.rank(l.0) == top) {
            let side = (i - self.phase).div_euclid(period).rem_euclid(2);
            sides[usize::from(side == 1)].push(l);
        }
        if sides.iter().any(Vec::is_empty) || sides[0].len() + sides[1].len() < 3 {
            return false;
        }
        let [a, b] = sides.map(|side| {
            let least = side.iter().copied().fold(f64::INFINITY, f64::min);
            let most = side.iter().copied().fold(0.0, f64::max);
            (least, most)
        });
        let (short, long) = if a.0 > b.0 { (b, a) } else { (a, b) };
        let step = MIN_STEP_PITCHES.max(MIN_STEP_RELATIVE * short.1);
        let agree = |(least, most): (f64, f64)| most - least < 0.5 * step;
        long.0 - short.1 >= step && agree(short)
    }

    /// Two or more of the longest ticks agree with each other.
    fn longest_agree(&self) -> bool {
        let top = self.means.len() - 1;
        let agrees = |&&(i, l): &&(i32, f64)| {
            self.rank(i) == top && (l - self.means[top]).abs() < 4.0 * self.scatters[top]
        };
        self.lengths.iter().filter(agrees).count() >= 2
    }
}

fn explain(lengths: &[(i32, f64)], levels: &[i32], phase: i32) -> Option<Explained> {
    let ranked = Ranked::of(lengths, levels, phase, MIN_SCATTER)?;
    if !ranked.rises() || !ranked.longest_agree() {
        return None;
    }
    let top = levels.len();
    let is_off = |&&(i, l): &&(i32, f64)| {
        let k = ranked.rank(i);
        (l - ranked.means[k]).abs() > 3.5 * ranked.scatters[k]
    };
    Some(Explained {
        phase,
        next_longest: ranked.means[top - 1],
        score: ranked.score(),
        evidence: ranked.ordered() - ranked.mixed(),
        misfits: lengths.iter().filter(is_off).count() as f64 / lengths.len() as f64,
        scatter: ranked.scatter,
        size: (ranked.means[0] * ranked.means[top]).max(1e-9).sqrt(),
        longest_alike: ranked.longest_alike(),
        longest: ranked.counts[top],
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Uniform numbers in 0..1 (linear congruential generator, constants of Knuth's MMIX).
    fn roll(state: &mut u64) -> f64 {
        *state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (*state >> 11) as f64 / (1u64 << 53) as f64
    }

    /// A row with lengths in millimetres by divisor, every 25th tick spoiled.
    fn row(n: i32, pitch_mm: f64, by_divisor: &[(i32, f64)], seed: u64) -> Vec<(i32, f64)> {
        let mut state = seed;
        let phase = (roll(&mut state) * 64.0) as i32;
        (0..n)
            .map(|i| {
                let dividing = by_divisor
                    .iter()
                    .rfind(|(every, _)| (i + phase) % every == 0);
                let length = dividing.map_or(0.0, |d| d.1);
                let spoiled = if roll(&mut state) < 0.04 {
                    3.0 * roll(&mut state)
                } else {
                    0.0
                };
                (
                    i,
                    (length + 0.15 * (roll(&mut state) - 0.5) + spoiled) / pitch_mm,
                )
            })
            .collect()
    }

    fn look(width_pitches: f64) -> Look {
        Look {
            width_pitches,
            blur_pitches: 0.05 * width_pitches,
        }
    }

    fn top(
        lengths: &[(i32, f64)],
        width_mm: f64,
        pitch_mm: f64,
        unit: Option<RulerUnit>,
    ) -> Reading {
        read(lengths, look(width_mm / pitch_mm), unit)
            .expect("an order is there")
            .readings[0]
    }

    /// Pitch, unit and lengths by divisor, in millimetres.
    type Case = (f64, RulerUnit, &'static [(i32, f64)]);

    #[test]
    fn common_divisions_are_told_apart() {
        let sixteenth = MM_PER_INCH / 16.0;
        let cases: [Case; 5] = [
            (1.0, Mm, &[(1, 3.2), (5, 4.8), (10, 6.5)]),
            (0.5, Mm, &[(1, 2.2), (2, 3.3), (10, 4.8), (20, 6.5)]),
            (
                sixteenth,
                Inch,
                &[(1, 2.8), (2, 4.0), (4, 5.2), (8, 6.6), (16, 8.2)],
            ),
            (
                sixteenth / 2.0,
                Inch,
                &[(1, 2.0), (2, 2.9), (4, 4.0), (8, 5.2), (16, 6.6), (32, 8.2)],
            ),
            (
                sixteenth * 2.0,
                Inch,
                &[(1, 3.2), (2, 4.6), (4, 6.2), (8, 8.2)],
            ),
        ];
        let mut wrong = 0;
        for seed in 0..40 {
            for (pitch_mm, unit, by_divisor) in cases {
                let lengths = row(110, pitch_mm, by_divisor, seed);
                let found = top(&lengths, 0.2, pitch_mm, None);
                if found.unit != unit || (found.pitch_mm - pitch_mm).abs() > 1e-9 {
                    assert!(
                        found.probability < 0.98,
                        "seed {seed}, {pitch_mm} mm: {found:?}"
                    );
                    wrong += 1;
                }
            }
        }
        assert!(wrong <= 4, "{wrong} of 200 wrong");
    }

    #[test]
    fn tenths_of_an_inch_are_never_surely_millimetres() {
        for seed in 0..40 {
            let lengths = row(60, 2.54, &[(1, 3.0), (5, 4.8), (10, 7.0)], seed);
            let verdict = read(&lengths, look(0.2 / 2.54), None).expect("an order is there");
            let mm: f64 = verdict
                .readings
                .iter()
                .filter(|r| r.unit == Mm)
                .map(|r| r.probability)
                .sum();
            assert!(mm < 0.9, "seed {seed}: {mm}");
            assert_eq!(top(&lengths, 0.2, 2.54, Some(Inch)).unit, Inch);
        }
    }

    /// A 1/32 inch ruler whose inch ticks are hidden by digits and glare, except for a few, must not
    /// surely be a 1/16 inch one.
    #[test]
    fn hidden_inch_ticks_leave_the_next_fraction_open() {
        let printed = [(1, 2.4), (2, 3.3), (4, 4.6), (8, 6.0), (16, 7.6), (32, 9.3)];
        let mut lengths = row(290, MM_PER_INCH / 32.0, &printed, 3);
        let longest = lengths.iter().map(|l| l.1).fold(0.0, f64::max);
        let inches = lengths.iter_mut().filter(|l| l.1 > 0.93 * longest);
        for (k, inch) in inches.enumerate() {
            inch.1 -= [1.9, 0.0, 3.5, 5.2, 1.4][k % 5];
        }
        let found = top(&lengths, 0.15, MM_PER_INCH / 32.0, None);
        let sixteenths = (found.pitch_mm - MM_PER_INCH / 16.0).abs() < 1e-9;
        assert!(!sixteenths || found.probability < 0.9, "{found:?}");
    }

    /// A 1/16 inch ruler whose half inches are worn: its quarters look like the longest, and two
    /// whole inches, longer still, speak against that.
    #[test]
    fn longer_marks_between_the_longest_leave_the_next_fraction_open() {
        let length = |i: i32| match i {
            -5 | 11 => 5.0,
            _ if (i + 1) % 8 == 0 => 3.8,
            _ if i % 2 == 0 => 2.0,
            _ => 2.8,
        };
        let lengths: Vec<(i32, f64)> = (-16..20).map(|i| (i, length(i))).collect();
        let found = read(&lengths, look(0.094), None)
            .expect("an order is there")
            .readings[0];
        let eighths = (found.pitch_mm - MM_PER_INCH / 8.0).abs() < 1e-9;
        assert!(!eighths || found.probability < 0.9, "{found:?}");
    }

    #[test]
    fn lengths_without_an_order_say_nothing() {
        for seed in 0..200 {
            let mut state = seed;
            let random: Vec<(i32, f64)> =
                (0..80).map(|i| (i, 2.0 + 4.0 * roll(&mut state))).collect();
            let evidence = read(&random, look(0.2), None).map_or(0.0, |v| v.evidence);
            assert!(evidence < 7.0, "seed {seed}: {evidence}");
            // Two lengths, shuffled: a zip with some longer teeth.
            let mixed: Vec<(i32, f64)> = (0..80)
                .map(|i| (i, if roll(&mut state) < 0.2 { 5.0 } else { 3.0 }))
                .collect();
            let evidence = read(&mixed, look(0.2), None).map_or(0.0, |v| v.evidence);
            assert!(evidence < 7.0, "seed {seed}: {evidence}");
        }
        // Combs, seams and fences: every second, fourth or seventh longer, and one or two by chance.
        for seed in 0..60 {
            for every in [2, 3, 4, 7, 12] {
                let rhythm = row(90, 1.0, &[(1, 4.0), (every, 6.0)], seed);
                let lead = read(&rhythm, look(0.2), None).map_or(0.0, |v| v.lead);
                assert!(lead < 4.0, "seed {seed}, every {every}: {lead}");
            }
        }
        let equal = row(100, 1.0, &[(1, 3.0)], 5);
        assert!(read(&equal, look(0.2), None).is_none_or(|v| v.evidence < 7.0));
    }
}
