//! Prints how well the finished article is compared with the plan, over painted pairs of
//! photographs: the residue, and the emblem pressed over it somewhat off.
//!
//! `cargo run -p accuracy --bin pressed-table -- --program target/debug/emblemend --pairs 20`

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use accuracy::table::{print, share, spread};
use clap::Parser;
use scene_painter::random::Rng;
use scene_painter::scene::{PlacedRuler, Pressed};
use scene_painter::{Family, Scene, job};
use serde_json::Value;

#[derive(Parser)]
struct Options {
    /// The program.
    #[arg(long)]
    program: PathBuf,
    /// Pairs of photographs.
    #[arg(long, default_value_t = 10)]
    pairs: u64,
    /// The first pair's number; below 1000 is for development, the rest for the final table.
    #[arg(long, default_value_t = 1)]
    first_seed: u64,
    /// Leave the ruler out of the second photograph.
    #[arg(long)]
    no_ruler: bool,
    /// Folder for the painted jobs; each is removed when it has been measured.
    #[arg(long)]
    folder: PathBuf,
}

/// What was planted in a pair.
struct Planted {
    shift_mm: [f64; 2],
    turn_deg: f64,
    lost_mm: f64,
}

fn main() -> Result<(), Box<dyn Error>> {
    let options = Options::parse();
    let (mut shifts, mut turns, mut sizes) = (Vec::new(), Vec::new(), Vec::new());
    let (mut placed, mut told, mut big, mut within, mut lost, mut lost_told, mut false_loose) =
        (0, 0, 0, 0, 0, 0, 0);
    let mut measured = 0;
    for seed in options.first_seed..options.first_seed + options.pairs {
        let folder = options.folder.join(format!("pair-{seed}"));
        let planted = paint(seed, &folder, options.no_ruler)?;
        let fit = run(&options.program, &folder)?;
        let emblem = &fit["emblems"][0];
        let finished = &emblem["finished"];
        if emblem["fit"].is_null() {
            eprintln!("{seed}: no plan to compare with, {}", emblem["reasons"]);
            continue;
        }
        measured += 1;
        let number = |key: &str| finished[key].as_f64();
        let planted_mm = planted.shift_mm[0].hypot(planted.shift_mm[1]);
        if let (Some(x), Some(y), Some(turn)) = (
            number("shift_right_mm"),
            number("shift_down_mm"),
            number("turn_deg"),
        ) {
            placed += 1;
            let off = (x - planted.shift_mm[0]).hypot(y - planted.shift_mm[1]);
            shifts.push(off);
            turns.push(turn - planted.turn_deg);
            within += usize::from(off <= number("u_shift_mm").unwrap_or(0.0));
        }
        sizes.extend(number("size_percent"));
        let findings = finished["findings"].as_array().cloned().unwrap_or_default();
        let says = |words: &str| {
            findings
                .iter()
                .any(|f| f.as_str().is_some_and(|f| f.contains(words)))
        };
        if planted_mm >= 1.0 || planted.turn_deg.abs() >= 1.0 {
            big += 1;
            let moved = planted_mm < 1.0 || says("planned place") || says("turned");
            told += usize::from(moved && !findings.is_empty());
        }
        if planted.lost_mm > 0.0 {
            lost += 1;
            lost_told += usize::from(says("mm of edge"));
        } else {
            false_loose += usize::from(says("mm of edge"));
        }
        eprintln!(
            "{seed}: planted {:.2} {:.2} mm {:.2}°, lost {:.1}; {}",
            planted.shift_mm[0], planted.shift_mm[1], planted.turn_deg, planted.lost_mm, finished
        );
    }
    println!("finished articles against the plan: median / 95th percentile / worst\n");
    let rows = [vec![
        "pairs",
        "laid over",
        "shift off mm",
        "within bound",
        "turn off °",
        "size off %",
        "1 mm or 1° told",
        "lost part told",
        "false",
    ]];
    let mut rows: Vec<Vec<String>> = rows
        .into_iter()
        .map(|r| r.into_iter().map(str::to_owned).collect())
        .collect();
    rows.push(vec![
        measured.to_string(),
        share(placed, measured),
        spread(shifts.iter().copied(), 3),
        share(within, placed),
        spread(turns.iter().copied(), 3),
        spread(sizes.iter().copied(), 2),
        share(told, big),
        share(lost_told, lost),
        share(false_loose, measured - lost),
    ]);
    print(&rows);
    Ok(())
}

