//! Finds the rulers in photos and prints them, a JSON object a line. With `--draw DIR` writes a
//! picture of what was found; with `--ticks` adds every tick.
//!
//! `cargo run -p ruler --example find -- [--draw DIR] [--ticks] PHOTO…`

use std::path::{Path, PathBuf};

use image::{Rgb, RgbImage};
use measures::ruler::{RulerHint, RulerSearch};
use measures::{Photo, Point, Px};

#[derive(serde::Deserialize)]
struct Config {
    photo: photo::Settings,
    ruler: ruler::Settings,
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let config_file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/default.toml");
    let table: toml::Table = toml::from_str(&std::fs::read_to_string(config_file)?)?;
    let config = Config {
        photo: table["photo"].clone().try_into()?,
        ruler: table["ruler"].clone().try_into()?,
    };
    let mut draw: Option<PathBuf> = None;
    let mut with_ticks = false;
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        if argument == "--draw" {
            draw = arguments.next().map(PathBuf::from);
            continue;
        }
        if argument == "--ticks" {
            with_ticks = true;
            continue;
        }
        let file = Path::new(&argument);
        let photo = photo::read(&std::fs::read(file)?, &argument, &config.photo)?;
        let start = std::time::Instant::now();
        let search = ruler::find(&photo, &RulerHint::default(), &config.ruler);
        let seconds = start.elapsed().as_secs_f64();
        println!("{}", summary(&argument, &search, seconds, with_ticks));
        if let (Some(folder), Some(stem)) = (&draw, file.file_stem()) {
            picture(photo, &search).save(folder.join(stem).with_extension("png"))?;
        }
    }
    Ok(())
}

fn summary(name: &str, search: &RulerSearch, seconds: f64, with_ticks: bool) -> serde_json::Value {
    let rulers: Vec<_> = search
        .rulers
        .iter()
        .map(|r| {
            let mut ruler = serde_json::json!({
                "reading": r.reading,
                "other_readings": r.other_readings,
                "px_per_mm": r.px_per_mm,
                "u_px_per_mm": r.u_px_per_mm,
                "ends_px": r.ends,
                "shadow": r.shadow,
                "ticks": r.ticks.len(),
                "base_mm": r.base_mm(),
            });
            if with_ticks {
                ruler["located"] = r.ticks.iter().map(tick).collect();
            }
            ruler
        })
        .collect();
    serde_json::json!({
        "photo": name, "seconds": seconds, "rulers": rulers, "reasons": search.reasons,
    })
}

fn tick(tick: &measures::ruler::Tick) -> serde_json::Value {
    let points: Vec<_> = tick
        .points
        .iter()
        .map(|p| (p.at.x, p.at.y, p.sigma_px))
        .collect();
    serde_json::json!({ "index": tick.index, "length_px": tick.length_px, "points": points })
}

fn picture(photo: Photo, search: &RulerSearch) -> RgbImage {
    let mut image = photo.rgb;
    for ruler in &search.rulers {
        for tick in &ruler.ticks {
            for pair in tick.points.windows(2) {
                line(&mut image, pair[0].at, pair[1].at, Rgb([255, 0, 0]));
            }
            for p in &tick.points {
                dot(&mut image, p.at, Rgb([255, 220, 0]));
            }
        }
        line(&mut image, ruler.ends[0], ruler.ends[1], Rgb([0, 160, 255]));
        for k in 0..4 {
            line(
                &mut image,
                ruler.body[k],
                ruler.body[(k + 1) % 4],
                Rgb([0, 220, 0]),
            );
        }
    }
    image
}

fn dot(image: &mut RgbImage, p: Point<Px>, colour: Rgb<u8>) {
    let (x, y) = (p.x.floor(), p.y.floor());
    if x >= 0.0 && y >= 0.0 && x < f64::from(image.width()) && y < f64::from(image.height()) {
        image.put_pixel(x as u32, y as u32, colour);
    }
}

fn line(image: &mut RgbImage, a: Point<Px>, b: Point<Px>, colour: Rgb<u8>) {
    let steps = a.distance(b).ceil().max(1.0) as u32;
    for k in 0..=steps {
        dot(image, a.lerp(b, f64::from(k) / f64::from(steps)), colour);
    }
}
