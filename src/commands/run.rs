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
}

/// Works on every folder; one that fails does not keep the others waiting.
pub(crate) fn run(arguments: &Arguments, config: &Config, progress: Progress) -> Ending {
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
        .map(|path| run_one(path, &outbox, config, progress));
    endings.max().unwrap_or(Ending::Done)
}

fn run_one(path: &Path, outbox: &Outbox, config: &Config, progress: Progress) -> Ending {
    let name = match JobName::of_folder(path) {
        Ok(name) => name,
        Err(error) => {
            eprintln!("{}: {error}; give the path of a job folder", path.display());
            return Ending::Refused;
        }
    };
    let _in_job = tracing::info_span!("job", name = name.as_str()).entered();
    let order = Order {
        folder: path,
        name: &name,
        id: &crate::clock::unique_mark(),
    };
    let done = workshop::work(&order, outbox, config, progress);
    progress.done();
    match done {
        Ok(done) => {
            say(&summary(&done.report, &outbox.root().join(&done.folder)));
            done.ending
        }
        Err(error @ workshop::Error::NoFolder(_)) => {
            eprintln!("{error}");
            Ending::Refused
        }
        Err(error) => {
            tracing::error!("{error}");
            eprintln!("{}: {error}", path.display());
            Ending::Failed
        }
    }
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
