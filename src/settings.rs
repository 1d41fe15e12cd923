//! The program's settings: built in, and overridden file by file from a shop's own folder.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use serde::de::DeserializeOwned;

use crate::folder::Limits;
use crate::problem::{Problem, nearest};
use crate::toml_keys::Page;
use crate::watch::WatchSettings;

/// The built-in files, by name.
const BUILT_IN: [(&str, &str); 4] = [
    ("default.toml", include_str!("../config/default.toml")),
    ("materials.toml", include_str!("../config/materials.toml")),
    ("fabrics.toml", include_str!("../config/fabrics.toml")),
    ("cutters.toml", include_str!("../config/cutters.toml")),
];

/// Everything that can be set.
#[derive(Clone, Debug)]
pub struct Config {
    /// `default.toml`.
    pub settings: Settings,
    /// `materials.toml`: sheet materials by the name that jobs use.
    pub materials: BTreeMap<String, press::Material>,
    /// `fabrics.toml`: cloths by the name that jobs use.
    pub fabrics: BTreeMap<String, press::Fabric>,
    /// The cutter that plotter files are made for, one of `cutters.toml`.
    pub cutter: cut::Cutter,
    /// The files as they were read: name and text.
    pub texts: Vec<(String, String)>,
}

/// `default.toml`: a section for each stage and for the program around them.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Reading photos.
    pub photo: photo::Settings,
    /// Finding rulers.
    pub ruler: ruler::Settings,
    /// From ruler to cloth.
    pub scale: scale::Settings,
    /// Seeing the residue.
    pub residue: residue::Settings,
    /// Measuring the cloth's lines.
    pub lines: residue::LineSettings,
    /// Fitting artwork to it.
    pub fit: fit::Settings,
    /// What the figures must be for material to be cut.
    pub verdict: fit::VerdictSettings,
    /// Cut files.
    pub cut: cut::Settings,
    /// Press sheets.
    pub press: press::Settings,
    /// The finished article.
    pub pressed: press::PressedSettings,
    /// The record of restoration.
    pub record: press::RecordSettings,
    /// What a job may leave out.
    pub job: JobSettings,
    /// What a job may weigh.
    pub limits: Limits,
    /// Folders used when the command line names none.
    pub folders: Folders,
    /// The daemon.
    pub watch: WatchSettings,
    /// The log.
    pub log: LogSettings,
}

/// Section `[job]`.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct JobSettings {
    /// The material of an emblem whose job names none.
    pub usual_material: String,
    /// The cutter that plotter files are made for.
    pub cutter: String,
}

/// Section `[folders]`.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Folders {
    /// Where jobs are dropped.
    pub inbox: PathBuf,
    /// The daemon's own folder.
    pub state: PathBuf,
    /// Where finished jobs are published.
    pub outbox: PathBuf,
    /// Where sheets of several jobs are laid out.
    pub sheets: PathBuf,
}

/// Section `[log]`.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LogSettings {
    /// What is worth a line.
    pub level: LogLevel,
}

/// How much is logged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LogLevel {
    /// Failures only.
    Error,
    /// Also what a person should look at.
    Warn,
    /// Also every step.
    Info,
    /// Also what helps to find a fault in the program.
    Debug,
}

impl Config {
    /// The settings as they come with the program.
    ///
    /// # Errors
    /// None in a program that passed its tests.
    pub fn built_in() -> Result<Self, Vec<Problem>> {
        Self::from_texts(
            BUILT_IN
                .map(|(name, text)| (name.to_owned(), text.to_owned()))
                .into(),
        )
    }

    /// The built-in settings, with every file that the folder holds in place of the built-in one
    /// of the same name.
    ///
    /// # Errors
    /// Every problem of every file: unreadable, not TOML, unknown keys, wrong values.
    pub fn from_folder(folder: &Path) -> Result<Self, Vec<Problem>> {
        let mut problems = misnamed_files(folder);
        let mut texts = Vec::new();
        for (name, built_in) in BUILT_IN {
            let path = folder.join(name);
            match fs::read_to_string(&path) {
                Ok(text) => texts.push((name.to_owned(), text)),
                Err(e) if e.kind() == io::ErrorKind::NotFound => {
                    texts.push((name.to_owned(), built_in.to_owned()));
                }
                Err(e) => problems.push(unreadable(&path, &e)),
            }
        }
        if !problems.is_empty() {
            return Err(problems);
        }
        Self::from_texts(texts)
    }

