//! `fit.json`: the measurements for other programs. Keys and their order are fixed; what is not
//! known is `null` or an empty list.

use measures::uncertainty::COVERAGE_FACTOR;
use measures::{ClothPlane, Point, Px, Ruler};
use press::PlacedBy;
use serde_json::{Map, Value, json};

use crate::record::RECORD_FILE;
use crate::report::{EmblemReport, FinishedReport, Fitted, JobReport, OutlineSize, Problem};

const FORMAT: u32 = 1;

/// The whole file.
pub fn fit_json(report: &JobReport) -> Vec<u8> {
    let emblems: Vec<Value> = report.emblems.iter().map(emblem).collect();
    let value = json!({
        "format": FORMAT,
        "job": report.job,
        "verdict": report.verdict,
        "emblems": emblems,
        "garment": {
            "title": report.garment,
            "fabric": report.fabric,
            "iron_dots": report.iron_dots,
        },
        "sheets": report.sheets.iter().map(|s| &s.path).collect::<Vec<_>>(),
        "problems": report.problems.iter().map(problem).collect::<Vec<_>>(),
        "record": report.record.then_some(RECORD_FILE),
        "program": report.program,
    });
    let mut text = serde_json::to_vec_pretty(&value).unwrap_or_default();
    text.push(b'\n');
    text
}

/// A ruler's keys, the same in `fit.json` and on the `ruler` command's lines.
pub fn ruler_json(ruler: &Ruler) -> Value {
    json!({
        "unit": ruler.reading.unit,
        "px_per_mm": round(ruler.px_per_mm, 5),
        "u_px_per_mm": round(ruler.u_px_per_mm, 5),
        "ends_px": ruler.ends.map(|p| [round(p.x, 2), round(p.y, 2)]),
        "ticks": ruler.ticks.len(),
        "pitch_mm": round(ruler.reading.pitch_mm, 6),
        "base_mm": round(ruler.base_mm(), 4),
        "probability": round(ruler.reading.probability, 4),
        "other_readings": ruler.other_readings.iter().map(|r| json!({
            "unit": r.unit,
            "pitch_mm": round(r.pitch_mm, 6),
            "probability": round(r.probability, 4),
        })).collect::<Vec<_>>(),
    })
}

fn problem(problem: &Problem) -> Value {
    json!({
        "file": problem.file,
        "line": problem.line,
        "seen": problem.seen,
        "needed": problem.needed,
        "remedy": problem.remedy,
    })
}

fn emblem(emblem: &EmblemReport) -> Value {
    let mut keys = Map::new();
    let mut put = |key: &str, value: Value| keys.insert(key.to_owned(), value);
    put("name", json!(emblem.name));
    put("verdict", json!(emblem.verdict));
    put("reasons", json!(emblem.reasons));
    put("photo", photo(emblem));
    put("rulers", emblem.rulers.iter().map(ruler_json).collect());
    put(
        "scale",
        emblem
            .plane
            .as_ref()
            .map_or(Value::Null, |p| scale(p, centre(emblem))),
    );
    put("fit", emblem.fitted.as_ref().map_or(Value::Null, fit));
    put("versions", emblem.versions.iter().map(version).collect());
    put(
        "fabric_lines",
        emblem.fabric_lines.map_or(Value::Null, |lines| {
            json!({
                "angle_deg": round(lines.angle_deg, 3),
                "emblem_to_lines_deg": lines.emblem_to_lines_deg.and_then(|d| rounded(d, 3)),
                "on_cloth_deg": round(lines.on_cloth.angle_deg, 3),
                "u_angle_deg": round(lines.on_cloth.u_angle_deg, 3),
                "strength": round(lines.on_cloth.strength, 3),
                "kind": lines.on_cloth.name(),
            })
        }),
    );
    put(
        "outline",
        emblem.outline.as_ref().map_or(Value::Null, outline),
    );
    put(
        "finished",
        emblem.finished.as_ref().map_or(Value::Null, finished),
    );
    put("files", files(emblem));
    put(
        "material",
        emblem.material.as_ref().map_or(
            Value::Null,
            |m| json!({ "name": m.name, "cut_from": m.cut_from, "copies": m.copies }),
        ),
    );
    put(
        "pieces",
        emblem
            .pieces
            .iter()
            .map(|p| {
                json!({
                    "layer": p.layer,
                    "material": p.material,
                    "cut_from": p.cut_from,
                    "copies": p.copies,
                    "file": p.file,
                    "travel_mm": round(p.travel_mm, 1),
                })
            })
            .collect(),
    );
    put("warnings", emblem.warnings.iter().map(|w| {
        json!({ "title": w.title, "text": w.text, "verdict": w.verdict, "source": w.source })
    }).collect());
    Value::Object(keys)
}

