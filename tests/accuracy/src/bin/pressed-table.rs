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

/// What came of all pairs.
#[derive(Default)]
struct Tally {
    pairs: usize,
    /// Shift and turn given, and by how much they are off.
    shift_off_mm: Vec<f64>,
    turn_off_deg: Vec<f64>,
    size_off_percent: Vec<f64>,
    /// Coordinates of the shift, and those that are off by their bound at most.
    coordinates: usize,
    within: usize,
    turns_within: usize,
    /// Shift or turn not given, and of these the ones about which the job says so.
    not_measured: usize,
    said_so: usize,
    /// A planted shift of 1 mm or turn of 1° in a pair that was measured, and reported.
    big: usize,
    told: usize,
    /// A part that has come off, and the same without one.
    lost: usize,
    lost_told: usize,
    whole: usize,
    false_loose: usize,
}

impl Tally {
    fn add(&mut self, planted: &Planted, emblem: &Value) {
        self.pairs += 1;
        let finished = &emblem["finished"];
        let says = |list: &Value, words: &str| {
            let mut all = list.as_array().into_iter().flatten();
            all.any(|f| f.as_str().is_some_and(|f| f.contains(words)))
        };
        let number = |key: &str| finished[key].as_f64();
        let figures = (
            number("shift_right_mm").zip(number("shift_down_mm")),
            number("turn_deg"),
        );
        let (Some((x, y)), Some(turn)) = figures else {
            self.not_measured += 1;
            self.said_so +=
                usize::from(says(&emblem["reasons"], "pressed.jpg") && emblem["verdict"] != "cut");
            return;
        };
        let off = [x - planted.shift_mm[0], y - planted.shift_mm[1]];
        let u_shift_mm = number("u_shift_mm").unwrap_or(0.0);
        self.shift_off_mm.push(off[0].hypot(off[1]));
        self.turn_off_deg.push(turn - planted.turn_deg);
        self.size_off_percent.extend(number("size_percent"));
        self.coordinates += 2;
        self.within += off.iter().filter(|o| o.abs() <= u_shift_mm).count();
        let u_turn_deg = number("u_turn_deg").unwrap_or(0.0);
        self.turns_within += usize::from((turn - planted.turn_deg).abs() <= u_turn_deg);
        let findings = &finished["findings"];
        let shifted = planted.shift_mm[0].hypot(planted.shift_mm[1]) >= 1.0;
        let turned = planted.turn_deg.abs() >= 1.0;
        if shifted || turned {
            self.big += 1;
            let told = (!shifted || says(findings, "planned place"))
                && (!turned || says(findings, "is turned"));
            self.told += usize::from(told);
        }
        let loose = usize::from(says(findings, "mm of edge"));
        if planted.lost_mm > 0.0 {
            self.lost += 1;
            self.lost_told += loose;
        } else {
            self.whole += 1;
            self.false_loose += loose;
        }
    }

    fn print(&self) {
        let measured = self.pairs - self.not_measured;
        let sizes = self.size_off_percent.iter().copied();
        let rows = [
            ("pairs", self.pairs.to_string()),
            ("shift and turn measured", share(measured, self.pairs)),
            (
                "not measured, and said so",
                share(self.said_so, self.not_measured),
            ),
            ("shift off mm", spread(self.shift_off_mm.iter().copied(), 3)),
            (
                "its coordinates within ± u",
                share(self.within, self.coordinates),
            ),
            ("turn off °", spread(self.turn_off_deg.iter().copied(), 3)),
            ("within ± u", share(self.turns_within, measured)),
            ("size off %", spread(sizes, 2)),
            ("1 mm or 1° told", share(self.told, self.big)),
            ("lost part told", share(self.lost_told, self.lost)),
            (
                "lost part told falsely",
                share(self.false_loose, self.whole),
            ),
        ];
        println!("finished articles against the plan: median / 95th percentile / worst\n");
        print(&rows.map(|(name, value)| vec![name.to_owned(), value]));
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let options = Options::parse();
    let mut tally = Tally::default();
    for seed in options.first_seed..options.first_seed + options.pairs {
        let folder = options.folder.join(format!("pair-{seed}"));
        let planted = paint(seed, &folder, options.no_ruler)?;
        let fit = run(&options.program, &folder)?;
        let emblem = &fit["emblems"][0];
        tally.add(&planted, emblem);
        eprintln!(
            "{seed}: planted {:.2} {:.2} mm {:.2}°, lost {:.1}; {} {}",
            planted.shift_mm[0],
            planted.shift_mm[1],
            planted.turn_deg,
            planted.lost_mm,
            emblem["verdict"],
            emblem["finished"]
        );
    }
    tally.print();
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
