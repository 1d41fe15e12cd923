//! Prints the errors of the whole measurement on painted scenes, family by family.
//!
//! `cargo run -p accuracy --bin fit-table -- --scenes 60 --first-seed 1000 --families main`

use std::error::Error;

use accuracy::Settings;
use accuracy::fitting::{self, Outcome};
use accuracy::sweep::Sweep;
use accuracy::table::{print, share, spread};
use clap::Parser;
use measures::Verdict;

#[derive(Parser)]
struct Options {
    #[command(flatten)]
    sweep: Sweep,
}

fn main() -> Result<(), Box<dyn Error>> {
    let options = Options::parse();
    let settings = Settings::read(options.sweep.settings.as_deref())?;
    let results = options.sweep.run(|scene, painting| {
        let result = fitting::measure(scene, painting, &settings);
        eprintln!("{} {}: {}", result.family, result.seed, summary(&result));
        result
    })?;
    println!("median / 95th percentile / worst\n");
    let mut errors = vec![head(&[
        "family",
        "scenes",
        "size %",
        "outline rms mm",
        "outline max mm",
        "as cut mm",
        "place mm",
        "turn °",
        "scale %",
    ])];
    let mut verdicts = vec![head(&[
        "family",
        "scenes",
        "cut",
        "look",
        "hold",
        "wrong cuts",
        "version right",
    ])];
    let mut bounds = vec![head(&[
        "family",
        "scenes",
        "size within bound",
        "u size %",
        "outline within bound",
        "u outline mm",
        "scale within bound",
        "u scale %",
    ])];
    let mut least = vec![head(&[
        "family",
        "scenes",
        "size over its Cramér–Rao bound",
        "bound %",
        "place over its bound",
        "bound mm",
        "size: error / claimed",
        "outline: error / claimed",
    ])];
    let mut times = vec![head(&[
        "family",
        "scenes",
        "photo s",
        "ruler s",
        "artwork s",
        "residue s",
        "fit s",
        "all s",
    ])];
    let mut groups: Vec<(String, Vec<&Outcome>)> = Vec::new();
    for result in &results {
        match groups.last_mut().filter(|g| g.0 == result.family) {
            Some(group) => group.1.push(result),
            None => groups.push((result.family.clone(), vec![result])),
        }
    }
    if groups.len() > 1 {
        groups.push(("all".into(), results.iter().collect()));
    }
    for (family, group) in &groups {
        let n = group.len();
        let row = |cells: Vec<String>| [vec![family.clone(), n.to_string()], cells].concat();
        errors.push(row(error_cells(group)));
        verdicts.push(row(verdict_cells(group)));
        bounds.push(row(bound_cells(group)));
        least.push(row(least_cells(group)));
        times.push(row(time_cells(group)));
    }
    for table in [errors, verdicts, bounds, least, times] {
        print(&table);
        println!();
    }
    println!("worst scenes (paint them with the painter's example)");
    let mut worst: Vec<&Outcome> = results.iter().collect();
    worst.sort_by(|a, b| badness(b).total_cmp(&badness(a)));
    for result in worst.iter().take(12) {
        println!("{} {}: {}", result.family, result.seed, summary(result));
    }
    Ok(())
}

fn head(cells: &[&str]) -> Vec<String> {
    cells.iter().map(|&c| c.to_owned()).collect()
}

fn error_cells(group: &[&Outcome]) -> Vec<String> {
    let of = |get: fn(&Outcome) -> Option<f64>, d| spread(group.iter().filter_map(|r| get(r)), d);
    vec![
        of(|r| r.size_error_percent, 2),
        of(|r| r.outline_rms_mm, 3),
        of(|r| r.outline_max_mm, 3),
        of(|r| r.cut_error_mm, 3),
        of(|r| r.position_error_mm, 3),
        of(|r| r.rotation_error_deg, 3),
        of(|r| r.scale_error_percent, 2),
    ]
}

fn verdict_cells(group: &[&Outcome]) -> Vec<String> {
    let n = group.len();
    let with = |v| share(group.iter().filter(|r| r.verdict == Some(v)).count(), n);
    let ranked = group.iter().filter_map(|r| r.version_right);
    let (right, known) = (ranked.clone().filter(|&v| v).count(), ranked.count());
    vec![
        with(Verdict::Cut),
        with(Verdict::Look),
        with(Verdict::Hold),
        group.iter().filter(|r| r.wrong_cut).count().to_string(),
        share(right, known),
    ]
}

