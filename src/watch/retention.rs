//! What becomes of dropped folders: kept aside for some days, then removed if, and only if, the
//! published copy holds the same. The outbox is never touched.

use std::collections::BTreeMap;
use std::fs;
use std::io::{self, BufRead as _};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use sha2::{Digest as _, Sha256};

use super::inbox::ASIDE;
use super::spool::{Spool, State, aside};

/// Beginning of the names of set-aside folders that are being removed.
const REMOVING: &str = "removing-";

/// Removes what is old and safely published; names what is kept because it differs.
pub(super) fn prune(
    spool: &Spool,
    inbox: &Path,
    outbox: &Path,
    keep: Duration,
    now: SystemTime,
) -> io::Result<Vec<String>> {
    finish_removing(&inbox.join(ASIDE))?;
    let mut kept = Vec::new();
    for ticket in spool.tickets(State::Done)? {
        let dropped = aside(inbox, &ticket);
        let Some(published) = &ticket.published else {
            continue;
        };
        if !dropped.exists() {
            // Somebody took it away, or the inbox is not there now.
            if inbox.is_dir()
                && !super::spool::is_in_place(&ticket)
                && is_old(spool, &ticket.id, keep, now)
            {
                spool.forget(State::Done, &ticket.id)?;
            }
            continue;
        }
        if !is_old(spool, &ticket.id, keep, now) {
            continue;
        }
        let source = outbox.join(published).join("source");
        if source.is_dir()
            && sizes(&dropped)? == sizes(&source)?
            && hashes(&dropped)? == hashes(&source)?
        {
            // In one step: what is half removed would look like something that differs.
            let doomed = inbox.join(ASIDE).join(format!("{REMOVING}{}", ticket.id));
            fs::rename(dropped.parent().unwrap_or(&dropped), &doomed)?;
            spool.forget(State::Done, &ticket.id)?;
            fs::remove_dir_all(doomed)?;
        } else {
            kept.push(dropped.to_string_lossy().into_owned());
        }
    }
    Ok(kept)
}

/// Removes what was being removed when the power failed.
fn finish_removing(aside: &Path) -> io::Result<()> {
    for entry in fs::read_dir(aside).into_iter().flatten() {
        let entry = entry?;
        if entry.file_name().to_string_lossy().starts_with(REMOVING) {
            fs::remove_dir_all(entry.path())?;
        }
    }
    Ok(())
}

/// A clock that was set back makes nothing old.
fn is_old(spool: &Spool, id: &str, keep: Duration, now: SystemTime) -> bool {
    let published = spool.ticket_time(State::Done, id);
    published.is_some_and(|then| now.duration_since(then).is_ok_and(|age| age >= keep))
}

fn hash(path: &Path) -> io::Result<Vec<u8>> {
    let mut file = io::BufReader::new(fs::File::open(path)?);
    let mut hash = Sha256::new();
    loop {
        let block = file.fill_buf()?;
        if block.is_empty() {
            return Ok(hash.finalize().to_vec());
        }
        hash.update(block);
        let read = block.len();
        file.consume(read);
    }
}

/// Size of every file, by name: most differences show before anything is read.
fn sizes(folder: &Path) -> io::Result<BTreeMap<PathBuf, Option<u64>>> {
    each_file(folder, |file| Ok(file.metadata()?.len()))
}

/// Content of every file, by name.
fn hashes(folder: &Path) -> io::Result<BTreeMap<PathBuf, Option<Vec<u8>>>> {
    each_file(folder, hash)
}

/// `None` stands for what is not a file, which no copy holds.
fn each_file<T>(
    folder: &Path,
    look: impl Fn(&Path) -> io::Result<T>,
) -> io::Result<BTreeMap<PathBuf, Option<T>>> {
    let mut all = BTreeMap::new();
    for entry in walkdir::WalkDir::new(folder).min_depth(1) {
        let entry = entry?;
        if entry.file_type().is_dir() {
            continue;
        }
        let name = entry
            .path()
            .strip_prefix(folder)
            .unwrap_or(entry.path())
            .to_owned();
        let seen = if entry.file_type().is_file() {
            Some(look(entry.path())?)
        } else {
            None
        };
        all.insert(name, seen);
    }
    Ok(all)
}

#[cfg(test)]
mod tests {
    use super::*;

    use crate::folder::Limits;

    const MONTH: Duration = Duration::from_hours(30 * 24);

    struct Bench {
        dir: tempfile::TempDir,
        spool: Spool,
        dropped: PathBuf,
    }

    /// A published job whose dropped folder has been set aside.
    fn published(source: &str) -> Bench {
        let dir = tempfile::tempdir().unwrap();
        let inbox = dir.path().join("inbox");
        let shirt = inbox.join("shirt");
        fs::create_dir_all(&shirt).unwrap();
        fs::write(shirt.join("job.toml"), "as dropped").unwrap();
        let spool = Spool::open(&dir.path().join("state")).unwrap();
        let limits = Limits {
            largest_file_mb: 1,
            largest_job_mb: 1,
            most_files: 9,
            deepest_folders: 1,
        };
        let mut ticket = spool.claim(&inbox, &shirt, &limits).unwrap();
        super::super::spool::set_aside(&inbox, &ticket).unwrap();
        ticket.published = Some("shirt".into());
        spool.save(State::New, &ticket).unwrap();
        spool.shift(&ticket.id, State::New, State::Done).unwrap();
        fs::create_dir_all(dir.path().join("outbox/shirt/source")).unwrap();
        fs::write(dir.path().join("outbox/shirt/source/job.toml"), source).unwrap();
        let dropped = aside(&inbox, &ticket);
        Bench {
            dir,
            spool,
            dropped,
        }
    }

    fn prune_in(bench: &Bench, days_from_now: i64) -> Vec<String> {
        let days = Duration::from_secs(86_400 * days_from_now.unsigned_abs());
        let now = crate::clock::now();
        let now = if days_from_now < 0 {
            now - days
        } else {
            now + days
        };
        let path = bench.dir.path();
        prune(
            &bench.spool,
            &path.join("inbox"),
            &path.join("outbox"),
            MONTH,
            now,
        )
        .unwrap()
    }

    #[test]
    fn a_dropped_folder_goes_after_its_time_if_the_copy_is_the_same() {
        let bench = published("as dropped");
        // A clock a year back, then right, then a year ahead.
        for (days, kept) in [(-365, true), (0, true), (365, false)] {
            assert!(prune_in(&bench, days).is_empty());
            assert_eq!(bench.dropped.exists(), kept, "{days} days from now");
        }
        assert_eq!(bench.spool.count(State::Done).unwrap(), 0);
        assert!(
            bench
                .dir
                .path()
                .join("outbox/shirt/source/job.toml")
                .is_file()
        );
    }

    #[test]
    fn a_dropped_folder_stays_if_the_copy_differs_or_is_gone() {
        let bench = published("something else");
        assert_eq!(prune_in(&bench, 365).len(), 1);
        fs::remove_dir_all(bench.dir.path().join("outbox/shirt")).unwrap();
        assert_eq!(prune_in(&bench, 365).len(), 1);
        assert!(bench.dropped.join("job.toml").is_file());
    }
}
