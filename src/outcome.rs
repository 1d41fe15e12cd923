//! What comes out of a job: the report and the files, emblem by emblem and as a whole.

use measures::{Artwork, Verdict};

use crate::job::{Emblem, Job, JobName, Task};
use crate::problem::Problem;
use crate::report::{EmblemReport, FileLink, JobReport, Pictures, VersionScore};
use crate::settings::Config;
use crate::sheets;

/// What came out of a job.
#[derive(Debug)]
pub struct Outcome {
    /// What is reported.
    pub report: JobReport,
    /// Files to publish: path inside the job's folder, bytes.
    pub files: Vec<(String, Vec<u8>)>,
    /// Bad input kept every emblem from being worked on.
    pub nothing_usable: bool,
    /// The program itself failed on some emblem.
    pub failed: bool,
}

/// One emblem, worked on or held.
pub(crate) struct Worked {
    pub(crate) report: EmblemReport,
    pub(crate) files: Vec<(String, Vec<u8>)>,
    pub(crate) problems: Vec<Problem>,
    pub(crate) failed: bool,
}

impl Worked {
    /// Held, for these problems or others that the caller adds.
    pub(crate) fn held(emblem: &Emblem, problems: Vec<Problem>) -> Self {
        let photo = emblem
            .task
            .as_ref()
            .map_or(String::new(), |t| t.photo.path.clone());
        let report = EmblemReport {
            name: emblem.name.clone(),
            verdict: Verdict::Hold,
            reasons: problems.iter().map(ToString::to_string).collect(),
            photo,
            photo_size_px: None,
            rulers: Vec::new(),
            plane: None,
            fitted: None,
            rival: None,
            suspicions: Vec::new(),
            versions: Vec::new(),
            fabric_lines: None,
            outline: None,
            material: None,
            finished: None,
            warnings: Vec::new(),
            pictures: Pictures::default(),
            files: Vec::new(),
            pieces: Vec::new(),
        };
        Self {
            report,
            files: Vec::new(),
            problems,
            failed: false,
        }
    }

    /// Worsens the verdict, and says why.
    pub(crate) fn worsen(&mut self, verdict: Verdict, reason: impl Into<String>) {
        self.report.verdict = self.report.verdict.max(verdict);
        self.report.reasons.push(reason.into());
    }

    /// A width far outside what was measured on earlier garments is looked at.
    pub(crate) fn against_known(&mut self, task: &Task) {
        let (Some(table), Some(fitted)) = (&task.known_widths, &self.report.fitted) else {
            return;
        };
        let [width_mm, _] = fitted.size_mm();
        let u_mm = fitted.fit.u_size_percent / 100.0 * width_mm;
        let known = table.of(&self.report.name, &fitted.artwork.file);
        if let Some(words) = known.and_then(|k| k.objection(width_mm, u_mm)) {
            self.worsen(Verdict::Look, words);
        }
    }

    /// Adds a file, and a link to it if it is for people. Nothing to write, no file.
    pub(crate) fn publish(&mut self, file: &str, what: &str, bytes: Vec<u8>) {
        if bytes.is_empty() {
            return;
        }
        let path = format!("{}/{file}", self.report.name);
        if !what.is_empty() {
            self.report.files.push(FileLink {
                path: path.clone(),
                what: what.to_owned(),
            });
        }
        self.files.push((path, bytes));
    }

    /// The program itself failed.
    pub(crate) fn fault(emblem: &Emblem) -> Self {
        let mut worked = Self::held(emblem, Vec::new());
        worked.failed = true;
        worked.report.reasons.push(
            "the program itself failed on this emblem: nothing was measured. Keep the job folder and \
             report the fault; a photo taken again may help meanwhile"
                .to_owned(),
        );
        worked
    }
}

/// The whole job's outcome from its emblems'.
pub(crate) fn assemble(job: &Job, name: &JobName, config: &Config, worked: Vec<Worked>) -> Outcome {
    let nothing_usable = worked.iter().all(|w| !w.problems.is_empty());
    let failed = worked.iter().any(|w| w.failed);
    let verdict = worked
        .iter()
        .map(|w| w.report.verdict)
        .max()
        .unwrap_or(Verdict::Hold);
    let fabric = job
        .garment
        .fabric
        .as_ref()
        .and_then(|f| config.fabrics.get(f));
    let mut report = JobReport {
        garment: job.garment.title.clone(),
        fabric: fabric.map(|f| f.title.clone()),
        iron_dots: job.garment.iron_dots,
        verdict,
        ..empty_report(name, config)
    };
    let mut files = Vec::new();
    for sheet in sheets::of_job(&worked, name, config) {
        report.sheets.extend(sheet.links);
        files.extend(sheet.files);
    }
    for emblem in worked {
        for problem in emblem.problems {
            if !report.problems.contains(&problem) {
                report.problems.push(problem);
            }
        }
        report.emblems.push(emblem.report);
        files.extend(emblem.files);
    }
    Outcome {
        report,
        files,
        nothing_usable,
        failed,
    }
}

/// A job that cannot be worked on at all.
pub fn refused(name: &JobName, problems: Vec<Problem>, config: &Config) -> Outcome {
    let report = JobReport {
        problems,
        ..empty_report(name, config)
    };
    Outcome {
        report,
        files: Vec::new(),
        nothing_usable: true,
        failed: false,
    }
}

fn empty_report(name: &JobName, config: &Config) -> JobReport {
    JobReport {
        job: name.to_string(),
        garment: None,
        fabric: None,
        iron_dots: None,
        verdict: Verdict::Hold,
        problems: Vec::new(),
        emblems: Vec::new(),
        sheets: Vec::new(),
        record: false,
        settings: config.texts.clone(),
        program: concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION")).to_owned(),
    }
}

/// How one of the job's versions fared.
pub(crate) fn version_score(
    number: usize,
    artwork: &Artwork,
    ranking: &fit::Ranking,
) -> VersionScore {
    let ranked = ranking.versions.iter().find(|v| v.artwork == number);
    VersionScore {
        file: artwork.file.clone(),
        score: ranked.map_or(0.0, |r| r.score),
        size_mm: ranked.map(|r| {
            let size = artwork.outline.bounding_box().size() * r.fit.mm_per_art;
            [size.width, size.height]
        }),
        outline_seen: ranked.map(|r| r.fit.outline_seen),
        edge_mean_mm: ranked.map(|r| r.fit.edge_mean_mm),
        notes: artwork.notes.clone(),
    }
}
