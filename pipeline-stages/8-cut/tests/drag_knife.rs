//! Plotter files played back with a simulated drag knife: a tip that trails the axis it hangs on.

use std::collections::BTreeMap;

use cut::{Cutter, Error, Feed, Origin, plotter_for};
use kurbo::{BezPath, ParamCurve, Point, Vec2};
use measures::{AsCut, CutFrom, Mm, Outline};

#[allow(dead_code, reason = "shared with tests that use more of it")]
mod support;
use support::{distance, emblem, note, play, settings, sheet};

fn cutters() -> BTreeMap<String, Cutter> {
    toml::from_str(include_str!("../../../config/cutters.toml")).expect("the shipped cutters")
}

fn knife(offset_mm: f64) -> Cutter {
    let mut cutter = cutters()["drag-knife-60"].clone();
    cutter.blade_offset_mm.value = offset_mm;
    cutter
}

/// A star: sharp corners inside and out, and a hole with square corners.
fn star() -> Outline<Mm, AsCut> {
    let mut points = BezPath::new();
    for i in 0..10 {
        let radius = if i % 2 == 0 { 30.0 } else { 12.0 };
        let at = Point::new(30.0, 30.0) + radius * Vec2::from_angle(0.3 + f64::from(i) * 0.628_318);
        points.push(if i == 0 {
            kurbo::PathEl::MoveTo(at)
        } else {
            kurbo::PathEl::LineTo(at)
        });
    }
    points.close_path();
    let hole = BezPath::from_svg("M27 27 H33 V33 H27 Z").expect("valid");
    Outline::from_contours(vec![points, hole], &[false, true]).into_cut(CutFrom::Back)
}

/// The tip's way for each contour of the axis: at every small step of the axis the tip is drawn
/// straight towards it, to the blade's offset. Lifted, the blade keeps its direction.
fn cut_lines(axis: &[Vec<Point>], offset_mm: f64, mut heading: Vec2) -> Vec<Vec<Point>> {
    const STEP_MM: f64 = 0.002;
    let mut lines = Vec::new();
    for contour in axis {
        let mut tip = contour[0] - offset_mm * heading;
        let mut line = vec![tip];
        for move_ in contour.windows(2) {
            let steps = (move_[0].distance(move_[1]) / STEP_MM).ceil().max(1.0);
            for i in 1..=steps as u32 {
                let at = move_[0].lerp(move_[1], f64::from(i) / steps);
                let trailing = at - tip;
                if trailing.hypot() > offset_mm {
                    heading = trailing.normalize();
                    tip = at - offset_mm * heading;
                } else if trailing.hypot() > 0.0 {
                    // The axis came nearer: the blade is pushed back round the tip's far side.
                    heading = trailing.normalize();
                    tip = at - offset_mm * heading;
                }
                line.push(tip);
            }
        }
        lines.push(line);
    }
    lines
}

/// Largest distance between what was cut and what was wanted, either way, in millimetres.
fn error_mm(outline: &Outline<Mm, AsCut>, axis: &[Vec<Point>], offset_mm: f64) -> f64 {
    let sheet = sheet(outline, 1, &settings());
    let skip = axis.len() - sheet.contours().count();
    // The blade points anywhere when the machine starts.
    let lines = cut_lines(axis, offset_mm, Vec2::from_angle(2.5));
    let mut worst: f64 = 0.0;
    for (line, wanted) in lines[skip..].iter().zip(sheet.contours()) {
        let tip: Vec<Point> = line
            .iter()
            .map(|p| Point::new(p.x, sheet.size.height - p.y))
            .collect();
        let astray = tip
            .iter()
            .step_by(7)
            .map(|p| distance(wanted, *p))
            .fold(0.0, f64::max);
        let uncut = wanted
            .segments()
            .flat_map(|s| (0..=40).map(move |i| s.eval(f64::from(i) / 40.0)))
            .map(|p| {
                tip.iter()
                    .map(|t| t.distance_squared(p))
                    .fold(f64::MAX, f64::min)
                    .sqrt()
            })
            .fold(0.0, f64::max);
        worst = worst.max(astray).max(uncut);
    }
    worst
}

fn play_for(outline: &Outline<Mm, AsCut>, cutter: &Cutter) -> Vec<Vec<Point>> {
    play(
        &plotter_for(
            &sheet(outline, 1, &settings()),
            &note(1),
            &settings(),
            cutter,
        )
        .expect("fits"),
    )
}

#[test]
fn a_compensated_knife_cuts_the_wanted_contour() {
    for (name, outline) in [("star", star()), ("emblem", emblem())] {
        for offset_mm in [0.175, 0.25, 0.5, 1.0] {
            let axis = play_for(&outline, &knife(offset_mm));
            let error = error_mm(&outline, &axis, offset_mm);
            println!("{name}, blade offset {offset_mm} mm: {error:.4} mm off");
            assert!(error < 0.05, "{name}, {offset_mm} mm: {error} mm off");
        }
    }
}

