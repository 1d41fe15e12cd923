//! `emblemend run`: from job folders to the outbox.

use std::path::{Path, PathBuf};

use clap::Args;
use measures::Verdict;

use super::say;
use crate::cli::Ending;
use crate::job::JobName;
use crate::log::Progress;
use crate::outbox::{Outbox, rounded};
use crate::report::JobReport;
use crate::settings::Config;
use crate::watch::Receipt;
use crate::workshop::{self, Order};

/// What `run` is told.
#[derive(Args, Debug)]
pub(crate) struct Arguments {
    /// Folders with a job.toml each
    #[arg(required = true, value_name = "JOB_FOLDER")]
    folders: Vec<PathBuf>,
    /// Where to publish [default: from the settings]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// For schedulers that may run a job twice: a mark of your own for this one job; published
    /// under it before, it is not published again
    #[arg(long, value_name = "MARK", value_parser = mark)]
    once: Option<String>,
    #[command(flatten)]
    worker: Worker,
}

/// A mark also names a file while its job is built.
fn mark(text: &str) -> Result<String, String> {
    if JobName::from_text(text).as_str() == text {
        return Ok(text.to_owned());
    }
    Err("a mark is up to 100 letters, figures and dashes, such as array-7-12".to_owned())
}

/// What the daemon tells its workers.
#[derive(Args, Debug)]
struct Worker {
    /// The mark of the publication: a job published under it is not published again
    #[arg(
        long = "as-worker",
        hide = true,
        value_name = "ID",
        conflicts_with = "once"
    )]
    id: Option<String>,
    /// Address space that this process may use
    #[arg(long, hide = true, value_name = "MB")]
    memory_max_mb: Option<u64>,
    /// The process that waits for this one: without it, there is nothing to do
    #[arg(long, hide = true, value_name = "PROCESS")]
    started_by: Option<i32>,
    /// Publish as held, for this reason, without working on it
    #[arg(long, hide = true, value_name = "REASON")]
    hold_because: Option<String>,
    /// Something to say in the report
    #[arg(long, hide = true, value_name = "NOTE")]
    note: Vec<String>,
}

/// Works on every folder; one that fails does not keep the others waiting.
pub(crate) fn run(arguments: &Arguments, config: &Config, progress: Progress) -> Ending {
    if arguments.once.is_some() && arguments.folders.len() > 1 {
        eprintln!("--once marks one job; give one job folder, and each its own mark");
        return Ending::Refused;
    }
    if let Some(limit) = arguments.worker.memory_max_mb
        && let Err(error) = restrain(limit)
    {
        tracing::warn!("the limits of this process could not be set: {error}");
    }
    if is_orphan(arguments.worker.started_by) {
        return Ending::Failed;
    }
    let root = arguments
        .out
        .as_ref()
        .unwrap_or(&config.settings.folders.outbox);
    let outbox = match Outbox::open(root) {
        Ok(outbox) => outbox,
        Err(error) => {
            eprintln!("{error}");
            return Ending::Failed;
        }
    };
    let endings = arguments
        .folders
        .iter()
        .map(|path| run_one(path, arguments, &outbox, config, progress));
    endings.max().unwrap_or(Ending::Done)
}

/// Leaves the computer to others, and ends with the daemon that started it.
fn restrain(memory_max_mb: u64) -> rustix::io::Result<()> {
    use rustix::process::{
        Resource, Rlimit, Signal, nice, set_parent_process_death_signal, setrlimit,
    };
    const POLITE: i32 = 10;
    set_parent_process_death_signal(Some(Signal::KILL))?;
    nice(POLITE)?;
    let bytes = Some(memory_max_mb.saturating_mul(1_000_000));
    setrlimit(
        Resource::As,
        Rlimit {
            current: bytes,
            maximum: bytes,
        },
    )
}

