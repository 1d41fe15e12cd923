//! The ways in which rulers are divided, and rhythms that are no ruler's.

use measures::ruler::RulerUnit::{self, Inch, Mm};

/// A way of dividing a ruler: every `levels[k]`-th tick has rank k + 1.
pub(crate) struct Scheme {
    pub(crate) levels: &'static [i32],
    /// What it may stand for: unit, ticks in one millimetre or inch, prior weight (judged).
    readings: &'static [(RulerUnit, f64, f64)],
}

pub(crate) const SCHEMES: &[Scheme] = &[
    Scheme {
        levels: &[5, 10],
        readings: &[(Mm, 1.0, 1.0), (Inch, 10.0, 0.1)],
    },
    Scheme {
        levels: &[10],
        readings: &[(Mm, 1.0, 0.5), (Inch, 10.0, 0.05)],
    },
    Scheme {
        levels: &[5],
        readings: &[(Mm, 1.0, 0.2), (Inch, 10.0, 0.02)],
    },
    Scheme {
        levels: &[5, 10, 50],
        // Two figures that run into their ticks look like the fifties, in tenths as well.
        readings: &[(Mm, 1.0, 0.2), (Inch, 10.0, 0.02)],
    },
    Scheme {
        levels: &[5, 10, 100],
        // Two figures that run into their ticks look like the fifties, in tenths as well.
        readings: &[(Mm, 1.0, 0.2), (Inch, 10.0, 0.02)],
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
        levels: &[4, 16],
        readings: &[(Inch, 16.0, 0.2)],
    },
    Scheme {
        levels: &[8, 16],
        readings: &[(Inch, 16.0, 0.1)],
    },
    Scheme {
        levels: &[2, 4, 8],
        readings: &[(Inch, 8.0, 1.0)],
    },
    Scheme {
        levels: &[4, 8],
        readings: &[(Inch, 8.0, 0.2)],
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

/// Rhythms that things other than rulers keep: combs, seams, fences, type. Lengths that one of
/// them explains as well are no ruler's.
pub(crate) const OTHER_RHYTHMS: &[&[i32]] = &[
    &[2],
    &[3],
    &[4],
    &[6],
    &[7],
    &[9],
    &[12],
    &[2, 4],
    &[2, 6],
    &[3, 6],
];

/// Whether every second of the longest ticks is as long as the others.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Alike {
    /// Two or more on either side agree.
    Surely,
    /// One on one side and two or more on the other agree.
    Probably,
    /// Too few are seen clearly.
    Unknown,
    /// One is longer than the others: a mark of the next whole, or a figure that runs into it.
    OneLonger,
    /// Every second one is longer: the next whole.
    Longer,
}

impl Scheme {
    /// Every reading with its prior weight. Where the inch's fractions are halved and halved
    /// again, the ticks of the next whole may be no longer than the last that are told apart; more
    /// often too few of them are seen clearly enough to tell.
    pub(crate) fn meanings(&self, longest: Alike) -> Vec<(RulerUnit, f64, f64)> {
        let mut all = self.readings.to_vec();
        let (twice, four_times) = match longest {
            Alike::Surely => (0.01, 0.0005),
            Alike::Probably => (0.05, 0.01),
            Alike::Unknown => (0.3, 0.1),
            Alike::OneLonger => (2.0, 0.7),
            Alike::Longer => (6.0, 2.0),
        };
        let highest = self.levels.last().map_or(0.0, |&l| f64::from(l));
        for &(unit, parts, prior) in self.readings {
            let halved = highest.log2().fract() < 1e-9;
            if unit == Inch && halved && (highest - parts).abs() < 0.5 {
                all.push((unit, 2.0 * parts, prior * twice));
                all.push((unit, 4.0 * parts, prior * four_times));
            }
        }
        all.retain(|&(unit, parts, _)| unit == Mm || parts <= 64.0);
        all
    }
}