fn bound_cells(group: &[&Outcome]) -> Vec<String> {
    let kept = |get: fn(&Outcome) -> Option<(f64, f64)>| {
        let pairs = group.iter().filter_map(|r| get(r));
        let held = pairs
            .clone()
            .filter(|(error, bound)| error.abs() <= *bound)
            .count();
        let bounds = pairs.clone().map(|(_, bound)| bound);
        [share(held, pairs.count()), spread(bounds, 2)]
    };
    [
        kept(|r| r.size_error_percent.zip(r.u_size_percent)),
        kept(|r| r.outline_max_mm.zip(r.u_outline_mm)),
        kept(|r| r.scale_error_percent.zip(r.u_scale_percent)),
    ]
    .concat()
}

/// Errors over the least that any estimate would make, as seen in the photo: root mean squares. And over the stated bounds (k = 2), as spreads.
fn least_cells(group: &[&Outcome]) -> Vec<String> {
    let over = |pairs: Vec<(f64, f64)>| {
        let squares = pairs.iter().map(|(error, least)| (error / least).powi(2));
        let mean = squares.sum::<f64>() / pairs.len() as f64;
        let bounds = spread(pairs.iter().map(|(_, least)| *least), 3);
        match pairs.len() {
            0 => ["–".into(), bounds],
            _ => [format!("{:.1}", mean.sqrt()), bounds],
        }
    };
    // Only the fit's own share of the size's error: an emblem's shape may correct the ruler's scale.
    let size = group
        .iter()
        .filter_map(|r| r.seen_size_error_percent.zip(r.least_size_percent));
    let place = group
        .iter()
        .filter_map(|r| r.position_error_mm.zip(r.least_place_mm));
    let share = |pairs: &mut dyn Iterator<Item = (f64, f64)>| spread(pairs.map(|(e, u)| e / u), 2);
    let claimed_size = group
        .iter()
        .filter_map(|r| r.size_error_percent.zip(r.u_size_percent));
    let claimed_outline = group
        .iter()
        .filter_map(|r| r.outline_max_mm.zip(r.u_outline_mm));
    [
        over(size.collect()).to_vec(),
        over(place.collect()).to_vec(),
        vec![
            share(&mut claimed_size.into_iter()),
            share(&mut claimed_outline.into_iter()),
        ],
    ]
    .concat()
}

fn time_cells(group: &[&Outcome]) -> Vec<String> {
    let lap = |k: usize| spread(group.iter().map(|r| r.seconds[k]), 2);
    let all = spread(group.iter().map(|r| r.seconds.iter().sum()), 2);
    vec![lap(0), lap(1), lap(3), lap(4), lap(5), all]
}

/// Wrong cuts first, then what is farthest off, then holds.
fn badness(r: &Outcome) -> f64 {
    let hold = f64::from(u8::from(
        r.trap.is_none() && r.verdict == Some(Verdict::Hold),
    ));
    let version = f64::from(u8::from(r.version_right == Some(false)));
    let wrong = f64::from(u8::from(r.wrong_cut));
    1000.0 * wrong + 10.0 * version + hold + r.outline_max_mm.unwrap_or(0.0)
}

fn summary(r: &Outcome) -> String {
    let number = |v: Option<f64>| v.map_or("–".into(), |v| format!("{v:.3}"));
    let verdict = r
        .verdict
        .map_or("–".into(), |v| format!("{v:?}").to_lowercase());
    let reason = r
        .reasons
        .first()
        .map_or(String::new(), |s| format!("; {s}"));
    format!(
        "{verdict}{}, size {} % (± {}), outline max {} mm (± {}), scale {} % (± {}), version {}, {:.1} s{reason}",
        if r.wrong_cut { " WRONG" } else { "" },
        number(r.size_error_percent),
        number(r.u_size_percent),
        number(r.outline_max_mm),
        number(r.u_outline_mm),
        number(r.scale_error_percent),
        number(r.u_scale_percent),
        r.version_right
            .map_or("–", |v| if v { "right" } else { "WRONG" }),
        r.seconds.iter().sum::<f64>()
    )
}
