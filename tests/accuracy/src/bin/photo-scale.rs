//! Prints the scale on the cloth at a place in photos that something else has painted: for each
//! line `PHOTO THICKNESS_MM X Y` on standard input, one JSON object.

use std::error::Error;
use std::io::{self, BufRead};

use accuracy::Settings;
use measures::Point;
use measures::ruler::RulerHint;

fn main() -> Result<(), Box<dyn Error>> {
    let settings = Settings::read(None)?;
    for line in io::stdin().lock().lines() {
        println!("{}", measured(&line?, &settings)?);
    }
    Ok(())
}

fn measured(line: &str, settings: &Settings) -> Result<serde_json::Value, Box<dyn Error>> {
    let wanted = "needed is: photo, thickness in mm, x, y";
    let [file, rest @ ..] = &line.split_whitespace().collect::<Vec<_>>()[..] else {
        return Err(wanted.into());
    };
    let numbers: Vec<f64> = rest.iter().map(|n| n.parse()).collect::<Result<_, _>>()?;
    let &[thickness_mm, x, y] = numbers.as_slice() else {
        return Err(wanted.into());
    };
    let photo = photo::read(&std::fs::read(file)?, file, &settings.photo)?;
    let hint = RulerHint {
        thickness_mm: Some(thickness_mm),
        ..RulerHint::default()
    };
    let search = ruler::find(&photo, &hint, &settings.ruler);
    let rulers: Vec<serde_json::Value> = search
        .rulers
        .iter()
        .map(|r| {
            serde_json::json!({
                "pitch_mm": r.reading.pitch_mm,
                "pitch_px": r.px_per_mm * r.reading.pitch_mm,
                "ends_px": r.ends.map(|p| [p.x, p.y]),
                "ticks": r.ticks.len(),
            })
        })
        .collect();
    let plane = scale::cloth_plane(&search.rulers, &photo.camera, &hint, &settings.scale).ok();
    let at = Point::new(x, y);
    Ok(serde_json::json!({
        "photo": file,
        "rulers": rulers,
        "px_per_mm": plane.as_ref().map(|p| p.px_per_mm_at(at)),
        "u_percent": plane.as_ref().map(|p| 2.0 * p.u_scale_percent_at(at)),
    }))
}
