//! A dropped folder, read without ever leaving it: links are not followed, pipes and devices are
//! not opened, sizes are known before a byte is read.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs::File;
use std::io::{self, Read};
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Component, Path, PathBuf};

use rustix::fs::{
    AtFlags, CWD, Dir, FileType, Mode, OFlags, fstat, mknodat, openat, readlinkat, statat,
    symlinkat,
};
use serde::Deserialize;

use crate::durable;
use crate::problem::Problem;

/// What a job may weigh, section `[limits]`.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limits {
    /// Largest single file, in megabytes.
    pub largest_file_mb: u64,
    /// All files of one job together, in megabytes.
    pub largest_job_mb: u64,
    /// Number of files and folders in one job.
    pub most_files: usize,
    /// How deep folders may be nested.
    pub deepest_folders: usize,
}

const LINK: &str = "a link to another place";
const SOCKET: &str = "a socket";
const BYTES_PER_MB: u64 = 1_000_000;

/// Something in the folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Entry {
    /// A file that can be read.
    File {
        /// Its size.
        bytes: u64,
    },
    /// A folder.
    Folder,
    /// Something that is not read, and why.
    Refused(&'static str),
    /// A file beyond the size limit.
    TooLarge {
        /// Its size.
        bytes: u64,
    },
}

/// A folder and what is in it.
#[derive(Debug)]
pub struct Folder {
    root: OwnedFd,
    entries: BTreeMap<PathBuf, Entry>,
    limits: Limits,
}

/// Why a folder cannot be worked on at all.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The file system refused.
    #[error("{path}: {source}", path = path.display())]
    Io {
        /// Where.
        path: PathBuf,
        /// What it said.
        source: io::Error,
    },
    /// There is too much in it.
    #[error("{0}")]
    TooMuch(Problem),
}

impl Folder {
    /// Lists the folder. What it holds is read later, if at all.
    ///
    /// # Errors
    /// When the folder cannot be listed, or holds more than the limits allow.
    pub fn scan(path: &Path, limits: &Limits) -> Result<Self, Error> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        let io = |source: io::Error| Error::Io {
            path: path.to_owned(),
            source,
        };
        let root = rustix::fs::open(path, flags, Mode::empty()).map_err(|e| io(e.into()))?;
        let mut scan = Scan {
            limits,
            entries: BTreeMap::new(),
            bytes: 0,
        };
        scan.list(root.as_fd(), Path::new(""), 0).map_err(|e| match e {
            ScanError::Io(e) => io(e),
            ScanError::TooMuch(seen, needed) => Error::TooMuch(Problem::with_file(
                ".",
                seen,
                needed,
                "Leave only job.toml, the photos and the artwork in the folder and drop it again",
            )),
        })?;
        Ok(Self {
            root,
            entries: scan.entries,
            limits: limits.clone(),
        })
    }

    /// What lies at a path inside the folder.
    pub fn entry(&self, path: &Path) -> Option<&Entry> {
        self.entries.get(path)
    }

    /// Everything in it, by name.
    pub fn entries(&self) -> impl Iterator<Item = (&Path, &Entry)> {
        self.entries
            .iter()
            .map(|(path, entry)| (path.as_path(), entry))
    }

    /// Reads a file whole.
    ///
    /// # Errors
    /// When it is not a file, is larger than the limit, or the file system refuses.
    pub fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        let limit = self.limits.largest_file_mb * BYTES_PER_MB;
        let file = open_beneath(self.root.as_fd(), path)?;
        let mut bytes = Vec::new();
        file.take(limit + 1).read_to_end(&mut bytes)?;
        if bytes.len() as u64 > limit {
            return Err(io::Error::other(
                "it grew beyond the size limit while being read",
            ));
        }
        Ok(bytes)
    }

    /// Copies everything readable to a new folder and reads from there from now on: what is
    /// measured is what is published, whatever happens to the original meanwhile.
    ///
    /// # Errors
    /// Those of the file system, on either side.
    pub fn copy_to(&mut self, target: &Path) -> io::Result<()> {
        std::fs::create_dir(target)?;
        for (path, entry) in &self.entries {
            match entry {
                Entry::Folder => std::fs::create_dir(target.join(path))?,
                Entry::File { .. } => {
                    durable::write_new(&target.join(path), &self.read(path)?)?;
                }
                Entry::Refused(_) | Entry::TooLarge { .. } => {}
            }
        }
        self.root = File::open(target)?.into();
        Ok(())
    }

    /// Copies everything to a new folder so that a later scan of the copy finds what this one
    /// found: also links, never followed, and stand-ins for what is not read.
    ///
    /// # Errors
    /// Those of the file system, on either side.
    pub fn snapshot_to(mut self, target: &Path) -> io::Result<()> {
        let original = self.root.try_clone()?;
        self.copy_to(target)?;
        for (path, entry) in &self.entries {
            let copy = target.join(path);
            match entry {
                Entry::Refused(LINK) => {
                    let points_to = readlinkat(&original, path, Vec::new())?;
                    symlinkat(points_to, CWD, &copy)?;
                }
                Entry::Refused(SOCKET) => {
                    mknodat(CWD, &copy, FileType::Socket, Mode::RUSR, 0)?;
                }
                Entry::Refused(_) => mknodat(CWD, &copy, FileType::Fifo, Mode::RUSR, 0)?,
                // All holes: takes no space.
                Entry::TooLarge { bytes } => File::create(&copy)?.set_len(*bytes)?,
                Entry::File { .. } | Entry::Folder => {}
            }
        }
        Ok(())
    }

    /// What was left out of the copy, and why.
    pub fn left_out(&self) -> Vec<Problem> {
        self.entries()
            .filter_map(|(path, entry)| left_out(path, entry, &self.limits))
            .collect()
    }
}

