//! `emblemend sheet`: everything that waits for the same material on as few sheets as possible.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use clap::Args;
use measures::CutFrom;
use serde::Deserialize;

use super::say;
use crate::cli::Ending;
use crate::pipeline;
use crate::settings::Config;
use crate::sheets::{Heading, Waiting, WrittenSheet, lay};

/// What `sheet` is told.
#[derive(Args, Debug)]
pub(crate) struct Arguments {
    /// Published jobs, by the names of their folders [default: all in the outbox]
    #[arg(value_name = "JOB")]
    jobs: Vec<String>,
    /// Only pieces of this material [default: every material]
    #[arg(long, value_name = "NAME")]
    material: Option<String>,
    /// Where the jobs are published [default: from the settings]
    #[arg(long, value_name = "DIR")]
    outbox: Option<PathBuf>,
    /// Where the sheets go; pieces on sheets there wait no longer [default: from the settings]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Take pieces with the verdict look too: somebody has looked at them
    #[arg(long)]
    looked_at: bool,
    /// Cut along with the pieces: weeding-frame, weeding-lines, test-square
    #[arg(long, value_name = "EXTRA", value_delimiter = ',', value_parser = extra)]
    extras: Vec<cut::Extra>,
}

fn extra(name: &str) -> Result<cut::Extra, String> {
    let found = cut::Extra::NAMES.iter().find(|(known, _)| *known == name);
    found.map(|(_, extra)| *extra).ok_or_else(|| {
        let known: Vec<&str> = cut::Extra::NAMES.iter().map(|(known, _)| *known).collect();
        format!("the extras are {}", known.join(", "))
    })
}

/// What the command needs of a published `fit.json`.
#[derive(Deserialize)]
struct PublishedJob {
    emblems: Vec<PublishedEmblem>,
}

#[derive(Deserialize)]
struct PublishedEmblem {
    name: String,
    verdict: String,
    #[serde(default)]
    pieces: Vec<PublishedPiece>,
}

#[derive(Deserialize)]
struct PublishedPiece {
    layer: String,
    material: String,
    cut_from: CutFrom,
    copies: u32,
    file: String,
}

/// What the command needs of an earlier `sheet.json`.
#[derive(Deserialize)]
struct EarlierSheet {
    material: String,
    pieces: Vec<EarlierPiece>,
}

#[derive(Deserialize)]
struct EarlierPiece {
    job: String,
    emblem: String,
    layer: String,
}

/// Lays out everything that waits, a set of sheets for each material.
pub(crate) fn sheet(arguments: &Arguments, config: &Config) -> Ending {
    let folders = &config.settings.folders;
    let outbox = arguments.outbox.as_ref().unwrap_or(&folders.outbox);
    let out = arguments.out.as_ref().unwrap_or(&folders.sheets);
    if let Some(material) = &arguments.material
        && !config.materials.contains_key(material)
    {
        let known: Vec<&str> = config.materials.keys().map(String::as_str).collect();
        eprintln!(
            "unknown material \"{material}\"; needed is one of: {}",
            known.join(", ")
        );
        return Ending::Refused;
    }
    match gathered(arguments, outbox, out) {
        Ok(waiting) if waiting.is_empty() => {
            say(&format!(
                "nothing waits: no piece with the verdict cut in {} that is not on a sheet in {} yet",
                outbox.display(),
                out.display()
            ));
            Ending::Done
        }
        Ok(waiting) => {
            let endings = waiting.iter().map(|((material, back), pieces)| {
                one_material(material, *back, pieces, arguments, out, config)
            });
            endings.max().unwrap_or(Ending::Done)
        }
        Err(problem) => {
            eprintln!("{problem}");
            Ending::Refused
        }
    }
}

/// Materials, and whether they are cut from the back.
type ByMaterial = BTreeMap<(String, bool), Vec<Waiting>>;

fn gathered(arguments: &Arguments, outbox: &Path, out: &Path) -> Result<ByMaterial, String> {
    let done = on_sheets(out).map_err(|e| {
        format!(
            "{}: the sheets there cannot be read: {e}; name another folder with --out",
            out.display()
        )
    })?;
    let mut waiting = ByMaterial::new();
    for job in jobs(arguments, outbox)? {
        let fit = outbox.join(&job).join("fit.json");
        let published: PublishedJob = fs::read(&fit)
            .map_err(|e| e.to_string())
            .and_then(|bytes| serde_json::from_slice(&bytes).map_err(|e| e.to_string()))
            .map_err(|e| {
                format!(
                    "{}: it cannot be read: {e}; work on the job again",
                    fit.display()
                )
            })?;
        for emblem in published.emblems {
            let ready =
                emblem.verdict == "cut" || (arguments.looked_at && emblem.verdict == "look");
            for piece in emblem.pieces.iter().filter(|_| ready) {
                let wanted = arguments
                    .material
                    .as_ref()
                    .is_none_or(|m| *m == piece.material);
                let mark = mark(&piece.material, &job, &emblem.name, &piece.layer);
                if wanted && !done.contains(&mark) {
                    let key = (piece.material.clone(), piece.cut_from == CutFrom::Back);
                    let waiting = waiting.entry(key).or_default();
                    waiting.push(read_piece(outbox, &job, &emblem.name, piece)?);
                }
            }
        }
    }
    Ok(waiting)
}

fn mark(material: &str, job: &str, emblem: &str, layer: &str) -> [String; 4] {
    [material, job, emblem, layer].map(str::to_owned)
}

