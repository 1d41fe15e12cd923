//! How wrong a ruler may be and still be sold.

use serde::{Deserialize, Serialize};

/// Accuracy class of the shop's rulers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum RulerClass {
    /// A steel rule, grade 1 of JIS B 7516.
    Steel,
    /// Class I of the Measuring Instruments Directive, 2014/32/EU, annex X (MI-008).
    MidI,
    /// Class II of the same.
    MidII,
    /// Class III of the same.
    MidIII,
    /// A printed scale card whose check bars somebody measured.
    MeasuredCard,
}

/// How far the bars of 100 mm are misread with a steel rule, and the card's divisions with them.
const CARD_ERROR_PER_MM: f64 = 0.1 / 100.0;

impl RulerClass {
    /// Largest permissible error between two non-consecutive marks `length_mm` apart, in
    /// millimetres, either way.
    ///
    /// MI-008 chapter 1: a + b·L with the length L rounded **up** to whole metres.
    /// JIS B 7516 grade 1: 0.10 mm + 0.05 mm for each begun half metre.
    pub fn permissible_error_mm(self, length_mm: f64) -> f64 {
        let whole_metres = (length_mm / 1000.0).ceil().max(1.0);
        match self {
            Self::Steel => 0.10 + 0.05 * (length_mm / 500.0).ceil().max(1.0),
            Self::MidI => 0.1 + 0.1 * whole_metres,
            Self::MidII => 0.3 + 0.2 * whole_metres,
            Self::MidIII => 0.6 + 0.4 * whole_metres,
            Self::MeasuredCard => CARD_ERROR_PER_MM * length_mm,
        }
    }

    /// Standard uncertainty (k = 1) of a length read on such a ruler, in per cent: the
    /// permissible error taken as the half-width of a rectangular distribution (GUM, JCGM
    /// 100:2008, 4.3.7).
    pub fn u_percent(self, length_mm: f64) -> f64 {
        100.0 * self.permissible_error_mm(length_mm) / 3f64.sqrt() / length_mm
    }

    /// The text in which the figure is published.
    pub fn source(self) -> &'static str {
        match self {
            Self::Steel => "JIS B 7516 grade 1, half-width of a rectangular distribution",
            Self::MidI => "2014/32/EU MI-008 class I, half-width of a rectangular distribution",
            Self::MidII => "2014/32/EU MI-008 class II, half-width of a rectangular distribution",
            Self::MidIII => "2014/32/EU MI-008 class III, half-width of a rectangular distribution",
            Self::MeasuredCard => {
                "the card's bars of 100 mm measured to 0.1 mm (common practice, no source), \
                 half-width of a rectangular distribution"
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// UK SI 2016/1153 schedule 1I (annex X MI-008 of 2014/32/EU), maximum permissible errors
    /// computed from a + bL.
    #[test]
    fn mid_table() {
        let table = [
            (300.0, [0.2, 0.5, 1.0]),
            (1000.0, [0.2, 0.5, 1.0]),
            (1500.0, [0.3, 0.7, 1.4]),
            (3000.0, [0.4, 0.9, 1.8]),
            (5000.0, [0.6, 1.3, 2.6]),
        ];
        for (length_mm, expected) in table {
            let classes = [RulerClass::MidI, RulerClass::MidII, RulerClass::MidIII];
            for (class, expected) in classes.into_iter().zip(expected) {
                let got = class.permissible_error_mm(length_mm);
                assert!(
                    (got - expected).abs() < 1e-12,
                    "{class:?} at {length_mm} mm: {got}"
                );
            }
        }
    }

    /// JIS B 7516 grade 1 as quoted on a measuring-tool maker's technical page.
    #[test]
    fn steel_table() {
        for (length_mm, expected) in [(150.0, 0.15), (500.0, 0.15), (1000.0, 0.20), (2000.0, 0.30)]
        {
            let got = RulerClass::Steel.permissible_error_mm(length_mm);
            assert!((got - expected).abs() < 1e-12, "{length_mm} mm: {got}");
        }
    }
}
