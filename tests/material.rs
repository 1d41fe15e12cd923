//! From a fitted drawing to material: layers, what is cut along, and sheets of several jobs.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

mod helpers;

use std::fs;
use std::path::{Path, PathBuf};

use helpers::{Bench, CREST_SVG, contents, emblemend, grey_png};
use serde_json::Value;

/// The demonstration crest, its shield and its bird in groups of their own.
fn job_in_layers(bench: &Bench) -> PathBuf {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-inbox/tern-bay-1991");
    let folder = bench.path("layers");
    fs::create_dir(&folder).unwrap();
    fs::copy(demo.join("left-breast.jpg"), folder.join("left-breast.jpg")).unwrap();
    let drawn = fs::read_to_string(demo.join("crest-fine.svg")).unwrap();
    let (head, data) = drawn.split_once("<path").unwrap();
    let data = data
        .split_once(" d=\"")
        .unwrap()
        .1
        .split_once('"')
        .unwrap()
        .0;
    let contours: Vec<&str> = data.split_inclusive('Z').collect();
    let group = |id: &str, contours: &[&str]| {
        format!(
            "<g id=\"{id}\"><path fill-rule=\"evenodd\" d=\"{}\"/></g>",
            contours.concat()
        )
    };
    let (shield, bird) = contours.split_at(2);
    let svg = format!(
        "{head}{}{}</svg>",
        group("shield", shield),
        group("tern", bird)
    );
    fs::write(folder.join("crest.svg"), svg).unwrap();
    let job = "[[emblem]]\nname = \"crest\"\nphoto = \"left-breast.jpg\"\nversions = [\"crest.svg\"]\n\
               layers = { \"tern\" = \"film\", \"shield\" = \"flock\" }\ncopies = 3\n\
               extras = [\"weeding-frame\", \"test-square\"]\n\
               ruler = { unit = \"mm\", thickness_mm = 0.5 }\n";
    fs::write(folder.join("job.toml"), job).unwrap();
    folder
}

#[test]
fn layers_become_files_and_files_become_sheets() {
    let bench = Bench::new();
    let folder = job_in_layers(&bench);
    let said = bench.run(&[&folder]);
    assert_eq!(said.status, 0, "{}{}", said.out, said.err);
    let fit = bench.fit_json("layers");
    let emblem = &fit["emblems"][0];
    assert_eq!(emblem["verdict"], "cut", "{emblem:#}");
    // From the lowest to the topmost, whatever the job's order.
    let pieces = emblem["pieces"].as_array().unwrap();
    let of = |key: &str| {
        pieces
            .iter()
            .map(|p| p[key].as_str().unwrap())
            .collect::<Vec<_>>()
    };
    assert_eq!(of("layer"), ["shield", "tern"]);
    assert_eq!(of("file"), ["crest/cut-flock.svg", "crest/cut-film.svg"]);
    let published = contents(&bench.outbox().join("layers"));
    for file in [
        "crest/cut-film.plt",
        "crest/cut-flock.plt",
        "crest/press-sheet.pdf",
    ] {
        assert!(published.contains_key(file), "{file}");
    }
    crosses_lie_alike(&published);
    sheets_take_what_waits(&bench);
}

/// The crosses of both layers are the same distance apart.
fn crosses_lie_alike(published: &std::collections::BTreeMap<String, Vec<u8>>) {
    let crosses = |file: &str| {
        use kurbo::Shape;
        let text = String::from_utf8(published[file].clone()).unwrap();
        assert!(text.contains("weeding-frame") && text.contains("test-square"));
        let pieces = cut::pieces(&text, file).unwrap();
        assert_eq!(pieces.len(), 3);
        let cross = |c: &&kurbo::BezPath| (c.area() - 11.0).abs() < 0.01;
        let boxes = pieces[0].iter().filter(cross).map(Shape::bounding_box);
        let mut middles: Vec<kurbo::Point> = boxes.map(|b| b.center()).collect();
        assert_eq!(middles.len(), 3);
        middles.sort_by(|a, b| a.x.total_cmp(&b.x));
        [middles[1] - middles[0], middles[2] - middles[0]]
    };
    let (flock, film) = (
        crosses("crest/cut-flock.svg"),
        crosses("crest/cut-film.svg"),
    );
    for (a, b) in flock.iter().zip(&film) {
        assert!(
            (*a - *b).hypot() < 0.001 || (*a + *b).hypot() < 0.001,
            "{a:?} {b:?}"
        );
    }
}

