//! Prints how well the direction of the cloth's lines is measured.
//!
//! `cargo run -p accuracy --bin lines-table -- --scenes 40`

use std::error::Error;
use std::path::PathBuf;

use accuracy::Settings;
use accuracy::cloth_lines::{Kind, Outcome, measure};
use accuracy::table::{print, share, spread};
use clap::Parser;

#[derive(Parser)]
struct Options {
    /// Cloths of each kind.
    #[arg(long, default_value_t = 20)]
    scenes: u64,
    /// The first scene's number; below 1000 is for development, the rest for the final table.
    #[arg(long, default_value_t = 1)]
    first_seed: u64,
    /// Kinds of cloth; all if none is named.
    #[arg(long, value_delimiter = ',')]
    kinds: Vec<String>,
    /// Settings to try in place of config/default.toml.
    #[arg(long)]
    settings: Option<PathBuf>,
}

fn main() -> Result<(), Box<dyn Error>> {
    let options = Options::parse();
    let settings = Settings::read(options.settings.as_deref())?;
    let mut results = Vec::new();
    let named = |kind: &Kind| {
        let name = format!("{kind:?}").to_lowercase();
        options.kinds.is_empty() || options.kinds.contains(&name)
    };
    for kind in Kind::ALL.into_iter().filter(named) {
        for seed in options.first_seed..options.first_seed + options.scenes {
            match measure(kind, seed, &settings) {
                Ok(outcome) => {
                    eprintln!("{outcome:?}");
                    results.push(outcome);
                }
                Err(reason) => eprintln!("{kind:?} {seed}: passed over, {reason}"),
            }
        }
    }
    println!("error of the direction: median / 95th percentile / worst, in degrees\n");
    let titles = [
        "cloth",
        "cloths",
        "lines seen",
        "off °",
        "within bound",
        "bound °",
        "seconds",
    ];
    let mut rows = vec![titles.map(str::to_owned).to_vec()];
    for kind in Kind::ALL {
        let group: Vec<&Outcome> = results.iter().filter(|r| r.kind == kind).collect();
        rows.push(row(&format!("{kind:?}").to_lowercase(), &group));
    }
    let lined = results.iter().filter(|r| Kind::LINED.contains(&r.kind));
    rows.push(row("stripes, ribs, columns", &lined.collect::<Vec<_>>()));
    print(&rows);
    Ok(())
}

fn row(name: &str, group: &[&Outcome]) -> Vec<String> {
    let pairs = group.iter().filter_map(|r| r.error_deg.zip(r.u_angle_deg));
    let held = pairs.clone().filter(|(e, u)| e.abs() <= *u).count();
    vec![
        name.to_owned(),
        group.len().to_string(),
        share(pairs.clone().count(), group.len()),
        spread(group.iter().filter_map(|r| r.error_deg), 3),
        share(held, pairs.count()),
        spread(group.iter().filter_map(|r| r.u_angle_deg), 3),
        spread(group.iter().map(|r| r.seconds), 2),
    ]
}