fn outline(outline: &OutlineSize) -> Value {
    json!({
        "width_mm": round(outline.width_mm, 3),
        "height_mm": round(outline.height_mm, 3),
        "u_width_mm": round(outline.u_width_mm, 3),
        "u_height_mm": round(outline.u_height_mm, 3),
        "border_seen": round(outline.border_seen, 3),
        "rival_share": round(outline.rival_share, 3),
    })
}

fn finished(finished: &FinishedReport) -> Value {
    let Some(p) = &finished.pressed else {
        return json!({ "photo": finished.photo, "found": false });
    };
    let figure = |x: Option<f64>| x.and_then(|x| rounded(x, 4));
    json!({
        "photo": finished.photo,
        "found": true,
        "shift_mm": figure(p.shift_mm.map(|[x, y]| x.hypot(y))),
        "shift_right_mm": figure(p.shift_mm.map(|s| s[0])),
        "shift_down_mm": figure(p.shift_mm.map(|s| s[1])),
        "u_shift_mm": figure(p.u_shift_mm),
        "turn_deg": figure(p.turn_deg),
        "u_turn_deg": figure(p.u_turn_deg),
        "to_lines_deg": figure(p.to_lines_deg),
        "planned_to_lines_deg": figure(p.planned_to_lines_deg),
        "width_mm": figure(p.width_mm),
        "size_percent": figure(p.size_percent),
        "u_size_percent": figure(p.u_size_percent),
        "placed_by": p.placed_by.map(|by| match by {
            PlacedBy::Cloth => "cloth",
            PlacedBy::Landmarks => "landmarks",
        }),
        "loose_edges": p.loose.iter().map(|edge| json!({
            "place": edge.place,
            "length_mm": rounded(edge.length_mm, 1),
        })).collect::<Vec<_>>(),
        "findings": p.findings,
        "untold": p.untold,
    })
}

fn photo(emblem: &EmblemReport) -> Value {
    if emblem.photo.is_empty() {
        return Value::Null;
    }
    json!({
        "file": emblem.photo,
        "width_px": emblem.photo_size_px.map(|s| s[0]),
        "height_px": emblem.photo_size_px.map(|s| s[1]),
    })
}

/// Where in the photo the emblem lies; the photo's middle while that is unknown.
pub(super) fn centre(emblem: &EmblemReport) -> Point<Px> {
    match (&emblem.fitted, emblem.photo_size_px) {
        (Some(fitted), _) => {
            let middle = fitted.artwork.outline.bounding_box().center();
            fitted.fit.art_to_photo.apply(middle.into())
        }
        (None, Some([w, h])) => Point::new(0.5 * f64::from(w), 0.5 * f64::from(h)),
        (None, None) => Point::new(0.0, 0.0),
    }
}

