//! The cut file in plotter language: the HP-GL instructions every cutter understands
//! (`IN`, `SP`, `PU`, `PD`, `PA`), absolute, y up.
//!
//! Units and number ranges as in the "PCL 5 Printer Language Technical Reference Manual", part II
//! (HP-GL/2), Hewlett-Packard: one plotter unit is 0.025 mm; clamped integers reach from −32768 to
//! 32767. `SP0` to put the tool away, `CO` for a comment, `VS` for the speed and `FS` for the force
//! are from memory.

use std::fmt::Write;

use kurbo::{BezPath, PathEl, Point, Size, Vec2};

use crate::cutter::{Cutter, Feed, Origin};
use crate::knife::Knife;
use crate::{CutNote, Error, Settings, Sheet};

/// Plotter units in a millimetre.
pub const PLOTTER_UNITS_PER_MM: f64 = 40.0;
const LARGEST_COORDINATE: i32 = 32767;
/// Points in one `PD`: old cutters read an instruction into a small buffer.
const POINTS_PER_INSTRUCTION: usize = 64;

type PlotterPoint = (i32, i32);

/// The sheet in plotter language for a cutter that follows contours as they are; every contour
/// ends exactly where it began.
///
/// # Errors
/// When the sheet is longer than the language's coordinates reach.
pub fn plotter(sheet: &Sheet, note: &CutNote, settings: &Settings) -> Result<String, Error> {
    plotter_for(sheet, note, settings, &Cutter::plain())
}

/// The sheet in plotter language for a machine and its blade: the blade's offset compensated,
/// contours overcut, repeated and placed as the machine needs it.
///
/// # Errors
/// When the sheet is longer than the language's coordinates reach, and when the cutter's figures
/// cannot be right.
pub fn plotter_for(
    sheet: &Sheet,
    note: &CutNote,
    settings: &Settings,
    cutter: &Cutter,
) -> Result<String, Error> {
    cutter.check().map_err(|seen| Error::Cutter {
        title: cutter.title.clone(),
        seen,
    })?;
    let offset_mm = cutter.blade_offset_mm.value;
    let overcut_mm = cutter.overcut_mm.value;
    let mut knife = Knife::new(offset_mm, overcut_mm, cutter.passes, settings.flattening_mm);
    let machine = Machine {
        origin: cutter.origin,
        feed: cutter.feed,
        sheet: sheet.size,
    };

    let mut out = head(note, settings, cutter);
    let waste = Point::new(0.5, settings.margin_mm / 2.0);
    if let Some(line) = knife.alignment(waste) {
        write_contour(&mut out, &machine.units(&line));
    }
    for contour in sheet.contours() {
        let way = machine.units(&knife.round(&flattened(contour, sheet.size, settings)));
        if way
            .iter()
            .any(|(x, y)| x.abs().max(y.abs()) > LARGEST_COORDINATE)
        {
            return Err(Error::BeyondPlotter {
                title: note.title.clone(),
                length_mm: sheet.size.width.max(sheet.size.height),
                limit_mm: f64::from(LARGEST_COORDINATE) / PLOTTER_UNITS_PER_MM,
            });
        }
        write_contour(&mut out, &way);
    }
    let (x, y) = machine.unit(Point::ORIGIN);
    // Writing to a string cannot fail.
    let _ = writeln!(out, "PU{x},{y};\nSP0;");
    Ok(out)
}

fn head(note: &CutNote, settings: &Settings, cutter: &Cutter) -> String {
    let mut out = String::from("IN;\n");
    if settings.plotter_comments {
        let _ = writeln!(out, "CO\"{}\";", plain(&note.sentence()));
        if cutter.blade_offset_mm.value > 0.0 {
            let _ = writeln!(
                out,
                "CO\"Blade offset {} mm is compensated here: set the machine's own to 0.\";",
                cutter.blade_offset_mm.value
            );
        }
    }
    out.push_str("SP1;\n");
    if let Some(speed) = cutter.speed_cm_per_s {
        let _ = writeln!(out, "VS{speed};");
    }
    if let Some(force) = cutter.force {
        let _ = writeln!(out, "FS{force};");
    }
    out.push_str("PA;\n");
    out
}

/// From the sheet, y up from its lower left corner, to the machine's coordinates.
struct Machine {
    origin: Origin,
    feed: Feed,
    sheet: Size,
}

impl Machine {
    fn unit(&self, p: Point) -> PlotterPoint {
        let p = match self.origin {
            Origin::LowerLeft => p,
            Origin::Centre => p - whole_units(self.sheet.to_vec2() / 2.0),
        };
        // A quarter turn, not an exchange of axes, which would mirror.
        let p = match (self.feed, self.origin) {
            (Feed::Y, _) => p,
            (Feed::X, Origin::Centre) => Point::new(p.y, -p.x),
            (Feed::X, Origin::LowerLeft) => {
                Point::new(p.y, whole_units(self.sheet.to_vec2()).x - p.x)
            }
        };
        let units = |mm: f64| (mm * PLOTTER_UNITS_PER_MM).round() as i32;
        (units(p.x), units(p.y))
    }

    fn units(&self, points: &[Point]) -> Vec<PlotterPoint> {
        let mut units: Vec<_> = points.iter().map(|p| self.unit(*p)).collect();
        units.dedup();
        units
    }
}

/// Shifts are by whole units, so that what lay on the machine's grid still does.
fn whole_units(v: Vec2) -> Vec2 {
    (v * PLOTTER_UNITS_PER_MM).round() / PLOTTER_UNITS_PER_MM
}

/// The contour as a polygon, y up.
fn flattened(contour: &BezPath, sheet: Size, settings: &Settings) -> Vec<Point> {
    let mut points: Vec<Point> = Vec::new();
    kurbo::flatten(contour, settings.flattening_mm, |element| {
        if let PathEl::MoveTo(p) | PathEl::LineTo(p) = element {
            points.push(Point::new(p.x, sheet.height - p.y));
        }
    });
    points
}

fn write_contour(out: &mut String, points: &[PlotterPoint]) {
    let Some(((x, y), rest)) = points.split_first() else {
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
