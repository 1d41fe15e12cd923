//! Cut files read back: the SVG by a general SVG library, the plotter file by a small interpreter.

use cut::{CutNote, Error, PLOTTER_UNITS_PER_MM, Piece, Settings, Turns, lay_out, plotter, svg};
use kurbo::{BezPath, Point, Rect, Shape};
use measures::CutFrom;
use usvg::tiny_skia_path::PathSegment as S;

mod support;
use support::{distance, emblem, note, play, settings, sheet};

/// CSS Values and Units 3, section 6.2: 1 in = 96 px; NBS Circular 572: 1 in = 25.4 mm.
const CSS_PX_PER_MM: f64 = 96.0 / 25.4;

fn read_svg(text: &str) -> (f64, f64, Vec<BezPath>) {
    let tree = usvg::Tree::from_str(text, &usvg::Options::default()).expect("valid SVG");
    let mut paths = Vec::new();
    collect(tree.root(), &mut paths);
    let (w, h) = (
        f64::from(tree.size().width()),
        f64::from(tree.size().height()),
    );
    (w / CSS_PX_PER_MM, h / CSS_PX_PER_MM, paths)
}

fn collect(group: &usvg::Group, paths: &mut Vec<BezPath>) {
    for node in group.children() {
        match node {
            usvg::Node::Group(g) => collect(g, paths),
            usvg::Node::Path(p) => {
                let t = p.abs_transform();
                let place = |p: usvg::tiny_skia_path::Point| {
                    let (x, y) = (f64::from(p.x), f64::from(p.y));
                    let (sx, sy) = (f64::from(t.sx), f64::from(t.sy));
                    assert!(t.kx == 0.0 && t.ky == 0.0, "nothing is turned or skewed");
                    let (tx, ty) = (f64::from(t.tx), f64::from(t.ty));
                    Point::new((x * sx + tx) / CSS_PX_PER_MM, (y * sy + ty) / CSS_PX_PER_MM)
                };
                let mut path = BezPath::new();
                for s in p.data().segments() {
                    match s {
                        S::MoveTo(a) => path.move_to(place(a)),
                        S::LineTo(a) => path.line_to(place(a)),
                        S::QuadTo(a, b) => path.quad_to(place(a), place(b)),
                        S::CubicTo(a, b, c) => path.curve_to(place(a), place(b), place(c)),
                        S::Close => path.close_path(),
                    }
                }
                paths.push(path);
            }
            _ => panic!("only paths belong in a cut file"),
        }
    }
}

fn polygon_area(points: &[Point]) -> f64 {
    points
        .windows(2)
        .map(|p| p[0].x * p[1].y - p[1].x * p[0].y)
        .sum::<f64>()
        / 2.0
}

fn frame(points: impl IntoIterator<Item = Point>) -> Rect {
    let mut points = points.into_iter();
    let first = points.next().expect("there are points");
    points.fold(Rect::from_points(first, first), |r, p| r.union_pt(p))
}

#[test]
fn the_plotter_unit_is_a_1016th_of_an_inch() {
    // PCL 5 Technical Reference Manual, part II: 1 plotter unit = 0.025 mm, 1016 to the inch.
    assert!((PLOTTER_UNITS_PER_MM * 0.025 - 1.0).abs() < 1e-12);
    assert!((PLOTTER_UNITS_PER_MM * 25.4 - 1016.0).abs() < 1e-9);
}

#[test]
fn svg_is_true_to_size_and_complete() {
    let outline = emblem();
    let (width, height, paths) = read_svg(&svg(&sheet(&outline, 1, &settings()), &note(1)));
    // f32 and the trip through CSS pixels cost a few micrometres.
    assert!((width - 70.0).abs() < 1e-4 && (height - 50.0).abs() < 1e-4);
    let frame = paths
        .iter()
        .map(Shape::bounding_box)
        .reduce(|a, b| a.union(b))
        .expect("paths");
    assert!((frame.width() - 60.0).abs() < 1e-3 && (frame.height() - 40.0).abs() < 1e-3);
    assert!((frame.x0 - 5.0).abs() < 1e-3 && (frame.y0 - 5.0).abs() < 1e-3);
    let area: f64 = paths.iter().map(Shape::area).sum();
    assert!((area / outline.area() - 1.0).abs() < 1e-5);
}

#[test]
fn svg_paths_are_closed_curves_in_cutting_order() {
    let (_, _, paths) = read_svg(&svg(&sheet(&emblem(), 1, &settings()), &note(1)));
    assert_eq!(paths.len(), 4);
    for path in &paths {
        // Closed twice over: by coordinates and by instruction.
        let ends = (path.segments().next(), path.segments().last());
        let (Some(first), Some(last)) = ends else {
            panic!("an empty path")
        };
        assert_eq!(
            kurbo::ParamCurve::start(&first),
            kurbo::ParamCurve::end(&last)
        );
        assert!(
            path.elements()
                .iter()
                .any(|e| matches!(e, kurbo::PathEl::CurveTo(..)))
        );
    }
    let place = |area: f64| {
        paths
            .iter()
            .position(|p| (p.area().abs() - area).abs() < 0.01 * area)
            .expect("found")
    };
    let pi = std::f64::consts::PI;
    let (dot, hole, ring) = (place(9.0 * pi), place(210.0 * pi), place(400.0 * pi));
    assert!(dot < hole && hole < ring, "inside before outside");
}

