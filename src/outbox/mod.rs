//! Publishing: a job's folder appears in the outbox all at once, complete, or not at all; the log
//! gets its lines once.
//!
//! Everything is built in a hidden folder of the outbox, so that the last step is a rename within
//! one file system. Before that step the log's lines are noted as an intent; whoever opens the
//! outbox next finishes what a crash or a power cut left between the rename and the log.

mod fit_json;
mod fit_log;
mod index;
mod intent;

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

pub use fit_json::{fit_json, rounded, ruler_json};
pub use fit_log::{LogLine, read_log};

use crate::durable::{self, Lock};
use crate::job::JobName;
use intent::Intent;

/// Where the outbox keeps what is not published yet.
const WORKSHOP: &str = ".emblemend";
/// More jobs of one name than this are a fault somewhere else.
const MOST_NAMESAKES: u32 = 100_000;

/// Why something could not be published.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The file system refused.
    #[error(
        "the outbox {outbox} cannot be written to: {source}; check that its disk is there, not full, \
         and that this user may write to it", outbox = outbox.display()
    )]
    Io {
        /// The outbox.
        outbox: PathBuf,
        /// What the file system said.
        source: io::Error,
    },
    /// A page could not be made.
    #[error(transparent)]
    Page(#[from] crate::report::Error),
}

/// A folder that jobs are published to.
#[derive(Clone, Debug)]
pub struct Outbox {
    root: PathBuf,
}

/// A job that has been published.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Published {
    /// Its folder in the outbox.
    pub folder: String,
    /// What `index.html` could not be made to show, if anything.
    pub index_trouble: Option<String>,
}

/// A job folder being built.
#[derive(Debug)]
pub struct Building {
    outbox: Outbox,
    id: String,
    _lock: Lock,
}

impl Outbox {
    /// Opens the outbox, making the folder if it is not there; finishes what a crash left behind.
    ///
    /// # Errors
    /// Those of the file system.
    pub fn open(root: &Path) -> Result<Self, Error> {
        let outbox = Self {
            root: root.to_owned(),
        };
        outbox.explain(|| {
            fs::create_dir_all(outbox.buildings())?;
            fs::create_dir_all(outbox.building_locks())?;
            fs::create_dir_all(outbox.intents())?;
            let _lock = outbox.lock()?;
            outbox.recover()
        })?;
        Ok(outbox)
    }

    /// The folder that holds the published jobs.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// The folder of the job published under this mark, if there is one.
    ///
    /// # Errors
    /// Those of the file system.
    pub fn find(&self, id: &str) -> Result<Option<String>, Error> {
        self.explain(|| fit_log::folder_of(&self.root, id))
    }

    /// Begins to build a job's folder. `id` marks this publication for ever.
    ///
    /// # Errors
    /// Those of the file system.
    pub fn begin(&self, id: &str) -> Result<Building, Error> {
        self.explain(|| {
            let _lock = self.lock()?;
            // Before the sweep: a note whose building is gone counts as carried out.
            self.recover()?;
            self.sweep()?;
            let lock = Lock::try_now(&self.building_locks().join(id))?
                .ok_or_else(|| io::Error::other("another program is building the same job"))?;
            fs::create_dir(self.building(id))?;
            Ok(Building {
                outbox: self.clone(),
                id: id.to_owned(),
                _lock: lock,
            })
        })
    }

    fn explain<T>(&self, step: impl FnOnce() -> io::Result<T>) -> Result<T, Error> {
        step().map_err(|source| Error::Io {
            outbox: self.root.clone(),
            source,
        })
    }

    fn buildings(&self) -> PathBuf {
        self.root.join(WORKSHOP).join("building")
    }

    fn building(&self, id: &str) -> PathBuf {
        self.buildings().join(id)
    }

    /// A lock for each building, beside it: a network file system (NFS) locks no folders.
    fn building_locks(&self) -> PathBuf {
        self.root.join(WORKSHOP).join("building-locks")
    }

    fn intents(&self) -> PathBuf {
        self.root.join(WORKSHOP).join("intents")
    }

    fn lock(&self) -> io::Result<Lock> {
        Lock::wait(&self.root.join(WORKSHOP).join("lock"))
    }

