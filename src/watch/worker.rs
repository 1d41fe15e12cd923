//! One job in a process of its own: what it does to itself, it does to that job alone.

use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;

use serde::{Deserialize, Serialize};
use tokio::io::AsyncReadExt as _;
use tokio::process::Command;

use super::spool::Ticket;
use crate::log::LogFormat;

/// Longest tail of a worker's complaint that is kept.
const LONGEST_COMPLAINT_BYTES: usize = 2000;

/// Less than a stop waits for workers.
const LONGEST_NOTICE: Duration = Duration::from_secs(20);

/// What a worker says on standard output when its job is published.
#[derive(Clone, Debug, Deserialize, PartialEq, Eq, Serialize)]
pub(crate) struct Receipt {
    /// The job's folder in the outbox.
    pub(crate) folder: String,
    /// The job's verdict.
    pub(crate) verdict: String,
}

/// How a try ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Try {
    /// The job is published.
    Published(Receipt),
    /// The outbox or the disk did not let it finish; the job is not to blame.
    NotNow(String),
    /// The worker died or had to be stopped.
    Crashed(String),
}

/// What a worker is started with.
#[derive(Clone, Debug)]
pub(super) struct Job {
    pub(super) id: String,
    pub(super) folder: PathBuf,
    pub(super) outbox: PathBuf,
    pub(super) config: PathBuf,
    pub(super) hold_because: Option<String>,
    pub(super) notes: Vec<String>,
    pub(super) seconds_max: u64,
    pub(super) memory_max_mb: u64,
    pub(super) log: Option<LogFormat>,
}

/// Works on the job in a child process and waits for its end. Dropping the future ends the child.
pub(super) async fn work(job: Job) -> Try {
    let mut command = match command(&job) {
        Ok(command) => command,
        Err(error) => return Try::NotNow(format!("the program's own file was not found: {error}")),
    };
    let mut child = match command.spawn() {
        Ok(child) => child,
        Err(error) => return Try::NotNow(format!("no process could be started: {error}")),
    };
    let (mut said, mut complained) = (String::new(), Vec::new());
    let (out, err) = (child.stdout.take(), child.stderr.take());
    let listen = async {
        let read_out = async {
            if let Some(mut out) = out {
                let _ = out.read_to_string(&mut said).await;
            }
        };
        let read_err = async {
            if let Some(mut err) = err {
                let _ = err.read_to_end(&mut complained).await;
            }
        };
        tokio::join!(read_out, read_err);
        child.wait().await
    };
    let limit = Duration::from_secs(job.seconds_max);
    let ended = tokio::time::timeout(limit, listen).await;
    pass_on(&job.id, &complained);
    match ended {
        Err(_) => {
            let _ = child.kill().await;
            Try::Crashed(format!("it was not done after {} s", job.seconds_max))
        }
        Ok(Err(error)) => Try::Crashed(error.to_string()),
        Ok(Ok(status)) => outcome(&said, &complained, status),
    }
}

/// Log lines carry the job's mark themselves; what the system or a panic says does not.
fn pass_on(id: &str, complained: &[u8]) {
    for line in String::from_utf8_lossy(complained).lines() {
        if line.contains(id) {
            eprintln!("{line}");
        } else if !line.trim().is_empty() {
            tracing::warn!(id, "{line}");
        }
    }
}

fn outcome(said: &str, complained: &[u8], status: std::process::ExitStatus) -> Try {
    if let Some(receipt) = said
        .lines()
        .rev()
        .find_map(|line| serde_json::from_str(line).ok())
    {
        return Try::Published(receipt);
    }
    let tail = complained.len().saturating_sub(LONGEST_COMPLAINT_BYTES);
    let complaint = String::from_utf8_lossy(&complained[tail..])
        .trim()
        .to_owned();
    // Status 1 without a receipt is a clean report of trouble, in the last line; a panic ends
    // with 101.
    if status.code() == Some(1) {
        Try::NotNow(complaint.lines().last().unwrap_or_default().to_owned())
    } else {
        Try::Crashed(format!("{status} {complaint}").trim().to_owned())
    }
}

fn command(job: &Job) -> std::io::Result<Command> {
    let mut command = Command::new(std::env::current_exe()?);
    command.args(["run", "--quiet", "--as-worker", &job.id]);
    if job.log == Some(LogFormat::Json) {
        command.args(["--log", "json"]);
    }
    command
        .arg("--memory-max-mb")
        .arg(job.memory_max_mb.to_string())
        .arg("--started-by")
        .arg(std::process::id().to_string());
    // A core a job: side by side, jobs use the cores better than one job uses many.
    command.env("RAYON_NUM_THREADS", "1");
    command.arg("--out").arg(&job.outbox);
    command.arg("--config").arg(&job.config);
    if let Some(reason) = &job.hold_because {
        command.arg("--hold-because").arg(reason);
    }
    for note in &job.notes {
        command.arg("--note").arg(note);
    }
    command.arg("--").arg(&job.folder);
    command
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .kill_on_drop(true);
    Ok(command)
}

/// Whether everything that the job file names has arrived; otherwise what is missing.
///
/// Looked at in a child process, since it opens what strangers have sent.
pub(super) async fn is_whole(folder: &Path, config: &Path, seconds_max: u64) -> Result<(), String> {
    let command = std::env::current_exe().map(|program| {
        let mut command = Command::new(program);
        command
            .args(["settled", "--quiet", "--config"])
            .arg(config)
            .arg("--")
            .arg(folder)
            .stdin(Stdio::null());
        command.stderr(Stdio::null()).kill_on_drop(true);
        command
    });
    let output = match command {
        Ok(mut command) => {
            tokio::time::timeout(Duration::from_secs(seconds_max), command.output()).await
        }
        Err(error) => return Err(error.to_string()),
    };
    match output {
        Ok(Ok(output)) if output.status.success() => Ok(()),
        Ok(Ok(output)) => Err(String::from_utf8_lossy(&output.stdout).trim().to_owned()),
        Ok(Err(error)) => Err(error.to_string()),
        Err(_) => Err("its files could not be looked at in time".to_owned()),
    }
}

/// Runs the shop's own command, its arguments filled in, never through a shell.
pub(super) async fn notify(words: &[String], ticket: &Ticket, receipt: &Receipt, path: &Path) {
    let Some((program, arguments)) = words.split_first() else {
        return;
    };
    let fill = |word: &String| {
        word.replace("{job}", &ticket.name)
            .replace("{verdict}", &receipt.verdict)
            .replace("{path}", &path.to_string_lossy())
    };
    let mut command = Command::new(program);
    command
        .args(arguments.iter().map(fill))
        .stdin(Stdio::null())
        .kill_on_drop(true);
    let trouble = match tokio::time::timeout(LONGEST_NOTICE, command.status()).await {
        Ok(Ok(status)) if status.success() => return,
        Ok(Ok(status)) => format!("ended with {status}"),
        Ok(Err(error)) => format!("did not start: {error}"),
        Err(_) => format!("was stopped after {} s", LONGEST_NOTICE.as_secs()),
    };
    let (job, id) = (&ticket.name, &ticket.id);
    tracing::warn!(job, id, "the notice command {trouble}");
}