/// Paints the pair into a job folder.
fn paint(seed: u64, folder: &Path, no_ruler: bool) -> Result<Planted, Box<dyn Error>> {
    let family = Family {
        contrast_percent: [10.0, 22.0],
        ..Family::QUICK
    };
    let before = Scene::random(seed, &family);
    let mut rng = Rng::new(seed ^ 0xAF7E);
    let residue = before.residues[0].clone();
    let big = rng.chance(0.5);
    let planted = Planted {
        shift_mm: [0, 1].map(|_| rng.range(0.0, if big { 1.6 } else { 0.6 }) * rng.sign()),
        turn_deg: rng.range(0.0, if big { 1.6 } else { 0.5 }) * rng.sign(),
        lost_mm: if rng.chance(0.3) {
            rng.range(4.0, 7.0)
        } else {
            0.0
        },
    };
    let (sin, cos) = residue.rotation_deg.to_radians().sin_cos();
    let [x, y] = planted.shift_mm;
    let centre = [
        residue.centre_mm[0] + cos * x - sin * y,
        residue.centre_mm[1] + sin * x + cos * y,
    ];
    let mut after = before.clone();
    let bright = before
        .cloth
        .colour
        .iter()
        .map(|&c| u32::from(c))
        .sum::<u32>()
        > 380;
    after.pressed = Some(Pressed {
        emblem: residue.emblem,
        width_mm: residue.width_mm,
        centre_mm: centre,
        rotation_deg: residue.rotation_deg + planted.turn_deg,
        colour: if bright {
            [30, 34, 70]
        } else {
            [226, 222, 210]
        },
        // On the emblem's edge, somewhere.
        lost_mm: (planted.lost_mm > 0.0)
            .then(|| (edge_place(&residue, centre, &mut rng), planted.lost_mm)),
    });
    after.exposure = 1;
    after.pose.slope_x += rng.range(-0.02, 0.02);
    after.pose.slope_y += rng.range(-0.02, 0.02);
    after.pose.depth_mm *= rng.range(0.97, 1.06);
    after.pose.anchor.x += rng.range(-60.0, 60.0);
    after.pose.anchor.y += rng.range(-60.0, 60.0);
    after.light.angle_deg += rng.range(-40.0, 40.0);
    after.light.gradient_percent = rng.range(3.0, 30.0);
    after.light.exposure *= rng.range(0.92, 1.06);
    for ruler in &mut after.rulers {
        let PlacedRuler {
            corner_mm,
            angle_deg,
            ..
        } = ruler;
        *angle_deg += rng.range(-0.6, 0.6);
        *corner_mm = corner_mm.map(|v| v + rng.range(-1.0, 1.0));
    }
    if no_ruler {
        after.rulers.clear();
    }
    fs::create_dir_all(folder)?;
    for (name, bytes) in job::files(&before, &before.paint()) {
        let bytes = if name == "job.toml" {
            [bytes, b"after_photo = \"pressed.jpg\"\n".to_vec()].concat()
        } else {
            bytes
        };
        fs::write(folder.join(name), bytes)?;
    }
    let photo = after.paint().jpeg(after.sensor.jpeg_quality);
    fs::write(folder.join("pressed.jpg"), photo)?;
    Ok(planted)
}

/// A point of the pressed outline.
fn edge_place(
    residue: &scene_painter::residue::Residue,
    centre: [f64; 2],
    rng: &mut Rng,
) -> [f64; 2] {
    let outline = residue.emblem.outline();
    let middle = outline.bounding_box().center();
    let elements: Vec<_> = outline.contours()[0]
        .elements()
        .iter()
        .filter_map(kurbo::PathEl::end_point)
        .collect();
    let spot = elements[rng.below(elements.len())];
    let k = residue.mm_per_art();
    let (sin, cos) = residue.rotation_deg.to_radians().sin_cos();
    let (x, y) = ((spot.x - middle.x) * k, (spot.y - middle.y) * k);
    [centre[0] + cos * x - sin * y, centre[1] + sin * x + cos * y]
}

fn run(program: &Path, folder: &Path) -> Result<Value, Box<dyn Error>> {
    let outbox = folder.with_extension("out");
    let output = Command::new(program)
        .args(["run", "--quiet", "--out"])
        .args([&outbox, &folder.to_path_buf()])
        .output()?;
    let name = folder.file_name().unwrap_or_default();
    let fit = fs::read(outbox.join(name).join("fit.json"))
        .map_err(|e| format!("{e}: {}", String::from_utf8_lossy(&output.stderr)))?;
    fs::remove_dir_all(&outbox)?;
    if std::env::var_os("KEEP").is_none() {
        fs::remove_dir_all(folder)?;
    }
    Ok(serde_json::from_slice(&fit)?)
}
