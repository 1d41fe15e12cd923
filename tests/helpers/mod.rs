//! Job folders made on the spot, and the program run on them.

#![allow(dead_code, reason = "each test file uses its own part")]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

/// Artwork that any reader of SVG accepts.
pub(crate) const CREST_SVG: &str = r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 80 90">
<path d="M5 5H75V50C75 70 55 80 40 86C25 80 5 70 5 50Z"/></svg>"#;

/// The smallest job that describes everything it needs.
pub(crate) const JOB: &str = r#"[[emblem]]
name = "crest"
photo = "photo.png"
versions = ["crest.svg"]
"#;

/// What the program said and how it ended.
pub(crate) struct Said {
    pub(crate) status: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

/// The program under test: the one just built, or a copy that a long run keeps to.
pub(crate) fn program() -> PathBuf {
    std::env::var_os("EMBLEMEND_PROGRAM")
        .map_or_else(|| env!("CARGO_BIN_EXE_emblemend").into(), PathBuf::from)
}

pub(crate) fn emblemend(arguments: &[&str]) -> Said {
    let output = Command::new(program()).args(arguments).output().unwrap();
    Said {
        status: output.status.code().unwrap(),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

/// A folder for one test, with a job in it.
pub(crate) struct Bench {
    dir: tempfile::TempDir,
}

impl Bench {
    pub(crate) fn new() -> Self {
        Self {
            dir: tempfile::tempdir().unwrap(),
        }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// A job folder with these files.
    pub(crate) fn job(&self, name: &str, files: &[(&str, Vec<u8>)]) -> PathBuf {
        let folder = self.path(name);
        fs::create_dir(&folder).unwrap();
        for (file, bytes) in files {
            fs::write(folder.join(file), bytes).unwrap();
        }
        folder
    }

    pub(crate) fn outbox(&self) -> PathBuf {
        self.path("outbox")
    }

    pub(crate) fn run(&self, jobs: &[&Path]) -> Said {
        let out = self.outbox();
        let mut arguments = vec!["run", "--quiet", "--out", out.to_str().unwrap()];
        arguments.extend(jobs.iter().map(|j| j.to_str().unwrap()));
        emblemend(&arguments)
    }

    pub(crate) fn fit_json(&self, job: &str) -> Value {
        serde_json::from_slice(&fs::read(self.outbox().join(job).join("fit.json")).unwrap())
            .unwrap()
    }
}

/// A photograph of nothing: plain grey.
pub(crate) fn grey_png(width: u32, height: u32) -> Vec<u8> {
    let image = image::RgbImage::from_pixel(width, height, image::Rgb([120, 120, 120]));
    let mut bytes = std::io::Cursor::new(Vec::new());
    image.write_to(&mut bytes, image::ImageFormat::Png).unwrap();
    bytes.into_inner()
}

/// Every file below a folder with its content.
pub(crate) fn contents(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    walkdir::WalkDir::new(folder)
        .into_iter()
        .map(Result::unwrap)
        .filter(|e| e.file_type().is_file())
        .map(|e| {
            let name = e
                .path()
                .strip_prefix(folder)
                .unwrap()
                .to_string_lossy()
                .into_owned();
            (name, fs::read(e.path()).unwrap())
        })
        .collect()
}