/// Whether the daemon ended before this process had asked to end with it.
fn is_orphan(started_by: Option<i32>) -> bool {
    let parent = rustix::process::getppid().map(rustix::process::Pid::as_raw_nonzero);
    started_by.is_some_and(|daemon| parent.is_none_or(|parent| parent.get() != daemon))
}

fn run_one(
    path: &Path,
    arguments: &Arguments,
    outbox: &Outbox,
    config: &Config,
    progress: Progress,
) -> Ending {
    let name = match JobName::of_folder(path) {
        Ok(name) => name,
        Err(error) => {
            eprintln!("{}: {error}; give the path of a job folder", path.display());
            return Ending::Refused;
        }
    };
    let worker = &arguments.worker;
    let given = worker.id.as_ref().or(arguments.once.as_ref());
    let id = given.cloned().unwrap_or_else(crate::clock::unique_mark);
    let _in_job = tracing::info_span!("job", name = name.as_str(), id).entered();
    if given.is_some() {
        match workshop::published_before(outbox, &id) {
            Ok(Some(receipt)) if worker.id.is_some() => return hand_in(&receipt, Ending::Done),
            Ok(Some(Receipt { folder, verdict })) => {
                say(&format!("{name}: {verdict}, published before as {folder}"));
                return Ending::Done;
            }
            Ok(None) => {}
            Err(error) => {
                eprintln!("{error}");
                return Ending::Failed;
            }
        }
    }
    let order = Order {
        folder: path,
        name: &name,
        id: &id,
        hold_because: worker.hold_because.as_deref(),
        notes: &worker.note,
    };
    let done = workshop::work(&order, outbox, config, progress);
    progress.done();
    match done {
        Ok(done) if worker.id.is_some() => {
            let verdict = word(done.report.verdict).to_owned();
            hand_in(
                &Receipt {
                    folder: done.folder,
                    verdict,
                },
                done.ending,
            )
        }
        Ok(done) => {
            say(&summary(&done.report, &outbox.root().join(&done.folder)));
            done.ending
        }
        Err(error @ workshop::Error::NoFolder(_)) if worker.id.is_none() => {
            eprintln!("{error}");
            Ending::Refused
        }
        Err(error) => {
            tracing::error!("{error}");
            eprintln!("{error}");
            Ending::Failed
        }
    }
}

/// Tells the daemon where the job has been published.
fn hand_in(receipt: &Receipt, ending: Ending) -> Ending {
    say(&serde_json::json!(receipt).to_string());
    ending
}

/// Where to look, the verdicts, and each emblem's figures in one line.
fn summary(report: &JobReport, folder: &Path) -> String {
    let mut lines = vec![
        format!("{}: {}", report.job, word(report.verdict)),
        format!("  look at {}", folder.join("report.html").display()),
    ];
    for emblem in &report.emblems {
        let figures = emblem.fitted.as_ref().map_or(String::new(), |fitted| {
            let [w, h] = fitted.size_mm();
            let fit = &fitted.fit;
            format!(
                "  {} {w:.2} × {h:.2} mm ± {:.2} %, turned {:.2}°, edge within {:.2} mm, {:.0} % of the outline seen",
                fitted.artwork.file,
                fit.u_size_percent,
                rounded(fit.rotation_deg, 2).unwrap_or(0.0),
                fit.edge_p95_mm,
                100.0 * fit.outline_seen,
            )
        });
        lines.push(format!(
            "  {}: {}{figures}",
            emblem.name,
            word(emblem.verdict)
        ));
        lines.extend(
            emblem
                .reasons
                .iter()
                .map(|reason| format!("    - {reason}")),
        );
    }
    if report.emblems.is_empty() {
        lines.extend(
            report
                .problems
                .iter()
                .map(|problem| format!("    - {problem}")),
        );
    }
    lines.join("\n")
}

fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Cut => "cut",
        Verdict::Look => "look",
        Verdict::Hold => "hold",
    }
}