fn scale(plane: &ClothPlane, at: Point<Px>) -> Value {
    let budget = plane.budget_at(at);
    json!({
        "px_per_mm": round(plane.px_per_mm_at(at), 5),
        "u_percent": round(budget.expanded_percent(), 4),
        "tilt_deg": round(plane.pose.tilt_deg(), 3),
        "terms": budget.terms.iter().map(|t| json!({
            "name": t.name,
            "u_percent": round(COVERAGE_FACTOR * t.u_percent, 4),
            "source": t.source,
        })).collect::<Vec<_>>(),
    })
}

fn fit(fitted: &Fitted) -> Value {
    let fit = &fitted.fit;
    let [width_mm, height_mm] = fitted.size_mm();
    // Perspective terms are small numbers: they need digits that lengths do not.
    let rows = fit
        .art_to_photo
        .rows()
        .map(|row| row.map(|x| significant(x, 12)));
    json!({
        "version": fitted.artwork.file,
        "width_mm": round(width_mm, 4),
        "height_mm": round(height_mm, 4),
        "rotation_deg": round(fit.rotation_deg, 4),
        "emblem_to_photo": rows,
        "edge_mean_mm": round(fit.edge_mean_mm, 4),
        "edge_p95_mm": round(fit.edge_p95_mm, 4),
        "outline_seen": round(fit.outline_seen, 4),
        "u_size_percent": round(fit.u_size_percent, 4),
        "u_shift_mm": round(fit.u_shift_mm, 4),
        "u_rotation_deg": round(fit.u_rotation_deg, 4),
        "bleed_mm": round(fit.bleed_mm, 4),
        "u_outline_mm": round(fit.u_outline_mm, 4),
        "signal_to_noise": round(fit.signal_to_noise, 2),
        "mm_per_unit": significant(fit.mm_per_art, 8),
        "expected_width_mm": fitted.expected_width_mm,
    })
}

fn version(version: &crate::report::VersionScore) -> Value {
    json!({
        "file": version.file,
        "score": round(version.score, 4),
        "width_mm": version.size_mm.map(|s| round(s[0], 4)),
        "height_mm": version.size_mm.map(|s| round(s[1], 4)),
        "outline_seen": version.outline_seen.map(|x| round(x, 4)),
        "edge_mean_mm": version.edge_mean_mm.map(|x| round(x, 4)),
        "notes": version.notes,
    })
}

fn files(emblem: &EmblemReport) -> Value {
    let all = |end: &str| -> Vec<&str> {
        emblem
            .files
            .iter()
            .map(|f| f.path.as_str())
            .filter(|p| p.ends_with(end))
            .collect()
    };
    let cut: Vec<&str> = all(".svg")
        .into_iter()
        .filter(|p| p.contains("/cut-"))
        .collect();
    json!({
        "cut": cut,
        "press_sheet": all("/press-sheet.pdf").first(),
        "overlay": all("/overlay.jpg").first(),
        "residue": all("/residue.svg").first(),
        "plotter": all(".plt"),
    })
}

/// The number with so many decimals; `null` when it is not a number.
pub(super) fn round(x: f64, decimals: i32) -> Value {
    json!(rounded(x, decimals))
}

/// The number with so many decimals; `None` when it is not a number.
pub fn rounded(x: f64, decimals: i32) -> Option<f64> {
    let k = 10_f64.powi(decimals);
    // Adding zero turns −0 into 0.
    x.is_finite().then(|| (x * k).round() / k + 0.0)
}

fn significant(x: f64, digits: i32) -> Value {
    if x == 0.0 || !x.is_finite() {
        return round(x, 0);
    }
    let decimals = digits - 1 - x.abs().log10().floor() as i32;
    if decimals.abs() < 300 {
        round(x, decimals)
    } else {
        json!(x)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_rounded_and_never_odd() {
        assert_eq!(round(1.234_56, 3), json!(1.235));
        assert_eq!(round(-0.000_01, 3).to_string(), "0.0");
        assert_eq!(round(f64::NAN, 3), Value::Null);
        assert_eq!(significant(1.234_567_89e-7, 4), json!(1.235e-7));
    }
}