fn sheets_take_what_waits(bench: &Bench) {
    let (outbox, sheets) = (bench.outbox(), bench.path("sheets"));
    let sheet = |more: &[&str]| {
        let mut words = vec!["sheet", "--outbox", outbox.to_str().unwrap(), "--out"];
        words.push(sheets.to_str().unwrap());
        words.extend(more);
        emblemend(&words)
    };
    let said = sheet(&["--material", "flok"]);
    assert_eq!(said.status, 2);
    assert!(
        said.err.contains("flok") && said.err.contains("flock"),
        "{}",
        said.err
    );
    let said = sheet(&["no-such-job"]);
    assert_eq!(said.status, 2);
    assert!(said.err.contains("no published job"), "{}", said.err);
    assert!(!sheets.exists(), "a refusal leaves nothing behind");

    let said = sheet(&["--material", "flock"]);
    assert_eq!(said.status, 0, "{}", said.err);
    let made = contents(&sheets);
    let names: Vec<&str> = made.keys().map(String::as_str).collect();
    let files = ["cut.plt", "cut.svg", "plan.svg", "sheet.json"];
    assert_eq!(names, files.map(|f| format!("flock-0001/{f}")));
    let facts: Value = serde_json::from_slice(&made["flock-0001/sheet.json"]).unwrap();
    let pieces = facts["pieces"].as_array().unwrap();
    assert_eq!(pieces.len(), 3);
    for piece in pieces {
        assert_eq!(
            (piece["job"].as_str(), piece["emblem"].as_str()),
            (Some("layers"), Some("crest"))
        );
        assert!(
            piece["turn_deg"] == 0.0 || piece["turn_deg"] == 180.0,
            "flock has a grain"
        );
    }
    let said = sheet(&["--material", "flock"]);
    assert!(
        said.out.contains("nothing waits"),
        "once only: {}",
        said.out
    );
    let said = sheet(&[]);
    assert!(
        said.out.contains("film-0001") && !said.out.contains("flock"),
        "{}",
        said.out
    );
}

#[test]
fn what_is_asked_wrongly_is_refused_by_name() {
    let bench = Bench::new();
    let start = "[[emblem]]\nname = \"crest\"\nphoto = \"photo.png\"\nversions = [\"crest.svg\"]\n";
    let cases: [(&str, &[&str]); 5] = [
        (
            "layers = { shield = \"flok\" }",
            &["unknown material \"flok\"", "Did you mean \"flock\"?"],
        ),
        (
            "layers = { shield = \"flock\" }",
            &[
                "crest.svg has no group \"shield\"",
                "no group in it has an id",
            ],
        ),
        ("layers = {}", &["line 5", "names no group"]),
        ("mend = \"thick\"", &["line 5", "\"thicken\""]),
        (
            "extras = [\"weeding-fram\"]",
            &["line 5", "Did you mean \"weeding-frame\"?"],
        ),
    ];
    for (i, (line, words)) in cases.iter().enumerate() {
        let files = [
            ("job.toml", format!("{start}{line}\n").into_bytes()),
            ("photo.png", grey_png(640, 480)),
            ("crest.svg", CREST_SVG.as_bytes().to_vec()),
        ];
        let folder = bench.job(&format!("job-{i}"), &files);
        let said = emblemend(&["check", folder.to_str().unwrap()]);
        assert_eq!(said.status, 2, "{line}");
        for word in *words {
            assert!(
                said.out.contains(word),
                "{line}: {word} is not in {}",
                said.out
            );
        }
    }
}
