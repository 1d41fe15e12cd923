//! The program run as a process of its own, and what that took.

use std::error::Error;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use wait4::Wait4;

/// What a run took.
#[derive(Clone, Debug, Default)]
pub(crate) struct Cost {
    /// From start to end.
    pub(crate) seconds: f64,
    /// Time of processors.
    pub(crate) processor_seconds: f64,
    /// Most memory held at a time.
    pub(crate) peak_mb: f64,
    /// Steps in their order, as the log names them, and how long each lasted.
    pub(crate) steps: Vec<(String, f64)>,
}

impl Cost {
    /// Seconds of one step; 0 where it did not happen.
    pub(crate) fn step(&self, name: &str) -> f64 {
        let of_name = self.steps.iter().filter(|(step, _)| step == name);
        of_name.map(|(_, seconds)| seconds).sum()
    }
}

/// Runs a job with so many threads.
///
/// # Errors
/// When the program cannot be run, or fails.
pub(crate) fn run(
    program: &Path,
    job: &Path,
    out: &Path,
    threads: usize,
) -> Result<Cost, Box<dyn Error>> {
    let _ = std::fs::remove_dir_all(out);
    let start = Instant::now();
    let mut child = Command::new(program)
        .args(["--log", "human", "run"])
        .arg(job)
        .arg("--out")
        .arg(out)
        .env("RAYON_NUM_THREADS", threads.to_string())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()?;
    let log = child.stderr.take().ok_or("no log")?;
    let mut begun: Vec<(String, Instant)> = Vec::new();
    let mut peak_mb = 0.0;
    for line in BufReader::new(log).lines() {
        // The last line comes when all work is done.
        peak_mb = peak_so_far_mb(child.id()).unwrap_or(peak_mb);
        begun.extend(step(&line?).map(|step| (step.to_owned(), Instant::now())));
    }
    let used = child.wait4()?;
    // 3: done, with verdict "hold".
    if !matches!(used.status.code(), Some(0 | 3)) {
        return Err(format!("{} failed on {}", program.display(), job.display()).into());
    }
    let ends = begun.iter().skip(1).map(|b| b.1).chain([Instant::now()]);
    let steps = begun.iter().zip(ends);
    Ok(Cost {
        seconds: start.elapsed().as_secs_f64(),
        processor_seconds: (used.rusage.utime + used.rusage.stime).as_secs_f64(),
        peak_mb,
        steps: steps
            .map(|((step, from), to)| (step.clone(), (to - *from).as_secs_f64()))
            .collect(),
    })
}

/// Most memory that a process has held (`proc(5)`). What wait4 gives counts this program's own,
/// from before the other one began.
fn peak_so_far_mb(process: u32) -> Option<f64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    let kib: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib * 1024.0 / 1e6)
}

/// The step that a line of the log announces: `… job{…}: looking for the ruler emblem="crest"`.
fn step(line: &str) -> Option<&str> {
    let (_, message) = line.rsplit_once("}: ")?;
    Some(message.split_once(" emblem=")?.0)
}
