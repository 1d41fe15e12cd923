//! The fit log: one line an emblem, appended and never rewritten, as JSON lines and as a table
//! for a spreadsheet.

use std::fs::File;
use std::io::{self, BufRead, BufReader};
use std::path::Path;

use serde::{Deserialize, Serialize};

use measures::Fit;

use super::Intent;
use super::fit_json::{centre, rounded};
use crate::durable;
use crate::report::{EmblemReport, Fitted, JobReport};

const JSON_LINES: &str = "fit-log.jsonl";
const TABLE: &str = "fit-log.csv";

/// One emblem's line.
#[derive(Clone, Debug, Default, Deserialize, PartialEq, Serialize)]
pub struct LogLine {
    /// When it was published: UTC, ISO 8601.
    pub published: String,
    /// The publication it belongs to.
    pub id: String,
    /// The job's name.
    pub job: String,
    /// The job's folder in the outbox.
    #[serde(default)]
    pub folder: String,
    /// The garment's title.
    pub garment: Option<String>,
    /// The emblem; empty for a job that was refused as a whole.
    pub emblem: String,
    /// `cut`, `look` or `hold`.
    pub verdict: String,
    /// Why it is not `cut`.
    pub reasons: Vec<String>,
    /// The version that fits best.
    pub version: Option<String>,
    /// What it is cut from.
    pub material: Option<String>,
    /// Width to cut.
    pub width_mm: Option<f64>,
    /// Height to cut.
    pub height_mm: Option<f64>,
    /// Expanded uncertainty (k = 2) of the size.
    pub u_size_percent: Option<f64>,
    /// Rotation, clockwise from the photo's x axis.
    pub rotation_deg: Option<f64>,
    /// Expanded uncertainty (k = 2) of the rotation.
    pub u_rotation_deg: Option<f64>,
    /// Expanded uncertainty (k = 2) of the place.
    pub u_shift_mm: Option<f64>,
    /// Mean distance of fitted and seen edge.
    pub edge_mean_mm: Option<f64>,
    /// 95th percentile of that distance.
    pub edge_p95_mm: Option<f64>,
    /// Share of the outline that the residue supports.
    pub outline_seen: Option<f64>,
    /// Scale on the cloth at the emblem.
    pub px_per_mm: Option<f64>,
    /// Tilt of the cloth.
    pub tilt_deg: Option<f64>,
    /// The old emblem's turn against the cloth's lines.
    #[serde(default)]
    pub emblem_to_lines_deg: Option<f64>,
    /// How far the finished article lies from its planned place.
    #[serde(default)]
    pub pressed_shift_mm: Option<f64>,
    /// How far it is turned from the plan.
    #[serde(default)]
    pub pressed_turn_deg: Option<f64>,
    /// By how much it is larger than planned.
    #[serde(default)]
    pub pressed_size_percent: Option<f64>,
    /// What is wrong with it.
    #[serde(default)]
    pub pressed_findings: Vec<String>,
}

impl LogLine {
    /// The line of one emblem, or of a job that was refused as a whole.
    pub fn new(report: &JobReport, emblem: Option<&EmblemReport>) -> Self {
        let verdict = emblem.map_or(report.verdict, |e| e.verdict);
        let reasons = match emblem {
            Some(emblem) => emblem.reasons.clone(),
            None => report.problems.iter().map(ToString::to_string).collect(),
        };
        let line = Self {
            job: report.job.clone(),
            garment: report.garment.clone(),
            verdict: format!("{verdict:?}").to_lowercase(),
            reasons,
            ..Self::default()
        };
        emblem.map_or(line.clone(), |emblem| line.with_figures(emblem))
    }

