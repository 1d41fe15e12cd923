//! Known residues: the sizes measured so far, by emblem and version, and what a new measurement
//! says against them.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::outbox::LogLine;

/// The spread taken where a size was measured but once, in per cent. Common practice, no source.
const SPREAD_OF_ONE_PERCENT: f64 = 1.0;
/// How many standard deviations are far outside.
const FAR_SIGMAS: f64 = 3.0;

/// The sizes of one version of one emblem.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
#[serde(deny_unknown_fields)]
pub struct KnownWidth {
    /// The emblem, as jobs call it.
    pub emblem: String,
    /// The version's artwork file.
    pub version: String,
    /// Garments measured.
    pub count: u32,
    /// Mean width.
    pub mean_width_mm: f64,
    /// Standard deviation between garments; left out where there is but one.
    pub spread_mm: Option<f64>,
}

/// The table as a file.
#[derive(Clone, Debug, Default, Deserialize, PartialEq, Serialize)]
#[serde(deny_unknown_fields)]
pub struct KnownWidths {
    /// One entry for each emblem and version.
    #[serde(default)]
    pub known: Vec<KnownWidth>,
}

impl KnownWidths {
    /// Gathers the log's lines: what was measured and not held, each job's emblem once, as it was
    /// measured last.
    pub fn gathered(lines: &[LogLine]) -> Self {
        let mut last: BTreeMap<(&str, &str), &LogLine> = BTreeMap::new();
        for line in lines {
            last.insert((&line.job, &line.emblem), line);
        }
        let mut widths: BTreeMap<(&str, &str), Vec<f64>> = BTreeMap::new();
        for line in last.into_values().filter(|l| l.verdict != "hold") {
            if let (Some(version), Some(width)) = (&line.version, line.width_mm) {
                let key = (line.emblem.as_str(), version.as_str());
                widths.entry(key).or_default().push(width);
            }
        }
        let known = widths.into_iter().map(|((emblem, version), widths)| {
            let n = widths.len() as f64;
            let mean = widths.iter().sum::<f64>() / n;
            let squares: f64 = widths.iter().map(|w| (w - mean).powi(2)).sum();
            KnownWidth {
                emblem: emblem.to_owned(),
                version: version.to_owned(),
                count: widths.len() as u32,
                mean_width_mm: rounded(mean),
                spread_mm: (widths.len() > 1).then(|| rounded((squares / (n - 1.0)).sqrt())),
            }
        });
        Self {
            known: known.collect(),
        }
    }

    /// What is known of a version: of this emblem, or else of any of another name.
    pub fn of(&self, emblem: &str, version: &str) -> Option<&KnownWidth> {
        let named = |k: &&KnownWidth| k.version == version;
        let own = self.known.iter().find(|k| named(k) && k.emblem == emblem);
        own.or_else(|| self.known.iter().find(named))
    }

    /// The table for people and for jobs.
    pub fn to_toml(&self) -> String {
        let mut text =
            "# Widths measured so far, by emblem and version. Copy this file into a job folder \
                        and name it\n# there:  known_widths = \"known-widths.toml\"\n"
                .to_owned();
        text += &toml::to_string(self).unwrap_or_default();
        text
    }
}

impl KnownWidth {
    /// What to say of a width that lies far outside what was measured so far; `u_mm` is its
    /// expanded uncertainty (k = 2).
    pub fn objection(&self, width_mm: f64, u_mm: f64) -> Option<String> {
        let spread = self
            .spread_mm
            .unwrap_or(0.01 * SPREAD_OF_ONE_PERCENT * self.mean_width_mm);
        let n = f64::from(self.count.max(1));
        let sigma = (spread * spread * (1.0 + 1.0 / n) + 0.25 * u_mm * u_mm).sqrt();
        let off = width_mm - self.mean_width_mm;
        (off.abs() > FAR_SIGMAS * sigma).then(|| {
            let garments = if self.count == 1 {
                "one garment".to_owned()
            } else {
                format!("{} garments", self.count)
            };
            format!(
                "the width, {width_mm:.1} mm, lies far outside what {} measured on {garments} so \
                 far, {:.1} mm with a spread of {spread:.2} mm (known_widths): another version, \
                 another size, or a ruler misread; compare with an earlier garment before you cut",
                self.version, self.mean_width_mm
            )
        })
    }
}

fn rounded(mm: f64) -> f64 {
    (mm * 1000.0).round() / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(job: &str, verdict: &str, width_mm: f64) -> LogLine {
        LogLine {
            job: job.into(),
            emblem: "crest".into(),
            verdict: verdict.into(),
            version: Some("crest-fine.svg".into()),
            width_mm: Some(width_mm),
            ..LogLine::default()
        }
    }

    #[test]
    fn each_garment_counts_once_and_held_ones_do_not() {
        let lines = [
            line("a", "cut", 70.0),
            line("a", "cut", 78.0),
            line("b", "look", 78.4),
            line("c", "cut", 78.2),
            line("d", "hold", 99.0),
        ];
        let table = KnownWidths::gathered(&lines);
        let known = table.of("crest", "crest-fine.svg").unwrap();
        assert_eq!((known.count, known.mean_width_mm), (3, 78.2));
        assert_eq!(known.spread_mm, Some(0.2));
        let again: KnownWidths = toml::from_str(&table.to_toml()).unwrap();
        assert_eq!(again, table);
        assert_eq!(table.of("badge", "crest-fine.svg"), Some(known));
        assert_eq!(table.of("crest", "crest-bold.svg"), None);
    }

    #[test]
    fn only_a_width_far_outside_is_objected_to() {
        let known = KnownWidth {
            emblem: "crest".into(),
            version: "crest-fine.svg".into(),
            count: 5,
            mean_width_mm: 78.2,
            spread_mm: Some(0.2),
        };
        assert_eq!(known.objection(78.7, 0.2), None);
        assert!(known.objection(79.2, 0.2).unwrap().contains("5 garments"));
        // A doubtful measurement is not far outside.
        assert_eq!(known.objection(79.2, 1.0), None);
        let once = KnownWidth {
            count: 1,
            spread_mm: None,
            ..known
        };
        assert_eq!(once.objection(80.5, 0.2), None);
        assert!(once.objection(82.0, 0.2).is_some());
    }
}
