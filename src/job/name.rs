//! A job is called as its folder is; the name must also do as a folder's name in the outbox.

use std::fmt;
use std::io;
use std::path::Path;

/// Names that the outbox itself uses.
const RESERVED: [&str; 4] = ["fit-log.jsonl", "fit-log.csv", "fit-log.html", "index.html"];
const LONGEST_BYTES: usize = 100;

/// A job's name: safe as a folder's name on every common file system.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct JobName(String);

impl JobName {
    /// The name of the job in this folder.
    ///
    /// # Errors
    /// When there is no such folder.
    pub fn of_folder(folder: &Path) -> io::Result<Self> {
        let folder = folder.canonicalize()?;
        Ok(Self::from_text(
            &folder.file_name().unwrap_or_default().to_string_lossy(),
        ))
    }

    /// The text, with a dash for every character that some file system refuses.
    pub fn from_text(text: &str) -> Self {
        // Not characters of any writing; XML refuses two of them.
        let refused = r#"/\<>:"|?*"#;
        let none = ['\u{fffd}', '\u{fffe}', '\u{ffff}'];
        let safe = |c: char| !c.is_control() && !refused.contains(c) && !none.contains(&c);
        let mut name: String = text
            .chars()
            .map(|c| if safe(c) { c } else { '-' })
            .collect();
        while name.len() > LONGEST_BYTES {
            name.pop();
        }
        let name = name
            .trim_start()
            .trim_end_matches(|c: char| c == '.' || c.is_whitespace());
        let reserved = RESERVED.contains(&name.to_lowercase().as_str());
        if name.is_empty() || name.starts_with('.') || reserved {
            return Self(format!("job-{}", name.trim_start_matches('.')));
        }
        Self(name.to_owned())
    }

    /// The name as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The folder to publish in at the `n`th attempt to find a free one, counted from 1.
    pub fn folder(&self, n: u32) -> String {
        if n == 1 {
            self.0.clone()
        } else {
            format!("{}-{n}", self.0)
        }
    }
}

impl fmt::Display for JobName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_made_safe() {
        for (seen, name) in [
            ("tern-bay-1991", "tern-bay-1991"),
            ("Écusson été", "Écusson été"),
            (".hidden", "job-hidden"),
            ("..", "job-"),
            ("", "job-"),
            ("index.html", "job-index.html"),
            ("Fit-Log.html", "job-Fit-Log.html"),
            ("a/b\n\u{fffd}\u{ffff}c", "a-b---c"),
            ("ends with dot.", "ends with dot"),
        ] {
            assert_eq!(JobName::from_text(seen).as_str(), name);
        }
        let long = JobName::from_text(&"é".repeat(200));
        assert!(long.as_str().len() <= LONGEST_BYTES);
    }

    proptest::proptest! {
        #[test]
        fn no_name_leaves_the_outbox(text in ".*") {
            let name = JobName::from_text(&text);
            proptest::prop_assert!(!name.as_str().contains('/'));
            proptest::prop_assert!(!name.as_str().starts_with('.'));
            proptest::prop_assert!(!name.as_str().is_empty());
            let again = JobName::from_text(name.as_str());
            proptest::prop_assert_eq!(again, name);
        }
    }
}
