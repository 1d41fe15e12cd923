//! What lies in the inbox, and which of it has arrived whole.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::job::JOB_FILE;

/// Folders whose jobs have been claimed are set aside here.
pub(super) const ASIDE: &str = ".emblemend-taken";
/// The lock of the daemon that watches it.
pub(super) const INBOX_LOCK: &str = ".emblemend-lock";
/// Says that the folder it lies in is complete.
pub(super) const READY: &str = "READY";
/// A dropped folder may hold job folders this deep (a phone's album of several).
const DEEPEST_ALBUM: usize = 3;
/// Looking into a folder again that has not changed may take the time to read every photo.
const LOOK_AGAIN: Duration = Duration::from_mins(1);
/// More entries than this in one folder are not compared one by one.
const MOST_ENTRIES: usize = 20_000;

/// Everything about a folder's content that changes while it is being copied.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Signature {
    entries: BTreeMap<PathBuf, (u64, i64, i64, u64)>,
    /// The name of a file that some program is still copying.
    pub(super) partial: Option<String>,
    ready: bool,
    /// The folder itself was touched after everything in it: it was renamed into place whole.
    moved_in: bool,
}

impl Signature {
    /// Looks at a whole folder without opening a file.
    pub(super) fn of(folder: &Path) -> io::Result<Self> {
        let mut signature = Self::default();
        let changed = |meta: &fs::Metadata| (meta.ctime(), meta.ctime_nsec());
        let mut newest = (0, 0);
        for entry in walkdir::WalkDir::new(folder)
            .min_depth(1)
            .sort_by_file_name()
        {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            if is_litter(&name) {
                continue;
            }
            if is_partial(&name) {
                signature.partial.get_or_insert(name);
            } else if entry.depth() == 1 && name == READY {
                signature.ready = true;
            }
            let meta = entry.metadata()?;
            newest = newest.max(changed(&meta));
            let key = (meta.len(), meta.mtime(), meta.mtime_nsec(), meta.ino());
            let path = entry.path().strip_prefix(folder).unwrap_or(entry.path());
            signature.entries.insert(path.to_owned(), key);
            if signature.entries.len() > MOST_ENTRIES {
                break;
            }
        }
        // Being renamed changes a folder's ctime alone; what is made or removed in it, also mtime.
        let own = folder.metadata()?;
        let renamed = changed(&own) > (own.mtime(), own.mtime_nsec());
        signature.moved_in = renamed && changed(&own) > newest;
        Ok(signature)
    }

    fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }
}

/// Files that file managers leave behind; they say nothing about the job.
fn is_litter(name: &str) -> bool {
    const LITTER: [&str; 5] = [
        ".DS_Store",
        "Thumbs.db",
        "desktop.ini",
        ".directory",
        "__MACOSX",
    ];
    LITTER.contains(&name) || name.starts_with("._") || name.starts_with("~$")
}

/// Names under which programs copy until the file is complete.
fn is_partial(name: &str) -> bool {
    const ENDS: [&str; 6] = [
        ".part",
        ".partial",
        ".crdownload",
        ".download",
        ".tmp",
        ".filepart",
    ];
    let name = name.to_lowercase();
    ENDS.iter().any(|end| name.ends_with(end))
        || name.starts_with(".syncthing.")
        || name.starts_with('.')
            && name.rsplit('.').next().is_some_and(|e| e.len() == 6)
            && name.matches('.').count() >= 3
}

/// The job folders in the inbox: every folder with a job file. A dropped folder without one,
/// nor in its folders, is taken for a job whose file is still to come.
pub(super) fn job_folders(inbox: &Path) -> io::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    for entry in fs::read_dir(inbox)? {
        let entry = entry?;
        if entry.file_type()?.is_dir() && !entry.file_name().to_string_lossy().starts_with('.') {
            let before = found.len();
            album(&entry.path(), 0, &mut found);
            if found.len() == before {
                found.push(entry.path());
            }
        }
    }
    found.sort();
    Ok(found)
}

