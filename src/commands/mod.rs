//! One module for each command word.

pub(crate) mod card;
pub(crate) mod check;
pub(crate) mod known;
pub(crate) mod ruler;
pub(crate) mod run;
pub(crate) mod sheet;
pub(crate) mod trace;

use std::fs::File;
use std::io::{self, Read as _, Write as _};
use std::path::Path;

/// Prints one line of results. A reader that has gone away is no failure of the work.
fn say(line: &str) {
    let _ = writeln!(std::io::stdout().lock(), "{line}");
}

/// All bytes of an ordinary file that is not too large.
fn whole(path: &Path, limit_mb: u64) -> io::Result<Vec<u8>> {
    if !path.metadata()?.is_file() {
        return Err(io::Error::other("not an ordinary file"));
    }
    let limit = limit_mb * 1_000_000;
    let mut bytes = Vec::new();
    File::open(path)?.take(limit + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > limit {
        return Err(io::Error::other(format!("it is larger than {limit_mb} MB")));
    }
    Ok(bytes)
}
