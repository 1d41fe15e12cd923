//! Any text as `job.toml`: a job, or problems that each say what was seen and what to do.
#![no_main]

use std::fs;
use std::sync::LazyLock;

use emblemend::folder::Folder;
use emblemend::job::{self, JOB_FILE};
use emblemend::settings::Config;
use libfuzzer_sys::fuzz_target;
use tempfile::TempDir;

static CONFIG: LazyLock<Config> = LazyLock::new(|| Config::built_in().expect("sound settings"));
static FOLDER: LazyLock<TempDir> = LazyLock::new(|| {
    let folder = TempDir::new().expect("a folder for the job");
    for file in ["photo.jpg", "crest.svg", "sizes.toml"] {
        fs::write(folder.path().join(file), "[[crest]]\n").expect("room for a file");
    }
    folder
});

fuzz_target!(|bytes: &[u8]| {
    fs::write(FOLDER.path().join(JOB_FILE), bytes).expect("room for a file");
    let folder = Folder::scan(FOLDER.path(), &CONFIG.settings.limits).expect("a folder");
    let problems = match job::read(&folder, &CONFIG) {
        Ok(job) => job
            .emblems
            .into_iter()
            .filter_map(|e| e.task.err())
            .flatten()
            .collect(),
        Err(problems) => {
            assert!(!problems.is_empty(), "refused without a word");
            problems
        }
    };
    let lines = bytes.split(|b| *b == b'\n').count();
    for problem in problems {
        assert!(
            !problem.file.is_empty() && !problem.seen.is_empty(),
            "{problem:?}"
        );
        assert!(!problem.remedy.is_empty(), "{problem:?}");
        assert!(
            problem.line.is_none_or(|line| (1..=lines).contains(&line)),
            "{problem:?}"
        );
    }
});
