//! The spool: claimed jobs on the daemon's own disk. The folder a job lies in is its state.

use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use serde::{Deserialize, Serialize};

use super::inbox::{ASIDE, Signature};
use crate::clock;
use crate::durable;
use crate::folder::{self, Folder, Limits};
use crate::job::JobName;

/// Where a job is in its life.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum State {
    /// Claimed.
    New,
    /// In a worker's hands.
    Working,
    /// Published.
    Done,
    /// Published as held because no worker survived it.
    Held,
}

impl State {
    pub(super) const ALL: [Self; 4] = [Self::New, Self::Working, Self::Done, Self::Held];

    pub(super) fn word(self) -> &'static str {
        match self {
            Self::New => "new",
            Self::Working => "working",
            Self::Done => "done",
            Self::Held => "held",
        }
    }
}

/// What is known of a claimed job; lies in its folder as `ticket.json`.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub(super) struct Ticket {
    /// The mark of its publication.
    pub(super) id: String,
    /// Its name.
    pub(super) name: String,
    /// Where it was dropped.
    #[serde(with = "any_path")]
    pub(super) source: PathBuf,
    /// That folder's own number in its file system,
    pub(super) inode: u64,
    /// and that of the inbox: another folder in its place knows nothing of this job.
    pub(super) inbox_inode: u64,
    /// When it was claimed: UTC.
    pub(super) claimed: String,
    /// Tries that ended with the worker's death.
    pub(super) crashes: u32,
    /// Tries begun of which no end is known: the daemon, or the computer, stopped. Counted
    /// before each try.
    pub(super) interruptions: u32,
    /// There was too much in the folder to copy: it is read where it was set aside.
    pub(super) uncopied: bool,
    /// Why no further try is made.
    pub(super) hold_because: Option<String>,
    /// What happened to the dropped folder after it was claimed.
    pub(super) notes: Vec<String>,
    /// The folder in the outbox, once published.
    pub(super) published: Option<String>,
}

/// Paths need not be text; those that are not are written as their bytes.
mod any_path {
    use std::ffi::OsString;
    use std::os::unix::ffi::{OsStrExt as _, OsStringExt as _};
    use std::path::{Path, PathBuf};

    use serde::{Deserialize, Deserializer, Serialize as _, Serializer};

    pub(super) fn serialize<S: Serializer>(path: &Path, to: S) -> Result<S::Ok, S::Error> {
        match path.to_str() {
            Some(text) => text.serialize(to),
            None => path.as_os_str().as_bytes().serialize(to),
        }
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<PathBuf, D::Error> {
        #[derive(Deserialize)]
        #[serde(untagged)]
        enum Written {
            Text(PathBuf),
            Bytes(Vec<u8>),
        }
        Ok(match Written::deserialize(from)? {
            Written::Text(path) => path,
            Written::Bytes(bytes) => OsString::from_vec(bytes).into(),
        })
    }
}

/// Marks, beside its ticket, a job whose dropped folder no longer lies where it was dropped.
const SET_ASIDE: &str = "set-aside";

/// The claimed jobs.
#[derive(Debug)]
pub(super) struct Spool {
    root: PathBuf,
}

/// Why a job could not be claimed now.
#[derive(Debug, thiserror::Error)]
pub(super) enum ClaimError {
    /// It was still changing.
    #[error("it changed while it was being copied")]
    Changing,
    /// The file system refused.
    #[error(transparent)]
    Io(#[from] io::Error),
}

impl Spool {
    /// Opens the spool and undoes what was interrupted.
    pub(super) fn open(state: &Path) -> io::Result<Self> {
        let spool = Self {
            root: state.join("spool"),
        };
        fs::create_dir_all(spool.copying())?;
        for state in State::ALL {
            fs::create_dir_all(spool.root.join(state.word()))?;
        }
        spool.recover(&[])?;
        Ok(spool)
    }

