//! The cut file in plotter language: the HP-GL instructions every cutter understands
//! (`IN`, `SP`, `PU`, `PD`, `PA`), absolute, y up, origin at the lower left.
//!
//! Units and number ranges as in the "PCL 5 Printer Language Technical Reference Manual", part II
//! (HP-GL/2), Hewlett-Packard: one plotter unit is 0.025 mm; clamped integers reach from −32768 to
//! 32767. `SP0` to put the tool away and `CO` for a comment are from memory.

use std::fmt::Write;

use kurbo::{BezPath, PathEl, Point};
use measures::{AsCut, Mm, Outline};

use crate::{CutNote, Error, Settings, lay_out};

/// Plotter units in a millimetre.
pub const PLOTTER_UNITS_PER_MM: f64 = 40.0;
const LARGEST_COORDINATE: f64 = 32767.0;
/// Points in one `PD`: old cutters read an instruction into a small buffer.
const POINTS_PER_INSTRUCTION: usize = 64;

type PlotterPoint = (i32, i32);

/// The outline in plotter language, flattened to straight lines; every contour ends exactly where
/// it began.
///
/// # Errors
/// When the layout is longer than the language's coordinates reach, and as [`lay_out`].
pub fn plotter(
    outline: &Outline<Mm, AsCut>,
    note: &CutNote,
    settings: &Settings,
) -> Result<String, Error> {
    let sheet = lay_out(outline, note, settings)?;
    let length_mm = sheet.size.width.max(sheet.size.height);
    let limit_mm = LARGEST_COORDINATE / PLOTTER_UNITS_PER_MM;
    if length_mm > limit_mm {
        return Err(Error::BeyondPlotter {
            title: note.title.clone(),
            length_mm,
            limit_mm,
        });
    }
    let mut out = String::from("IN;\n");
    if settings.plotter_comments {
        // Writing to a string cannot fail.
        let _ = writeln!(out, "CO\"{}\";", plain(&note.sentence()));
    }
    out.push_str("SP1;\nPA;\n");
    for contour in &sheet.contours {
        let points = to_units(contour, sheet.size.height, settings.flattening_mm);
        write_contour(&mut out, &points);
    }
    out.push_str("PU0,0;\nSP0;\n");
    Ok(out)
}

fn to_units(contour: &BezPath, height_mm: f64, flattening_mm: f64) -> Vec<PlotterPoint> {
    let unit = |p: Point| {
        let up = height_mm - p.y;
        (
            (p.x * PLOTTER_UNITS_PER_MM).round() as i32,
            (up * PLOTTER_UNITS_PER_MM).round() as i32,
        )
    };
    let mut points: Vec<PlotterPoint> = Vec::new();
    kurbo::flatten(contour, flattening_mm, |element| {
        if let PathEl::MoveTo(p) | PathEl::LineTo(p) = element {
            points.push(unit(p));
        }
    });
    points.dedup();
    if points.first() != points.last() {
        points.extend(points.first().copied());
    }
    points
}

fn write_contour(out: &mut String, points: &[PlotterPoint]) {
    let Some(((x, y), rest)) = points.split_first().map(|(first, rest)| (*first, rest)) else {
        return;
    };
    let _ = writeln!(out, "PU{x},{y};");
    for some in rest.chunks(POINTS_PER_INSTRUCTION) {
        let coordinates: Vec<String> = some.iter().map(|(x, y)| format!("{x},{y}")).collect();
        let _ = writeln!(out, "PD{};", coordinates.join(","));
    }
}

/// Plotter language is ASCII; quotes and semicolons have a meaning in it.
fn plain(text: &str) -> String {
    let keep = |c: char| c.is_ascii() && !c.is_ascii_control() && !matches!(c, '"' | ';');
    text.chars()
        .map(|c| if keep(c) { c } else { ' ' })
        .collect()
}