    fn from_texts(texts: Vec<(String, String)>) -> Result<Self, Vec<Problem>> {
        let mut problems = Vec::new();
        let settings = parse::<Settings>(&texts[0], &mut problems);
        let materials = parse::<BTreeMap<String, press::Material>>(&texts[1], &mut problems);
        let fabrics = parse::<BTreeMap<String, press::Fabric>>(&texts[2], &mut problems);
        let cutters = parse::<BTreeMap<String, cut::Cutter>>(&texts[3], &mut problems);
        let (Some(settings), Some(materials), Some(fabrics), Some(cutters)) =
            (settings, materials, fabrics, cutters)
        else {
            return Err(problems);
        };
        let JobSettings {
            usual_material,
            cutter,
        } = &settings.job;
        if !materials.contains_key(usual_material) {
            let key = format!("usual_material = \"{usual_material}\"");
            return Err(vec![unknown_name(
                &texts[0].0,
                &key,
                &texts[1].0,
                &materials,
            )]);
        }
        let Some(cutter) = cutters.get(cutter).cloned() else {
            let key = format!("cutter = \"{cutter}\"");
            return Err(vec![unknown_name(&texts[0].0, &key, &texts[3].0, &cutters)]);
        };
        Ok(Self {
            settings,
            materials,
            fabrics,
            cutter,
            texts,
        })
    }
}

fn unknown_name<T>(file: &str, key: &str, list: &str, known: &BTreeMap<String, T>) -> Problem {
    let known: Vec<&str> = known.keys().map(String::as_str).collect();
    Problem::with_file(
        file,
        format!("[job] {key}"),
        format!("a name from {list}: {}", known.join(", ")),
        "Correct the name or add it there",
    )
}

/// A misspelt file name would otherwise leave the built-in values in force unnoticed.
fn misnamed_files(folder: &Path) -> Vec<Problem> {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(e) => return vec![unreadable(folder, &e)],
    };
    let known = || BUILT_IN.iter().map(|(name, _)| *name);
    let mut names: Vec<String> = entries
        .flatten()
        .map(|e| e.file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
        .iter()
        .filter(|name| Path::new(name).extension().is_some_and(|e| e == "toml"))
        .filter(|name| !known().any(|k| k == name.as_str()))
        .map(|name| {
            let meant = nearest(name, known())
                .map_or(String::new(), |near| format!("Did you mean {near}? "));
            Problem::with_file(
                folder.join(name).to_string_lossy(),
                "a settings file of an unknown name",
                format!("one of: {}", known().collect::<Vec<_>>().join(", ")),
                format!("{meant}Rename the file or move it elsewhere"),
            )
        })
        .collect()
}

fn unreadable(path: &Path, error: &io::Error) -> Problem {
    Problem::with_file(
        path.to_string_lossy(),
        format!("it cannot be read: {error}"),
        "a readable settings file in UTF-8",
        "Check the name given with --config and the file's permissions",
    )
}

fn parse<T: DeserializeOwned>(
    (name, text): &(String, String),
    problems: &mut Vec<Problem>,
) -> Option<T> {
    let page = Page::new(name, text);
    match toml::from_str(text) {
        Ok(value) => Some(value),
        Err(error) => {
            problems.push(explain(
                &page,
                error.message(),
                error.span().map(|s| s.start),
            ));
            None
        }
    }
}

/// Serde names what it saw and what it knows in backticks: `seen`, expected one of `a`, `b`.
fn explain(page: &Page<'_>, message: &str, at: Option<usize>) -> Problem {
    let quoted: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    match quoted.split_first() {
        Some((seen, known)) if message.starts_with("unknown ") => {
            let meant = nearest(seen, known.iter().copied())
                .map_or(String::new(), |near| format!("Did you mean \"{near}\"? "));
            page.problem(
                at,
                format!("unknown key or value \"{seen}\""),
                format!("one of: {}", known.join(", ")),
                format!("{meant}Correct or remove the line"),
            )
        }
        Some((missing, [])) if message.starts_with("missing field") => page.problem(
            at,
            format!("\"{missing}\" is missing here"),
            "every key of the file it replaces",
            "Copy the line from the built-in file of this name and change its value",
        ),
        _ => page.problem(
            at,
            message.replace('\n', " "),
            "a value of the kind that the built-in file of this name shows",
            "Correct the line",
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_built_in_files_are_sound() {
        let config = Config::built_in();
        assert!(config.is_ok(), "{config:?}");
    }

    #[test]
    fn a_misspelt_key_is_named_with_its_line_and_the_nearest_known_one() {
        let dir = tempfile::tempdir().unwrap();
        let text = BUILT_IN[0].1.replace("usual_material", "usual_materail");
        let line = 1 + text[..text.find("usual_materail").unwrap()]
            .matches('\n')
            .count();
        fs::write(dir.path().join("default.toml"), text).unwrap();
        let problems = Config::from_folder(dir.path()).unwrap_err();
        assert_eq!(problems[0].file, "default.toml");
        assert_eq!(problems[0].line, Some(line));
        assert!(
            problems[0].remedy.contains("\"usual_material\""),
            "{}",
            problems[0]
        );
    }

    #[test]
    fn a_misnamed_file_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join("materails.toml"), "").unwrap();
        let problems = Config::from_folder(dir.path()).unwrap_err();
        assert!(
            problems[0].remedy.contains("materials.toml"),
            "{}",
            problems[0]
        );
    }

    #[test]
    fn an_empty_folder_changes_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let config = Config::from_folder(dir.path()).unwrap();
        assert_eq!(config.texts, Config::built_in().unwrap().texts);
    }
}
