//! Small to send, huge to open: refused by name, and soon.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

mod helpers;

use std::time::{Duration, Instant};

use helpers::{Bench, CREST_SVG, JOB, emblemend, grey_png};

/// Soon, on a computer with other things to do.
const SOON: Duration = Duration::from_secs(5);

fn drawing(inner: &str) -> String {
    format!(r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 80 90">{inner}</svg>"#)
}

/// Checks a job of these files; the answer must have all words in one line.
fn refused(job: &str, photo: Vec<u8>, artwork: &str, words: &[&str]) {
    let bench = Bench::new();
    let files = [
        ("job.toml", job.into()),
        ("photo.png", photo),
        ("crest.svg", artwork.into()),
    ];
    let folder = bench.job("shirt", &files);
    let begun = Instant::now();
    let said = emblemend(&["check", folder.to_str().unwrap()]);
    let took = begun.elapsed();
    assert_eq!(said.status, 2, "{words:?}: {}{}", said.out, said.err);
    let named = |line: &str| words.iter().all(|word| line.contains(word));
    assert!(said.out.lines().any(named), "{words:?} not in {}", said.out);
    assert!(took < SOON, "{words:?} after {took:?}");
}

fn refused_artwork(artwork: &str, words: &[&str]) {
    let words = [&["job.toml, line 4", "crest.svg"], words].concat();
    refused(JOB, grey_png(640, 480), artwork, &words);
}

#[test]
fn values_nested_in_the_job_file() {
    for (open, close) in [("[", "]"), ("{a=", "}")] {
        let (open, close) = (open.repeat(100_000), close.repeat(100_000));
        let job = format!("{JOB}copies = {open}1{close}\n");
        refused(&job, grey_png(640, 480), CREST_SVG, &["job.toml, line 5"]);
    }
    let keys = format!("{JOB}{}z = 1\n", "a.".repeat(100_000));
    let words = ["job.toml", "recursion limit"];
    refused(&keys, grey_png(640, 480), CREST_SVG, &words);
}

#[test]
fn drawings_nested_and_repeated() {
    let (open, close) = ("<g>".repeat(100_000), "</g>".repeat(100_000));
    refused_artwork(&drawing(&format!("{open}{close}")), &[]);
    let repeats: Vec<String> = (0..9)
        .map(|i| {
            let again = format!(r##"<use href="#r{i}"/>"##).repeat(10);
            format!(r#"<g id="r{}">{again}</g>"#, i + 1)
        })
        .collect();
    let first = r#"<rect id="r0" width="1" height="1"/>"#;
    let repeats = format!("{first}{}", repeats.concat());
    refused_artwork(&drawing(&repeats), &["repeated over and over"]);
}

#[test]
fn a_drawing_of_a_million_nodes() {
    let path = format!(r#"<path d="M0 0{}Z"/>"#, "h1v1".repeat(500_000));
    refused_artwork(&drawing(&path), &["path segments"]);
}

/// A path of so many curves or lines to and fro over the page.
fn scribble(step: &str, times: usize) -> String {
    let mut at = 1usize;
    let mut spot = || {
        at = at * 137 % 7919;
        format!("{} {} ", at % 80, at / 80 % 90)
    };
    let points = step.chars().filter(|c| *c == '.').count();
    let steps = (0..times).map(|_| {
        let spots: String = (0..points).map(|_| spot()).collect();
        format!("{}{spots}", &step[..1])
    });
    format!("M0 0{}Z", steps.collect::<String>())
}

#[test]
fn lines_that_cross_over_and_over() {
    for step in ["C...", "L."] {
        let path = format!(r#"<path d="{}"/>"#, scribble(step, 5000));
        refused_artwork(&drawing(&path), &["very many lines that cross"]);
    }
}

#[test]
fn white_that_reaches_far_beyond_what_is_cut() {
    let speck = r#"<path d="M0 0h.05v.05z"/>"#;
    let white = |path: &str| format!(r##"{speck}<path fill="#fff" d="{path}"/>"##);
    let curves = drawing(&white(&scribble("C...", 2000)));
    refused_artwork(&curves, &["for their length beside what is cut"]);
    // One line from end to end of the page passes through a million cells of the speck's size.
    let bench = Bench::new();
    let line = drawing(&white("M-1 -1L80 88L80 90z"));
    let files = [
        ("job.toml", JOB.into()),
        ("photo.png", grey_png(640, 480)),
        ("crest.svg", line.into()),
    ];
    let folder = bench.job("shirt", &files);
    let begun = Instant::now();
    let said = emblemend(&["check", folder.to_str().unwrap()]);
    assert!(begun.elapsed() < SOON);
    assert_eq!(said.status, 0, "{}{}", said.out, said.err);
}

#[test]
fn pages_and_places_of_no_size() {
    for view_box in [
        "0 0 0 90",
        "0 0 80 0",
        "0 0 -1 90",
        "NaN 0 80 90",
        "0 0 1e308 1e308",
    ] {
        let page = drawing(r#"<rect width="9" height="9"/>"#).replace("0 0 80 90", view_box);
        refused_artwork(&page, &[]);
    }
    for place in ["NaN", "1e308", "-1e308"] {
        refused_artwork(&drawing(&format!(r#"<path d="M0 0H{place}V9Z"/>"#)), &[]);
    }
}

/// Width and height are the first eight bytes of IHDR's data (ISO/IEC 15948, section 11.2.2).
#[test]
fn a_photo_that_claims_to_be_huge() {
    for side in [20_000u32, 0x7fff_ffff] {
        let mut photo = grey_png(640, 480);
        photo[16..20].copy_from_slice(&side.to_be_bytes());
        photo[20..24].copy_from_slice(&side.to_be_bytes());
        let size = format!("{side} x {side} pixels");
        refused(JOB, photo, CREST_SVG, &["job.toml, line 3", &size]);
    }
}
