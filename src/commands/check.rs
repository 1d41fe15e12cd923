//! `emblemend check`: every problem of a job folder at once, nothing processed.

use std::path::{Path, PathBuf};

use super::say;
use crate::cli::Ending;
use crate::folder::{self, Folder};
use crate::job::{self, Task};
use crate::pipeline;
use crate::problem::Problem;
use crate::settings::Config;

/// Checks every folder and says what is wrong with each.
pub(crate) fn check(folders: &[PathBuf], config: &Config) -> Ending {
    let endings = folders.iter().map(|path| check_one(path, config));
    endings.max().unwrap_or(Ending::Done)
}

fn check_one(path: &Path, config: &Config) -> Ending {
    let checked = match Folder::scan(path, &config.settings.limits) {
        Ok(folder) => Checked::new(&folder, config),
        Err(folder::Error::TooMuch(problem)) => Checked::refused(vec![problem]),
        Err(error) => {
            eprintln!("{error}; give the path of a job folder");
            return Ending::Refused;
        }
    };
    for problem in &checked.problems {
        say(&format!("{}/{problem}", path.display()));
    }
    for note in &checked.notes {
        say(&format!("{}/{note} (no problem, but look)", path.display()));
    }
    if checked.problems.is_empty() {
        say(&format!("{}: no problem found", path.display()));
        return Ending::Done;
    }
    Ending::Refused
}

struct Checked {
    /// In the order of the job file's lines.
    problems: Vec<Problem>,
    notes: Vec<String>,
}

impl Checked {
    fn new(folder: &Folder, config: &Config) -> Self {
        let job = match job::read(folder, config) {
            Ok(job) => job,
            Err(problems) => return Self::refused(problems),
        };
        let mut checked = Self::refused(Vec::new());
        for emblem in &job.emblems {
            match &emblem.task {
                Err(found) => checked.problems.extend(found.iter().cloned()),
                Ok(task) => checked.read_files(task, folder, config),
            }
        }
        checked.problems.sort_by_key(|p| p.line);
        checked
    }

    fn refused(problems: Vec<Problem>) -> Self {
        Self {
            problems,
            notes: Vec::new(),
        }
    }

    /// Emblems may share their files, so what is known already is not said again.
    fn read_files(&mut self, task: &Task, folder: &Folder, config: &Config) {
        for problem in pipeline::input_problems(task, folder, &config.settings) {
            if !self.problems.contains(&problem) {
                self.problems.push(problem);
            }
        }
        for note in pipeline::artwork_notes(task, folder) {
            if !self.notes.contains(&note) {
                self.notes.push(note);
            }
        }
    }
}
