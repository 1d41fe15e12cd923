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
/// Ranks must differ by this much, in pitches and relative to the shortest.
const MIN_STEP_PITCHES: f64 = 0.2;
const MIN_STEP_RELATIVE: f64 = 0.10;
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
            .max(MIN_STEP_RELATIVE * means[0])
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
