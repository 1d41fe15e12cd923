//! `emblemend check`: every problem of a job folder at once, nothing processed.

use std::path::{Path, PathBuf};

use super::say;
use crate::cli::Ending;
use crate::folder::{self, Folder};
use crate::job::{self, Job};
use crate::pipeline;
use crate::problem::Problem;
use crate::settings::Config;

/// Checks every folder and says what is wrong with each.
pub(crate) fn check(folders: &[PathBuf], config: &Config) -> Ending {
    let endings = folders.iter().map(|path| check_one(path, config));
    endings.max().unwrap_or(Ending::Done)
}

fn check_one(path: &Path, config: &Config) -> Ending {
    let problems = match Folder::scan(path, &config.settings.limits) {
        Ok(folder) => problems_of(&folder, config),
        Err(folder::Error::TooMuch(problem)) => vec![problem],
        Err(error) => {
            eprintln!("{error}; give the path of a job folder");
            return Ending::Refused;
        }
    };
    for problem in &problems {
        say(&format!("{}/{problem}", path.display()));
    }
    if problems.is_empty() {
        say(&format!("{}: no problem found", path.display()));
        return Ending::Done;
    }
    Ending::Refused
}

fn problems_of(folder: &Folder, config: &Config) -> Vec<Problem> {
    match job::read(folder, config) {
        Err(problems) => problems,
        Ok(job) => emblem_problems(&job, folder, config),
    }
}

fn emblem_problems(job: &Job, folder: &Folder, config: &Config) -> Vec<Problem> {
    let mut problems = Vec::new();
    for emblem in &job.emblems {
        match &emblem.task {
            Err(found) => problems.extend(found.iter().cloned()),
            Ok(task) => problems.extend(pipeline::input_problems(task, folder, &config.settings)),
        }
    }
    // Emblems may share a photo.
    let mut seen = Vec::new();
    problems.retain(|p| {
        !seen.contains(p) && {
            seen.push(p.clone());
            true
        }
    });
    problems
}
