//! Drawings whose groups are cut from different materials.

use artwork::{Error, read_groups, with_areas};
use kurbo::{BezPath, Circle, Shape};
use measures::{Mm, Outline};

const CREST: &str = "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 100 100'>\
    <rect width='100' height='100' fill='white'/>\
    <g id='shield'><path d='M10 10H90V90H10Z' fill='navy'/><path d='M20 20H30V30H20Z' fill='white'/></g>\
    <g id='tern' transform='translate(5 0)'><g><path d='M40 40H60V60H40Z' fill='white'/></g></g>\
    <path id='ball' d='M70 70H80V80H70Z' fill='red'/></svg>";

fn area<U: measures::unit::Unit>(outline: &Outline<U>) -> f64 {
    outline.area()
}

#[test]
fn each_group_has_its_own_whole_area() {
    let read = read_groups(CREST.as_bytes(), "crest.svg", &["tern", "shield"]).expect("groups");
    let [(lower, shield), (upper, tern)] = read.groups.as_slice() else {
        panic!("{:?}", read.groups)
    };
    assert_eq!((*lower, *upper), (1, 0), "from the lowest to the topmost");
    // White takes away within its group; the next group does not, and is cut though it is white.
    assert!((area(shield) - (6400.0 - 100.0)).abs() < 1e-3);
    assert!((area(tern) - 400.0).abs() < 1e-3);
    assert!(
        (tern.bounding_box().x0 - 45.0).abs() < 1e-4,
        "moved with its group"
    );
    let rest = read.rest.expect("the ball");
    assert!(
        (area(&rest) - 100.0).abs() < 1e-3,
        "the paper is no material"
    );
    assert!((read.artwork.outline.area() - 6300.0).abs() < 1e-3);
}

#[test]
fn a_single_shape_may_be_a_layer() {
    let read =
        read_groups(CREST.as_bytes(), "crest.svg", &["shield", "tern", "ball"]).expect("ids");
    assert_eq!(read.groups.len(), 3);
    assert!(read.rest.is_none());
}

#[test]
fn unknown_ids_are_refused_by_name() {
    let error = read_groups(CREST.as_bytes(), "crest.svg", &["sheild"]).expect_err("misspelt");
    let words = error.to_string();
    for part in [
        "crest.svg",
        "\"sheild\"",
        "Did you mean \"shield\"?",
        "shield, tern, ball",
    ] {
        assert!(words.contains(part), "{part}: {words}");
    }
    let empty = "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 9 9'><g id='a'/><path d='M0 0H9V9Z'/></svg>";
    let error = read_groups(empty.as_bytes(), "a.svg", &["a"]).expect_err("nothing in it");
    assert!(
        matches!(error, Error::EmptyGroup { .. } | Error::UnknownGroup { .. }),
        "{error}"
    );
    let error = read_groups(b"\x89PNG\r\n\x1a\n", "a.png", &["a"]).expect_err("a picture");
    assert!(matches!(error, Error::PictureInLayers { .. }), "{error}");
}

#[test]
fn areas_are_added_and_taken_away_with_their_curves() {
    let square = BezPath::from_svg("M0 0H10V10H0Z").expect("valid");
    let outline: Outline<Mm> = Outline::from_contours(vec![square], &[false]);
    let circle = |x| Circle::new((x, 5.0), 2.0).to_path(1e-6);
    let changed = with_areas(&outline, &[circle(10.0)], &[circle(0.0)], "a.svg").expect("an area");
    assert!((changed.area() - 100.0).abs() < 1e-3, "{}", changed.area());
    let frame = changed.bounding_box();
    assert!((frame.x1 - 12.0).abs() < 1e-3 && frame.x0.abs() < 1e-3);
    let curved = |s: &kurbo::PathSeg| matches!(s, kurbo::PathSeg::Cubic(_));
    let curves = changed.to_path().segments().filter(curved).count();
    assert!((2..=16).contains(&curves), "{curves}");
}
