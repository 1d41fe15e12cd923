//! Pieces packed by their true shapes: nothing overlaps, distances are kept, the material is used.

use cut::{
    Contents, CutNote, Extra, Piece, Settings, Sheet, Turns, lay_out_all, pieces, plan, svg,
};
use kurbo::{BezPath, ParamCurve, ParamCurveArclen, Point, Rect, Shape};
use measures::{AsCut, CutFrom, Mm, Outline};

#[allow(dead_code, reason = "shared with tests that use more of it")]
mod support;
use support::{distance, note, settings};
#[path = "pieces/mod.rs"]
mod shapes;
use shapes::{mixed, use_in_rows};

fn packed(
    outlines: &[Outline<Mm, AsCut>],
    turns: Turns,
    length_mm: Option<f64>,
    settings: &Settings,
) -> Vec<Sheet> {
    let all: Vec<Piece<'_>> = outlines
        .iter()
        .enumerate()
        .map(|(i, outline)| Piece {
            name: format!("piece {i}"),
            outline,
            copies: 1,
            turns,
        })
        .collect();
    lay_out_all(&all, length_mm, &[], settings).expect("fits")
}

fn samples(contours: &[BezPath]) -> Vec<Point> {
    let segments = contours.iter().flat_map(BezPath::segments);
    segments
        .flat_map(|s| {
            let n = (s.arclen(0.01) / 2.0).ceil().max(1.0) as u32;
            (0..n).map(move |i| s.eval(f64::from(i) / f64::from(n)))
        })
        .collect()
}

fn frame(contours: &[BezPath]) -> Rect {
    let boxes = contours.iter().map(Shape::bounding_box);
    boxes.reduce(|a, b| a.union(b)).expect("contours")
}

/// Every piece keeps its distance from every other, and from the sheet's edges.
fn assert_apart(sheet: &Sheet, settings: &Settings) {
    let inside = Rect::from_origin_size((0.0, 0.0), (settings.sheet_width_mm, sheet.size.height))
        .inset(1e-6 - settings.margin_mm);
    let parts: Vec<_> = sheet.pieces().collect();
    for (i, a) in parts.iter().enumerate() {
        assert!(
            inside.contains_rect(frame(&a.contours)),
            "{} leaves the sheet",
            a.name
        );
        let points = samples(&a.contours);
        for b in &parts[i + 1..] {
            let near = frame(&b.contours).inflate(settings.spacing_mm, settings.spacing_mm);
            for p in points.iter().filter(|p| near.contains(**p)) {
                let winding: i32 = b.contours.iter().map(|c| c.winding(*p)).sum();
                assert_eq!(winding, 0, "{} overlaps {}", a.name, b.name);
                for contour in &b.contours {
                    let apart = distance(contour, *p);
                    assert!(
                        apart >= settings.spacing_mm,
                        "{} {}: {apart}",
                        a.name,
                        b.name
                    );
                }
            }
        }
    }
}

#[test]
fn irregular_pieces_lie_close_and_apart() {
    let settings = settings();
    for (seed, turns) in [(11, Turns::Half), (12, Turns::Quarter)] {
        let outlines = mixed(seed, 30);
        let sheets = packed(&outlines, turns, None, &settings);
        assert_eq!(sheets.len(), 1);
        assert_eq!(sheets[0].pieces().count(), 30);
        assert_apart(&sheets[0], &settings);
        let rows = use_in_rows(&outlines, &settings);
        assert!(
            sheets[0].used_share > 1.25 * rows,
            "{} {rows}",
            sheets[0].used_share
        );
    }
}

#[test]
fn a_grain_allows_half_turns_only() {
    let settings = settings();
    let sheets = packed(&mixed(3, 20), Turns::Half, None, &settings);
    let turns = || sheets[0].pieces().map(|p| p.turn_deg);
    assert!(turns().all(|t| t.rem_euclid(180.0).abs() < 1e-9));
    assert!(turns().any(|t| t > 90.0), "and uses them");
}

#[test]
fn what_does_not_fit_one_sheet_goes_on_the_next() {
    let settings = settings();
    let outlines = mixed(5, 40);
    let sheets = packed(&outlines, Turns::Half, Some(200.0), &settings);
    assert!(sheets.len() > 1);
    let mut found: Vec<usize> = Vec::new();
    for sheet in &sheets {
        assert!(sheet.size.height <= 200.0 + 1e-6, "{:?}", sheet.size);
        assert_apart(sheet, &settings);
        found.extend(sheet.pieces().filter_map(|p| p.piece));
    }
    found.sort_unstable();
    assert!(found.into_iter().eq(0..40), "each piece once");
}

#[test]
fn what_lies_in_a_hole_is_cut_before_its_piece() {
    let ring = |r: f64, inner: f64| {
        let contours = [r, inner].map(|r| kurbo::Circle::new((0.0, 0.0), r).to_path(1e-4));
        Outline::from_contours(contours.into(), &[false, true]).into_cut(CutFrom::Back)
    };
    let narrow = Settings {
        sheet_width_mm: 90.0,
        ..settings()
    };
    let sheets = packed(
        &[ring(40.0, 32.0), ring(20.0, 12.0)],
        Turns::Half,
        None,
        &narrow,
    );
    assert!(
        sheets[0].size.height < 91.0,
        "the small one lies in the large one's hole"
    );
    let order: Vec<_> = sheets[0].pieces().map(|p| p.piece).collect();
    assert_eq!(order, [Some(1), Some(0)]);
}