    /// Finishes or undoes every publication that was interrupted. The caller holds the lock, so
    /// nobody is in the middle of one now.
    fn recover(&self) -> io::Result<()> {
        durable::remove_unfinished(&self.intents())?;
        durable::remove_unfinished(&self.root)?;
        let mut finished = false;
        for intent in intent::read_all(&self.intents())? {
            let renamed =
                !self.building(&intent.id).exists() && self.root.join(&intent.folder).is_dir();
            if renamed {
                fit_log::append(&self.root, &intent)?;
                finished = true;
            }
            intent.forget(&self.intents())?;
        }
        if finished && let Err(trouble) = self.rebuild_index() {
            tracing::warn!(%trouble, "index.html could not be rebuilt");
        }
        Ok(())
    }

    fn rebuild_index(&self) -> io::Result<()> {
        durable::remove_unfinished(&self.root.join(WORKSHOP))?;
        index::rebuild(
            &self.root,
            &self.root.join(WORKSHOP).join("index-cache.json"),
        )
    }

    /// Removes the locks of programs that are gone, and what they had not finished building.
    fn sweep(&self) -> io::Result<()> {
        for entry in fs::read_dir(self.building_locks())? {
            let entry = entry?;
            if Lock::try_now(&entry.path())?.is_some() {
                let building = self.buildings().join(entry.file_name());
                if building.exists() {
                    fs::remove_dir_all(&building)?;
                }
                fs::remove_file(entry.path())?;
            }
        }
        Ok(())
    }
}

impl Building {
    /// The folder to build in.
    pub fn path(&self) -> PathBuf {
        self.outbox.building(&self.id)
    }

    /// Writes one file of the job.
    ///
    /// # Errors
    /// Those of the file system.
    pub fn write(&self, path: &str, bytes: &[u8]) -> Result<(), Error> {
        self.outbox.explain(|| {
            let path = self.path().join(path);
            fs::create_dir_all(path.parent().unwrap_or(&path))?;
            durable::write_new(&path, bytes)
        })
    }

    /// Gives the folder its name in the outbox, appends the log's lines, rebuilds the index.
    /// A name that is taken gets a number. What has been published under this mark meanwhile, by
    /// a worker given up too early, stays as it is.
    ///
    /// # Errors
    /// Those of the file system. What has happened until then is finished or undone when the
    /// outbox is opened again.
    pub fn publish(self, name: &JobName, lines: &[LogLine]) -> Result<Published, Error> {
        let Self {
            outbox,
            id,
            _lock: _building_lock,
        } = self;
        outbox.explain(|| {
            durable::sync_tree(&outbox.building(&id))?;
            let _lock = outbox.lock()?;
            outbox.recover()?;
            if let Some(folder) = fit_log::folder_of(&outbox.root, &id)? {
                fs::remove_dir_all(outbox.building(&id))?;
                return Ok(Published {
                    folder,
                    index_trouble: None,
                });
            }
            let intent = outbox.give_name(&id, name, lines)?;
            fit_log::append(&outbox.root, &intent)?;
            let index_trouble = outbox.rebuild_index().err().map(|e| e.to_string());
            intent.forget(&outbox.intents())?;
            Ok(Published {
                folder: intent.folder,
                index_trouble,
            })
        })
    }
}