fn album(folder: &Path, depth: usize, found: &mut Vec<PathBuf>) {
    if folder.join(JOB_FILE).symlink_metadata().is_ok() {
        found.push(folder.to_owned());
        return;
    }
    if depth == DEEPEST_ALBUM {
        return;
    }
    // A folder that vanishes or cannot be read now is met again at the next scan.
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        if entry.file_type().is_ok_and(|t| t.is_dir()) {
            album(&entry.path(), depth + 1, found);
        }
    }
}

/// What a folder's arrival waits for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Arrival {
    /// Still changing, or seen too few times.
    Settling,
    /// Nothing changes any more: its files may be looked at.
    Quiet,
    /// Its sender says that it is complete.
    Ready,
    /// It has been waited for long enough.
    Overdue,
}

/// What it takes for a folder to have arrived.
#[derive(Clone, Copy, Debug)]
pub(super) struct Patience {
    /// Scans that agree,
    pub(super) scans: u32,
    /// over so long a time, however fast events make scans follow each other;
    pub(super) quiet: Duration,
    /// or no change for so long.
    pub(super) deadline: Duration,
}

#[derive(Debug)]
struct Seen {
    signature: Signature,
    agreeing: u32,
    changed: Instant,
    /// When its files were last found incomplete.
    looked: Option<Instant>,
    why: String,
}

/// The folders that are arriving.
#[derive(Debug, Default)]
pub(super) struct Arrivals {
    seen: BTreeMap<PathBuf, Seen>,
}

impl Arrivals {
    /// Compares a folder with the last scan.
    pub(super) fn look(&mut self, folder: &Path, patience: Patience) -> io::Result<Arrival> {
        let Patience {
            scans,
            quiet,
            deadline,
        } = patience;
        let signature = Signature::of(folder)?;
        let seen = self.seen.entry(folder.to_owned()).or_insert_with(|| Seen {
            signature: Signature::default(),
            agreeing: 0,
            changed: Instant::now(),
            looked: None,
            why: String::new(),
        });
        if signature.is_empty() {
            // Made to be filled; nothing has been dropped yet.
            seen.changed = Instant::now();
            "nothing in it yet".clone_into(&mut seen.why);
            return Ok(Arrival::Settling);
        }
        if seen.signature == signature {
            seen.agreeing += 1;
        } else {
            *seen = Seen {
                signature: signature.clone(),
                agreeing: 1,
                changed: Instant::now(),
                looked: None,
                why: "still changing".into(),
            };
        }
        if signature.ready {
            return Ok(Arrival::Ready);
        }
        if seen.changed.elapsed() >= deadline {
            return Ok(Arrival::Overdue);
        }
        if let Some(partial) = signature.partial {
            seen.why = format!("{partial} is still being copied");
            return Ok(Arrival::Settling);
        }
        let still = seen.agreeing >= scans && seen.changed.elapsed() >= quiet;
        let looked = seen.looked.is_some_and(|at| at.elapsed() < LOOK_AGAIN);
        Ok(if (signature.moved_in || still) && !looked {
            Arrival::Quiet
        } else {
            Arrival::Settling
        })
    }

    /// Notes what a quiet folder lacks: without a change it is not looked into again for a while.
    pub(super) fn incomplete(&mut self, folder: &Path, why: String) {
        if let Some(seen) = self.seen.get_mut(folder) {
            seen.why = why;
            seen.looked = Some(Instant::now());
        }
    }

    /// Notes why a folder cannot be taken now.
    pub(super) fn refused(&mut self, folder: &Path, why: String) {
        if let Some(seen) = self.seen.get_mut(folder) {
            seen.why = why;
        }
    }

    /// The folder has been claimed, or is gone.
    pub(super) fn keep_only(&mut self, folders: &[PathBuf]) {
        self.seen.retain(|folder, _| folders.contains(folder));
    }

