//! `fit-log.html`: the log over time, drawn.

use std::collections::BTreeMap;

use askama::Template;

use super::Error;
use super::figures::two_digits;
use crate::known::KnownWidths;
use crate::outbox::LogLine;

/// Most weeks that are drawn.
const WEEKS_MAX: i64 = 52;
const WIDTH: f64 = 640.0;
const HEIGHT: f64 = 220.0;
const LEFT: f64 = 46.0;
const FOOT: f64 = 26.0;
/// The size plot reaches at least so far, in per cent.
const OFF_MIN_PERCENT: f64 = 0.5;

/// The log over time as a page that opens from disk.
///
/// # Errors
/// When the template fails: a fault of the program.
pub fn log_page(lines: &[LogLine]) -> Result<String, Error> {
    let table = KnownWidths::gathered(lines);
    let page = Page {
        emblems: lines.len(),
        weeks: weeks(lines),
        sizes: sizes(lines, &table),
        known: table
            .known
            .iter()
            .map(|k| KnownRow {
                emblem: k.emblem.clone(),
                version: k.version.clone(),
                count: k.count,
                mean: format!("{:.2} mm", k.mean_width_mm),
                spread: k
                    .spread_mm
                    .map_or("–".to_owned(), |mm| format!("{} mm", two_digits(mm))),
            })
            .collect(),
    };
    Ok(page.render()?)
}

#[derive(Template)]
#[template(path = "log.html")]
struct Page {
    emblems: usize,
    weeks: Option<Weeks>,
    sizes: Option<String>,
    known: Vec<KnownRow>,
}

struct Weeks {
    plot: String,
    /// Monday of the week, and how many were cut, look and hold; the latest first.
    rows: Vec<(String, [usize; 3])>,
}

struct KnownRow {
    emblem: String,
    version: String,
    count: u32,
    mean: String,
    spread: String,
}

/// Days since 1 January 1970 of a time that begins `YYYY-MM-DD`; years are counted from March, so
/// that the leap day is a year's last.
fn day(published: &str) -> Option<i64> {
    let part = |range: std::ops::Range<usize>| published.get(range)?.parse::<i64>().ok();
    let (year, month, day) = (part(0..4)?, part(5..7)?, part(8..10)?);
    let year = if month <= 2 { year - 1 } else { year };
    let month_from_march = (month + 9) % 12;
    let day_of_year = (153 * month_from_march + 2) / 5 + day - 1;
    Some(
        365 * year + year.div_euclid(4) - year.div_euclid(100) + year.div_euclid(400) + day_of_year
            - 719_468,
    )
}

/// The Monday at or before a day: 1 January 1970 was a Thursday.
fn week(day: i64) -> i64 {
    (day + 3).div_euclid(7)
}

fn monday(week: i64) -> String {
    let text = crate::clock::Utc::from_seconds((7 * week - 3) * 86_400).iso();
    text.chars().take(10).collect()
}

fn verdict_index(verdict: &str) -> usize {
    match verdict {
        "cut" => 0,
        "look" => 1,
        _ => 2,
    }
}

/// Verdicts a week, as bars.
fn weeks(lines: &[LogLine]) -> Option<Weeks> {
    let mut counts: BTreeMap<i64, [usize; 3]> = BTreeMap::new();
    for line in lines {
        if let Some(day) = day(&line.published) {
            counts.entry(week(day)).or_default()[verdict_index(&line.verdict)] += 1;
        }
    }
    let last = *counts.keys().next_back()?;
    let first = (*counts.keys().next()?).max(last - WEEKS_MAX + 1);
    let shown: Vec<(i64, [usize; 3])> = (first..=last)
        .map(|w| (w, counts.get(&w).copied().unwrap_or_default()))
        .collect();
    let most = shown
        .iter()
        .map(|(_, n)| n.iter().sum::<usize>())
        .max()?
        .max(1);
    let step = (WIDTH - LEFT - 8.0) / shown.len() as f64;
    let y = |n: usize| HEIGHT - FOOT - (HEIGHT - FOOT - 12.0) * n as f64 / most as f64;
    let mut plot = format!(
        "<svg class=\"plot\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"Verdicts a \
         week over {} weeks; the table below has the figures\">",
        shown.len()
    );
    for n in [0, most] {
        plot += &level(y(n), &n.to_string());
    }
    for (k, (w, counts)) in shown.iter().enumerate() {
        let x = LEFT + k as f64 * step;
        let mut below = 0;
        for (class, n) in ["cut", "look", "hold"].iter().zip(counts) {
            let (top, foot) = (y(below + n), y(below));
            below += n;
            if *n > 0 {
                plot.extend([format!(
                    "<rect class=\"{class}\" x=\"{:.1}\" y=\"{top:.1}\" width=\"{:.1}\" \
                     height=\"{:.1}\"><title>week of {}: {n} {class}</title></rect>",
                    x + 0.1 * step,
                    (0.8 * step).min(48.0),
                    foot - top,
                    monday(*w),
                )]);
            }
        }
    }
    plot += &ends(&monday(first), &monday(last));
    plot += "</svg>";
    let rows = shown.iter().rev().map(|(w, n)| (monday(*w), *n)).collect();
    Some(Weeks { plot, rows })
}

