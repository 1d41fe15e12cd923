//! `index.html`: every job that lies in the outbox, newest first.

use std::fs;
use std::io;
use std::path::Path;

use measures::Verdict;
use serde::Deserialize;

use crate::clock::Utc;
use crate::durable;
use crate::report::{self, IndexEmblem, IndexEntry};

const INDEX: &str = "index.html";

/// Builds the page from what is there.
pub(super) fn rebuild(outbox: &Path) -> io::Result<()> {
    let mut entries = Vec::new();
    for item in fs::read_dir(outbox)? {
        let item = item?;
        let folder = item.file_name().to_string_lossy().into_owned();
        if !folder.starts_with('.')
            && item.file_type()?.is_dir()
            && let Some(entry) = entry(outbox, &folder)
        {
            entries.push(entry);
        }
    }
    entries.sort_by(|a, b| (&b.date, &a.job).cmp(&(&a.date, &b.job)));
    let page = report::index_page(&entries).map_err(io::Error::other)?;
    durable::replace(&outbox.join(INDEX), page.as_bytes())
}

/// What the page shows of one folder; `None` for a folder that is not a job's.
fn entry(outbox: &Path, folder: &str) -> Option<IndexEntry> {
    let path = outbox.join(folder);
    let text = fs::read(path.join("fit.json")).ok()?;
    let job: Job = serde_json::from_slice(&text).ok()?;
    let date = path.join("fit.json").metadata().and_then(|m| m.modified());
    let picture = job.emblems.iter().find_map(|e| {
        let picture = format!("{folder}/{}/thumbnail.jpg", e.name);
        outbox.join(&picture).is_file().then_some(picture)
    });
    Some(IndexEntry {
        job: folder.to_owned(),
        garment: job.garment.title,
        verdict: job.verdict,
        date: date.map_or(String::new(), |d| Utc::from(d).for_people()),
        emblems: job.emblems.into_iter().map(Emblem::entry).collect(),
        picture,
    })
}

#[derive(Deserialize)]
struct Job {
    verdict: Verdict,
    emblems: Vec<Emblem>,
    #[serde(default)]
    garment: Garment,
}

#[derive(Default, Deserialize)]
struct Garment {
    title: Option<String>,
}

#[derive(Deserialize)]
struct Emblem {
    name: String,
    fit: Option<Fit>,
}

#[derive(Deserialize)]
struct Fit {
    version: String,
    width_mm: f64,
    height_mm: f64,
}

impl Emblem {
    fn entry(self) -> IndexEmblem {
        let size_mm = self.fit.as_ref().map(|f| [f.width_mm, f.height_mm]);
        IndexEmblem {
            name: self.name,
            version: self.fit.map(|f| f.version),
            size_mm,
        }
    }
}
