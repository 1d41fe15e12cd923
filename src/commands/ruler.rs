//! `emblemend ruler`: the rulers of each photo, as a line of JSON.

use std::fs::File;
use std::io::{self, Read as _};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::say;
use crate::cli::Ending;
use crate::outbox::ruler_json;
use crate::pipeline;
use crate::settings::Config;

/// Prints one line for each photo.
pub(crate) fn ruler(photos: &[PathBuf], config: &Config) -> Ending {
    let mut ending = Ending::Done;
    for path in photos {
        let (line, this) = line(path, config);
        say(&line.to_string());
        ending = ending.max(this);
    }
    ending
}

fn line(path: &Path, config: &Config) -> (Value, Ending) {
    let name = path.to_string_lossy();
    let search = read(path, config.settings.limits.largest_file_mb * 1_000_000)
        .map_err(|e| format!("{name}: it cannot be read: {e}; give the path of a JPEG or PNG file"))
        .and_then(|bytes| pipeline::rulers_in(&bytes, &name, &config.settings));
    match search {
        Ok(search) => {
            let rulers: Vec<Value> = search.rulers.iter().map(ruler_json).collect();
            let line = json!({ "photo": name, "rulers": rulers, "reasons": search.reasons });
            (line, Ending::Done)
        }
        Err(reason) => (
            json!({ "photo": name, "rulers": [], "reasons": [reason] }),
            Ending::Refused,
        ),
    }
}

fn read(path: &Path, limit: u64) -> io::Result<Vec<u8>> {
    if !path.metadata()?.is_file() {
        return Err(io::Error::other("not an ordinary file"));
    }
    let mut bytes = Vec::new();
    File::open(path)?.take(limit + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > limit {
        return Err(io::Error::other(format!(
            "it is larger than {} MB",
            limit / 1_000_000
        )));
    }
    Ok(bytes)
}
