//! What the tests of cut files share: settings, an emblem, an interpreter of plotter language.

use cut::{Contents, CutNote, PLOTTER_UNITS_PER_MM, Piece, Settings, Sheet, Turns, lay_out};
use kurbo::{BezPath, Point, Shape};
use measures::{AsCut, CutFrom, Mm, Outline};

#[derive(serde::Deserialize)]
struct Config {
    cut: Settings,
}

pub(crate) fn settings() -> Settings {
    let text = include_str!("../../../../config/default.toml");
    toml::from_str::<Config>(text)
        .expect("the shipped settings are valid")
        .cut
}

/// A ring with a dot in it and a separate leaf, 60 × 40 mm: three levels of nesting, no symmetry.
pub(crate) fn emblem() -> Outline<Mm, AsCut> {
    let ellipse = |x, y, rx, ry| kurbo::Ellipse::new((x, y), (rx, ry), 0.0).to_path(1e-6);
    let leaf = BezPath::from_svg("M44 3 C58 3 60 12 60 20 C60 34 52 36 44 37 L47 20 Z")
        .expect("valid path");
    let contours = vec![
        ellipse(20.0, 20.0, 20.0, 20.0),
        ellipse(20.0, 20.0, 14.0, 15.0),
        ellipse(17.0, 21.0, 3.0, 3.0),
        leaf,
    ];
    Outline::from_contours(contours, &[false, true, false, false]).into_cut(CutFrom::Back)
}

pub(crate) fn note(copies: u32) -> CutNote {
    CutNote {
        title: "Tern Bay Wanderers -- home <crest>".to_owned(),
        material: "flock".to_owned(),
        from: CutFrom::Back,
        contents: Contents::Piece {
            width_mm: 60.0,
            height_mm: 40.0,
            copies,
        },
        remarks: Vec::new(),
    }
}

/// Copies of an outline as drawn, on an endless roll.
pub(crate) fn sheet(outline: &Outline<Mm, AsCut>, copies: u32, settings: &Settings) -> Sheet {
    let piece = Piece {
        name: "crest".to_owned(),
        outline,
        copies,
        turns: Turns::None,
    };
    lay_out(&piece, &[], settings).expect("fits")
}

/// Contours in millimetres, y up, as a cutter would follow the file.
pub(crate) fn play(text: &str) -> Vec<Vec<Point>> {
    let mut contours: Vec<Vec<Point>> = Vec::new();
    let mut at = Point::ORIGIN;
    let mut down = false;
    for instruction in text.split(';').map(str::trim).filter(|i| !i.is_empty()) {
        let (mnemonic, arguments) = instruction.split_at(2);
        if matches!(mnemonic, "PU" | "PD") {
            down = mnemonic == "PD";
        }
        if !matches!(mnemonic, "PU" | "PD" | "PA") {
            let known = matches!(mnemonic, "IN" | "SP" | "CO" | "VS" | "FS");
            assert!(known, "unknown instruction {instruction}");
            continue;
        }
        let numbers: Vec<f64> = arguments
            .split(',')
            .filter(|a| !a.is_empty())
            .map(|a| f64::from(a.parse::<i32>().expect("whole plotter units")))
            .collect();
        for pair in numbers.chunks(2) {
            let to = Point::new(
                pair[0] / PLOTTER_UNITS_PER_MM,
                pair[1] / PLOTTER_UNITS_PER_MM,
            );
            match contours.last_mut() {
                Some(c) if down && c.last() == Some(&at) => c.push(to),
                _ if down => contours.push(vec![at, to]),
                _ => {}
            }
            at = to;
        }
    }
    contours
}

pub(crate) fn distance(curve: &BezPath, p: Point) -> f64 {
    use kurbo::ParamCurveNearest;
    curve
        .segments()
        .map(|s| s.nearest(p, 1e-9).distance_sq)
        .fold(f64::MAX, f64::min)
        .sqrt()
}
