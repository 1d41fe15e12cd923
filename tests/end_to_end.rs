//! A painted job from folder to outbox: everything the contract promises is there, the figures
//! are near the planted truth, and a second run makes the same bytes.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

mod helpers;

use std::fs;
use std::path::Path;
use std::process::Command;

use helpers::{Bench, contents};
use measures::Map;
use nalgebra::Matrix3;
use scene_painter::{Family, Scene, Truth, job};
use serde_json::Value;

/// A scene of the main family in which every stage has something to do.
const SEED: u64 = 2;

/// Paints the job into its folder.
fn paint(folder: &Path) -> Truth {
    let scene = Scene::random(SEED, &Family::MAIN);
    let painting = scene.paint();
    fs::create_dir(folder).unwrap();
    for (name, bytes) in job::files(&scene, &painting) {
        fs::write(folder.join(name), bytes).unwrap();
    }
    painting.truth
}

#[test]
fn a_painted_job_becomes_a_measured_fit_and_the_same_bytes_again() {
    let bench = Bench::new();
    let folder = bench.path("shirt");
    let truth = paint(&folder);
    let said = bench.run(&[&folder]);
    assert_eq!(said.status, 0, "{}{}", said.out, said.err);
    assert!(said.out.contains("shirt/report.html"), "{}", said.out);

    let published = contents(&bench.outbox().join("shirt"));
    every_promised_file_is_there(&published.keys().map(String::as_str).collect::<Vec<_>>());
    assert_eq!(
        contents(&bench.outbox().join("shirt/source")),
        contents(&folder)
    );
    near_the_truth(&bench.fit_json("shirt"), &truth);
    the_logs_tell(&bench.outbox());

    // Again, on one thread, into the same outbox: only the folder's name differs.
    let outbox = bench.outbox();
    let status = Command::new(env!("CARGO_BIN_EXE_emblemend"))
        .args(["run", "--quiet", "--out"])
        .args([&outbox, &folder])
        .env("RAYON_NUM_THREADS", "1")
        .status();
    assert!(status.unwrap().success());
    let again = contents(&outbox.join("shirt-2"));
    assert_eq!(
        published.keys().collect::<Vec<_>>(),
        again.keys().collect::<Vec<_>>()
    );
    for (name, bytes) in &published {
        assert!(again[name] == *bytes, "{name} differs from run to run");
    }
    let index = fs::read_to_string(outbox.join("index.html")).unwrap();
    assert!(index.contains("shirt/report.html") && index.contains("shirt-2/report.html"));
}

fn every_promised_file_is_there(names: &[&str]) {
    for file in [
        "report.html",
        "fit.json",
        "emblem/overlay.jpg",
        "emblem/closeup-1.jpg",
        "emblem/residue.jpg",
        "emblem/difference.jpg",
        "emblem/residue.svg",
        "emblem/cut-flock.svg",
        "emblem/cut-flock.plt",
        "emblem/press-sheet.pdf",
        "source/job.toml",
    ] {
        assert!(names.contains(&file), "{file} is not among {names:?}");
    }
}

fn near_the_truth(fit: &Value, truth: &Truth) {
    assert_eq!(fit["format"], 1);
    assert_eq!(fit["job"], "shirt");
    let emblem = &fit["emblems"][0];
    assert_ne!(emblem["verdict"], "hold", "{emblem:#}");
    let planted = truth.emblem.as_ref().unwrap();
    let best = emblem["fit"]["version"].as_str().unwrap();
    let versions = emblem["versions"].as_array().unwrap();
    let planted_version = &versions[truth.version.unwrap()];
    assert_eq!(planted_version["file"], best);
    let score = |v: &Value| v["score"].as_f64().unwrap();
    assert!(versions.iter().all(|v| score(v) <= score(planted_version)));

    let width_mm = emblem["fit"]["width_mm"].as_f64().unwrap();
    let error_percent = 100.0 * (width_mm / planted.width_mm - 1.0);
    assert!(
        error_percent.abs() < 0.7,
        "{width_mm} mm, planted {} mm",
        planted.width_mm
    );
    let rotation_deg = emblem["fit"]["rotation_deg"].as_f64().unwrap();
    assert!(
        (rotation_deg - planted.rotation_deg).abs() < 0.2,
        "{rotation_deg}°"
    );
    let rows: [[f64; 3]; 3] =
        serde_json::from_value(emblem["fit"]["emblem_to_photo"].clone()).unwrap();
    let map = Map::from_matrix(Matrix3::from_fn(|r, c| rows[r][c]));
    let (_, worst_mm) = truth.outline_error_mm(&map).unwrap();
    assert!(worst_mm < 0.5, "the outline is off by {worst_mm} mm");
    for (list, of) in [
        ("cut", "emblem/cut-flock.svg"),
        ("plotter", "emblem/cut-flock.plt"),
    ] {
        assert_eq!(emblem["files"][list][0], of);
    }
}

fn the_logs_tell(outbox: &Path) {
    let json = fs::read_to_string(outbox.join("fit-log.jsonl")).unwrap();
    let lines: Vec<Value> = json
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    assert_eq!(lines.len(), 1);
    assert_eq!(lines[0]["folder"], "shirt");
    assert_eq!(lines[0]["emblem"], "emblem");
    let table = fs::read_to_string(outbox.join("fit-log.csv")).unwrap();
    let width = |line: &str| line.split(',').count();
    assert_eq!(table.lines().count(), 2);
    assert!(width(table.lines().next().unwrap()) > 15);
}
