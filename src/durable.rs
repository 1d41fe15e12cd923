//! File-system steps that survive a power cut: what is written is on the disk before it gets its
//! name, and nothing that has a name is ever replaced by accident.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::Path;

use rustix::fs::{CWD, FlockOperation, RenameFlags, flock, renameat_with};
use rustix::io::Errno;

/// Beginning of the names of files that [`replace`] has not put in place yet.
const UNFINISHED: &str = ".emblemend-new-";

/// Writes a new file and waits until the disk has it.
///
/// # Errors
/// Those of the file system; a file of that name counts as one.
pub fn write_new(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = OpenOptions::new().write(true).create_new(true).open(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// Puts a file in place of the old one, so that a reader sees the old or the new, never a part.
///
/// # Errors
/// Those of the file system.
pub fn replace(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let parent = path.parent().unwrap_or(Path::new("."));
    let mut file = tempfile::Builder::new()
        .prefix(UNFINISHED)
        .permissions(readable_by_all())
        .tempfile_in(parent)?;
    file.write_all(bytes)?;
    file.as_file().sync_all()?;
    file.persist(path).map_err(|e| e.error)?;
    sync_folder(parent)
}

/// Removes what an interrupted [`replace`] left in a folder. Nobody may be replacing a file there
/// now.
///
/// # Errors
/// Those of the file system.
pub fn remove_unfinished(folder: &Path) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        if entry.file_name().to_string_lossy().starts_with(UNFINISHED) {
            fs::remove_file(entry.path())?;
        }
    }
    Ok(())
}

/// A temporary file is private by default; what people are to open is not.
fn readable_by_all() -> fs::Permissions {
    use std::os::unix::fs::PermissionsExt as _;
    fs::Permissions::from_mode(0o644)
}

/// Waits until the disk has the folder's own list of names.
///
/// # Errors
/// Those of the file system.
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

/// [`sync_folder`] for a folder and all folders in it, innermost first.
///
/// # Errors
/// Those of the file system.
pub fn sync_tree(folder: &Path) -> io::Result<()> {
    for entry in walkdir::WalkDir::new(folder).contents_first(true) {
        let entry = entry?;
        if entry.file_type().is_dir() {
            sync_folder(entry.path())?;
        }
    }
    Ok(())
}

/// Gives a folder its final name unless something has that name: `false`, and nothing is changed.
///
/// Network file systems that cannot refuse to replace are asked for an ordinary rename, which
/// never replaces a folder that has anything in it.
///
/// # Errors
/// Those of the file system.
pub fn rename_folder_if_free(from: &Path, to: &Path) -> io::Result<bool> {
    match renameat_with(CWD, from, CWD, to, RenameFlags::NOREPLACE) {
        Ok(()) => Ok(true),
        Err(Errno::EXIST) => Ok(false),
        Err(Errno::INVAL | Errno::NOSYS | Errno::OPNOTSUPP) => plain_rename_if_free(from, to),
        Err(e) => Err(e.into()),
    }
}

fn plain_rename_if_free(from: &Path, to: &Path) -> io::Result<bool> {
    match to.symlink_metadata() {
        Ok(_) => return Ok(false),
        Err(e) if e.kind() == io::ErrorKind::NotFound => {}
        Err(e) => return Err(e),
    }
    match fs::rename(from, to) {
        Ok(()) => Ok(true),
        Err(e)
            if matches!(
                e.kind(),
                io::ErrorKind::AlreadyExists
                    | io::ErrorKind::DirectoryNotEmpty
                    | io::ErrorKind::NotADirectory
            ) =>
        {
            Ok(false)
        }
        Err(e) => Err(e),
    }
}

/// Appends whole lines to a file that several programs may append to; the caller holds the lock.
/// The tail of a line that a power cut left behind is removed first.
///
/// # Errors
/// Those of the file system.
pub fn append_lines(path: &Path, header: &str, lines: &str) -> io::Result<()> {
    let mut file = OpenOptions::new()
        .create(true)
        .append(true)
        .read(true)
        .open(path)?;
    let length = drop_torn_line(&mut file)?;
    let text = if length == 0 {
        format!("{header}{lines}")
    } else {
        lines.to_owned()
    };
    file.write_all(text.as_bytes())?;
    file.sync_all()
}

/// Cuts the file after its last line end and tells its length then.
fn drop_torn_line(file: &mut File) -> io::Result<u64> {
    use std::io::{Read as _, Seek as _, SeekFrom};
    const BLOCK: u64 = 64 * 1024;
    let length = file.metadata()?.len();
    let mut end = length;
    while end > 0 {
        let start = end.saturating_sub(BLOCK);
        let mut block = vec![0; (end - start) as usize];
        file.seek(SeekFrom::Start(start))?;
        file.read_exact(&mut block)?;
        if let Some(at) = block.iter().rposition(|&b| b == b'\n') {
            end = start + at as u64 + 1;
            break;
        }
        end = start;
    }
    if end < length {
        file.set_len(end)?;
    }
    Ok(end)
}

/// A lock on a file, held until it is dropped, by this process alone.
#[derive(Debug)]
pub struct Lock {
    _file: File,
}

impl Lock {
    /// Waits until nobody else holds the lock.
    ///
    /// # Errors
    /// Those of the file system.
    pub fn wait(path: &Path) -> io::Result<Self> {
        let file = Self::open(path)?;
        flock(&file, FlockOperation::LockExclusive)?;
        Ok(Self { _file: file })
    }

    /// The lock, if nobody else holds it.
    ///
    /// # Errors
    /// Those of the file system.
    pub fn try_now(path: &Path) -> io::Result<Option<Self>> {
        let file = Self::open(path)?;
        match flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => Ok(Some(Self { _file: file })),
            Err(Errno::WOULDBLOCK) => Ok(None),
            Err(e) => Err(e.into()),
        }
    }

    fn open(path: &Path) -> io::Result<File> {
        OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(path)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_never_replaces_another() {
        let dir = tempfile::tempdir().unwrap();
        let [from, to] = ["from", "to"].map(|n| dir.path().join(n));
        fs::create_dir(&from).unwrap();
        fs::create_dir(&to).unwrap();
        assert!(!rename_folder_if_free(&from, &to).unwrap());
        assert!(!plain_rename_if_free(&from, &to).unwrap());
        fs::remove_dir(&to).unwrap();
        assert!(plain_rename_if_free(&from, &to).unwrap());
        assert!(rename_folder_if_free(&to, &from).unwrap());
    }

    #[test]
    fn a_torn_line_is_dropped_before_the_next_is_appended() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("log");
        append_lines(&path, "head\n", "one\n").unwrap();
        OpenOptions::new()
            .append(true)
            .open(&path)
            .unwrap()
            .write_all(b"tw")
            .unwrap();
        append_lines(&path, "head\n", "three\n").unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "head\none\nthree\n");
    }

    #[test]
    fn a_file_without_any_line_end_starts_anew() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("log");
        fs::write(&path, "torn header").unwrap();
        append_lines(&path, "head\n", "one\n").unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "head\none\n");
    }
}