    fn with_figures(self, emblem: &EmblemReport) -> Self {
        let fitted = emblem.fitted.as_ref();
        let figure = |of: fn(&Fit) -> f64| fitted.and_then(|f| rounded(of(&f.fit), 4));
        let size = fitted.map(Fitted::size_mm);
        let plane = emblem.plane.as_ref();
        let finished = emblem.finished.as_ref();
        let pressed = finished.and_then(|f| f.pressed.as_ref());
        Self {
            emblem: emblem.name.clone(),
            version: fitted.map(|f| f.artwork.file.clone()),
            material: emblem.material.as_ref().map(|m| m.name.clone()),
            width_mm: size.and_then(|s| rounded(s[0], 4)),
            height_mm: size.and_then(|s| rounded(s[1], 4)),
            u_size_percent: figure(|f| f.u_size_percent),
            rotation_deg: figure(|f| f.rotation_deg),
            u_rotation_deg: figure(|f| f.u_rotation_deg),
            u_shift_mm: figure(|f| f.u_shift_mm),
            edge_mean_mm: figure(|f| f.edge_mean_mm),
            edge_p95_mm: figure(|f| f.edge_p95_mm),
            outline_seen: figure(|f| f.outline_seen),
            px_per_mm: plane.and_then(|p| rounded(p.px_per_mm_at(centre(emblem)), 5)),
            tilt_deg: plane.and_then(|p| rounded(p.pose.tilt_deg(), 3)),
            emblem_to_lines_deg: emblem
                .fabric_lines
                .and_then(|l| rounded(l.emblem_to_lines_deg?, 3)),
            pressed_shift_mm: pressed
                .and_then(|p| rounded(p.shift_mm?[0].hypot(p.shift_mm?[1]), 3)),
            pressed_turn_deg: pressed.and_then(|p| rounded(p.turn_deg?, 3)),
            pressed_size_percent: pressed.and_then(|p| rounded(p.size_percent?, 3)),
            pressed_findings: pressed.map_or_else(Vec::new, |p| p.findings.clone()),
            ..self
        }
    }
}

/// Appends the publication's lines to both files, except those that are there already.
pub(super) fn append(outbox: &Path, intent: &Intent) -> io::Result<()> {
    let mut json = String::new();
    let mut table = String::new();
    let in_json = emblems_of(&outbox.join(JSON_LINES), &intent.id, json_mark)?;
    let in_table = emblems_of(&outbox.join(TABLE), &intent.id, table_mark)?;
    for (number, line) in intent.lines.iter().enumerate() {
        let line = LogLine {
            folder: intent.folder.clone(),
            ..line.clone()
        };
        if number >= in_json {
            json += &serde_json::to_string(&line)?;
            json.push('\n');
        }
        if number >= in_table {
            table += &row(&serde_json::to_value(&line)?, |_, value| value);
        }
    }
    if !json.is_empty() {
        durable::append_lines(&outbox.join(JSON_LINES), "", &json)?;
    }
    if !table.is_empty() {
        let header = row(&serde_json::to_value(LogLine::default())?, |key, _| {
            key.into()
        });
        durable::append_lines(&outbox.join(TABLE), &header, &table)?;
    }
    durable::sync_folder(outbox)
}

/// Every whole line of an outbox's log.
///
/// # Errors
/// Those of the file system; a log that is not there is empty.
pub fn read_log(outbox: &Path) -> io::Result<Vec<LogLine>> {
    let mut lines = Vec::new();
    each_line(&outbox.join(JSON_LINES), |line| {
        lines.extend(serde_json::from_str::<LogLine>(line).ok());
    })?;
    Ok(lines)
}

/// The folder in which the publication `id` appeared.
pub(super) fn folder_of(outbox: &Path, id: &str) -> io::Result<Option<String>> {
    let mut folder = None;
    each_line(&outbox.join(JSON_LINES), |line| {
        if line.contains(&json_mark(id))
            && let Ok(line) = serde_json::from_str::<LogLine>(line)
        {
            folder = Some(line.folder);
        }
    })?;
    Ok(folder)
}

fn json_mark(id: &str) -> String {
    format!("\"id\":\"{id}\"")
}

