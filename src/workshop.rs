//! One job from folder to folder: copied, read, worked on, published.

use std::io;
use std::path::Path;

use measures::Verdict;

use crate::cli::Ending;
use crate::clock::Utc;
use crate::folder::{self, Folder};
use crate::job::{self, JOB_FILE, JobName};
use crate::log::Progress;
use crate::outbox::{self, LogLine, Outbox, fit_json};
use crate::outcome::{self, Outcome};
use crate::pipeline;
use crate::problem::Problem;
use crate::report::{self, JobReport};
use crate::settings::Config;
use crate::watch::Receipt;

/// One job to be done.
#[derive(Clone, Copy, Debug)]
pub struct Order<'a> {
    /// The folder as it was dropped.
    pub folder: &'a Path,
    /// What the job is called.
    pub name: &'a JobName,
    /// The mark of this publication.
    pub id: &'a str,
    /// Why the job is not to be worked on but held.
    pub hold_because: Option<&'a str>,
    /// What else the report should say.
    pub notes: &'a [String],
}

/// A job that has been published.
#[derive(Debug)]
pub struct Done {
    /// What its report says.
    pub report: JobReport,
    /// Its folder in the outbox.
    pub folder: String,
    /// What it means for the exit status.
    pub ending: Ending,
}

/// Why a job could not be published.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// There is no such folder, or it cannot be listed.
    #[error("{0}; give the path of a job folder that this user may read")]
    NoFolder(folder::Error),
    /// The folder's files could not be copied.
    #[error("{path}: the job folder could not be copied to the outbox: {source}; check the disk's \
             space and that the folder is still there", path = path.display())]
    Copy {
        /// The job folder.
        path: std::path::PathBuf,
        /// What the file system said.
        source: io::Error,
    },
    /// The outbox refused.
    #[error(transparent)]
    Outbox(#[from] outbox::Error),
    /// The report could not be written.
    #[error(transparent)]
    Report(#[from] report::Error),
}

/// Works on a job and publishes it, whatever comes out.
///
/// # Errors
/// When there is no folder to work on or no outbox to publish to. Everything that is wrong with
/// the job itself is published with verdict `hold`.
pub fn work(
    order: &Order<'_>,
    outbox: &Outbox,
    config: &Config,
    progress: Progress,
) -> Result<Done, Error> {
    let scanned = Folder::scan(order.folder, &config.settings.limits);
    let building = outbox.begin(order.id)?;
    let (mut outcome, refused) = match scanned {
        Ok(mut folder) => {
            folder
                .copy_to(&building.path().join("source"))
                .map_err(|source| Error::Copy {
                    path: order.folder.to_owned(),
                    source,
                })?;
            match order.hold_because {
                Some(reason) => {
                    let problem = Problem::with_file(".", reason, "", "");
                    (outcome::refused(order.name, vec![problem], config), false)
                }
                None => outcome(&folder, order.name, config, progress),
            }
        }
        Err(folder::Error::TooMuch(problem)) => {
            let remedy = format!("{}. Nothing of it was copied to source/", problem.remedy);
            let problem = Problem { remedy, ..problem };
            (outcome::refused(order.name, vec![problem], config), true)
        }
        Err(error) => return Err(Error::NoFolder(error)),
    };
    let notes = order
        .notes
        .iter()
        .map(|note| Problem::with_file(".", note, "", ""));
    outcome.report.problems.extend(notes);
    for (path, bytes) in &outcome.files {
        building.write(path, bytes)?;
    }
    building.write("fit.json", &fit_json(&outcome.report))?;
    building.write("report.html", report::job_page(&outcome.report)?.as_bytes())?;
    let lines = log_lines(&outcome.report, order.id);
    let published = building.publish(order.name, &lines)?;
    if let Some(trouble) = &published.index_trouble {
        tracing::warn!("index.html could not be rebuilt: {trouble}");
    }
    tracing::info!(folder = published.folder, verdict = ?outcome.report.verdict, "published");
    let ending = ending(&outcome, refused);
    Ok(Done {
        report: outcome.report,
        folder: published.folder,
        ending,
    })
}

/// What was published under a mark before, if anything.
///
/// # Errors
/// Those of the outbox.
pub(crate) fn published_before(
    outbox: &Outbox,
    id: &str,
) -> Result<Option<Receipt>, outbox::Error> {
    let Some(folder) = outbox.find(id)? else {
        return Ok(None);
    };
    let fit = std::fs::read(outbox.root().join(&folder).join("fit.json")).unwrap_or_default();
    let fit: serde_json::Value = serde_json::from_slice(&fit).unwrap_or_default();
    let verdict = fit["verdict"].as_str().unwrap_or("hold").to_owned();
    Ok(Some(Receipt { folder, verdict }))
}

/// What comes out, and whether the whole job was refused for bad input.
fn outcome(
    folder: &Folder,
    name: &JobName,
    config: &Config,
    progress: Progress,
) -> (Outcome, bool) {
    let (mut outcome, refused) = match job::read(folder, config) {
        Ok(job) => {
            let outcome = pipeline::process(&job, folder, name, config, progress);
            let refused = outcome.nothing_usable;
            (outcome, refused)
        }
        Err(problems) => (outcome::refused(name, problems, config), true),
    };
    let left_out = folder.left_out().into_iter().filter(|p| p.file != JOB_FILE);
    outcome.report.problems.extend(left_out);
    (outcome, refused)
}

fn ending(outcome: &Outcome, refused: bool) -> Ending {
    if outcome.failed {
        Ending::Failed
    } else if refused {
        Ending::Refused
    } else if outcome.report.verdict == Verdict::Hold {
        Ending::Hold
    } else {
        Ending::Done
    }
}

/// One line an emblem; a job without any gets one of its own, so that the log misses nothing.
fn log_lines(report: &JobReport, id: &str) -> Vec<LogLine> {
    let published = Utc::now().iso();
    let mut lines: Vec<LogLine> = report
        .emblems
        .iter()
        .map(|emblem| LogLine::new(report, Some(emblem)))
        .collect();
    if lines.is_empty() {
        lines.push(LogLine::new(report, None));
    }
    for line in &mut lines {
        line.published.clone_from(&published);
        id.clone_into(&mut line.id);
    }
    lines
}
