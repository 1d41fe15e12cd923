//! Bad input: a clear message with file, line and remedy; nothing lost; the rest published.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

mod helpers;

use std::fs;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

use helpers::{Bench, CREST_SVG, JOB, contents, emblemend, grey_png};

/// One way to get it wrong.
struct Case {
    what: &'static str,
    job: Option<&'static str>,
    photo: Vec<u8>,
    artwork: &'static str,
    /// Parts of the message, in one line of the answer.
    says: Vec<&'static str>,
}

fn case(what: &'static str, job: &'static str, says: &[&'static str]) -> Case {
    Case {
        what,
        job: Some(job),
        photo: grey_png(640, 480),
        artwork: CREST_SVG,
        says: says.into(),
    }
}

fn bad_photo(what: &'static str, photo: Vec<u8>, says: &[&'static str]) -> Case {
    Case {
        photo,
        ..case(what, JOB, says)
    }
}

fn bad_artwork(what: &'static str, artwork: &'static str, says: &[&'static str]) -> Case {
    Case {
        artwork,
        ..case(what, JOB, says)
    }
}

/// A PNG that claims to have so many pixels (ISO/IEC 15948, section 11.2.2: width and height are
/// the first eight bytes of IHDR's data).
fn png_claiming(width: u32, height: u32) -> Vec<u8> {
    let mut bytes = grey_png(640, 480);
    bytes[16..20].copy_from_slice(&width.to_be_bytes());
    bytes[20..24].copy_from_slice(&height.to_be_bytes());
    bytes
}

fn cases() -> Vec<Case> {
    let mut cases = job_file_cases();
    cases.extend(value_cases());
    cases.extend(path_cases());
    cases.extend(photo_cases());
    cases.extend(artwork_cases());
    cases
}

fn job_file_cases() -> Vec<Case> {
    vec![
        Case {
            job: None,
            ..case(
                "no job.toml",
                "",
                &["job.toml: there is no job.toml", "Write"],
            )
        },
        case(
            "empty job.toml",
            "",
            &["job.toml: the file is empty", "[[emblem]]"],
        ),
        case(
            "only a comment",
            "# nothing\n",
            &["no emblem in the job", "[[emblem]]"],
        ),
        case(
            "not TOML",
            "[[emblem]]\nname = \"crest\nphoto = \"photo.png\"\n",
            &["job.toml, line 2", "quotes closed?"],
        ),
        case(
            "unknown key",
            "[[emblem]]\nname = \"crest\"\nfoto = \"photo.png\"\nphoto = \"photo.png\"\nversions = []\n",
            &[
                "job.toml, line 3",
                "unknown key \"foto\"",
                "Did you mean \"photo\"?",
            ],
        ),
        case(
            "unknown section",
            "[garmet]\ntitle = \"x\"\n[[emblem]]\nname = \"crest\"\nphoto = \"photo.png\"\nversions = []\n",
            &[
                "job.toml, line 1",
                "unknown key \"garmet\"",
                "Did you mean \"garment\"?",
            ],
        ),
        case(
            "single brackets",
            "[emblem]\nname = \"crest\"\n",
            &["job.toml, line 1", "single brackets", "[[emblem]]"],
        ),
        case(
            "missing keys",
            "[[emblem]]\nname = \"crest\"\n",
            &["job.toml, line 1", "has no \"photo\"", "Add the line"],
        ),
        case(
            "wrong type",
            "[[emblem]]\nname = 7\nphoto = \"photo.png\"\nversions = [\"crest.svg\"]\n",
            &["job.toml, line 2", "name = 7", "a text in quotes"],
        ),
    ]
}

fn value_cases() -> Vec<Case> {
    vec![
        case(
            "unknown material",
            "[[emblem]]\nname = \"crest\"\nphoto = \"photo.png\"\nversions = []\nmaterial = \"flok\"\n",
            &[
                "job.toml, line 5",
                "unknown material \"flok\"",
                "Did you mean \"flock\"?",
            ],
        ),
        case(
            "unknown fabric",
            "[garment]\nfabric = \"polyester-nit\"\n[[emblem]]\nname = \"crest\"\nphoto = \"photo.png\"\nversions = []\n",
            &[
                "job.toml, line 2",
                "unknown fabric",
                "Did you mean \"polyester-knit\"?",
            ],
        ),
        case(
            "iron dots",
            "[garment]\niron_dots = 4\n[[emblem]]\nname = \"crest\"\nphoto = \"photo.png\"\nversions = []\n",
            &["job.toml, line 2", "iron_dots = 4", "from 1 to 3"],
        ),
        case(
            "no copies",
            "[[emblem]]\nname = \"crest\"\nphoto = \"photo.png\"\nversions = []\ncopies = 0\n",
            &["job.toml, line 5", "copies = 0", "from 1 to"],
        ),
        case(
            "width in metres",
            "[[emblem]]\nname = \"crest\"\nphoto = \"photo.png\"\nversions = []\nexpected_width_mm = 0.078\n",
            &[
                "job.toml, line 5",
                "expected_width_mm = 0.078",
                "a number from 1 to 2000",
            ],
        ),
        case(
            "ruler unit",
            "[[emblem]]\nname = \"crest\"\nphoto = \"photo.png\"\nversions = []\nruler = { unit = \"cm\" }\n",
            &["job.toml, line 5", "unit is \"cm\"", "\"mm\" or \"inch\""],
        ),
        case(
            "a ruler ten times too thick",
            "[[emblem]]\nname = \"crest\"\nphoto = \"photo.png\"\nversions = []\nruler = { thickness_mm = 8 }\n",
            &[
                "job.toml, line 5",
                "thickness_mm = 8",
                "a number from 0 to 5",
            ],
        ),
        case(
            "one bar of the card",
            "[[emblem]]\nname = \"crest\"\nphoto = \"photo.png\"\nversions = []\nruler = { card_x_mm = 99.6 }\n",
            &[
                "job.toml, line 5",
                "only one of the scale card's two bars",
                "card_y_mm",
            ],
        ),
        case(
            "corners in the wrong order",
            "[[emblem]]\nname = \"crest\"\nphoto = \"photo.png\"\nversions = []\nlook_in_px = [900, 400, 100, 800]\n",
            &[
                "job.toml, line 5",
                "look_in_px = [900, 400, 100, 800]",
                "left, top, right, bottom",
            ],
        ),
        case(
            "a name that is no folder's",
            "[[emblem]]\nname = \"../crest\"\nphoto = \"photo.png\"\nversions = []\n",
            &["job.toml, line 2", "\"../crest\"", "letters a to z"],
        ),
        case(
            "the name of the copy",
            "[[emblem]]\nname = \"Source\"\nphoto = \"photo.png\"\nversions = []\n",
            &["job.toml, line 2", "\"Source\"", "not \"source\""],
        ),
        case(
            "two of one name",
            "[[emblem]]\nname = \"crest\"\nphoto = \"photo.png\"\nversions = []\n[[emblem]]\nname = \"Crest\"\nphoto = \"photo.png\"\nversions = []\n",
            &[
                "job.toml, line 6",
                "more than one emblem is called \"Crest\"",
                "another name",
            ],
        ),
    ]
}

fn path_cases() -> Vec<Case> {
    let naming = |what, path: &str, says: &[&'static str]| Case {
        job: Some(
            format!("[[emblem]]\nname = \"crest\"\nphoto = \"{path}\"\nversions = []\n").leak(),
        ),
        ..case(what, "", says)
    };
    vec![
        naming(
            "absolute path",
            "/etc/hostname",
            &["line 3", "leaves the job folder", "Copy the file"],
        ),
        naming(
            "path upwards",
            "../photo.png",
            &["line 3", "leaves the job folder", "Copy the file"],
        ),
        naming(
            "path up and down",
            "a/../../photo.png",
            &["line 3", "leaves the job folder"],
        ),
        naming(
            "missing photo",
            "foto.png",
            &[
                "line 3",
                "there is no file \"foto.png\"",
                "Did you mean \"photo.png\"?",
            ],
        ),
        naming(
            "a link",
            "link.png",
            &[
                "line 3",
                "\"link.png\" is a link to another place",
                "a copy of the file itself",
            ],
        ),
        naming(
            "a pipe",
            "pipe.png",
            &[
                "line 3",
                "\"pipe.png\" is a pipe",
                "a copy of the file itself",
            ],
        ),
        naming(
            "through a linked folder",
            "elsewhere/hostname",
            &["line 3", "there is no file"],
        ),
    ]
}

fn photo_cases() -> Vec<Case> {
    let mut truncated = grey_png(640, 480);
    truncated.truncate(truncated.len() / 2);
    vec![
        bad_photo(
            "empty photo",
            Vec::new(),
            &[
                "job.toml, line 3",
                "\"photo.png\" is empty",
                "Copy it again",
            ],
        ),
        bad_photo(
            "truncated photo",
            truncated,
            &[
                "job.toml, line 3",
                "photo.png is incomplete",
                "copy the photo",
            ],
        ),
        bad_photo(
            "not an image",
            b"hello, this is a text".to_vec(),
            &[
                "job.toml, line 3",
                "photo.png is not a picture",
                "right file",
            ],
        ),
        bad_photo(
            "one pixel",
            grey_png(1, 1),
            &[
                "job.toml, line 3",
                "1 x 1 pixels",
                "use the photo as the camera took it",
            ],
        ),
        bad_photo(
            "huge header",
            png_claiming(20_000, 20_000),
            &[
                "job.toml, line 3",
                "20000 x 20000 pixels",
                "export it smaller",
            ],
        ),
    ]
}

fn artwork_cases() -> Vec<Case> {
    const HEAD: &str = r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 80 90">"#;
    let drawing = |inner: &str| -> &'static str { format!("{HEAD}{inner}</svg>").leak() };
    vec![
        bad_artwork(
            "empty artwork",
            "",
            &[
                "job.toml, line 4",
                "\"crest.svg\" is empty",
                "Copy it again",
            ],
        ),
        bad_artwork(
            "no area",
            drawing(r#"<path d="M1 1H50"/>"#),
            &["job.toml, line 4", "crest.svg"],
        ),
        bad_artwork(
            "malformed artwork",
            "<svg><path d=",
            &["job.toml, line 4", "crest.svg"],
        ),
        bad_artwork(
            "text in the artwork",
            drawing(r#"<text x="1" y="20">7</text>"#),
            &["job.toml, line 4", "crest.svg", "text"],
        ),
    ]
}

fn lay_down(bench: &Bench, case: &Case) -> std::path::PathBuf {
    let mut files = vec![
        ("photo.png", case.photo.clone()),
        ("crest.svg", case.artwork.as_bytes().to_vec()),
    ];
    if let Some(job) = case.job {
        files.push(("job.toml", job.as_bytes().to_vec()));
    }
    let folder = bench.job("shirt", &files);
    std::os::unix::fs::symlink("/etc/hostname", folder.join("link.png")).unwrap();
    std::os::unix::fs::symlink("/etc", folder.join("elsewhere")).unwrap();
    let pipe = rustix::fs::FileType::Fifo;
    let mode = rustix::fs::Mode::RWXU;
    rustix::fs::mknodat(rustix::fs::CWD, folder.join("pipe.png"), pipe, mode, 0).unwrap();
    folder
}

#[test]
fn every_mistake_is_named_with_file_line_and_remedy() {
    for case in cases() {
        let bench = Bench::new();
        let folder = lay_down(&bench, &case);
        let said = emblemend(&["check", folder.to_str().unwrap()]);
        let named = said
            .out
            .lines()
            .any(|line| case.says.iter().all(|part| line.contains(part)));
        assert!(
            named,
            "{}: {:?} not in one line of\n{}",
            case.what, case.says, said.out
        );
        assert_eq!(said.status, 2, "{}", case.what);
    }
}

#[test]
fn every_refused_job_is_published_with_its_source() {
    for case in cases() {
        let bench = Bench::new();
        let folder = lay_down(&bench, &case);
        let said = bench.run(&[&folder]);
        assert_eq!(said.status, 2, "{}: {}{}", case.what, said.out, said.err);
        let fit = bench.fit_json("shirt");
        assert_eq!(fit["verdict"], "hold", "{}", case.what);
        let reasons = format!("{}{}", fit["emblems"], fit["problems"]).replace("\\\"", "\"");
        for part in case.says.iter().filter(|p| !p.starts_with("job.toml")) {
            let part = part.strip_prefix("line ").map_or(*part, |_| "\"line\":");
            assert!(
                reasons.contains(part),
                "{}: {part} not in {reasons}",
                case.what
            );
        }
        let published = contents(&bench.outbox().join("shirt/source"));
        let mut dropped = contents(&folder);
        dropped.retain(|name, _| name != "link.png" && name != "pipe.png");
        assert_eq!(published, dropped, "{}", case.what);
        assert!(bench.outbox().join("shirt/report.html").is_file());
        let log = fs::read_to_string(bench.outbox().join("fit-log.jsonl")).unwrap();
        assert!(
            log.lines().all(|l| l.contains("\"verdict\":\"hold\"")),
            "{}",
            case.what
        );
        assert!(log.lines().count() >= 1);
        let cut = contents(&bench.outbox().join("shirt"))
            .into_keys()
            .find(|f| f.contains("/cut-"));
        assert_eq!(cut, None, "{}", case.what);
    }
}

#[test]
fn all_problems_come_at_once() {
    let bench = Bench::new();
    let job = "[garment]\nfabrik = \"x\"\niron_dots = 9\n[[emblem]]\nname = \"a b\"\nphoto = \"/x\"\n\
               versions = [\"nowhere.svg\"]\ncopies = -1\nlook_in_px = [1, 2]\n";
    let folder = bench.job("shirt", &[("job.toml", job.into())]);
    let said = emblemend(&["check", folder.to_str().unwrap()]);
    for line in [2, 3, 5, 6, 7, 8, 9] {
        assert!(
            said.out.contains(&format!("job.toml, line {line}: ")),
            "{line}: {}",
            said.out
        );
    }
}

#[test]
fn a_bad_emblem_does_not_keep_the_others() {
    let bench = Bench::new();
    let job = format!("{JOB}[[emblem]]\nname = \"number\"\nphoto = \"gone.png\"\nversions = []\n");
    let files = [
        ("job.toml", job.into()),
        ("photo.png", grey_png(640, 480)),
        ("crest.svg", CREST_SVG.into()),
    ];
    let folder = bench.job("shirt", &files);
    let said = bench.run(&[&folder]);
    assert_eq!(said.status, 3, "{}", said.err);
    let fit = bench.fit_json("shirt");
    assert_eq!(fit["emblems"][0]["photo"]["width_px"], 640);
    assert_eq!(fit["emblems"][0]["rulers"], serde_json::json!([]));
    assert!(
        fit["emblems"][1]["reasons"][0]
            .as_str()
            .unwrap()
            .contains("gone.png")
    );
    assert_eq!(fit["problems"][0]["line"], 7);
}

#[test]
fn a_bad_job_does_not_keep_the_next() {
    let bench = Bench::new();
    let bad = bench.job("bad", &[]);
    let files = [
        ("job.toml", JOB.into()),
        ("photo.png", grey_png(640, 480)),
        ("crest.svg", CREST_SVG.into()),
    ];
    let good = bench.job("good", &files);
    let said = bench.run(&[&bad, &good, Path::new("/nowhere/at/all")]);
    assert_eq!(said.status, 2);
    assert!(said.err.contains("/nowhere/at/all"), "{}", said.err);
    assert_eq!(bench.fit_json("bad")["emblems"], serde_json::json!([]));
    assert_eq!(bench.fit_json("good")["emblems"][0]["verdict"], "hold");
    let log = fs::read_to_string(bench.outbox().join("fit-log.jsonl")).unwrap();
    assert_eq!(log.lines().count(), 2);
}

#[test]
fn odd_names_are_published_under_safe_ones() {
    let bench = Bench::new();
    let odd = bench
        .path("")
        .join(std::ffi::OsStr::from_bytes(b"shirt\xff\n=1"));
    fs::create_dir(&odd).unwrap();
    fs::write(odd.join(std::ffi::OsStr::from_bytes(b"\xfe.txt")), "kept").unwrap();
    let outbox = bench.outbox();
    let status = std::process::Command::new(env!("CARGO_BIN_EXE_emblemend"))
        .args(["run", "--quiet", "--out"])
        .args([outbox.as_os_str(), odd.as_os_str()])
        .output()
        .unwrap()
        .status;
    assert_eq!(status.code(), Some(2));
    assert_eq!(bench.fit_json("shirt--=1")["job"], "shirt--=1");
    let kept = outbox
        .join("shirt--=1/source")
        .join(std::ffi::OsStr::from_bytes(b"\xfe.txt"));
    assert_eq!(fs::read(kept).unwrap(), b"kept");
}

#[test]
fn bad_usage_ends_with_status_2() {
    for arguments in [&["run"][..], &["polish"], &["run", "--out"], &[]] {
        assert_eq!(emblemend(arguments).status, 2, "{arguments:?}");
    }
    assert_eq!(emblemend(&["--help"]).status, 0);
    assert_eq!(
        emblemend(&["check", "/nowhere", "--config", "/nowhere"]).status,
        2
    );
}

#[test]
fn a_misspelt_setting_is_named_with_its_line() {
    let bench = Bench::new();
    let config = bench.path("config");
    fs::create_dir(&config).unwrap();
    let text =
        include_str!("../config/materials.toml").replacen("press_celsius =", "press_celcius =", 1);
    let line = 1 + text
        .lines()
        .position(|l| l.starts_with("press_celcius"))
        .unwrap();
    fs::write(config.join("materials.toml"), text).unwrap();
    let said = emblemend(&["check", "/nowhere", "--config", config.to_str().unwrap()]);
    assert_eq!(said.status, 2);
    assert!(
        said.err.contains(&format!("materials.toml, line {line}")),
        "{}",
        said.err
    );
    assert!(
        said.err.contains("Did you mean \"press_celsius\"?"),
        "{}",
        said.err
    );
}

#[test]
fn an_outbox_that_cannot_be_written_is_a_failure_of_the_program() {
    let bench = Bench::new();
    let folder = bench.job("shirt", &[]);
    fs::write(bench.outbox(), "a file where the outbox should be").unwrap();
    let said = bench.run(&[&folder]);
    assert_eq!(said.status, 1);
    assert!(said.err.contains("cannot be written to"), "{}", said.err);
}

#[test]
fn the_ruler_command_answers_a_line_for_each_photo() {
    let bench = Bench::new();
    let folder = bench.job(
        "shirt",
        &[("grey.png", grey_png(640, 480)), ("bad.jpg", vec![1, 2, 3])],
    );
    let [grey, bad] = ["grey.png", "bad.jpg"].map(|f| folder.join(f).to_str().unwrap().to_owned());
    let said = emblemend(&["ruler", &grey, &bad]);
    assert_eq!(said.status, 2);
    let lines: Vec<serde_json::Value> = said
        .out
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    assert_eq!(lines.len(), 2);
    assert_eq!(lines[0]["photo"], grey.as_str());
    for line in lines {
        assert_eq!(line["rulers"], serde_json::json!([]));
        assert!(!line["reasons"].as_array().unwrap().is_empty());
    }
}