#[test]
fn same_pieces_same_places() {
    let places = || -> Vec<Vec<BezPath>> {
        let sheets = packed(&mixed(8, 25), Turns::Quarter, None, &settings());
        sheets[0].pieces().map(|p| p.contours.clone()).collect()
    };
    assert_eq!(places(), places());
}

#[test]
fn a_cut_file_gives_its_pieces_back() {
    let sheet = &packed(&mixed(4, 7), Turns::Half, None, &settings())[0];
    let read = pieces(&svg(sheet, &note(1)), "cut.svg").expect("a cut file");
    let written: Vec<_> = sheet.pieces().map(|p| p.contours.clone()).collect();
    assert_eq!(read.len(), written.len());
    for (a, b) in read.iter().zip(&written) {
        assert_eq!(a.len(), b.len());
        let (a, b) = (frame(a), frame(b));
        assert!((a.x0 - b.x0).abs() < 1e-4 && (a.y1 - b.y1).abs() < 1e-4);
    }
    for broken in [
        "",
        "<svg/>",
        "<svg><g id=\"piece-1\"><path d=\"M0 0 C1\"/></g></svg>",
        "\u{0}",
    ] {
        assert!(pieces(broken, "cut.svg").is_err(), "{broken}");
    }
}

#[test]
fn numbers_stand_outside_all_shapes() {
    let outlines = mixed(9, 40);
    let sheet = &packed(&outlines, Turns::Half, None, &settings())[0];
    let note = CutNote {
        contents: Contents::Pieces(40),
        ..note(1)
    };
    let names: Vec<String> = (0..40).map(|i| format!("job {i}: crest")).collect();
    let text = plan(sheet, &names, &note);
    let tree = usvg::roxmltree::Document::parse(&text).expect("valid");
    let mut numbers = 0;
    for node in tree
        .descendants()
        .filter(|n| n.attribute("text-anchor").is_some())
    {
        numbers += 1;
        let at = |key: &str| {
            node.attribute(key)
                .and_then(|v| v.parse::<f64>().ok())
                .expect("a place")
        };
        // The middle of the digits lies above their baseline.
        let middle = Point::new(at("x"), at("y") - 0.35 * at("font-size"));
        for piece in sheet.pieces() {
            let winding: i32 = piece.contours.iter().map(|c| c.winding(middle)).sum();
            assert_eq!(winding, 0, "{:?} lies on {}", node.text(), piece.name);
        }
    }
    assert!(numbers >= 38, "{numbers} of 40 found room");
    for name in names {
        assert!(text.contains(&name), "{name}");
    }
}

#[test]
fn frame_lines_and_test_square_come_on_request() {
    let settings = settings();
    let outlines = mixed(2, 20);
    let all: Vec<Piece<'_>> = outlines
        .iter()
        .map(|outline| Piece {
            name: "crest".to_owned(),
            outline,
            copies: 1,
            turns: Turns::Half,
        })
        .collect();
    let extras = Extra::NAMES.map(|(_, extra)| extra);
    let sheet = &lay_out_all(&all, None, &extras, &settings).expect("fits")[0];
    let names: Vec<&str> = sheet.parts.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(
        names.first(),
        Some(&"test square"),
        "checked before anything else is cut"
    );
    assert_eq!(
        names.last(),
        Some(&"weeding frame"),
        "nothing comes loose before"
    );
    let find = |name: &str| {
        sheet
            .parts
            .iter()
            .find(|p| p.name == name)
            .expect("asked for")
    };
    let square = frame(&find("test square").contours);
    assert!((square.width() - settings.test_square_mm).abs() < 1e-9);
    assert!((square.height() - settings.test_square_mm).abs() < 1e-9);
    let weeded = frame(&find("weeding frame").contours);
    for piece in sheet.pieces() {
        assert!(weeded.contains_rect(frame(&piece.contours)));
        let winding = |p: Point| -> i32 { piece.contours.iter().map(|c| c.winding(p)).sum() };
        for line in &find("weeding lines").contours {
            assert!(
                samples(std::slice::from_ref(line))
                    .iter()
                    .all(|p| winding(*p) == 0)
            );
        }
        let corners = [(0.0, 0.0), (0.5, 0.5), (1.0, 1.0)];
        let on = |(u, v): (f64, f64)| {
            Point::new(
                square.x0 + u * square.width(),
                square.y0 + v * square.height(),
            )
        };
        assert!(corners.map(on).iter().all(|p| winding(*p) == 0));
    }
    let plain = &lay_out_all(&all, None, &[], &settings).expect("fits")[0];
    assert!(
        plain.parts.iter().all(|p| p.piece.is_some()),
        "only on request"
    );
}
