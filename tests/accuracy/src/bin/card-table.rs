//! Prints how well lengths are measured inside the printed scale card, tilted more and more.
//!
//! `cargo run -p accuracy --bin card-table -- --scenes 5`

use std::error::Error;

use accuracy::Settings;
use accuracy::card::{Outcome, measure};
use accuracy::table::{print, share, spread};
use clap::Parser;

#[derive(Parser)]
struct Options {
    /// Cards at each tilt.
    #[arg(long, default_value_t = 5)]
    scenes: u64,
    /// The first scene's number; below 1000 is for development, the rest for the final table.
    #[arg(long, default_value_t = 1)]
    first_seed: u64,
    /// Tilts of the camera, in degrees.
    #[arg(long, value_delimiter = ',', default_value = "0,5,10,15")]
    tilts_deg: Vec<f64>,
}

/// How printers stretch a page along its short and its long side.
const STRETCHES: [[f64; 2]; 3] = [[1.0, 1.0], [0.996, 1.002], [1.004, 0.997]];

fn main() -> Result<(), Box<dyn Error>> {
    let options = Options::parse();
    let settings = Settings::read(None)?;
    println!("greatest error of a distance of 100 or 141 mm: median / 95th percentile / worst\n");
    let titles = [
        "tilt °",
        "cards",
        "four sides read",
        "measured",
        "off mm",
        "u of 100 mm",
    ];
    let mut rows = vec![titles.map(str::to_owned).to_vec()];
    for &tilt in &options.tilts_deg {
        let mut group: Vec<Outcome> = Vec::new();
        for seed in options.first_seed..options.first_seed + options.scenes {
            let outcome = measure(seed, tilt, STRETCHES[seed as usize % 3], &settings)?;
            eprintln!("{outcome:?}");
            group.push(outcome);
        }
        let whole = group.iter().filter(|o| o.sides >= 4).count();
        let measured = group.iter().filter(|o| o.error_mm.is_some()).count();
        rows.push(vec![
            format!("{tilt:.0}"),
            group.len().to_string(),
            share(whole, group.len()),
            share(measured, group.len()),
            spread(group.iter().filter_map(|o| o.error_mm), 3),
            spread(group.iter().filter_map(|o| o.u_mm), 3),
        ]);
    }
    print(&rows);
    Ok(())
}
