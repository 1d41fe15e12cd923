//! `emblemend ruler`: the rulers of each photo, as a line of JSON.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::{say, whole};
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
    let search = whole(path, config.settings.limits.largest_file_mb)
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
