//! A shop for one test: inbox, outbox, state, settings, and a daemon.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;

use crate::helpers::{self, Bench, CREST_SVG, JOB, contents, grey_png};

pub(crate) struct Shop {
    pub(crate) bench: Bench,
    pub(crate) daemon: Option<Child>,
}

impl Drop for Shop {
    fn drop(&mut self) {
        self.kill();
    }
}

impl Shop {
    /// A shop whose settings differ from the usual ones in these lines.
    pub(crate) fn new(settings: &[(&str, &str)]) -> Self {
        let bench = Bench::new();
        for folder in ["inbox", "outbox", "state", "config", "desk"] {
            fs::create_dir(bench.path(folder)).unwrap();
        }
        let shop = Self {
            bench,
            daemon: None,
        };
        shop.set(&[&[("scan_seconds", "1"), ("agreeing_scans", "2")], settings].concat());
        shop
    }

    pub(crate) fn set(&self, settings: &[(&str, &str)]) {
        let mut text = include_str!("../../config/default.toml").to_owned();
        for (key, value) in settings {
            let line = text
                .lines()
                .find(|l| l.starts_with(&format!("{key} =")))
                .unwrap()
                .to_owned();
            text = text.replacen(&line, &format!("{key} = {value}"), 1);
        }
        fs::write(self.bench.path("config/default.toml"), text).unwrap();
    }

    pub(crate) fn command(&self) -> Command {
        let mut command = Command::new(helpers::program());
        command.arg("watch");
        for folder in ["inbox", "outbox", "state", "config"] {
            command
                .arg(format!("--{folder}"))
                .arg(self.bench.path(folder));
        }
        command
    }

    pub(crate) fn start(&mut self) {
        self.start_under(&[]);
    }

    /// Starts the daemon as the last words of another command.
    pub(crate) fn start_under(&mut self, words: &[String]) {
        let daemon = self.command();
        let mut command = match words.split_first() {
            Some((program, arguments)) => {
                let mut command = Command::new(program);
                command.args(arguments).arg(daemon.get_program());
                command.args(daemon.get_args());
                command
            }
            None => daemon,
        };
        let log = self.bench.path("log");
        let log = fs::File::options().append(true).create(true).open(log);
        self.daemon = Some(command.stderr(log.unwrap()).spawn().unwrap());
    }

    /// Asks the daemon to stop, through a command that it was started under, and waits.
    pub(crate) fn stop(&mut self) {
        let under = self.pid();
        let daemon = match children(under).first() {
            Some(child) if is_traced(*child) => Pid::from_raw(*child).unwrap(),
            _ => under,
        };
        // It may have ended by itself.
        let _ = kill_process(daemon, Signal::TERM);
        self.daemon.take().unwrap().wait().unwrap();
    }

    /// Number of entries in a folder of the shop; 0 if it is not there.
    pub(crate) fn count(&self, folder: &str) -> usize {
        fs::read_dir(self.bench.path(folder)).map_or(0, Iterator::count)
    }

    /// What `status.json` says, if it can be read now.
    pub(crate) fn status(&self) -> Value {
        let text = fs::read(self.bench.path("state/status.json")).unwrap_or_default();
        serde_json::from_slice(&text).unwrap_or_default()
    }

    /// The folders that the log names.
    pub(crate) fn logged(&self) -> Vec<String> {
        let log = self.log();
        let mut folders: Vec<String> = log
            .iter()
            .map(|l| l["folder"].as_str().unwrap().to_owned())
            .collect();
        folders.sort();
        folders.dedup();
        folders
    }

    pub(crate) fn pid(&self) -> Pid {
        Pid::from_child(self.daemon.as_ref().unwrap())
    }

    pub(crate) fn kill(&mut self) {
        if let Some(mut daemon) = self.daemon.take() {
            // A daemon that is traced would outlive its tracer.
            for child in children(Pid::from_child(&daemon)) {
                if is_traced(child) {
                    let _ = kill_process(Pid::from_raw(child).unwrap(), Signal::KILL);
                }
            }
            daemon.kill().unwrap();
            daemon.wait().unwrap();
        }
    }

    pub(crate) fn inbox(&self, name: &str) -> PathBuf {
        self.bench.path("inbox").join(name)
    }

    /// A job made beside the inbox; each has its own size of photo, so that mixing them up shows.
    pub(crate) fn job(&self, name: &str, number: u32) -> PathBuf {
        let folder = self.bench.path("desk").join(name);
        fs::create_dir(&folder).unwrap();
        fs::write(folder.join("job.toml"), JOB).unwrap();
        fs::write(folder.join("photo.png"), grey_png(600 + number, 500)).unwrap();
        fs::write(folder.join("crest.svg"), CREST_SVG).unwrap();
        folder
    }