    /// Finishes or undoes what was interrupted, by a crash or by a disk that refused. `at_work`
    /// are the jobs that are in a worker's hands.
    pub(super) fn recover(&self, at_work: &[Ticket]) -> io::Result<()> {
        for half_made in fs::read_dir(self.copying())? {
            fs::remove_dir_all(half_made?.path())?;
        }
        for id in self.ids(State::Working)? {
            if !at_work.iter().any(|ticket| ticket.id == id) {
                self.shift(&id, State::Working, State::New)?;
            }
        }
        for id in self.ids(State::Done)? {
            if self.place(State::Done, &id).join("job").exists() {
                self.drop_copy(State::Done, &id)?;
            }
        }
        for state in State::ALL {
            durable::sync_folder(&self.root.join(state.word()))?;
        }
        Ok(())
    }

    fn copying(&self) -> PathBuf {
        self.root.join("copying")
    }

    fn place(&self, state: State, id: &str) -> PathBuf {
        self.root.join(state.word()).join(id)
    }

    /// The job's folder, as dropped.
    pub(super) fn job_folder(&self, state: State, ticket: &Ticket) -> PathBuf {
        self.place(state, &ticket.id).join("job").join(&ticket.name)
    }

    /// How many jobs are in a state.
    pub(super) fn count(&self, state: State) -> io::Result<usize> {
        Ok(fs::read_dir(self.root.join(state.word()))?.count())
    }

    /// The marks of the jobs in a state, oldest first.
    pub(super) fn ids(&self, state: State) -> io::Result<Vec<String>> {
        let mut ids = Vec::new();
        for entry in fs::read_dir(self.root.join(state.word()))? {
            let entry = entry?;
            if entry.file_type()?.is_dir() {
                ids.push(entry.file_name().to_string_lossy().into_owned());
            }
        }
        ids.sort();
        Ok(ids)
    }

    /// When the oldest job that is not published yet was claimed.
    pub(super) fn oldest_claim(&self) -> Option<SystemTime> {
        let unfinished = [State::New, State::Working].map(|state| self.ids(state));
        let ids = unfinished.into_iter().flatten().flatten();
        ids.min().and_then(|id| clock::time_of_mark(&id))
    }

    /// One job's ticket.
    pub(super) fn ticket(&self, state: State, id: &str) -> io::Result<Ticket> {
        let path = self.place(state, id).join("ticket.json");
        let explain = |e: io::Error| {
            io::Error::new(
                e.kind(),
                format!(
                    "{}: {e}; mend this file or move its folder elsewhere",
                    path.display()
                ),
            )
        };
        let text = fs::read(&path).map_err(explain)?;
        serde_json::from_slice(&text).map_err(|e| explain(e.into()))
    }

    /// The jobs in a state, oldest first.
    pub(super) fn tickets(&self, state: State) -> io::Result<Vec<Ticket>> {
        let ids = self.ids(state)?;
        ids.iter().map(|id| self.ticket(state, id)).collect()
    }

    /// Writes the job's ticket.
    pub(super) fn save(&self, state: State, ticket: &Ticket) -> io::Result<()> {
        let path = self.place(state, &ticket.id).join("ticket.json");
        durable::replace(&path, &serde_json::to_vec_pretty(ticket)?)
    }

    /// Moves a job to another state.
    pub(super) fn shift(&self, id: &str, from: State, to: State) -> io::Result<()> {
        fs::rename(self.place(from, id), self.place(to, id))?;
        durable::sync_folder(&self.root.join(to.word()))?;
        durable::sync_folder(&self.root.join(from.word()))
    }

    /// Claims a dropped folder: a verified copy in the spool, then the folder is set aside. After
    /// an error of the file system the job may be claimed or not: [`Self::recover`] settles it.
    pub(super) fn claim(
        &self,
        inbox: &Path,
        source: &Path,
        limits: &Limits,
    ) -> Result<Ticket, ClaimError> {
        let name = JobName::of_folder(source)?;
        let before = Signature::of(source)?;
        let ticket = Ticket {
            id: clock::unique_mark(),
            name: name.to_string(),
            source: source.to_owned(),
            inode: source.metadata()?.ino(),
            inbox_inode: inbox.metadata()?.ino(),
            claimed: clock::Utc::now().iso(),
            crashes: 0,
            interruptions: 0,
            uncopied: false,
            hold_because: None,
            notes: Vec::new(),
            published: None,
        };
        let copy = self.copying().join(&ticket.id);
        let copied = copy_in(source, &copy, ticket, limits).and_then(|ticket| {
            durable::sync_tree(&copy)?;
            Ok((ticket, Signature::of(source)?))
        });
        let ticket = match copied {
            Ok((ticket, after)) if after == before => ticket,
            other => {
                let _ = fs::remove_dir_all(&copy);
                return Err(other.err().map_or(ClaimError::Changing, ClaimError::Io));
            }
        };
        fs::rename(&copy, self.place(State::New, &ticket.id))?;
        durable::sync_folder(&self.root.join(State::New.word()))?;
        Ok(ticket)
    }