/// Sizes against the mean of their version, in per cent, over time.
fn sizes(lines: &[LogLine], table: &KnownWidths) -> Option<String> {
    let dots: Vec<(i64, f64, &LogLine)> = lines
        .iter()
        .filter(|l| l.verdict != "hold")
        .filter_map(|l| {
            let version = l.version.as_deref()?;
            let known = table.of(&l.emblem, version).filter(|k| k.count > 1)?;
            let off = 100.0 * (l.width_mm? / known.mean_width_mm - 1.0);
            Some((day(&l.published)?, off, l))
        })
        .collect();
    let (first, last) = (
        dots.iter().map(|d| d.0).min()?,
        dots.iter().map(|d| d.0).max()?,
    );
    let most = dots
        .iter()
        .map(|d| d.1.abs())
        .fold(OFF_MIN_PERCENT, f64::max);
    let x = |day: i64| {
        let part = (day - first) as f64 / (last - first).max(1) as f64;
        LEFT + 8.0 + (WIDTH - LEFT - 24.0) * part
    };
    let y = |off: f64| 0.5 * (HEIGHT - FOOT + 12.0) - (0.5 * (HEIGHT - FOOT) - 16.0) * off / most;
    let mut plot = format!(
        "<svg class=\"plot\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"{} sizes \
         against the mean of their version: at most {most:.2} % off\">",
        dots.len()
    );
    for off in [-most, 0.0, most] {
        let label = if off == 0.0 {
            "mean".to_owned()
        } else {
            format!("{off:+.1} %")
        };
        plot += &level(y(off), &label);
    }
    for (day, off, line) in &dots {
        plot.extend([format!(
            "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"3\"><title>{}: {} {off:+.2} %</title></circle>",
            x(*day),
            y(*off),
            escaped(&line.job),
            escaped(line.version.as_deref().unwrap_or_default()),
        )]);
    }
    plot += &ends(&date(first), &date(last));
    Some(plot + "</svg>")
}

fn date(day: i64) -> String {
    let text = crate::clock::Utc::from_seconds(day * 86_400).iso();
    text.chars().take(10).collect()
}

fn level(y: f64, label: &str) -> String {
    format!(
        "<line x1=\"{LEFT}\" x2=\"{WIDTH}\" y1=\"{y:.1}\" y2=\"{y:.1}\"/><text x=\"{:.1}\" \
         y=\"{:.1}\" text-anchor=\"end\">{label}</text>",
        LEFT - 5.0,
        y + 4.0
    )
}

fn ends(first: &str, last: &str) -> String {
    let y = HEIGHT - 8.0;
    let mut words = format!("<text x=\"{LEFT}\" y=\"{y}\">{first}</text>");
    if first != last {
        words.extend([format!(
            "<text x=\"{WIDTH}\" y=\"{y}\" text-anchor=\"end\">{last}</text>"
        )]);
    }
    words
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(published: &str, job: &str, verdict: &str, width_mm: f64) -> LogLine {
        LogLine {
            published: published.into(),
            job: job.into(),
            emblem: "crest".into(),
            verdict: verdict.into(),
            version: Some("a<b>.svg".into()),
            width_mm: Some(width_mm),
            ..LogLine::default()
        }
    }

    #[test]
    fn days_and_weeks_are_those_of_the_calendar() {
        assert_eq!(day("1970-01-01T00:00:00Z"), Some(0));
        assert_eq!(day("2000-03-01T00:00:00Z"), Some(11_017));
        assert_eq!(day("rubbish"), None);
        // 5 January 1970 was a Monday.
        assert_eq!((week(3), week(4)), (0, 1));
        assert_eq!(monday(1), "1970-01-05");
    }

    #[test]
    fn the_page_shows_weeks_sizes_and_what_is_known() {
        let lines = [
            line("2026-05-04T10:00:00Z", "one", "cut", 78.0),
            line("2026-05-05T10:00:00Z", "two<", "look", 78.4),
            line("2026-05-20T10:00:00Z", "three", "hold", 60.0),
        ];
        let page = log_page(&lines).unwrap();
        assert!(page.contains("2026-05-04") && page.contains("2026-05-18"));
        assert!(page.contains("78.20 mm") && page.contains("two&lt;"));
        assert!(!page.contains("a<b>") && !page.contains("two<:"));
        assert_eq!(page.matches("<circle").count(), 2);
        assert!(log_page(&[]).unwrap().contains("No emblem"));
    }
}
