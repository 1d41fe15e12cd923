//! An outline through the plotter file and the SVG cut file and back: the same contours, and a
//! title never becomes an instruction.
#![no_main]

use std::sync::LazyLock;

use cut::{Contents, CutNote, Cutter, PLOTTER_UNITS_PER_MM, Piece, Sheet, Turns};
use kurbo::{BezPath, Shape};
use libfuzzer_sys::fuzz_target;
use measures::CutFrom;

use fuzz::drawing;
use fuzz::settings;

static SETTINGS: LazyLock<cut::Settings> = LazyLock::new(|| settings::section("cut"));

/// Half a plotter unit either way, and the decimals of the SVG.
const ROUNDING_MM: f64 = 0.02;

fuzz_target!(|input: (drawing::Drawing, String, bool, u8, u8)| {
    let (drawn, title, back, copies, offset) = input;
    let Some(outline) = drawn.outline() else {
        return;
    };
    let from = if back { CutFrom::Back } else { CutFrom::Face };
    let outline = mirror::for_cutting(outline, from);
    let frame = outline.bounding_box();
    let copies = 1 + u32::from(copies % 3);
    let piece = Piece {
        name: title.clone(),
        outline: &outline,
        copies,
        turns: Turns::Half,
    };
    let Ok(sheet) = cut::lay_out(&piece, &[], &SETTINGS) else {
        return;
    };
    let contents = Contents::Piece {
        width_mm: frame.width(),
        height_mm: frame.height(),
        copies,
    };
    let note = CutNote {
        title,
        material: "flock".to_owned(),
        from,
        contents,
        remarks: Vec::new(),
    };

    let text = cut::plotter(&sheet, &note, &SETTINGS).expect("an emblem fits the language");
    compare(&sheet, &played(&text));
    let mut cutter = Cutter::plain();
    cutter.blade_offset_mm.value = f64::from(offset) / 128.0;
    if let Ok(text) = cut::plotter_for(&sheet, &note, &SETTINGS, &cutter) {
        let seen = sheet.contours().filter(|c| !within_a_unit(c));
        assert!(played(&text).len() >= seen.count());
    }

    let pieces = cut::pieces(&cut::svg(&sheet, &note), "cut.svg").expect("our own file");
    assert_eq!(pieces.len(), copies as usize);
    for (read, written) in pieces.iter().zip(sheet.pieces()) {
        assert_eq!(read.len(), written.contours.len());
        for (r, w) in read.iter().zip(&written.contours) {
            assert!(same_frame(r, w), "{r:?} {w:?}");
        }
    }
});

fn same_frame(a: &BezPath, b: &BezPath) -> bool {
    let (a, b) = (a.bounding_box(), b.bounding_box());
    let corners = [(a.x0, b.x0), (a.y0, b.y0), (a.x1, b.x1), (a.y1, b.y1)];
    corners
        .iter()
        .all(|(a, b)| (a - b).abs() <= ROUNDING_MM + SETTINGS.flattening_mm)
}

/// The sheet's contours against those played, y up.
fn compare(sheet: &Sheet, played: &[BezPath]) {
    let up = kurbo::Affine::new([1.0, 0.0, 0.0, -1.0, 0.0, sheet.size.height]);
    let mut played = played.iter().peekable();
    for w in sheet.contours() {
        let p = match played.next_if(|p| same_frame(p, &(up * w.clone()))) {
            Some(p) => p,
            None if within_a_unit(w) => continue,
            None => panic!("{w:?} is not cut, but {:?}", played.peek()),
        };
        let off = (p.area().abs() - w.area().abs()).abs();
        let may = w.perimeter(1e-3) * (ROUNDING_MM + SETTINGS.flattening_mm) + 1e-3;
        assert!(off <= may, "{off} mm2, not {may}");
    }
    assert!(played.next().is_none());
}

/// Whether a contour may shrink to a point of the plotter's grid.
fn within_a_unit(contour: &BezPath) -> bool {
    let frame = contour.bounding_box();
    frame.width().max(frame.height()) < 1.0 / PLOTTER_UNITS_PER_MM
}

/// A machine that knows the instructions `IN SP PA PU PD CO` and stops at any other.
fn played(text: &str) -> Vec<BezPath> {
    let mut contours: Vec<BezPath> = Vec::new();
    let mut comments = 0;
    for instruction in text.split(';').map(str::trim).filter(|i| !i.is_empty()) {
        assert!(instruction.is_ascii());
        let (name, rest) = instruction.split_at(2);
        let points = || -> Vec<(f64, f64)> {
            let numbers: Vec<f64> = rest
                .split(',')
                .map(|n| n.parse().expect("a number"))
                .collect();
            let mm = |units: f64| units / PLOTTER_UNITS_PER_MM;
            numbers
                .chunks_exact(2)
                .map(|c| (mm(c[0]), mm(c[1])))
                .collect()
        };
        match name {
            "IN" | "PA" => assert!(rest.is_empty()),
            "SP" => assert!(matches!(rest, "0" | "1")),
            "CO" => {
                comments += 1;
                assert!(
                    rest.starts_with('"') && rest.ends_with('"') && rest.matches('"').count() == 2
                );
            }
            "PU" => {
                let at = points()[0];
                contours.push(BezPath::from_vec(vec![kurbo::PathEl::MoveTo(at.into())]));
            }
            "PD" => {
                let contour = contours.last_mut().expect("the knife was moved before");
                points().into_iter().for_each(|p| contour.line_to(p));
            }
            _ => panic!("{instruction}"),
        }
    }
    assert!(comments <= 2);
    contours.retain(|c| c.elements().len() > 1);
    contours
}
