//! Uncertainty budgets, combined as the GUM says (JCGM 100:2008, section 5.1.2).

use serde::Serialize;

/// Coverage factor of every stated uncertainty: about 95 % for a normal distribution.
pub const COVERAGE_FACTOR: f64 = 2.0;

/// One contribution to the uncertainty of a length, independent of the others.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Term {
    /// What it stands for, in a shop's words.
    pub name: String,
    /// Standard uncertainty (k = 1), in per cent of the length.
    pub u_percent: f64,
    /// Where the figure comes from.
    pub source: String,
}

/// The terms of one measured length.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Budget {
    /// Independent contributions.
    pub terms: Vec<Term>,
}

impl Budget {
    /// Combined standard uncertainty (k = 1): root of the sum of squares, in per cent.
    pub fn standard_percent(&self) -> f64 {
        self.terms
            .iter()
            .map(|t| t.u_percent * t.u_percent)
            .sum::<f64>()
            .sqrt()
    }

    /// Expanded uncertainty (k = 2), in per cent.
    pub fn expanded_percent(&self) -> f64 {
        COVERAGE_FACTOR * self.standard_percent()
    }

    /// Each term's share of the combined variance, 0 to 1, in the order of the terms.
    pub fn shares(&self) -> Vec<f64> {
        let total = self.standard_percent().powi(2);
        self.terms
            .iter()
            .map(|t| {
                if total > 0.0 {
                    t.u_percent.powi(2) / total
                } else {
                    0.0
                }
            })
            .collect()
    }
}
