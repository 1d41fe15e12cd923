//! Runs many scenes, several at a time, and hands the results back in order.

use std::error::Error;
use std::fs::File;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use clap::Args;
use scene_painter::{Family, Painting, Scene};
use serde::Serialize;

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
        let work: Vec<(Family, u64)> = self
            .families()?
            .into_iter()
            .flat_map(|family| seeds().map(move |seed| (family, seed)))
            .collect();
        let next = AtomicUsize::new(0);
        let done: Mutex<Vec<(usize, T)>> = Mutex::new(Vec::new());
        let worker = || {
            loop {
                let i = next.fetch_add(1, Ordering::Relaxed);
                let Some((family, seed)) = work.get(i) else {
                    break;
                };
                let scene = Scene::random(*seed, family);
                let result = measure(&scene, &scene.paint());
                if let Ok(mut done) = done.lock() {
                    done.push((i, result));
                }
            }
        };
        std::thread::scope(|scope| {
            for _ in 0..self.jobs.max(1) {
                scope.spawn(worker);
            }
        });
        let mut done = done.into_inner().map_err(|e| e.to_string())?;
        done.sort_by_key(|(i, _)| *i);
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
