//! `index.html`: every job, newest first.

use askama::Template;
use measures::Verdict;

use super::figures::{href, size};
use super::job_page::VerdictWords;
use super::{Error, IndexEntry};

/// The list of all jobs, in the order given, as a page that opens from disk. Search, filter and
/// sorting need the page's own small script; without it the whole list is shown.
///
/// # Errors
/// When the template fails: a fault of the program.
pub fn index_page(entries: &[IndexEntry]) -> Result<String, Error> {
    let count = |verdict| entries.iter().filter(|e| e.verdict == verdict).count();
    let page = Page {
        total: entries.len(),
        counts: [Verdict::Cut, Verdict::Look, Verdict::Hold]
            .map(|v| (VerdictWords::of(v), count(v))),
        jobs: entries.iter().map(Job::new).collect(),
    };
    Ok(page.render()?)
}

#[derive(Template)]
#[template(path = "index.html")]
struct Page<'a> {
    total: usize,
    counts: [(VerdictWords, usize); 3],
    jobs: Vec<Job<'a>>,
}

struct Job<'a> {
    name: &'a str,
    title: &'a str,
    link: String,
    verdict: VerdictWords,
    rank: u8,
    date: &'a str,
    picture: Option<String>,
    emblems: Vec<String>,
}

impl<'a> Job<'a> {
    fn new(entry: &'a IndexEntry) -> Self {
        let emblems = entry.emblems.iter().map(|e| {
            let parts = [e.size_mm.map(size), e.version.clone()];
            let parts: Vec<String> = parts.into_iter().flatten().collect();
            if parts.is_empty() {
                e.name.clone()
            } else {
                format!("{}: {}", e.name, parts.join(", "))
            }
        });
        Self {
            name: &entry.job,
            title: entry.garment.as_deref().unwrap_or(&entry.job),
            link: href(&format!("{}/report.html", entry.job)),
            verdict: VerdictWords::of(entry.verdict),
            rank: match entry.verdict {
                Verdict::Cut => 0,
                Verdict::Look => 1,
                Verdict::Hold => 2,
            },
            date: &entry.date,
            picture: entry.picture.as_deref().map(href),
            emblems: emblems.collect(),
        }
    }
}