    pub(crate) fn drop_job(&self, name: &str, number: u32) {
        fs::rename(self.job(name, number), self.inbox(name)).unwrap();
    }

    /// What `run` makes of a job with this shop's settings.
    pub(crate) fn run(&self, bench: &Bench, folder: &Path) {
        let status = Command::new(helpers::program())
            .args(["run", "--quiet", "--config"])
            .arg(self.bench.path("config"))
            .arg("--out")
            .args([&bench.outbox(), folder])
            .stdout(Stdio::null())
            .status();
        assert_eq!(status.unwrap().code(), Some(3));
    }

    pub(crate) fn published(&self) -> Vec<String> {
        let outbox = self.bench.outbox();
        let names = fs::read_dir(outbox).into_iter().flatten().flatten();
        let folders = names.filter(|e| e.file_type().unwrap().is_dir());
        let names = folders.map(|e| e.file_name().to_string_lossy().into_owned());
        let mut names: Vec<String> = names.filter(|n| !n.starts_with('.')).collect();
        names.sort();
        names
    }

    pub(crate) fn wait_for(&self, what: &str, seconds: u64, is_so: impl Fn() -> bool) {
        let begun = Instant::now();
        while !is_so() {
            let status = fs::read_to_string(self.bench.path("state/status.json"));
            let late = begun.elapsed() > Duration::from_secs(seconds);
            assert!(
                !late,
                "{what}: not after {seconds} s; {:?} {status:?}",
                self.published()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    pub(crate) fn wait_for_jobs(&self, count: usize, seconds: u64) {
        self.wait_for("jobs published", seconds, || {
            self.published().len() >= count && self.log().len() >= count
        });
    }

    pub(crate) fn log(&self) -> Vec<Value> {
        let text = fs::read_to_string(self.bench.outbox().join("fit-log.jsonl"));
        text.unwrap_or_default()
            .lines()
            .map(|l| serde_json::from_str(l).unwrap())
            .collect()
    }
}

/// Copies as phones and file managers do: in any order, in pieces, with pauses, some files under
/// a temporary name until they are complete.
pub(crate) fn copy_slowly(from: &Path, to: &Path, dice: &mut Dice) {
    fs::create_dir(to).unwrap();
    let mut files: Vec<(String, Vec<u8>)> = contents(from).into_iter().collect();
    for i in (1..files.len()).rev() {
        files.swap(i, dice.below(i + 1));
    }
    for (name, bytes) in files {
        let temporary = dice.below(2) == 0;
        let path = to.join(if temporary {
            format!("{name}.part")
        } else {
            name.clone()
        });
        for pieces in [bytes.len() / 3, 2 * bytes.len() / 3, bytes.len()] {
            fs::write(&path, &bytes[..pieces]).unwrap();
            std::thread::sleep(Duration::from_millis(200 + 200 * dice.below(12) as u64));
        }
        if temporary {
            fs::rename(&path, to.join(name)).unwrap();
        }
    }
}

/// Processes that a process has started and that still run.
pub(crate) fn children(parent: Pid) -> Vec<i32> {
    let pid = parent.as_raw_nonzero();
    let path = format!("/proc/{pid}/task/{pid}/children");
    let children = fs::read_to_string(path).unwrap_or_default();
    children.split_whitespace().flat_map(str::parse).collect()
}

fn is_traced(pid: i32) -> bool {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
    let tracer = status.lines().find(|l| l.starts_with("TracerPid"));
    tracer.is_some_and(|l| !l.ends_with("\t0"))
}

/// Kills one child of the daemon, if it has any now.
pub(crate) fn shoot_a_worker(daemon: Pid, dice: &mut Dice) {
    let children = children(daemon);
    if !children.is_empty() {
        let victim = Pid::from_raw(children[dice.below(children.len())]).unwrap();
        // It may have ended by itself meanwhile.
        let _ = kill_process(victim, Signal::KILL);
    }
}

pub(crate) fn number(variable: &str, usual: u32) -> u32 {
    std::env::var(variable).map_or(usual, |text| text.parse().unwrap())
}

/// Numbers that only look random (a linear congruential generator; Knuth, TAOCP volume 2).
pub(crate) struct Dice(pub(crate) u64);

impl Dice {
    pub(crate) fn below(&mut self, n: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        (self.0 >> 33) as usize % n
    }
}
