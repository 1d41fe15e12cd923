//! Reads the keys of a TOML table one by one and collects everything that is wrong with them,
//! each with its line.

use std::ops::RangeInclusive;

use toml_edit::{Array, Item, TableLike, Value};

use crate::problem::{Problem, nearest};

/// A file's text and the problems found in it so far.
#[derive(Debug)]
pub(crate) struct Page<'a> {
    file: &'a str,
    text: &'a str,
}

impl<'a> Page<'a> {
    /// The text of `file`.
    pub(crate) fn new(file: &'a str, text: &'a str) -> Self {
        Self { file, text }
    }

    /// A problem at a byte position.
    pub(crate) fn problem(
        &self,
        at: Option<usize>,
        seen: impl Into<String>,
        needed: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Problem {
        let line = at
            .and_then(|at| self.text.get(..at))
            .map(|before| 1 + before.matches('\n').count());
        Problem::with_file(self.file, seen, needed, remedy).at(line)
    }

    /// The file does not follow TOML's grammar.
    pub(crate) fn not_toml(&self, message: &str, at: Option<usize>) -> Problem {
        let seen = format!(
            "this is not written as a settings file should be: {}",
            message.trim()
        );
        self.problem(
            at,
            seen.replace('\n', " "),
            "lines like  key = \"text\"  or  key = 12",
            "Mend the line (quotes closed? equals sign there?) and try again",
        )
    }
}

/// One table whose keys are being read.
pub(crate) struct Keys<'a> {
    page: &'a Page<'a>,
    table: &'a dyn TableLike,
    heading: &'a str,
    heading_at: Option<usize>,
    /// What was wrong so far.
    pub(crate) problems: Vec<Problem>,
}

impl<'a> Keys<'a> {
    /// Begins to read a table; keys that are not `known` are problems.
    pub(crate) fn open(
        page: &'a Page<'a>,
        table: &'a dyn TableLike,
        heading: &'a str,
        heading_at: Option<usize>,
        known: &[&str],
    ) -> Self {
        let mut keys = Self {
            page,
            table,
            heading,
            heading_at,
            problems: Vec::new(),
        };
        for (key, item) in table.iter() {
            if !known.contains(&key) {
                let at = keys.key_at(key).or_else(|| item.span().map(|s| s.start));
                let meant = nearest(key, known.iter().copied())
                    .map_or(String::new(), |near| format!("Did you mean \"{near}\"? "));
                keys.problems.push(page.problem(
                    at,
                    format!("unknown key \"{key}\" in {heading}"),
                    format!("one of: {}", known.join(", ")),
                    format!("{meant}Correct or remove the line"),
                ));
            }
        }
        keys
    }

    /// A problem with one key, at its line (or its table's, if the key is not there).
    pub(crate) fn wrong(
        &mut self,
        key: &str,
        seen: impl Into<String>,
        needed: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        let at = self.key_at(key).or(self.heading_at);
        self.problems
            .push(self.page.problem(at, seen, needed, remedy));
    }

    /// Where the key stands.
    fn key_at(&self, key: &str) -> Option<usize> {
        let (key, item) = self.table.get_key_value(key)?;
        key.span().or_else(|| item.span()).map(|span| span.start)
    }

    /// The key's value, if it is there.
    pub(crate) fn item(&self, key: &str) -> Option<&'a Item> {
        self.table.get(key)
    }

    /// The line of a key, counted from 1.
    pub(crate) fn line_of(&self, key: &str) -> Option<usize> {
        self.page
            .problem(self.key_at(key).or(self.heading_at), "", "", "")
            .line
    }

    /// A key that must be there.
    pub(crate) fn require(&mut self, key: &str, example: &str) {
        if self.item(key).is_none() {
            let heading = self.heading;
            self.wrong(
                key,
                format!("{heading} has no \"{key}\""),
                format!("a line  {key} = {example}"),
                format!("Add the line below {heading}"),
            );
        }
    }

    fn value<T>(
        &mut self,
        key: &str,
        needed: &str,
        read: impl Fn(&Value) -> Option<T>,
    ) -> Option<T> {
        let item = self.item(key)?;
        let value = item.as_value().and_then(read);
        if value.is_none() {
            let seen = item.to_string();
            let seen = seen.trim();
            let short: String = seen.chars().take(40).collect();
            let dots = if short.len() < seen.len() { "…" } else { "" };
            self.wrong(
                key,
                format!("{key} = {short}{dots}"),
                needed,
                "Correct the line",
            );
        }
        value
    }

    /// A text that says something.
    pub(crate) fn text(&mut self, key: &str) -> Option<String> {
        self.value(key, "a text in quotes, not empty", |v| {
            v.as_str()
                .filter(|s| !s.trim().is_empty())
                .map(str::to_owned)
        })
    }

    /// A whole number within a range.
    pub(crate) fn whole(&mut self, key: &str, range: RangeInclusive<i64>) -> Option<i64> {
        let needed = format!("a whole number from {} to {}", range.start(), range.end());
        self.value(key, &needed, |v| {
            v.as_integer().filter(|n| range.contains(n))
        })
    }

    /// A number within a range.
    pub(crate) fn number(&mut self, key: &str, range: RangeInclusive<f64>) -> Option<f64> {
        let needed = format!("a number from {} to {}", range.start(), range.end());
        self.value(key, &needed, |v| number(v).filter(|n| range.contains(n)))
    }

    /// A list of texts; may be empty.
    pub(crate) fn texts(&mut self, key: &str, example: &str) -> Option<Vec<String>> {
        let text = |v: &Value| {
            v.as_str()
                .filter(|s| !s.trim().is_empty())
                .map(str::to_owned)
        };
        self.value(
            key,
            &format!("a list of texts in quotes, like {example}"),
            |v| v.as_array()?.iter().map(text).collect(),
        )
    }

    /// A table of named pairs of numbers, in the order of the file; none if the key is not there.
    pub(crate) fn named_pairs(&mut self, key: &str, needed: &str) -> Vec<(String, [f64; 2])> {
        let Some(table) = self.item(key) else {
            return Vec::new();
        };
        let Some(table) = table.as_table_like() else {
            self.wrong(
                key,
                format!("{key} is not a list of places"),
                needed,
                "Correct the line",
            );
            return Vec::new();
        };
        let mut pairs = Vec::new();
        for (name, item) in table.iter() {
            match item.as_value().and_then(pair) {
                Some(pair) => pairs.push((name.to_owned(), pair)),
                None => self.wrong(
                    key,
                    format!("{name} in {key} has no place"),
                    needed,
                    "Correct the line",
                ),
            }
        }
        pairs
    }

    /// Four numbers.
    pub(crate) fn four_numbers(&mut self, key: &str, needed: &str) -> Option<[f64; 4]> {
        let numbers = |a: &Array| a.iter().map(number).collect::<Option<Vec<f64>>>();
        self.value(key, needed, |v| numbers(v.as_array()?)?.try_into().ok())
    }
}

fn pair(value: &Value) -> Option<[f64; 2]> {
    let numbers = value.as_array()?.iter().map(number);
    numbers.collect::<Option<Vec<f64>>>()?.try_into().ok()
}

fn number(value: &Value) -> Option<f64> {
    value
        .as_float()
        .or_else(|| value.as_integer().map(|n| n as f64))
        .filter(|n| n.is_finite())
}
