//! `index.html`: every job that lies in the outbox, newest first.
//!
//! The page always shows what is there. What was read of a job's `fit.json` is kept beside, under
//! that file's identity in the file system, so that a page of ten thousand jobs opens only new ones.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;

use measures::Verdict;
use serde::{Deserialize, Serialize};

use super::read_log;
use crate::clock::Utc;
use crate::durable;
use crate::report::{self, IndexEmblem, IndexEntry};

const INDEX: &str = "index.html";
/// The log over time, drawn.
const LOG_PAGE: &str = "fit-log.html";

/// Builds the page from what is there. A cache that is missing or damaged is built anew.
pub(super) fn rebuild(outbox: &Path, cache: &Path) -> io::Result<()> {
    let text = fs::read(cache).unwrap_or_default();
    let mut known: BTreeMap<String, Known> = serde_json::from_slice(&text).unwrap_or_default();
    let mut found = BTreeMap::new();
    for item in fs::read_dir(outbox)? {
        let item = item?;
        let folder = item.file_name().to_string_lossy().into_owned();
        if !folder.starts_with('.')
            && item.file_type()?.is_dir()
            && let Some(job) = look(outbox, &folder, known.remove(&folder))
        {
            found.insert(folder, job);
        }
    }
    let mut entries: Vec<IndexEntry> = found
        .iter()
        .map(|(folder, known)| known.entry(outbox, folder))
        .collect();
    entries.sort_by(|a, b| (&b.date, &a.job).cmp(&(&a.date, &b.job)));
    let page = report::index_page(&entries).map_err(io::Error::other)?;
    durable::replace(&outbox.join(INDEX), page.as_bytes())?;
    let log = report::log_page(&read_log(outbox)?).map_err(io::Error::other)?;
    durable::replace(&outbox.join(LOG_PAGE), log.as_bytes())?;
    durable::replace(cache, &serde_json::to_vec(&found)?)
}

/// What has been read of one job.
#[derive(Deserialize, Serialize)]
struct Known {
    /// Number, size and time of change (seconds, nanoseconds) of its `fit.json`.
    identity: [i64; 4],
    job: Job,
}

/// Reads one folder's job, if it is not known already; `None` for a folder that is not a job's.
fn look(outbox: &Path, folder: &str, known: Option<Known>) -> Option<Known> {
    let path = outbox.join(folder).join("fit.json");
    let meta = path.metadata().ok()?;
    let identity = [
        meta.ino() as i64,
        meta.size() as i64,
        meta.mtime(),
        meta.mtime_nsec(),
    ];
    if let Some(known) = known
        && known.identity == identity
    {
        return Some(known);
    }
    let job = serde_json::from_slice(&fs::read(path).ok()?).ok()?;
    Some(Known { identity, job })
}

impl Known {
    fn entry(&self, outbox: &Path, folder: &str) -> IndexEntry {
        let job = &self.job;
        let picture = job.emblems.iter().find_map(|e| {
            let picture = format!("{folder}/{}/thumbnail.jpg", e.name);
            outbox.join(&picture).is_file().then_some(picture)
        });
        IndexEntry {
            job: folder.to_owned(),
            garment: job.garment.title.clone(),
            verdict: job.verdict,
            date: Utc::from_seconds(self.identity[2]).for_people(),
            emblems: job.emblems.iter().map(Emblem::entry).collect(),
            picture,
        }
    }
}

#[derive(Deserialize, Serialize)]
struct Job {
    verdict: Verdict,
    emblems: Vec<Emblem>,
    #[serde(default)]
    garment: Garment,
}

#[derive(Default, Deserialize, Serialize)]
struct Garment {
    title: Option<String>,
}

#[derive(Deserialize, Serialize)]
struct Emblem {
    name: String,
    fit: Option<Fit>,
}

#[derive(Deserialize, Serialize)]
struct Fit {
    version: String,
    width_mm: f64,
    height_mm: f64,
}

impl Emblem {
    fn entry(&self) -> IndexEmblem {
        let fit = self.fit.as_ref();
        IndexEmblem {
            name: self.name.clone(),
            version: fit.map(|f| f.version.clone()),
            size_mm: fit.map(|f| [f.width_mm, f.height_mm]),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_page_shows_what_is_there_whatever_is_remembered() {
        let dir = tempfile::tempdir().unwrap();
        let (outbox, cache) = (dir.path(), dir.path().join(".cache"));
        let publish = |job: &str, verdict: &str| {
            fs::create_dir_all(outbox.join(job)).unwrap();
            let fit = format!("{{\"verdict\":\"{verdict}\",\"emblems\":[]}}");
            durable::replace(&outbox.join(job).join("fit.json"), fit.as_bytes()).unwrap();
        };
        let page = || {
            rebuild(outbox, &cache).unwrap();
            fs::read_to_string(outbox.join(INDEX)).unwrap()
        };
        publish("one", "hold");
        publish("two", "look");
        let first = page();
        assert_eq!(page(), first);
        fs::write(&cache, "damaged").unwrap();
        assert_eq!(page(), first);
        publish("one", "look");
        assert_ne!(page(), first);
        fs::remove_dir_all(outbox.join("one")).unwrap();
        assert!(!page().contains("one/report.html"));
    }
}
