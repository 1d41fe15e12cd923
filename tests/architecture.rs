//! The arrows that are forbidden between the parts, and the habits that keep the whole readable.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

const STAGES: [&str; 9] = [
    "photo", "ruler", "scale", "artwork", "residue", "fit", "mirror", "cut", "press",
];
const LONGEST_FILE_LINES: usize = 600;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn sources(below: &str) -> Vec<(PathBuf, String)> {
    let files = walkdir::WalkDir::new(root().join(below))
        .into_iter()
        .map(Result::unwrap);
    let rust = files.filter(|f| f.path().extension().is_some_and(|e| e == "rs"));
    rust.map(|f| (f.path().to_owned(), fs::read_to_string(f.path()).unwrap()))
        .collect()
}

fn stage_folders() -> Vec<PathBuf> {
    let mut folders: Vec<PathBuf> = fs::read_dir(root().join("pipeline-stages"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    folders.sort();
    folders
}

fn manifest(folder: &Path) -> toml::Table {
    fs::read_to_string(folder.join("Cargo.toml"))
        .unwrap()
        .parse()
        .unwrap()
}

fn dependencies(manifest: &toml::Table, kind: &str) -> BTreeSet<String> {
    let table = manifest.get(kind).and_then(toml::Value::as_table);
    table
        .map(|t| t.keys().cloned().collect())
        .unwrap_or_default()
}

#[test]
fn the_stages_are_numbered_in_the_order_of_the_data() {
    let names: Vec<String> = stage_folders()
        .iter()
        .map(|f| f.file_name().unwrap().to_string_lossy().into())
        .collect();
    let expected: Vec<String> = ["0-fourier", "0-measures", "0-resizing"]
        .into_iter()
        .map(str::to_owned)
        .chain(
            STAGES
                .iter()
                .enumerate()
                .map(|(i, stage)| format!("{}-{stage}", i + 1)),
        )
        .collect();
    assert_eq!(names, expected);
}

#[test]
fn no_stage_depends_on_another() {
    for folder in stage_folders() {
        let manifest = manifest(&folder);
        let own = manifest["package"]["name"].as_str().unwrap().to_owned();
        let needed = dependencies(&manifest, "dependencies");
        for other in STAGES.iter().filter(|s| **s != own) {
            assert!(!needed.contains(*other), "{own} depends on {other}");
        }
        for crate_name in [
            "tokio",
            "notify",
            "rustix",
            "tempfile",
            "walkdir",
            "rand",
            "emblemend",
        ] {
            assert!(
                !needed.contains(crate_name),
                "{own} depends on {crate_name}"
            );
        }
    }
}

#[test]
fn no_stage_touches_the_world() {
    let forbidden = [
        "std::fs",
        "std::net",
        "std::process",
        "std::env",
        "std::thread",
        "std::time",
        "SystemTime",
        "Instant::now",
        "HashMap",
        "HashSet",
        "println!",
        "eprintln!",
        "tokio",
        "unsafe ",
    ];
    for folder in stage_folders() {
        let below = folder.join("src");
        for (path, text) in sources(below.strip_prefix(root()).unwrap().to_str().unwrap()) {
            if path.starts_with(below.join("tests")) {
                continue;
            }
            let code = without_tests_and_comments(&text);
            for word in forbidden {
                assert!(!code.contains(word), "{} uses {word}", path.display());
            }
        }
    }
}

/// Unit tests stand at the end of a file and may read fixtures.
fn without_tests_and_comments(text: &str) -> String {
    let code = text.split("#[cfg(test)]").next().unwrap();
    let lines = code
        .lines()
        .filter(|line| !line.trim_start().starts_with("//"));
    lines.collect::<Vec<_>>().join("\n")
}

#[test]
fn only_the_pipeline_names_all_stages_and_in_their_order() {
    let calls = [
        "photo::read(",
        "ruler::find(",
        "scale::cloth_plane(",
        "artwork::read(",
        "residue::measure(",
        "fit::register(",
        "mirror::for_cutting(",
        "cut::svg(",
        "press::sheet(",
    ];
    for (path, text) in sources("src") {
        let code = without_tests_and_comments(&text);
        let named = calls.iter().filter(|call| code.contains(*call)).count();
        if path.ends_with("src/pipeline.rs") {
            assert_eq!(named, calls.len(), "the pipeline misses a stage");
        } else if !path.starts_with(root().join("src/pipeline")) {
            assert_eq!(named, 0, "{} runs a stage", path.display());
        }
    }
}

#[test]
fn only_one_type_leads_to_the_knife() {
    let makers = sources("pipeline-stages")
        .into_iter()
        .filter(|(path, _)| path.components().any(|c| c.as_os_str() == "src"))
        .filter(|(_, text)| without_tests_and_comments(text).contains(".into_cut("))
        .map(|(path, _)| path);
    let makers: Vec<PathBuf> = makers.collect();
    assert_eq!(makers, [root().join("pipeline-stages/7-mirror/src/lib.rs")]);
}

#[test]
fn the_clock_is_asked_in_one_place() {
    for (path, text) in sources("src") {
        let asks = without_tests_and_comments(&text).contains("SystemTime::now");
        assert!(
            !asks || path.ends_with("src/clock.rs"),
            "{}",
            path.display()
        );
    }
}

#[test]
fn files_are_short_enough_to_read() {
    for below in ["src", "pipeline-stages", "tests"] {
        for (path, text) in sources(below) {
            let lines = text.lines().count();
            assert!(
                lines < LONGEST_FILE_LINES,
                "{} has {lines} lines",
                path.display()
            );
        }
    }
}

#[test]
fn every_package_follows_the_shared_lints() {
    for folder in stage_folders().into_iter().chain([root()]) {
        assert_eq!(
            manifest(&folder)["lints"]["workspace"].as_bool(),
            Some(true)
        );
    }
    assert_eq!(
        manifest(&root())["workspace"]["lints"]["rust"]["unsafe_code"].as_str(),
        Some("forbid")
    );
}

#[test]
fn every_key_that_is_a_number_names_its_unit() {
    let units = [
        "mm",
        "mm2",
        "px",
        "deg",
        "percent",
        "celsius",
        "seconds",
        "bar",
        "samples",
        "max",
        "min",
        "mb",
        "files",
        "folders",
        "level",
        "probability",
        "megapixels",
        "dots",
        "passes",
        "ratio",
        "ln",
        "days",
        "share",
        "seen",
        "count",
        "sigma",
        "sigmas",
        "workers",
        "tries",
        "scans",
        "score",
        "noise",
        "signal",
    ];
    let text = fs::read_to_string(root().join("config/default.toml")).unwrap();
    for (section, table) in text.parse::<toml::Table>().unwrap() {
        for (key, value) in table.as_table().unwrap() {
            let number = value.is_integer() || value.is_float();
            let named = key.split('_').any(|word| units.contains(&word));
            assert!(!number || named, "[{section}] {key} does not say its unit");
        }
    }
}
