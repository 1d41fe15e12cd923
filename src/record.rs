//! The record of restoration of one job.

use std::io;

use measures::Verdict;
use press::{RecordContent, RecordEmblem};
use sha2::{Digest as _, Sha256};

use crate::folder::{Entry, Folder};
use crate::job::{Emblem, Job};
use crate::report::{EmblemReport, JobReport};
use crate::settings::Config;

/// Its file in the job's folder.
pub(crate) const RECORD_FILE: &str = "record.pdf";

/// Why there is no record.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Error {
    /// A file of the job folder could not be read again.
    #[error("the record of restoration was not written, a file of the job cannot be read: {0}")]
    Source(#[from] io::Error),
    /// The PDF could not be made.
    #[error("the record of restoration was not written: {0}")]
    Sheet(#[from] press::Error),
}

/// The record as a PDF; `None` when no emblem was measured well enough to be replaced.
///
/// # Errors
/// When a source cannot be read again, or the PDF cannot be made.
pub(crate) fn record(
    job: &Job,
    folder: &Folder,
    report: &JobReport,
    config: &Config,
) -> Result<Option<Vec<u8>>, Error> {
    let pairs = || job.emblems.iter().zip(&report.emblems);
    let materials: Vec<Option<press::Material>> =
        pairs().map(|(e, _)| material(e, job, config)).collect();
    let emblems: Vec<RecordEmblem<'_>> = pairs()
        .zip(&materials)
        .filter_map(|((_, e), material)| emblem(e, material.as_ref()?))
        .collect();
    if emblems.is_empty() {
        return Ok(None);
    }
    let content = RecordContent {
        job: &report.job,
        garment: report.garment.as_deref().unwrap_or_default(),
        fabric: report.fabric.as_deref(),
        restored_on: job.garment.restored_on.as_deref(),
        emblems: &emblems,
        sources_sha256: &sources_sha256(folder)?,
        program: &report.program,
    };
    let settings = &config.settings;
    Ok(Some(press::record(
        &content,
        &settings.record,
        &settings.press,
    )?))
}

fn material(emblem: &Emblem, job: &Job, config: &Config) -> Option<press::Material> {
    let task = emblem.task.as_ref().ok()?;
    let material = config.materials.get(&task.material)?;
    let fabric = config
        .fabrics
        .get(job.garment.fabric.as_deref().unwrap_or_default());
    Some(press::material_for_garment(
        material,
        fabric,
        job.garment.iron_dots,
    ))
}

fn emblem<'a>(e: &'a EmblemReport, material: &'a press::Material) -> Option<RecordEmblem<'a>> {
    let fitted = e.fitted.as_ref().filter(|_| e.verdict != Verdict::Hold)?;
    let plane = e.plane.as_ref()?;
    let centre = fitted.artwork.outline.bounding_box().center();
    let at = fitted.fit.art_to_photo.apply(centre.into());
    let finished = e.finished.as_ref();
    Some(RecordEmblem {
        name: &e.name,
        artwork: &fitted.artwork,
        fit: &fitted.fit,
        u_scale_percent: plane.budget_at(at).expanded_percent(),
        rulers: e.rulers.len(),
        material,
        pressed: finished.and_then(|f| f.pressed.as_ref()),
        before_jpg: &e.pictures.before_jpg,
        after_jpg: finished.map_or(&[], |f| &f.pictures.before_jpg),
    })
}

/// SHA-256 of what `sha256sum` prints for the job folder's files in the order of their names.
fn sources_sha256(folder: &Folder) -> io::Result<String> {
    let mut list = Sha256::new();
    for (path, entry) in folder.entries() {
        if let Entry::File { .. } = entry {
            let file = hex(&Sha256::digest(folder.read(path)?));
            list.update(format!("{file}  {}\n", path.display()));
        }
    }
    Ok(hex(&list.finalize()))
}

fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::new(), |mut text, b| {
        let _ = write!(text, "{b:02x}");
        text
    })
}