/// The jobs named, or all that are published.
fn jobs(arguments: &Arguments, outbox: &Path) -> Result<Vec<String>, String> {
    let plain = |job: &&String| job.contains(['/', '\\']) || job.starts_with('.');
    if let Some(path) = arguments.jobs.iter().find(plain) {
        return Err(format!(
            "\"{path}\" is a path; name the job as its folder in {} is called",
            outbox.display()
        ));
    }
    if let Some(missing) = arguments
        .jobs
        .iter()
        .find(|j| !outbox.join(j).join("fit.json").is_file())
    {
        return Err(format!(
            "there is no published job \"{missing}\" in {}; check the name, or name the outbox with --outbox",
            outbox.display()
        ));
    }
    if !arguments.jobs.is_empty() {
        return Ok(arguments.jobs.clone());
    }
    let unreadable = |e: io::Error| {
        format!(
            "{}: the outbox cannot be read: {e}; name it with --outbox",
            outbox.display()
        )
    };
    let mut jobs = Vec::new();
    for entry in fs::read_dir(outbox).map_err(unreadable)? {
        let entry = entry.map_err(unreadable)?;
        let name = entry.file_name().to_string_lossy().into_owned();
        if !name.starts_with('.') && entry.path().join("fit.json").is_file() {
            jobs.push(name);
        }
    }
    jobs.sort();
    Ok(jobs)
}

/// What lies on sheets already.
fn on_sheets(out: &Path) -> io::Result<BTreeSet<[String; 4]>> {
    let mut done = BTreeSet::new();
    let entries = match fs::read_dir(out) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(done),
        entries => entries?,
    };
    for entry in entries {
        let path = entry?.path().join("sheet.json");
        if !path.is_file() {
            continue;
        }
        let sheet: EarlierSheet = serde_json::from_slice(&fs::read(&path)?)
            .map_err(|e| io::Error::other(format!("{}: {e}", path.display())))?;
        done.extend(
            sheet
                .pieces
                .iter()
                .map(|p| mark(&sheet.material, &p.job, &p.emblem, &p.layer)),
        );
    }
    Ok(done)
}

fn read_piece(
    outbox: &Path,
    job: &str,
    emblem: &str,
    piece: &PublishedPiece,
) -> Result<Waiting, String> {
    let path = outbox.join(job).join(&piece.file);
    let text = fs::read_to_string(&path).map_err(|e| {
        format!(
            "{}: it cannot be read: {e}; work on the job again",
            path.display()
        )
    })?;
    let pieces = cut::pieces(&text, &path.to_string_lossy()).map_err(|e| e.to_string())?;
    Ok(Waiting {
        job: job.to_owned(),
        emblem: emblem.to_owned(),
        layer: piece.layer.clone(),
        copies: piece.copies,
        outline: pipeline::published_piece(pieces.into_iter().next().unwrap_or_default()),
    })
}

fn one_material(
    material: &str,
    back: bool,
    waiting: &[Waiting],
    arguments: &Arguments,
    out: &Path,
    config: &Config,
) -> Ending {
    let heading = Heading {
        title: &format!("Everything waiting for {material}"),
        material,
        from: if back { CutFrom::Back } else { CutFrom::Face },
        with_job: true,
        extras: &arguments.extras,
    };
    let sheets = match lay(waiting, &heading, config) {
        Ok(sheets) => sheets,
        Err(error) => {
            eprintln!("{error}");
            return Ending::Refused;
        }
    };
    for sheet in &sheets {
        match publish(sheet, material, out) {
            Ok(folder) => say(&format!(
                "{}: {} piece{} on {:.0} x {:.0} mm, {:.1} % of the material used",
                folder.display(),
                sheet.pieces,
                if sheet.pieces == 1 { "" } else { "s" },
                sheet.size_mm[0],
                sheet.size_mm[1],
                sheet.used_percent
            )),
            Err(error) => {
                eprintln!(
                    "{}: it cannot be written to: {error}; name another folder with --out",
                    out.display()
                );
                return Ending::Failed;
            }
        }
        if let Err(error) = &sheet.plotter {
            say(&format!("  no plotter file: {error}"));
        }
    }
    Ending::Done
}

/// Writes a sheet's folder under the next free number; it appears complete or not at all.
fn publish(sheet: &WrittenSheet, material: &str, out: &Path) -> io::Result<PathBuf> {
    fs::create_dir_all(out)?;
    let building = out.join(format!(".building-{}", crate::clock::unique_mark()));
    fs::create_dir(&building)?;
    fs::write(building.join("cut.svg"), &sheet.svg)?;
    if let Ok(plotter) = &sheet.plotter {
        fs::write(building.join("cut.plt"), plotter)?;
    }
    fs::write(building.join("plan.svg"), &sheet.plan)?;
    let mut facts = serde_json::to_vec_pretty(&sheet.facts)?;
    facts.push(b'\n');
    fs::write(building.join("sheet.json"), facts)?;
    for number in 1.. {
        let folder = out.join(format!("{material}-{number:04}"));
        if folder.exists() {
            continue;
        }
        match fs::rename(&building, &folder) {
            Ok(()) => return Ok(folder),
            // Somebody else took the number.
            Err(e) if e.kind() == io::ErrorKind::DirectoryNotEmpty => {}
            Err(e) => return Err(e),
        }
    }
    Err(io::Error::other("every number is taken"))
}
