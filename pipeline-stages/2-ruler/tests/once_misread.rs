//! Painted rulers that were once read with half or twice their pitch, or not at all, and what was once
//! taken for one.

#![expect(
    clippy::unwrap_used,
    reason = "a test that cannot set up its scene should fail"
)]

use measures::ruler::RulerHint;
use measures::ruler::RulerUnit::{self, Inch, Mm};
use measures::unit::MM_PER_INCH;
use scene_painter::{Family, Scene};

fn section<T: serde::de::DeserializeOwned>(name: &str) -> T {
    let table: toml::Table = toml::from_str(include_str!("../../../config/default.toml")).unwrap();
    table[name].clone().try_into().unwrap()
}

/// Unit, pitch and probability of every ruler found in a scene, without a hint.
fn read(family: &str, seed: u64) -> Vec<(RulerUnit, f64, f64)> {
    let scene = Scene::random(seed, &Family::named(family).unwrap());
    let jpeg = scene.paint().jpeg(scene.sensor.jpeg_quality);
    let photo = photo::read(&jpeg, "photo.jpg", &section("photo")).unwrap();
    let found = ruler::find(&photo, &RulerHint::default(), &section("ruler"));
    let read = found.rulers.iter().map(|r| r.reading);
    read.map(|r| (r.unit, r.pitch_mm, r.probability)).collect()
}

#[track_caller]
fn check(family: &str, seed: u64, expected: &[(RulerUnit, f64)]) {
    let found = read(family, seed);
    let mut pitches: Vec<(RulerUnit, f64)> = found.iter().map(|f| (f.0, f.1)).collect();
    pitches.sort_by(|a, b| a.1.total_cmp(&b.1));
    assert_eq!(pitches, expected, "{found:?}");
    assert!(found.iter().all(|f| f.2 > 0.98), "{found:?}");
}

#[test]
fn figures_at_every_inch_tell_thirtyseconds_from_sixteenths() {
    check("unknown-thickness", 14009, &[(Inch, MM_PER_INCH / 32.0)]);
}

#[test]
fn gaps_as_wide_as_their_marks_are_not_taken_for_them() {
    check("unit-given", 14002, &[(Mm, 0.5), (Mm, 1.0)]);
}

#[test]
fn flanks_of_marks_are_not_taken_for_marks() {
    check("unit-given", 505, &[(Mm, 1.0)]);
}

#[test]
fn much_worn_marks_that_stand_evenly_are_found() {
    check("main", 507, &[(Mm, 1.0)]);
}

#[test]
fn long_marks_that_stand_out_more_do_not_hide_the_others() {
    check("large", 16005, &[(Mm, 1.0)]);
}

#[test]
fn bars_of_print_are_no_ruler() {
    check("impostor-barcode", 17000, &[]);
}
