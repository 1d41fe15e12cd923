//! Runs many scenes, several at a time, and hands the results back in order.

use std::error::Error;
use std::fs::File;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

use clap::Args;
use scene_painter::imperfect::RulerErrors;
use scene_painter::{Family, Painting, Scene};
use serde::Serialize;

/// Half-width of JIS B 7516 grade 1 to 500 mm as a standard deviation, and that of a thickness
/// that a job gives.
const AS_BUDGETED: RulerErrors = RulerErrors {
    length_mm: 0.15 / 1.732_050_8,
    thickness_mm: 0.05,
};

/// Which scenes to measure.
#[derive(Args, Clone, Debug)]
pub struct Sweep {
    /// Scenes of each family.
    #[arg(long, default_value_t = 20)]
    pub scenes: u64,
    /// The first scene's number; below 1000 is for development, the rest for the final table.
    #[arg(long, default_value_t = 1)]
    pub first_seed: u64,
    /// Families by name, or "measurable", "traps", "impostors".
    #[arg(long, value_delimiter = ',', default_value = "main")]
    pub families: Vec<String>,
    /// Scenes worked on at a time.
    #[arg(long, default_value_t = 1)]
    pub jobs: usize,
    /// Begins no further scene after this many minutes.
    #[arg(long)]
    pub minutes: Option<f64>,
    /// Rulers are as wrong as the budget says (its standard deviations for a steel rule and for
    /// a given thickness), not perfect: then about 95 % of errors lie within a true bound.
    #[arg(long)]
    pub imperfect_rulers: bool,
    /// Settings to try in place of config/default.toml.
    #[arg(long)]
    pub settings: Option<PathBuf>,
    /// File to write each scene's figures to, one JSON object a line.
    #[arg(long)]
    pub lines: Option<PathBuf>,
}

impl Sweep {
    /// The families asked for.
    ///
    /// # Errors
    /// When a name is not known.
    pub fn families(&self) -> Result<Vec<Family>, String> {
        let mut families = Vec::new();
        for name in &self.families {
            match name.as_str() {
                "measurable" => families.extend(Family::MEASURABLE),
                "traps" => families.extend(Family::TRAPS),
                "impostors" => families.extend(Family::IMPOSTORS),
                _ => families.push(Family::named(name).ok_or_else(|| {
                    let known: Vec<&str> = Family::all().map(|f| f.name).collect();
                    format!(
                        "there is no family {name:?}; there are {}",
                        known.join(", ")
                    )
                })?),
            }
        }
        Ok(families)
    }

    /// Paints and measures every scene; results come family by family, seed by seed.
    ///
    /// # Errors
    /// When a family is not known, or the lines cannot be written.
    pub fn run<T: Serialize + Send>(
        &self,
        measure: impl Fn(&Scene, &Painting) -> T + Sync,
    ) -> Result<Vec<T>, Box<dyn Error>> {
        let seeds = || self.first_seed..self.first_seed + self.scenes;
        let families = self.families()?;
        // Seed by seed, so that a sweep cut short has some of every family.
        let work: Vec<(usize, u64)> = seeds()
            .flat_map(|seed| (0..families.len()).map(move |k| (k, seed)))
            .collect();
        let start = Instant::now();
        let late = || {
            self.minutes
                .is_some_and(|m| start.elapsed().as_secs_f64() > 60.0 * m)
        };
        let next = AtomicUsize::new(0);
        let done: Mutex<Vec<((usize, u64), T)>> = Mutex::new(Vec::new());
        let worker = || {
            loop {
                let i = next.fetch_add(1, Ordering::Relaxed);
                let Some(&(family, seed)) = work.get(i).filter(|_| !late()) else {
                    break;
                };
                let mut scene = Scene::random(seed, &families[family]);
                if self.imperfect_rulers {
                    scene = scene.with_ruler_errors(AS_BUDGETED);
                }
                let result = measure(&scene, &scene.paint());
                if let Ok(mut done) = done.lock() {
                    done.push(((family, seed), result));
                }
            }
        };
        std::thread::scope(|scope| {
            for _ in 0..self.jobs.max(1) {
                scope.spawn(worker);
            }
        });
        let mut done = done.into_inner().map_err(|e| e.to_string())?;
        done.sort_by_key(|(place, _)| *place);
        let results: Vec<T> = done.into_iter().map(|(_, result)| result).collect();
        if let Some(path) = &self.lines {
            let mut file = File::create(path)?;
            for result in &results {
                writeln!(file, "{}", serde_json::to_string(result)?)?;
            }
        }
        Ok(results)
    }
}
