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
use crate::ranked::{MIN_SCATTER, Ranked};
use crate::schemes::{Alike, OTHER_RHYTHMS, SCHEMES, Scheme};

/// Model errors are shared between ticks; likelihood ratios count for this power.
const TEMPER: f64 = 0.5;
/// Weight of the next coarser fraction of an inch where every second mark has no length (judged).
const HALF_UNMEASURED: f64 = 0.5;
/// Figures that run into their ticks make them longer, and all alike. So many ticks of the highest
/// rank, or fewer, may be such, and the scale twice as coarse, with this weight (judged).
const FEW_LONGEST: usize = 3;
const FIGURES_TAKEN_FOR_TICKS: f64 = 0.2;
/// The same where ticks of the second highest rank have been made longer too (judged): only the
/// highest has figures.
const FIGURES_AT_TWO_RANKS: f64 = 1.0;
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
    /// Figures stand beyond the usual length of the ticks next to the longest, in pitches, or, where
    /// they made those longer, beyond the least.
    figures_from: f64,
    figures_at_two_ranks: bool,
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
                if e.figures_at_two_ranks {
                    doubt += FIGURES_AT_TWO_RANKS;
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
            from_pitches: top.1.figures_from,
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

fn explain(lengths: &[(i32, f64)], levels: &[i32], phase: i32) -> Option<Explained> {
    let ranked = Ranked::of(lengths, levels, phase, MIN_SCATTER)?;
    if !ranked.rises() || !ranked.longest_agree() {
        return None;
    }
    let top = levels.len();
    let figures_at_two_ranks = top > 2 && ranked.second_is_uneven();
    let is_off = |&&(i, l): &&(i32, f64)| {
        let k = ranked.rank(i);
        (l - ranked.means[k]).abs() > 3.5 * ranked.scatters[k]
    };
    Some(Explained {
        phase,
        figures_from: if figures_at_two_ranks {
            ranked.least_of_two_ranks()
        } else {
            ranked.means[top - 1]
        },
        figures_at_two_ranks,
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

    #[test]
    fn figures_that_run_into_ticks_of_two_ranks_leave_the_coarser_fraction_open() {
        // A rule in sixteenths seen at 17 px a tick: the figures end at its inches' ticks.
        let inches = [6.0, 5.0, 4.5, 5.3, 6.0, 5.0, 6.0];
        let lengths: Vec<(i32, f64)> = (-63..64)
            .map(|i: i32| {
                let length = match i {
                    i if i % 16 == 0 => inches[(i + 48).div_euclid(16) as usize % 7],
                    i if i % 8 == 0 => 3.3,
                    i if i % 4 == 0 => 2.4,
                    i if i % 2 == 0 => 1.7,
                    _ => 1.2,
                };
                (i, length)
            })
            .collect();
        let verdict = read(&lengths, look(0.13), None).expect("an order is there");
        let of = |parts: f64| {
            let is = |r: &&Reading| (r.pitch_mm - MM_PER_INCH / parts).abs() < 1e-9;
            let found = verdict.readings.iter().find(is);
            found.map_or(0.0, |r| r.probability)
        };
        assert!(
            of(16.0) > 0.4 && of(16.0) + of(32.0) > 0.99,
            "{:?}",
            verdict.readings
        );
        assert!(verdict.figures_at.from_pitches < 4.6);
    }
}
