//! The note that makes publishing repeatable: which folder is about to get which name, and the
//! log's lines for it.

use std::fs;
use std::io;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::LogLine;
use crate::durable;

/// A publication that is about to happen, or has just happened.
#[derive(Clone, Debug, Deserialize, Serialize)]
pub(super) struct Intent {
    pub(super) id: String,
    pub(super) folder: String,
    pub(super) lines: Vec<LogLine>,
}

impl Intent {
    pub(super) fn note(&self, intents: &Path) -> io::Result<()> {
        durable::replace(&intents.join(&self.id), &serde_json::to_vec(self)?)
    }

    pub(super) fn forget(&self, intents: &Path) -> io::Result<()> {
        fs::remove_file(intents.join(&self.id))?;
        durable::sync_folder(intents)
    }
}

/// All notes, by name. A note that cannot be read was never finished, so its rename never came.
pub(super) fn read_all(intents: &Path) -> io::Result<Vec<Intent>> {
    let mut paths = Vec::new();
    for entry in fs::read_dir(intents)? {
        paths.push(entry?.path());
    }
    paths.sort();
    let mut notes = Vec::new();
    for path in paths {
        match serde_json::from_slice(&fs::read(&path)?) {
            Ok(intent) => notes.push(intent),
            Err(_) => fs::remove_file(&path)?,
        }
    }
    Ok(notes)
}
