//! Prints how well residues are outlined and measured when no artwork is known.
//!
//! `cargo run --release -p accuracy --bin outline-table -- --scenes 8`

use std::error::Error;

use accuracy::Settings;
use accuracy::outlines::{FAMILIES, Outcome, measure};
use accuracy::table::{print, share, spread};
use clap::Parser;
use scene_painter::Scene;

#[derive(Parser)]
struct Options {
    /// Scenes of each family.
    #[arg(long, default_value_t = 8)]
    scenes: u64,
    /// The first scene's number; below 1000 is for development, the rest for the final table.
    #[arg(long, default_value_t = 1)]
    first_seed: u64,
}

fn main() -> Result<(), Box<dyn Error>> {
    let options = Options::parse();
    let settings = Settings::read(None)?;
    println!("errors of width and height: median / 95th percentile / worst, in millimetres\n");
    let titles = ["family", "found", "off mm", "within bound", "bound mm"];
    let mut rows = vec![titles.map(str::to_owned).to_vec()];
    let mut all = Vec::new();
    for family in &FAMILIES {
        let mut group = Vec::new();
        for seed in options.first_seed..options.first_seed + options.scenes {
            match measure(&Scene::random(seed, family), &settings) {
                Ok(outcome) => {
                    eprintln!("{outcome:?}");
                    group.push(outcome);
                }
                Err(reason) => eprintln!("{} {seed}: passed over, {reason}", family.name),
            }
        }
        rows.push(row(family.name, &group));
        all.extend(group);
    }
    rows.push(row("all", &all));
    print(&rows);
    Ok(())
}

fn row(name: &str, group: &[Outcome]) -> Vec<String> {
    let found: Vec<&Outcome> = group.iter().filter(|o| o.found()).collect();
    let errors = || {
        found
            .iter()
            .flat_map(|o| o.errors_mm.into_iter().zip(o.u_mm))
    };
    let held = errors().filter(|(e, u)| e.abs() <= *u).count();
    vec![
        name.to_owned(),
        share(found.len(), group.len()),
        spread(errors().map(|(e, _)| e), 2),
        share(held, errors().count()),
        spread(errors().map(|(_, u)| u), 2),
    ]
}
