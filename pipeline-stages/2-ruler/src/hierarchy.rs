//! Reads the unit from the pattern of tick lengths.
//!
//! Every way of dividing has its own order of long and short ticks: each 5th and 10th for
//! millimetres, each 2nd, 4th, 8th and 16th for sixteenths of an inch. For each of them, and each
//! place it may begin, the lengths are explained by one length a rank plus outliers; the
//! likelihoods are compared, with a penalty for each rank (Schwarz 1978).

use measures::ruler::{Reading, RulerUnit};
use measures::unit::MM_PER_INCH;

use crate::grid::{median, robust_deviation};

/// A way of dividing a ruler: every `levels[k]`-th tick has rank k + 1.
struct Scheme {
    levels: &'static [i32],
    /// What it may stand for: unit, ticks in one millimetre or inch, prior weight (judged).
    readings: &'static [(RulerUnit, f64, f64)],
}

use RulerUnit::{Inch, Mm};

const SCHEMES: &[Scheme] = &[
    Scheme {
        levels: &[5, 10],
        readings: &[(Mm, 1.0, 1.0), (Inch, 10.0, 0.05)],
    },
    Scheme {
        levels: &[10],
        readings: &[(Mm, 1.0, 0.5), (Inch, 10.0, 0.02)],
    },
    Scheme {
        levels: &[5],
        readings: &[(Mm, 1.0, 0.2), (Inch, 10.0, 0.02)],
    },
    Scheme {
        levels: &[5, 10, 50],
        readings: &[(Mm, 1.0, 0.2)],
    },
    Scheme {
        levels: &[5, 10, 100],
        readings: &[(Mm, 1.0, 0.2)],
    },
    Scheme {
        levels: &[2, 10, 20],
        readings: &[(Mm, 2.0, 1.0), (Inch, 20.0, 0.0005)],
    },
    Scheme {
        levels: &[2, 10],
        readings: &[(Mm, 2.0, 0.2), (Inch, 20.0, 0.0005)],
    },
    Scheme {
        levels: &[2, 20],
        readings: &[(Mm, 2.0, 0.1)],
    },
    Scheme {
        levels: &[10, 20],
        readings: &[(Mm, 2.0, 0.1), (Mm, 1.0, 0.02)],
    },
    Scheme {
        levels: &[2, 4, 8, 16],
        readings: &[(Inch, 16.0, 1.0)],
    },
    Scheme {
        levels: &[4, 8, 16],
        readings: &[(Inch, 16.0, 0.2)],
    },
    Scheme {
        levels: &[2, 8, 16],
        readings: &[(Inch, 16.0, 0.2)],
    },
    Scheme {
        levels: &[2, 4, 16],
        readings: &[(Inch, 16.0, 0.2)],
    },
    Scheme {
        levels: &[8, 16],
        readings: &[(Inch, 16.0, 0.1)],
    },
    Scheme {
        levels: &[2, 4, 8],
        readings: &[(Inch, 8.0, 1.0), (Inch, 16.0, 0.05)],
    },
    Scheme {
        levels: &[4, 8],
        readings: &[(Inch, 8.0, 0.2), (Inch, 16.0, 0.05)],
    },
    Scheme {
        levels: &[2, 8],
        readings: &[(Inch, 8.0, 0.2)],
    },
    Scheme {
        levels: &[2, 4, 8, 16, 32],
        readings: &[(Inch, 32.0, 1.0)],
    },
    Scheme {
        levels: &[4, 8, 16, 32],
        readings: &[(Inch, 32.0, 0.2)],
    },
    Scheme {
        levels: &[2, 8, 16, 32],
        readings: &[(Inch, 32.0, 0.2)],
    },
    Scheme {
        levels: &[2, 4, 16, 32],
        readings: &[(Inch, 32.0, 0.2)],
    },
    Scheme {
        levels: &[2, 4, 8, 32],
        readings: &[(Inch, 32.0, 0.2)],
    },
    Scheme {
        levels: &[4, 8, 16, 32, 64],
        readings: &[(Inch, 64.0, 0.2)],
    },
    Scheme {
        levels: &[2, 4, 8, 16, 32, 64],
        readings: &[(Inch, 64.0, 0.5)],
    },
];

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
}

struct Explained {
    score: f64,
    evidence: f64,
    misfits: f64,
    /// Usual lengths of the shortest and the longest ticks, in pitches.
    shortest: f64,
    longest: f64,
}

/// Reads `lengths` (index, length in pitches) of marks of this width. `unit` is what the job says,
/// if anything.
/// `None` when no order of ranks is seen.
pub(crate) fn read(
    lengths: &[(i32, f64)],
    width_pitches: f64,
    unit: Option<RulerUnit>,
) -> Option<Verdict> {
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
    let mut weighted: Vec<Reading> = Vec::new();
    for (scheme, e) in &explained {
        let likelihood = (TEMPER * (e.score - top.1.score)).exp();
        for &(its_unit, parts, prior) in scheme.readings {
            let fits_hint = unit.is_none_or(|u| u == its_unit);
            let usual = usual_size(e, width_pitches, pitch_mm(its_unit, parts));
            let probability = likelihood * prior * usual * if fits_hint { 1.0 } else { 1e-4 };
            add(&mut weighted, its_unit, parts, probability);
        }
    }
    let total: f64 = weighted.iter().map(|r| r.probability).sum();
    for r in &mut weighted {
        r.probability /= total;
    }
    weighted.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    Some(Verdict {
        readings: weighted,
        evidence: top.1.evidence,
        misfits: top.1.misfits,
    })
}