/// The same play-back must show the fault, or it proves nothing.
#[test]
fn an_uncompensated_knife_does_not() {
    for offset_mm in [0.25, 0.5] {
        let axis = play_for(&star(), &Cutter::plain());
        let error = error_mm(&star(), &axis, offset_mm);
        println!("not compensated, blade offset {offset_mm} mm: {error:.4} mm off");
        assert!(error > 0.05, "{offset_mm} mm: only {error} mm off");
        let wrong = play_for(&star(), &knife(offset_mm));
        assert!(
            error_mm(&star(), &wrong, 2.0 * offset_mm) > 0.05,
            "the wrong offset shows too"
        );
    }
}

#[test]
fn the_shipped_cutters_make_sense() {
    for (name, cutter) in cutters() {
        cutter.check().unwrap_or_else(|e| panic!("{name}: {e}"));
        assert!(
            plotter_for(
                &sheet(&emblem(), 1, &settings()),
                &note(1),
                &settings(),
                &cutter
            )
            .is_ok()
        );
    }
    let plain = &cutters()["self-compensating"];
    let text = plotter_for(
        &sheet(&emblem(), 1, &settings()),
        &note(1),
        &settings(),
        plain,
    )
    .expect("fits");
    assert_eq!(
        text,
        cut::plotter(&sheet(&emblem(), 1, &settings()), &note(1), &settings()).expect("fits")
    );
}

#[test]
fn nonsense_is_refused() {
    let refused = |cutter: &Cutter| {
        let error = plotter_for(
            &sheet(&emblem(), 1, &settings()),
            &note(1),
            &settings(),
            cutter,
        )
        .expect_err("nonsense");
        assert!(matches!(error, Error::Cutter { .. }), "{error}");
    };
    for offset_mm in [-0.1, 25.0, f64::NAN] {
        refused(&knife(offset_mm));
    }
    refused(&Cutter {
        passes: 0,
        ..knife(0.25)
    });
}

#[test]
fn a_compensated_file_says_so() {
    let text = plotter_for(
        &sheet(&emblem(), 1, &settings()),
        &note(1),
        &settings(),
        &knife(0.5),
    )
    .expect("fits");
    assert!(text.contains("Blade offset 0.5 mm is compensated"));
}

#[test]
fn speed_and_force_are_passed_only_if_given() {
    let text = |cutter: &Cutter| {
        plotter_for(
            &sheet(&emblem(), 1, &settings()),
            &note(1),
            &settings(),
            cutter,
        )
        .expect("fits")
    };
    let given = Cutter {
        speed_cm_per_s: Some(20),
        force: Some(14),
        ..Cutter::plain()
    };
    assert!(text(&given).contains("VS20;") && text(&given).contains("FS14;"));
    assert!(!text(&Cutter::plain()).contains("VS") && !text(&Cutter::plain()).contains("FS"));
}

/// Signed areas keep their sign under a turn and change it under a mirror.
#[test]
fn origin_and_feed_move_and_turn_but_never_mirror() {
    let area = |contours: &[Vec<Point>]| {
        let ring = |c: &Vec<Point>| {
            c.windows(2)
                .map(|p| p[0].x * p[1].y - p[1].x * p[0].y)
                .sum::<f64>()
                / 2.0
        };
        contours.iter().map(ring).collect::<Vec<_>>()
    };
    let plain = area(&play_for(&emblem(), &Cutter::plain()));
    for origin in [Origin::LowerLeft, Origin::Centre] {
        for feed in [Feed::X, Feed::Y] {
            let contours = play_for(
                &emblem(),
                &Cutter {
                    origin,
                    feed,
                    ..Cutter::plain()
                },
            );
            for (a, b) in area(&contours).iter().zip(&plain) {
                assert!((a - b).abs() < 0.5, "{origin:?} {feed:?}: {a} {b}");
            }
            let all = contours.iter().flatten();
            let (x0, y0) = all.fold((f64::MAX, f64::MAX), |(x, y), p| (x.min(p.x), y.min(p.y)));
            let (w, h) = if feed == Feed::X {
                (50.0, 70.0)
            } else {
                (70.0, 50.0)
            };
            let (left, bottom) = if origin == Origin::Centre {
                (-w / 2.0, -h / 2.0)
            } else {
                (0.0, 0.0)
            };
            assert!((x0 - left - 5.0).abs() < 0.02 && (y0 - bottom - 5.0).abs() < 0.02);
        }
    }
}