    /// Claimed jobs of whose dropped folder it is not known that it has been set aside.
    pub(super) fn left_in_place(&self) -> io::Result<Vec<Ticket>> {
        let mut left = Vec::new();
        for state in State::ALL {
            for id in self.ids(state)? {
                if !self.place(state, &id).join(SET_ASIDE).exists() {
                    left.push(self.ticket(state, &id)?);
                }
            }
        }
        Ok(left)
    }

    /// Notes that the dropped folder is no longer where it was dropped: from now on a folder of
    /// that name, and even of that number, is another drop.
    pub(super) fn note_set_aside(&self, id: &str) -> io::Result<()> {
        let mut places = State::ALL.into_iter().map(|state| self.place(state, id));
        if let Some(place) = places.find(|place| place.is_dir()) {
            fs::File::create(place.join(SET_ASIDE))?;
            durable::sync_folder(&place)?;
        }
        Ok(())
    }

    /// Drops the copy of a published job; its ticket stays until the dropped folder is gone.
    pub(super) fn drop_copy(&self, state: State, id: &str) -> io::Result<()> {
        fs::remove_dir_all(self.place(state, id).join("job"))
    }

    /// When the job's ticket was last written: for a published job, when that was noted.
    pub(super) fn ticket_time(&self, state: State, id: &str) -> Option<SystemTime> {
        self.place(state, id)
            .join("ticket.json")
            .metadata()
            .ok()?
            .modified()
            .ok()
    }