    /// Every arriving folder, why it is not complete, and for how long nothing changed.
    pub(super) fn waiting(&self) -> impl Iterator<Item = (&Path, &str, Duration)> {
        self.seen
            .iter()
            .map(|(f, s)| (f.as_path(), s.why.as_str(), s.changed.elapsed()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LONG: Duration = Duration::from_hours(1);

    fn scans(scans: u32) -> Patience {
        Patience {
            scans,
            quiet: Duration::ZERO,
            deadline: LONG,
        }
    }

    fn inbox_with(files: &[&str]) -> tempfile::TempDir {
        let dir = tempfile::tempdir().unwrap();
        for file in files {
            let path = dir.path().join(file);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, file).unwrap();
        }
        dir
    }

    #[test]
    fn jobs_in_albums_are_found_and_hidden_folders_are_not() {
        let dir = inbox_with(&[
            "shirt/job.toml",
            "album/one/job.toml",
            "album/two/job.toml",
            "album/two/inner/job.toml",
            "coming/photo.jpg",
            ".emblemend-taken/x/job.toml",
            "loose.jpg",
        ]);
        let found = job_folders(dir.path()).unwrap();
        let names: Vec<_> = found
            .iter()
            .map(|f| f.strip_prefix(dir.path()).unwrap())
            .collect();
        assert_eq!(
            names,
            ["album/one", "album/two", "coming", "shirt"].map(Path::new)
        );
    }

    #[test]
    fn a_folder_settles_when_scans_agree() {
        let dir = inbox_with(&["shirt/job.toml"]);
        let shirt = dir.path().join("shirt");
        let mut arrivals = Arrivals::default();
        assert_eq!(arrivals.look(&shirt, scans(2)).unwrap(), Arrival::Settling);
        assert_eq!(arrivals.look(&shirt, scans(2)).unwrap(), Arrival::Quiet);
        fs::write(shirt.join("photo.jpg"), "more").unwrap();
        assert_eq!(arrivals.look(&shirt, scans(2)).unwrap(), Arrival::Settling);
        fs::write(shirt.join(".DS_Store"), "litter").unwrap();
        assert_eq!(arrivals.look(&shirt, scans(2)).unwrap(), Arrival::Quiet);
    }

    #[test]
    fn a_folder_renamed_into_place_has_arrived() {
        let dir = inbox_with(&["elsewhere/shirt/job.toml"]);
        std::thread::sleep(Duration::from_millis(20));
        let shirt = dir.path().join("shirt");
        fs::rename(dir.path().join("elsewhere/shirt"), &shirt).unwrap();
        let mut arrivals = Arrivals::default();
        assert_eq!(arrivals.look(&shirt, scans(100)).unwrap(), Arrival::Quiet);
    }

    #[test]
    fn a_folder_that_something_was_removed_from_has_not_arrived() {
        let dir = inbox_with(&["shirt/job.toml", "shirt/temporary"]);
        std::thread::sleep(Duration::from_millis(20));
        let shirt = dir.path().join("shirt");
        fs::remove_file(shirt.join("temporary")).unwrap();
        let mut arrivals = Arrivals::default();
        assert_eq!(
            arrivals.look(&shirt, scans(100)).unwrap(),
            Arrival::Settling
        );
    }

    #[test]
    fn partial_names_wait_and_the_ready_file_does_not() {
        let dir = inbox_with(&["shirt/photo.jpg.part"]);
        let shirt = dir.path().join("shirt");
        let mut arrivals = Arrivals::default();
        for _ in 0..4 {
            assert_eq!(arrivals.look(&shirt, scans(2)).unwrap(), Arrival::Settling);
        }
        assert_eq!(
            arrivals
                .look(
                    &shirt,
                    Patience {
                        deadline: Duration::ZERO,
                        ..scans(2)
                    }
                )
                .unwrap(),
            Arrival::Overdue
        );
        fs::write(shirt.join(READY), "").unwrap();
        assert_eq!(arrivals.look(&shirt, scans(2)).unwrap(), Arrival::Ready);
    }

    #[test]
    fn names_of_partial_copies_are_known() {
        for name in [
            "a.jpg.part",
            "A.CRDOWNLOAD",
            ".photo.jpg.x1Y2z3",
            ".syncthing.a.jpg.tmp",
        ] {
            assert!(is_partial(name), "{name}");
        }
        for name in ["photo.jpg", "job.toml", "partial.svg", ".hidden"] {
            assert!(!is_partial(name), "{name}");
        }
    }
}
