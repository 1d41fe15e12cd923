//! Prints how well rulers are found and read, and the error of the scale beside them.
//!
//! `cargo run -p accuracy --bin ruler-table -- --scenes 30 --families main,tilt,impostors`

use std::error::Error;

use accuracy::Settings;
use accuracy::rulers::{self, Outcome};
use accuracy::sweep::Sweep;
use accuracy::table::{print, share, spread};
use clap::Parser;

#[derive(Parser)]
struct Options {
    #[command(flatten)]
    sweep: Sweep,
}

fn main() -> Result<(), Box<dyn Error>> {
    let options = Options::parse();
    let settings = Settings::read(options.sweep.settings.as_deref())?;
    let results = options.sweep.run(|scene, painting| {
        let result = rulers::measure(scene, painting, &settings);
        eprintln!("{} {}: {}", result.family, result.seed, summary(&result));
        result
    })?;
    println!("median / 95th percentile / worst; scale on the cloth 60 mm beside the ruler\n");
    let titles = [
        "family",
        "scenes",
        "found right",
        "none found",
        "wrong, sure",
        "wrong, in doubt",
        "false alarms",
        "ticks off px",
        "pitch/bound",
        "scale %",
        "within bound",
        "u scale %",
        "100 mm off mm",
        "tilt off °",
        "seconds",
    ];
    let mut rows = vec![titles.map(str::to_owned).to_vec()];
    let mut families: Vec<&str> = results.iter().map(|r| r.family.as_str()).collect();
    families.dedup();
    for family in families {
        let group: Vec<&Outcome> = results.iter().filter(|r| r.family == family).collect();
        rows.push(row(family, &group));
    }
    print(&rows);
    summarise(&results);
    println!("\nscenes to look at");
    let mut worst: Vec<&Outcome> = results.iter().collect();
    worst.sort_by(|a, b| badness(b).total_cmp(&badness(a)));
    for result in worst.iter().take(15).filter(|r| badness(r) > 0.0) {
        println!("{} {}: {}", result.family, result.seed, summary(result));
    }
    Ok(())
}

/// What holds over all families.
fn summarise(results: &[Outcome]) {
    let well_seen = |r: &&Outcome| r.thickness_given && r.seen_mm >= 60.0 && r.px_per_mm >= 8.0;
    println!("\nscale where 60 mm of ruler or more is seen, at 8 px/mm or more, thickness given");
    for (name, tilts) in [("to 5°", 0.0..5.0), ("5° to 15°", 5.0..15.1)] {
        let errors = results
            .iter()
            .filter(|r| well_seen(r) && tilts.contains(&r.true_tilt_deg))
            .filter_map(|r| r.scale_error_percent);
        println!(
            "  tilt {name}: {} scenes, off by {} %",
            errors.clone().count(),
            spread(errors, 3)
        );
    }
    let pairs = |r: &Outcome| r.scale_error_percent.zip(r.u_scale_percent);
    // A reading in doubt is named as such, with the others that remain possible.
    let elsewhere: Vec<(f64, f64)> = results
        .iter()
        .filter(|r| !well_seen(r) && r.doubtful == 0)
        .filter_map(pairs)
        .collect();
    let held = elsewhere.iter().filter(|(e, u)| e.abs() <= *u).count();
    println!(
        "elsewhere, readings in doubt left out: within the bound {}",
        share(held, elsewhere.len())
    );
    let many: Vec<&Outcome> = results
        .iter()
        .filter(|r| r.planted > 0 && r.ticks_in_picture >= 25)
        .collect();
    let found = many.iter().filter(|r| r.reading.is_some()).count();
    let right = many.iter().filter(|r| r.right > 0).count();
    println!(
        "with 25 ticks or more in the picture: found {}",
        share(found, many.len())
    );
    println!("  of these, right unit {}", share(right, found));
    let sum = |get: fn(&Outcome) -> usize| results.iter().map(get).sum::<usize>();
    println!(
        "read wrongly and sure of it: {}; rulers where there is none: {}",
        sum(|r| r.wrong),
        sum(|r| r.false_alarms)
    );
}

fn row(family: &str, group: &[&Outcome]) -> Vec<String> {
    let n = group.len();
    let of = |get: fn(&Outcome) -> Option<f64>, d| spread(group.iter().filter_map(|r| get(r)), d);
    let pairs = group
        .iter()
        .filter_map(|r| r.scale_error_percent.zip(r.u_scale_percent));
    let held = pairs.clone().filter(|(e, u)| e.abs() <= *u).count();
    let total =
        |get: fn(&Outcome) -> usize| group.iter().map(|r| get(r)).sum::<usize>().to_string();
    let some = |get: fn(&Outcome) -> bool| group.iter().filter(|r| get(r)).count();
    vec![
        family.to_owned(),
        n.to_string(),
        share(some(|r| r.right > 0), some(|r| r.planted > 0)),
        some(|r| r.reading.is_none()).to_string(),
        total(|r| r.wrong),
        total(|r| r.doubtful),
        total(|r| r.false_alarms),
        of(|r| r.tick_rms_px, 2),
        root_mean_square(group.iter().filter_map(|r| r.pitch_against_bound)),
        of(|r| r.scale_error_percent, 2),
        share(held, pairs.count()),
        of(|r| r.u_scale_percent, 2),
        of(|r| r.square_error_mm, 2),
        of(|r| r.tilt_error_deg, 2),
        spread(group.iter().map(|r| r.seconds), 1),
    ]
}

fn root_mean_square(values: impl Iterator<Item = f64>) -> String {
    let squares: Vec<f64> = values.map(|v| v * v).collect();
    if squares.is_empty() {
        return "–".into();
    }
    let mean = squares.iter().sum::<f64>() / squares.len() as f64;
    format!("{:.1}", mean.sqrt())
}

fn badness(r: &Outcome) -> f64 {
    let missed = f64::from(u8::from(r.planted > 0 && r.right == 0));
    let misled = (r.wrong + r.false_alarms) as f64;
    let over = r
        .scale_error_percent
        .zip(r.u_scale_percent)
        .map_or(0.0, |(e, u)| e.abs() / u);
    100.0 * misled + 10.0 * missed + if over > 1.0 { over } else { 0.0 }
}

fn summary(r: &Outcome) -> String {
    let number = |v: Option<f64>| v.map_or("–".into(), |v| format!("{v:.3}"));
    format!(
        "{} planted {:?}, right {}, wrong {}, doubtful {}, false {}; read: {}; ticks {} off {} px; \
         scale {} % (± {}); tilt off {}° of {:.1}°; {:.1} s{}",
        r.planted,
        r.kinds,
        r.right,
        r.wrong,
        r.doubtful,
        r.false_alarms,
        r.reading.as_deref().unwrap_or("none"),
        r.ticks,
        number(r.tick_rms_px),
        number(r.scale_error_percent),
        number(r.u_scale_percent),
        number(r.tilt_error_deg),
        r.true_tilt_deg,
        r.seconds,
        r.reasons
            .first()
            .map_or(String::new(), |s| format!("; {s}"))
    )
}