    /// Forgets a job.
    pub(super) fn forget(&self, state: State, id: &str) -> io::Result<()> {
        // In one step: a half-removed job has no ticket any more.
        let doomed = self.copying().join(id);
        fs::rename(self.place(state, id), &doomed)?;
        fs::remove_dir_all(doomed)
    }
}

/// Copies the dropped folder and writes its ticket beside.
fn copy_in(source: &Path, copy: &Path, mut ticket: Ticket, limits: &Limits) -> io::Result<Ticket> {
    let inner = copy.join("job").join(&ticket.name);
    fs::create_dir_all(copy.join("job"))?;
    match Folder::scan(source, limits) {
        Ok(folder) => folder.snapshot_to(&inner)?,
        Err(folder::Error::Io { source, .. }) => return Err(source),
        Err(folder::Error::TooMuch(_)) => ticket.uncopied = true,
    }
    durable::write_new(
        &copy.join("ticket.json"),
        &serde_json::to_vec_pretty(&ticket)?,
    )?;
    Ok(ticket)
}

/// Whether two folders hold the same files. Those too large for a job are compared by size alone.
pub(super) fn same_files(a: &Path, b: &Path, limits: &Limits) -> bool {
    let list = |folder: &Path| -> Vec<(PathBuf, u64)> {
        let files = walkdir::WalkDir::new(folder)
            .min_depth(1)
            .sort_by_file_name()
            .into_iter();
        let files = files.flatten().filter(|e| e.file_type().is_file());
        files
            .filter_map(|e| {
                let name = e.path().strip_prefix(folder).ok()?.to_owned();
                Some((name, e.metadata().ok()?.len()))
            })
            .collect()
    };
    let files = list(a);
    let small = |bytes: u64| bytes <= limits.largest_file_mb * 1_000_000;
    let same_content = |name: &Path| match (fs::read(a.join(name)), fs::read(b.join(name))) {
        (Ok(a), Ok(b)) => a == b,
        _ => false,
    };
    files == list(b)
        && files
            .iter()
            .all(|(name, bytes)| !small(*bytes) || same_content(name))
}

/// Whether the dropped folder, and not another of its name, is still there.
pub(super) fn is_in_place(ticket: &Ticket) -> bool {
    ticket
        .source
        .symlink_metadata()
        .is_ok_and(|meta| meta.ino() == ticket.inode)
}

/// Where a claimed folder is set aside.
pub(super) fn aside(inbox: &Path, ticket: &Ticket) -> PathBuf {
    let name = ticket.source.file_name().unwrap_or_default();
    inbox.join(ASIDE).join(&ticket.id).join(name)
}

/// Sets a claimed folder aside.
pub(super) fn set_aside(inbox: &Path, ticket: &Ticket) -> io::Result<()> {
    let target = aside(inbox, ticket);
    let parent = target.parent().unwrap_or(inbox);
    fs::create_dir_all(parent)?;
    fs::rename(&ticket.source, &target)?;
    durable::sync_folder(parent)?;
    durable::sync_folder(ticket.source.parent().unwrap_or(inbox))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn limits() -> Limits {
        Limits {
            largest_file_mb: 1,
            largest_job_mb: 2,
            most_files: 50,
            deepest_folders: 3,
        }
    }

    #[test]
    fn a_claim_copies_everything_and_is_made_once() {
        let dir = tempfile::tempdir().unwrap();
        let inbox = dir.path().join("inbox");
        let shirt = inbox.join("shirt");
        fs::create_dir_all(&shirt).unwrap();
        fs::write(shirt.join("job.toml"), "x").unwrap();
        std::os::unix::fs::symlink("/etc/hostname", shirt.join("link")).unwrap();
        let spool = Spool::open(&dir.path().join("state")).unwrap();
        let ticket = spool.claim(&inbox, &shirt, &limits()).unwrap();
        let copy = spool.job_folder(State::New, &ticket);
        assert_eq!(fs::read_to_string(copy.join("job.toml")).unwrap(), "x");
        assert_eq!(
            fs::read_link(copy.join("link")).unwrap(),
            Path::new("/etc/hostname")
        );
        // A crash before setting aside: the folder is still known.
        assert_eq!(
            spool.left_in_place().unwrap(),
            std::slice::from_ref(&ticket)
        );
        set_aside(&inbox, &ticket).unwrap();
        spool.note_set_aside(&ticket.id).unwrap();
        assert_eq!(spool.left_in_place().unwrap(), []);
        assert!(aside(&inbox, &ticket).join("job.toml").is_file());
    }

    #[test]
    fn names_that_are_not_text_are_kept() {
        use std::os::unix::ffi::OsStrExt as _;
        let dir = tempfile::tempdir().unwrap();
        let shirt = dir.path().join(std::ffi::OsStr::from_bytes(b"sh\xffrt"));
        fs::create_dir(&shirt).unwrap();
        let spool = Spool::open(&dir.path().join("state")).unwrap();
        let ticket = spool.claim(dir.path(), &shirt, &limits()).unwrap();
        let read = spool.ticket(State::New, &ticket.id).unwrap();
        assert_eq!((read.source, read.name.as_str()), (shirt, "sh-rt"));
    }

    #[test]
    fn a_changed_file_of_the_same_size_is_a_change() {
        let dir = tempfile::tempdir().unwrap();
        for (folder, text) in [("a", "one"), ("b", "two")] {
            fs::create_dir(dir.path().join(folder)).unwrap();
            fs::write(dir.path().join(folder).join("job.toml"), text).unwrap();
        }
        let [a, b] = ["a", "b"].map(|n| dir.path().join(n));
        assert!(same_files(&a, &a, &limits()));
        assert!(!same_files(&a, &b, &limits()));
    }

    #[test]
    fn an_interrupted_try_is_begun_again() {
        let dir = tempfile::tempdir().unwrap();
        let shirt = dir.path().join("shirt");
        fs::create_dir_all(&shirt).unwrap();
        let spool = Spool::open(&dir.path().join("state")).unwrap();
        let ticket = spool.claim(dir.path(), &shirt, &limits()).unwrap();
        spool.shift(&ticket.id, State::New, State::Working).unwrap();
        let spool = Spool::open(&dir.path().join("state")).unwrap();
        let [again] = &spool.tickets(State::New).unwrap()[..] else {
            panic!("not there")
        };
        assert_eq!(again.id, ticket.id);
    }
}