fn left_out(path: &Path, entry: &Entry, limits: &Limits) -> Option<Problem> {
    let (seen, needed) = match entry {
        Entry::File { .. } | Entry::Folder => return None,
        Entry::Refused(what) => ((*what).to_owned(), "an ordinary file".to_owned()),
        Entry::TooLarge { bytes } => (
            format!("a file of {} MB", bytes / BYTES_PER_MB),
            format!("at most {} MB a file", limits.largest_file_mb),
        ),
    };
    let remedy = "It was not read and is not in source/; put a copy of the file itself in the \
                  folder if it belongs to the job";
    Some(Problem::with_file(
        path.to_string_lossy(),
        seen,
        needed,
        remedy,
    ))
}

struct Scan<'a> {
    limits: &'a Limits,
    entries: BTreeMap<PathBuf, Entry>,
    bytes: u64,
}

enum ScanError {
    Io(io::Error),
    TooMuch(String, String),
}

impl<E: Into<io::Error>> From<E> for ScanError {
    fn from(e: E) -> Self {
        Self::Io(e.into())
    }
}

impl Scan<'_> {
    fn list(&mut self, at: BorrowedFd<'_>, path: &Path, depth: usize) -> Result<(), ScanError> {
        let Limits {
            most_files,
            deepest_folders,
            largest_job_mb,
            ..
        } = *self.limits;
        if depth > deepest_folders {
            return Err(ScanError::TooMuch(
                format!("folders nested more than {deepest_folders} deep"),
                "job.toml, photos and artwork in one folder".into(),
            ));
        }
        for item in Dir::read_from(at)? {
            let item = item?;
            let name = OsStr::from_bytes(item.file_name().to_bytes());
            if name == "." || name == ".." {
                continue;
            }
            let inner = path.join(name);
            let entry = self.classify(at, name)?;
            if entry == Entry::Folder {
                self.list(open_folder(at, name)?.as_fd(), &inner, depth + 1)?;
            }
            self.entries.insert(inner, entry);
            if self.entries.len() > most_files {
                return Err(ScanError::TooMuch(
                    format!("more than {most_files} files in the folder"),
                    format!("at most {most_files} files"),
                ));
            }
            if self.bytes > largest_job_mb * BYTES_PER_MB {
                return Err(ScanError::TooMuch(
                    format!("more than {largest_job_mb} MB in the folder"),
                    format!("at most {largest_job_mb} MB a job"),
                ));
            }
        }
        Ok(())
    }

    fn classify(&mut self, at: BorrowedFd<'_>, name: &OsStr) -> io::Result<Entry> {
        let stat = statat(at, name, AtFlags::SYMLINK_NOFOLLOW)?;
        let bytes = stat.st_size as u64;
        Ok(match FileType::from_raw_mode(stat.st_mode) {
            FileType::Directory => Entry::Folder,
            FileType::RegularFile if bytes > self.limits.largest_file_mb * BYTES_PER_MB => {
                Entry::TooLarge { bytes }
            }
            FileType::RegularFile => {
                self.bytes += bytes;
                Entry::File { bytes }
            }
            FileType::Symlink => Entry::Refused(LINK),
            FileType::Fifo => Entry::Refused("a pipe"),
            FileType::Socket => Entry::Refused(SOCKET),
            FileType::CharacterDevice | FileType::BlockDevice => Entry::Refused("a device"),
            FileType::Unknown => Entry::Refused("something that is not a file"),
        })
    }
}

fn open_folder(at: BorrowedFd<'_>, name: &OsStr) -> rustix::io::Result<OwnedFd> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    openat(at, name, flags, Mode::empty())
}

