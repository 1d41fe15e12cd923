//! The report's part on the finished article.

use press::{PlacedBy, Pressed};

use super::FinishedReport;
use super::figures::{measured, two_digits};
use super::job_page::{Measured, Picture, picture};

pub(super) struct FinishedPart<'a> {
    pub(super) photo: &'a str,
    pub(super) found: bool,
    pub(super) findings: &'a [String],
    pub(super) untold: &'a [String],
    pub(super) pictures: Vec<Picture>,
    pub(super) rows: Vec<Measured>,
}

impl<'a> FinishedPart<'a> {
    pub(super) fn new(name: &str, f: &'a FinishedReport) -> Self {
        let untouched = picture(
            &f.pictures.before_jpg,
            format!("The photo of the finished article around {name}"),
            "The finished article.",
            None,
        );
        let fitted = picture(
            &f.pictures.fitted_jpg,
            format!("The same with the outline of {name} as it was found"),
            "Where the pressed emblem’s edge was found.",
            None,
        );
        let pressed = f.pressed.as_ref();
        Self {
            photo: &f.photo,
            found: pressed.is_some(),
            findings: pressed.map_or(&[], |p| &p.findings),
            untold: pressed.map_or(&[], |p| &p.untold),
            pictures: untouched.into_iter().chain(fitted).collect(),
            rows: pressed.map_or_else(Vec::new, rows),
        }
    }
}

fn rows(p: &Pressed) -> Vec<Measured> {
    let row = |name, value: String, note: String| Measured { name, value, note };
    let mut rows = Vec::new();
    if let (Some([x, y]), Some(u)) = (p.shift_mm, p.u_shift_mm) {
        let by = match p.placed_by {
            Some(PlacedBy::Landmarks) => "the photos laid over each other by the landmarks",
            _ => "the photos laid over each other by the cloth itself",
        };
        let across = if x < 0.0 { "left" } else { "right" };
        let down = if y < 0.0 { "up" } else { "down" };
        rows.push(row(
            "Shift from the plan",
            format!("{:.2} mm ± {} mm", x.hypot(y), two_digits(u)),
            format!(
                "{:.2} mm to the {across}, {:.2} mm {down}, as worn; {by}",
                x.abs(),
                y.abs()
            ),
        ));
    }
    if let (Some(turn), Some(u)) = (p.turn_deg, p.u_turn_deg) {
        rows.push(row(
            "Turn from the plan",
            measured(turn, u, "°"),
            "clockwise".to_owned(),
        ));
    }
    if let Some(deg) = p.to_lines_deg {
        let planned = p
            .planned_to_lines_deg
            .map_or(String::new(), |d| format!("planned {d:+.1}°"));
        rows.push(row(
            "Turn against the cloth’s lines",
            format!("{deg:+.1}°"),
            planned,
        ));
    }
    if let (Some(width), Some(percent), Some(u)) = (p.width_mm, p.size_percent, p.u_size_percent) {
        rows.push(row(
            "Width",
            measured(width, width * u / 100.0, "mm"),
            format!("{percent:+.2} % against the plan"),
        ));
    }
    let loose: f64 = p.loose.iter().map(|edge| edge.length_mm).sum();
    rows.push(row(
        "Edge lifted or missing",
        if loose > 0.0 {
            format!("{loose:.0} mm")
        } else {
            "none seen".to_owned()
        },
        String::new(),
    ));
    rows
}