impl Outbox {
    fn give_name(&self, id: &str, name: &JobName, lines: &[LogLine]) -> io::Result<Intent> {
        for n in 1..=MOST_NAMESAKES {
            let folder = name.folder(n);
            let target = self.root.join(&folder);
            if target.symlink_metadata().is_ok() {
                continue;
            }
            let intent = Intent {
                id: id.to_owned(),
                folder,
                lines: lines.to_vec(),
            };
            intent.note(&self.intents())?;
            if durable::rename_folder_if_free(&self.building(id), &target)? {
                durable::sync_folder(&self.root)?;
                durable::sync_folder(&self.buildings())?;
                return Ok(intent);
            }
        }
        Err(io::Error::other(format!(
            "there are {MOST_NAMESAKES} jobs called \"{name}\" already"
        )))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(id: &str) -> LogLine {
        LogLine {
            id: id.into(),
            job: "shirt".into(),
            ..LogLine::default()
        }
    }

    fn publish(outbox: &Outbox, id: &str) -> String {
        let building = outbox.begin(id).unwrap();
        building.write("fit.json", b"{}").unwrap();
        building
            .publish(&JobName::from_text("shirt"), &[line(id)])
            .unwrap()
            .folder
    }

    fn log_lines(outbox: &Outbox) -> Vec<String> {
        let text = fs::read_to_string(outbox.root().join("fit-log.jsonl")).unwrap();
        text.lines().map(str::to_owned).collect()
    }

    #[test]
    fn namesakes_get_a_number_and_nothing_is_replaced() {
        let dir = tempfile::tempdir().unwrap();
        let outbox = Outbox::open(dir.path()).unwrap();
        assert_eq!(publish(&outbox, "a"), "shirt");
        assert_eq!(publish(&outbox, "b"), "shirt-2");
        assert_eq!(publish(&outbox, "c"), "shirt-3");
        assert_eq!(log_lines(&outbox).len(), 3);
        assert_eq!(outbox.find("b").unwrap().as_deref(), Some("shirt-2"));
        assert_eq!(outbox.find("d").unwrap(), None);
    }

    #[test]
    fn a_crash_before_the_rename_leaves_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let outbox = Outbox::open(dir.path()).unwrap();
        let building = outbox.begin("a").unwrap();
        building.write("fit.json", b"{}").unwrap();
        let intent = Intent {
            id: "a".into(),
            folder: "shirt".into(),
            lines: vec![line("a")],
        };
        intent.note(&outbox.intents()).unwrap();
        drop(building);
        let outbox = Outbox::open(dir.path()).unwrap();
        assert_eq!(outbox.find("a").unwrap(), None);
        assert_eq!(publish(&outbox, "a"), "shirt");
        assert_eq!(log_lines(&outbox).len(), 1);
    }

    #[test]
    fn a_crash_while_the_intent_was_noted_leaves_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let outbox = Outbox::open(dir.path()).unwrap();
        let intent = Intent {
            id: "a".into(),
            folder: "shirt".into(),
            lines: vec![line("a")],
        };
        intent.note(&outbox.intents()).unwrap();
        let unfinished = outbox.intents().join(".emblemend-new-x");
        fs::rename(outbox.intents().join("a"), &unfinished).unwrap();
        let outbox = Outbox::open(dir.path()).unwrap();
        assert!(!unfinished.exists());
        assert_eq!(publish(&outbox, "a"), "shirt");
    }

    #[test]
    fn a_crash_after_the_rename_is_finished_once() {
        let dir = tempfile::tempdir().unwrap();
        let outbox = Outbox::open(dir.path()).unwrap();
        let building = outbox.begin("a").unwrap();
        building.write("fit.json", b"{}").unwrap();
        outbox
            .give_name("a", &JobName::from_text("shirt"), &[line("a")])
            .unwrap();
        drop(building);
        for _ in 0..2 {
            let outbox = Outbox::open(dir.path()).unwrap();
            assert_eq!(outbox.find("a").unwrap().as_deref(), Some("shirt"));
            assert_eq!(log_lines(&outbox).len(), 1);
        }
    }

    #[test]
    fn a_mark_is_published_once_whoever_comes_second() {
        let dir = tempfile::tempdir().unwrap();
        let outbox = Outbox::open(dir.path()).unwrap();
        assert_eq!(publish(&outbox, "a"), "shirt");
        assert_eq!(publish(&outbox, "a"), "shirt");
        assert!(!dir.path().join("shirt-2").exists());
        assert_eq!(log_lines(&outbox).len(), 1);
    }

    #[test]
    fn a_note_never_claims_the_folder_of_another_job() {
        let dir = tempfile::tempdir().unwrap();
        let outbox = Outbox::open(dir.path()).unwrap();
        let building = outbox.begin("a").unwrap();
        let intent = Intent {
            id: "a".into(),
            folder: "shirt".into(),
            lines: vec![line("a")],
        };
        intent.note(&outbox.intents()).unwrap();
        // The first worker dies here; another one, at work since before, publishes that name.
        drop(building);
        assert_eq!(publish(&outbox, "b"), "shirt");
        let outbox = Outbox::open(dir.path()).unwrap();
        assert_eq!(outbox.find("a").unwrap(), None);
        assert_eq!(publish(&outbox, "a"), "shirt-2");
    }

    #[test]
    fn what_others_are_building_is_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        let outbox = Outbox::open(dir.path()).unwrap();
        let first = outbox.begin("a").unwrap();
        let second = outbox.begin("b").unwrap();
        assert!(first.path().is_dir());
        drop(second);
        let third = outbox.begin("c").unwrap();
        assert!(!outbox.building("b").exists());
        assert!(first.path().is_dir() && third.path().is_dir());
    }
}