#[test]
fn svg_says_what_it_is_and_whether_it_is_mirrored() {
    let text = svg(&sheet(&emblem(), 1, &settings()), &note(1));
    for words in ["material flock", "true size 60.00 x 40.00 mm", "MIRRORED"] {
        assert!(text.contains(words), "{words}");
    }
    let face = CutNote {
        from: CutFrom::Face,
        ..note(1)
    };
    let text = svg(&sheet(&emblem(), 1, &settings()), &face);
    assert!(text.contains("NOT mirrored"));
}

#[test]
fn no_title_breaks_the_files() {
    for title in [
        "---",
        "-----",
        "a-->b",
        "\u{1}",
        "-\u{b}",
        "\u{ffff}\u{fffe}",
        "]]>&<\"';PU9,9;",
    ] {
        let note = CutNote {
            title: title.to_owned(),
            ..note(1)
        };
        let sheet = sheet(&emblem(), 1, &settings());
        let text = svg(&sheet, &note);
        assert_eq!(read_svg(&text).2.len(), 4, "{title:?}");
        assert_eq!(
            cut::pieces(&text, "cut.svg").map(|p| p.len()),
            Ok(1),
            "{title:?}"
        );
        let text = plotter(&sheet, &note, &settings()).expect("fits");
        assert_eq!(play(&text).len(), 4, "{title:?}");
    }
}

#[test]
fn plotter_file_follows_the_same_outline() {
    let outline = emblem();
    let contours =
        play(&plotter(&sheet(&outline, 1, &settings()), &note(1), &settings()).expect("fits"));
    assert_eq!(contours.len(), 4);
    for contour in &contours {
        assert_eq!(contour.first(), contour.last(), "closed exactly");
    }
    let frame = frame(contours.iter().flatten().copied());
    assert!((frame.width() - 60.0).abs() < 0.026 && (frame.height() - 40.0).abs() < 0.026);
    // y is turned over, so areas change sign.
    let area: f64 = -contours.iter().map(|c| polygon_area(c)).sum::<f64>();
    let rounding = outline.perimeter() * (0.5 / PLOTTER_UNITS_PER_MM + settings().flattening_mm);
    assert!(
        (area - outline.area()).abs() < 0.1 * rounding,
        "{area} {}",
        outline.area()
    );
    let sheet = sheet(&outline, 1, &settings());
    for (points, curve) in contours.iter().zip(sheet.contours()) {
        let far = points
            .iter()
            .map(|p| distance(curve, Point::new(p.x, 50.0 - p.y)));
        assert!(
            far.fold(0.0, f64::max) < 0.5 * 1.5 / PLOTTER_UNITS_PER_MM,
            "points on the curve"
        );
    }
}

#[test]
fn flattening_stays_within_its_tolerance() {
    let outline = emblem();
    let contours =
        play(&plotter(&sheet(&outline, 1, &settings()), &note(1), &settings()).expect("fits"));
    let sheet = sheet(&outline, 1, &settings());
    for (points, curve) in contours.iter().zip(sheet.contours()) {
        for pair in points.windows(2) {
            let middle = pair[0].midpoint(pair[1]);
            let off = distance(curve, Point::new(middle.x, 50.0 - middle.y));
            assert!(
                off < settings().flattening_mm + 0.018,
                "{off} mm off at {middle}"
            );
        }
    }
}

#[test]
fn copies_stand_in_rows_without_touching() {
    let settings = Settings {
        sheet_width_mm: 200.0,
        ..settings()
    };
    let laid = sheet(&emblem(), 5, &settings);
    assert_eq!(laid.contours().count(), 20);
    // Boxes in rows need 3 × 60 + 2 × 4 + 2 × 5 by 2 × 40 + 4 + 2 × 5; the cells cost a little.
    assert!(
        laid.size.width < 199.5 && laid.size.height < 95.0,
        "{:?}",
        laid.size
    );
    let (width, _, paths) = read_svg(&svg(&laid, &note(5)));
    assert_eq!(paths.len(), 20);
    assert!(width <= 200.0);
    let single = emblem().area();
    let area: f64 = paths.iter().map(Shape::area).sum();
    assert!((area / (5.0 * single) - 1.0).abs() < 1e-5);
}

#[test]
fn too_long_for_plotter_language_is_refused() {
    // 32767 units of 0.025 mm are 819.175 mm.
    let long = sheet(&emblem(), 200, &settings());
    let error = plotter(&long, &note(200), &settings()).expect_err("25 rows are 1104 mm");
    assert!(matches!(error, Error::BeyondPlotter { .. }), "{error}");
}

#[test]
fn wider_than_the_sheet_is_refused() {
    let narrow = Settings {
        sheet_width_mm: 65.0,
        ..settings()
    };
    let piece = Piece {
        name: "crest".to_owned(),
        outline: &emblem(),
        copies: 1,
        turns: Turns::Half,
    };
    let error = lay_out(&piece, &[], &narrow).expect_err("70 mm with margins");
    assert!(error.to_string().contains("70.0 x 50.0 mm"), "{error}");
}

#[test]
fn same_input_same_bytes() {
    let write = || {
        let sheet = sheet(&emblem(), 3, &settings());
        let plotter = plotter(&sheet, &note(3), &settings()).expect("fits");
        (svg(&sheet, &note(3)), plotter)
    };
    assert_eq!(write(), write());
}