fn pitch_mm(unit: RulerUnit, parts: f64) -> f64 {
    match unit {
        Mm => 1.0 / parts,
        Inch => MM_PER_INCH / parts,
    }
}

/// How usual the ticks' size in millimetres would be under a reading, 0 to 1: what tells tenths
/// of an inch, whose ticks are short and thin against their pitch, from millimetres. Shortest
/// ticks of rulers at hand are about 3 mm long, longest about 8 mm, lines 0.2 mm wide (common
/// practice, no source).
fn usual_size(e: &Explained, width_pitches: f64, pitch_mm: f64) -> f64 {
    let z = |length: f64, usual_mm: f64| (length * pitch_mm / usual_mm).ln() / 0.5;
    let (short, long) = (z(e.shortest, 3.2), z(e.longest, 8.0));
    let width = z(width_pitches.max(0.01), 0.22);
    // The lengths are not independent of each other.
    (-0.35 * (short * short + long * long) - 0.5 * width * width).exp()
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

fn explain(lengths: &[(i32, f64)], levels: &[i32], phase: i32) -> Option<Explained> {
    let ranks = levels.len() + 1;
    let mut by_rank: Vec<Vec<f64>> = vec![Vec::new(); ranks];
    for &(i, length) in lengths {
        by_rank[rank(levels, i - phase)].push(length);
    }
    let top = &by_rank[ranks - 1];
    if top.len() < 2 || by_rank[0].len() < 3 || by_rank.iter().any(Vec::is_empty) {
        return None;
    }
    let means: Vec<f64> = by_rank.iter().map(|r| median(&mut r.clone())).collect();
    let off: Vec<f64> = lengths
        .iter()
        .map(|&(i, l)| l - means[rank(levels, i - phase)])
        .collect();
    let usual = robust_deviation(&off).max(MIN_SCATTER);
    let scatters: Vec<f64> = means
        .iter()
        .map(|m| usual.hypot(RELATIVE_SCATTER * m))
        .collect();
    for k in 1..ranks {
        let doubt_of = |k: usize| scatters[k].powi(2) / by_rank[k].len() as f64;
        let doubt = (doubt_of(k) + doubt_of(k - 1)).sqrt();
        let least = MIN_STEP_PITCHES
            .max(MIN_STEP_RELATIVE * means[k - 1])
            .max(2.0 * doubt);
        if means[k] - means[k - 1] < least {
            return None;
        }
    }
    // The two or more longest ticks must agree with each other.
    let agrees = |l: &&f64| (*l - means[ranks - 1]).abs() < 4.0 * scatters[ranks - 1];
    if top.iter().filter(agrees).count() < 2 {
        return None;
    }
    let density = |length: f64, k: usize| {
        let z = (length - means[k]) / scatters[k];
        (1.0 - OUTLIERS) * (-0.5 * z * z).exp() / (scatters[k] * std::f64::consts::TAU.sqrt())
            + OUTLIERS / OUTLIER_RANGE
    };
    let n = lengths.len() as f64;
    let of = |i: i32| rank(levels, i - phase);
    let ordered: f64 = lengths.iter().map(|&(i, l)| density(l, of(i)).ln()).sum();
    let mixed: f64 = lengths
        .iter()
        .map(|&(_, l)| {
            let any = |k: usize| by_rank[k].len() as f64 / n * density(l, k);
            (0..ranks).map(any).sum::<f64>().ln()
        })
        .sum();
    let penalty = 0.5 * (ranks as f64 + 1.0) * n.ln() + f64::from(levels[levels.len() - 1]).ln();
    let is_off = |&&(i, l): &&(i32, f64)| (l - means[of(i)]).abs() > 3.5 * scatters[of(i)];
    Some(Explained {
        score: ordered - penalty,
        evidence: ordered - mixed,
        misfits: lengths.iter().filter(is_off).count() as f64 / n,
        shortest: means[0],
        longest: means[ranks - 1],
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

    fn top(
        lengths: &[(i32, f64)],
        width_mm: f64,
        pitch_mm: f64,
        unit: Option<RulerUnit>,
    ) -> Reading {
        read(lengths, width_mm / pitch_mm, unit)
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
            let verdict = read(&lengths, 0.2 / 2.54, None).expect("an order is there");
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

    #[test]
    fn lengths_without_an_order_say_nothing() {
        for seed in 0..200 {
            let mut state = seed;
            let random: Vec<(i32, f64)> =
                (0..80).map(|i| (i, 2.0 + 4.0 * roll(&mut state))).collect();
            let evidence = read(&random, 0.2, None).map_or(0.0, |v| v.evidence);
            assert!(evidence < 7.0, "seed {seed}: {evidence}");
            // Two lengths, shuffled: a zip with some longer teeth.
            let mixed: Vec<(i32, f64)> = (0..80)
                .map(|i| (i, if roll(&mut state) < 0.2 { 5.0 } else { 3.0 }))
                .collect();
            let evidence = read(&mixed, 0.2, None).map_or(0.0, |v| v.evidence);
            assert!(evidence < 7.0, "seed {seed}: {evidence}");
        }
        let equal = row(100, 1.0, &[(1, 3.0)], 5);
        assert!(read(&equal, 0.2, None).is_none_or(|v| v.evidence < 7.0));
    }
}
