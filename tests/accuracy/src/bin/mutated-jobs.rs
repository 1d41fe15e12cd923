//! Runs the program on mutated job folders and counts what it must not do.
//!
//! `cargo run -p accuracy --bin mutated-jobs -- --program target/debug/emblemend --jobs 1000 --folder DIR`

use std::collections::BTreeMap;
use std::error::Error;
use std::fs;
use std::path::PathBuf;

use accuracy::table::print;
use clap::Parser;
use scene_painter::mutation::mutated;
use scene_painter::trial::{Base, Fault};

#[derive(Parser)]
struct Options {
    /// The program.
    #[arg(long)]
    program: PathBuf,
    /// Number of mutated jobs.
    #[arg(long, default_value_t = 100)]
    jobs: u64,
    /// The first one's seed.
    #[arg(long, default_value_t = 1)]
    first_seed: u64,
    /// An empty folder to work in.
    #[arg(long)]
    folder: PathBuf,
}

/// Painted jobs that mutations start from.
const BASES: u64 = 8;

/// The ways to end.
const ENDINGS: [&str; 7] = ["cut", "look", "hold", "wrong cut", "died", "hung", "mute"];

/// How jobs of one kind ended, by verdict or fault.
type Endings = BTreeMap<&'static str, usize>;

fn main() -> Result<(), Box<dyn Error>> {
    let options = Options::parse();
    let desk = options.folder.join("desk");
    fs::create_dir_all(&desk)?;
    let bases: Vec<Base> = (1..=BASES).map(Base::painted).collect();
    let mut kinds: BTreeMap<&'static str, Endings> = BTreeMap::new();
    for seed in options.first_seed..options.first_seed + options.jobs {
        let base = &bases[(seed % BASES) as usize];
        let mutation = mutated(&base.files, seed);
        let result = mutation.tried(base, &options.program, &desk)?;
        if let Err(fault) = &result {
            println!("{seed}, {}: {fault:?}", mutation.what);
        }
        let ending = match result.as_ref() {
            Ok(verdict) if verdict == "cut" => "cut",
            Ok(verdict) if verdict == "look" => "look",
            Ok(_) => "hold",
            Err(Fault::Died(_)) => "died",
            Err(Fault::Hung) => "hung",
            Err(Fault::WrongCut(_)) => "wrong cut",
            Err(Fault::Mute(_)) => "mute",
        };
        for kind in [mutation.what, "all"] {
            *kinds.entry(kind).or_default().entry(ending).or_default() += 1;
        }
    }
    let head = std::iter::once("mutation")
        .chain(ENDINGS)
        .map(str::to_owned)
        .collect();
    let rows = kinds.iter().map(|(kind, endings)| {
        let counts = ENDINGS.map(|e| endings.get(e).unwrap_or(&0).to_string());
        std::iter::once((*kind).to_owned()).chain(counts).collect()
    });
    print(
        &std::iter::once(head)
            .chain(rows)
            .collect::<Vec<Vec<String>>>(),
    );
    Ok(())
}