/// Opens an ordinary file inside the folder, following no link on the way.
fn open_beneath(root: BorrowedFd<'_>, path: &Path) -> io::Result<File> {
    let outside = || io::Error::other("the path leaves the job folder");
    let mut folder = root.try_clone_to_owned()?;
    for component in path.parent().unwrap_or(Path::new("")).components() {
        let Component::Normal(name) = component else {
            return Err(outside());
        };
        folder = open_folder(folder.as_fd(), name)?;
    }
    let name = path.file_name().ok_or_else(outside)?;
    // A pipe without a writer would block for ever.
    let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let file = openat(&folder, name, flags | OFlags::NOCTTY, Mode::empty())?;
    match FileType::from_raw_mode(fstat(&file)?.st_mode) {
        FileType::RegularFile => Ok(file.into()),
        _ => Err(io::Error::other("not an ordinary file")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    fn limits() -> Limits {
        Limits {
            largest_file_mb: 1,
            largest_job_mb: 2,
            most_files: 5,
            deepest_folders: 2,
        }
    }

    #[test]
    fn links_and_pipes_are_listed_but_never_opened() {
        let dir = tempfile::tempdir().unwrap();
        symlink("/etc/hostname", dir.path().join("link.jpg")).unwrap();
        symlink("/etc", dir.path().join("etc")).unwrap();
        rustix::fs::mknodat(
            rustix::fs::CWD,
            dir.path().join("pipe.jpg"),
            FileType::Fifo,
            Mode::RWXU,
            0,
        )
        .unwrap();
        let folder = Folder::scan(dir.path(), &limits()).unwrap();
        assert_eq!(folder.left_out().len(), 3);
        for path in [
            "link.jpg",
            "pipe.jpg",
            "etc/hostname",
            "../x",
            "/etc/hostname",
        ] {
            assert!(folder.read(Path::new(path)).is_err(), "{path}");
        }
    }

    /// What was checked may be something else by the time it is read.
    #[test]
    fn what_is_exchanged_after_the_scan_is_not_followed() {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join("in").join(name);
        std::fs::create_dir_all(at("folder")).unwrap();
        std::fs::write(dir.path().join("secret"), "secret").unwrap();
        for name in ["linked", "piped", "foldered", "grown", "folder/inner"] {
            std::fs::write(at(name), "first").unwrap();
        }
        let roomy = Limits {
            most_files: 6,
            ..limits()
        };
        let mut folder = Folder::scan(&dir.path().join("in"), &roomy).unwrap();
        for name in ["linked", "piped", "foldered"] {
            std::fs::remove_file(at(name)).unwrap();
        }
        symlink(dir.path().join("secret"), at("linked")).unwrap();
        mknodat(CWD, at("piped"), FileType::Fifo, Mode::RWXU, 0).unwrap();
        std::fs::create_dir(at("foldered")).unwrap();
        std::fs::write(at("grown"), vec![0; 1_000_001]).unwrap();
        std::fs::rename(at("folder"), dir.path().join("moved")).unwrap();
        symlink(dir.path().join("moved"), at("folder")).unwrap();
        for name in ["linked", "piped", "foldered", "grown", "folder/inner"] {
            assert!(folder.read(Path::new(name)).is_err(), "{name}");
        }
        assert!(folder.copy_to(&dir.path().join("copy")).is_err());
        assert!(!dir.path().join("copy/linked").exists());
    }

    #[test]
    fn sizes_are_checked_before_reading() {
        let dir = tempfile::tempdir().unwrap();
        File::create(dir.path().join("sparse"))
            .unwrap()
            .set_len(10_000_000_000)
            .unwrap();
        let folder = Folder::scan(dir.path(), &limits()).unwrap();
        let problem = &folder.left_out()[0];
        assert_eq!(problem.seen, "a file of 10000 MB");
        assert!(folder.read(Path::new("sparse")).is_err());
    }

    #[test]
    fn too_many_files_and_too_deep_folders_are_refused() {
        let dir = tempfile::tempdir().unwrap();
        for i in 0..6 {
            File::create(dir.path().join(i.to_string())).unwrap();
        }
        assert!(matches!(
            Folder::scan(dir.path(), &limits()),
            Err(Error::TooMuch(_))
        ));
        let deep = tempfile::tempdir().unwrap();
        std::fs::create_dir_all(deep.path().join("a/b/c")).unwrap();
        assert!(matches!(
            Folder::scan(deep.path(), &limits()),
            Err(Error::TooMuch(_))
        ));
    }

    #[test]
    fn the_copy_is_read_after_copying() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::create_dir(dir.path().join("in")).unwrap();
        std::fs::write(dir.path().join("in/a"), "first").unwrap();
        let mut folder = Folder::scan(&dir.path().join("in"), &limits()).unwrap();
        folder.copy_to(&dir.path().join("copy")).unwrap();
        std::fs::write(dir.path().join("in/a"), "second").unwrap();
        assert_eq!(folder.read(Path::new("a")).unwrap(), b"first");
    }
}
