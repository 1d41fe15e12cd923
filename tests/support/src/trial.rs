//! The program run on a mutated job, and what is wrong with what it did.

use std::fs;
use std::io;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::mutation::Mutated;
use crate::{Family, Scene, job};

/// A small painted job whose truth is known.
pub struct Base {
    /// Its files.
    pub files: Vec<(String, Vec<u8>)>,
    width_mm: f64,
    /// Artwork of a version that it is not.
    other: Option<Vec<u8>>,
}

/// What the program did that it must not do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fault {
    /// It panicked, or was ended by a signal.
    Died(String),
    /// It took longer than allowed.
    Hung,
    /// It said "cut", and the size or the version is wrong.
    WrongCut(String),
    /// There is no report, or one that names neither file nor remedy.
    Mute(String),
}

/// Processor time that a job may take, and how long one may wait for it on a busy computer. Built for
/// tests, the program takes twice the time (the job that takes longest: 9.6 s for 5.1).
const MOST_CPU_SECONDS: u32 = if cfg!(debug_assertions) { 20 } else { 10 };
const MOST_WAIT: Duration = Duration::from_mins(2);
/// What a skilled eye would see.
const MOST_OFF_MM: f64 = 0.5;

impl Base {
    /// The base job with this seed: about one megapixel, two versions.
    pub fn painted(seed: u64) -> Self {
        let family = Family {
            size_px: [1200, 900],
            px_per_mm: [8.0, 9.5],
            width_mm: [35.0, 50.0],
            ..Family::QUICK
        };
        let mut scene = Scene::random(seed, &family);
        scene
            .versions
            .swap(0, scene.true_version.unwrap_or_default());
        scene.versions.truncate(2);
        let painting = scene.paint();
        let files = job::files(&scene, &painting);
        let other = scene.versions.get(1).map(|v| v.svg().into_bytes());
        let width_mm = painting.truth.emblem.map_or(0.0, |e| e.width_mm);
        Self {
            files,
            width_mm,
            other,
        }
    }

    /// Runs the program on the folder `job` and looks at what it publishes in `outbox`. The verdict
    /// with which the job ended, or the fault.
    ///
    /// # Errors
    /// Those of starting the program.
    pub fn trial(
        &self,
        program: &Path,
        job: &Path,
        outbox: &Path,
    ) -> io::Result<Result<String, Fault>> {
        let limited = format!("ulimit -t {MOST_CPU_SECONDS}; exec \"$@\"");
        let mut child = Command::new("sh")
            .args(["-c", &limited, "sh"])
            .arg(program)
            .args(["run", "--quiet", "--out"])
            .args([outbox, job])
            .env("RAYON_NUM_THREADS", "1")
            .stdout(Stdio::null())
            .stderr(fs::File::create(outbox.with_extension("log"))?)
            .spawn()?;
        let begun = Instant::now();
        let status = loop {
            if let Some(status) = child.try_wait()? {
                break status;
            }
            if begun.elapsed() > MOST_WAIT {
                child.kill()?;
                child.wait()?;
                return Ok(Err(Fault::Hung));
            }
            std::thread::sleep(Duration::from_millis(5));
        };
        let complaint = fs::read(outbox.with_extension("log"))?;
        let complaint = String::from_utf8_lossy(&complaint);
        Ok(match status.code() {
            Some(0 | 2 | 3) if !complaint.contains("panicked") => self.judged(job, outbox),
            // The limit ends it with SIGXCPU or SIGKILL.
            None if complaint.is_empty() => Err(Fault::Hung),
            _ => Err(Fault::Died(format!("{status}: {complaint}"))),
        })
    }

    fn judged(&self, job: &Path, outbox: &Path) -> Result<String, Fault> {
        let folder = outbox.join(job.file_name().unwrap_or_default());
        let mute = |why: &str| Fault::Mute(why.to_owned());
        if !folder.join("report.html").is_file() {
            return Err(mute("no report.html"));
        }
        let fit = fs::read(folder.join("fit.json")).unwrap_or_default();
        let fit: Value = serde_json::from_slice(&fit).map_err(|_| mute("no fit.json"))?;
        let list = |value: &Value| value.as_array().cloned().unwrap_or_default();
        let says = |value: &Value| value.as_str().is_some_and(|text| !text.is_empty());
        let problems = list(&fit["problems"]);
        let is_mute = |p: &&Value| !says(&p["file"]) || !tells_what_to_do(p);
        if let Some(bad) = problems.iter().find(is_mute) {
            return Err(Fault::Mute(bad.to_string()));
        }
        let verdict = fit["verdict"].as_str().unwrap_or_default();
        let reasons = list(&fit["emblems"])
            .iter()
            .any(|e| !list(&e["reasons"]).is_empty());
        if verdict != "cut" && problems.is_empty() && !reasons {
            return Err(mute("neither problem nor reason"));
        }
        for emblem in list(&fit["emblems"]) {
            if emblem["verdict"] == "cut" {
                self.check_cut(&emblem["fit"], job)?;
            }
        }
        Ok(verdict.to_owned())
    }

    fn check_cut(&self, fit: &Value, job: &Path) -> Result<(), Fault> {
        let width_mm = fit["width_mm"].as_f64().unwrap_or_default();
        let version = fit["version"].as_str().unwrap_or_default();
        let is_other = self.other.is_some() && fs::read(job.join(version)).ok() == self.other;
        if is_other || (width_mm - self.width_mm).abs() > MOST_OFF_MM {
            let seen = format!("{version} {width_mm} mm wide, not {} mm", self.width_mm);
            return Err(Fault::WrongCut(seen));
        }
        Ok(())
    }
}

/// The remedy stands by itself, or at the end of what was seen.
fn tells_what_to_do(problem: &Value) -> bool {
    const WORDS: [&str; 18] = [
        "add", "check", "choose", "convert", "copy", "correct", "draw", "export", "fill", "give",
        "leave", "look", "put", "remove", "save", "take", "use", "write",
    ];
    let remedy = problem["remedy"].as_str().unwrap_or_default();
    let seen = problem["seen"].as_str().unwrap_or_default();
    let mut words = seen.split(|c: char| !c.is_alphabetic());
    !remedy.is_empty() || words.any(|word| WORDS.contains(&word))
}

impl Mutated {
    /// Lays the folder down, tries the program on it and clears everything away.
    ///
    /// # Errors
    /// Those of the file system.
    pub fn tried(
        &self,
        base: &Base,
        program: &Path,
        desk: &Path,
    ) -> io::Result<Result<String, Fault>> {
        let (job, outbox) = (desk.join("shirt"), desk.join("outbox"));
        self.write(&job)?;
        let result = base.trial(program, &job, &outbox);
        fs::remove_dir_all(&job)?;
        if outbox.exists() {
            fs::remove_dir_all(&outbox)?;
        }
        result
    }
}