/// The mark stands in the second column; the first, a time, needs no quotes.
fn table_mark(id: &str) -> String {
    format!(",{id},")
}

fn emblems_of(path: &Path, id: &str, mark: fn(&str) -> String) -> io::Result<usize> {
    let mark = mark(id);
    let mut count = 0;
    each_line(path, |line| count += usize::from(line.contains(&mark)))?;
    Ok(count)
}

/// Whole lines only: the tail without a line end is what a crash left of one.
fn each_line(path: &Path, mut act: impl FnMut(&str)) -> io::Result<()> {
    let file = match File::open(path) {
        Ok(file) => file,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(e) => return Err(e),
    };
    let mut reader = BufReader::new(file);
    let mut line = Vec::new();
    while reader.read_until(b'\n', &mut line)? > 0 {
        if line.ends_with(b"\n") {
            act(&String::from_utf8_lossy(&line));
        }
        line.clear();
    }
    Ok(())
}

/// One row: RFC 4180, with every field that a spreadsheet might take for a formula made plain.
fn row(
    line: &serde_json::Value,
    field: impl Fn(&str, serde_json::Value) -> serde_json::Value,
) -> String {
    let Some(line) = line.as_object() else {
        return String::new();
    };
    let fields: Vec<String> = line
        .iter()
        .map(|(key, value)| csv_field(&field(key, value.clone())))
        .collect();
    fields.join(",") + "\r\n"
}

fn csv_field(value: &serde_json::Value) -> String {
    let text = match value {
        serde_json::Value::Null => return String::new(),
        serde_json::Value::Number(n) => return n.to_string(),
        serde_json::Value::String(s) => s.clone(),
        serde_json::Value::Array(list) => list
            .iter()
            .filter_map(|v| v.as_str())
            .collect::<Vec<_>>()
            .join("; "),
        other => other.to_string(),
    };
    // A line break inside a field would tear the row for everything that reads line by line.
    let text: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    // Common spreadsheet programs run text that begins so as a formula (OWASP, "CSV Injection").
    let text = if text.starts_with(['=', '+', '-', '@']) {
        format!("'{text}")
    } else {
        text
    };
    if text.contains([',', '"', ';', '\'']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    fn intent(id: &str, emblems: &[&str]) -> Intent {
        let line = |e: &&str| LogLine {
            id: id.into(),
            emblem: (*e).into(),
            ..Default::default()
        };
        Intent {
            id: id.into(),
            folder: "shirt".into(),
            lines: emblems.iter().map(line).collect(),
        }
    }

    #[test]
    fn appending_twice_adds_nothing() {
        let dir = tempfile::tempdir().unwrap();
        append(dir.path(), &intent("a", &["crest"])).unwrap();
        // As if the power had failed after the first of two lines.
        append(dir.path(), &intent("b", &["crest"])).unwrap();
        append(dir.path(), &intent("b", &["crest", "number"])).unwrap();
        append(dir.path(), &intent("b", &["crest", "number"])).unwrap();
        let json = fs::read_to_string(dir.path().join(JSON_LINES)).unwrap();
        let table = fs::read_to_string(dir.path().join(TABLE)).unwrap();
        assert_eq!(json.lines().count(), 3);
        assert_eq!(table.lines().count(), 1 + 3);
        assert!(table.starts_with("published,id,job,folder,garment,emblem,verdict,"));
    }

    #[test]
    fn fields_are_quoted_and_never_formulas() {
        let field = |s: &str| csv_field(&serde_json::Value::from(s));
        assert_eq!(field("plain"), "plain");
        assert_eq!(field("a,b"), "\"a,b\"");
        assert_eq!(field("say \"x\""), "\"say \"\"x\"\"\"");
        assert_eq!(field("=1+1"), "\"'=1+1\"");
        assert_eq!(field("@cmd"), "\"'@cmd\"");
        assert_eq!(field("a\r\nb"), "a  b");
        assert_eq!(csv_field(&serde_json::json!(-1.5)), "-1.5");
    }
}
