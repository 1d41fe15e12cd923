//! What is wrong with something people gave to the program, in words that help to mend it.

use std::fmt;

pub use crate::report::Problem;

impl Problem {
    /// A problem with a file as a whole.
    pub fn with_file(
        file: impl Into<String>,
        seen: impl Into<String>,
        needed: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Self {
            file: file.into(),
            line: None,
            seen: seen.into(),
            needed: needed.into(),
            remedy: remedy.into(),
        }
    }

    /// The same problem, at a line (counted from 1).
    #[must_use]
    pub fn at(mut self, line: Option<usize>) -> Self {
        self.line = line;
        self
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if let Some(line) = self.line {
            write!(f, ", line {line}")?;
        }
        write!(f, ": {}", self.seen)?;
        if !self.needed.is_empty() {
            write!(f, "; needed: {}", self.needed)?;
        }
        if !self.remedy.is_empty() {
            write!(f, ". {}", self.remedy)?;
        }
        Ok(())
    }
}

/// The known name that a misspelt one most resembles, if it resembles any.
pub fn nearest<'a>(seen: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    const ALIKE: f64 = 0.5;
    let alike = |name: &&str| strsim::normalized_damerau_levenshtein(&seen.to_lowercase(), name);
    known
        .into_iter()
        .map(|name| (alike(&name), name))
        .filter(|(alike, _)| *alike >= ALIKE)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_name_is_suggested_and_no_far_one() {
        let known = ["flock", "pu-film", "vinyl"];
        assert_eq!(nearest("flok", known), Some("flock"));
        assert_eq!(nearest("PU_film", known), Some("pu-film"));
        assert_eq!(nearest("xyz", known), None);
    }
}
