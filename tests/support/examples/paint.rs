//! Paints one scene as a complete job folder, with its truth beside it.
//!
//! `cargo run -p scene-painter --example paint -- --family main --seed 7 --out DIR`

use std::error::Error;
use std::path::PathBuf;

use clap::Parser;
use scene_painter::{Family, Scene, job};

#[derive(Parser)]
struct Options {
    /// The family: main, clean, stripes, tilt, no-ruler, impostor-rib …
    #[arg(long, default_value = "main")]
    family: String,
    /// The scene's number.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Folder to write photo.jpg, the artwork, job.toml and truth.json to.
    #[arg(long)]
    out: PathBuf,
}

fn main() -> Result<(), Box<dyn Error>> {
    let options = Options::parse();
    let family = Family::named(&options.family).ok_or_else(|| {
        let names: Vec<&str> = Family::all().map(|f| f.name).collect();
        format!(
            "there is no family {:?}; the families are {}",
            options.family,
            names.join(", ")
        )
    })?;
    let scene = Scene::random(options.seed, &family);
    let painting = scene.paint();
    std::fs::create_dir_all(&options.out)?;
    for (name, bytes) in job::files(&scene, &painting) {
        std::fs::write(options.out.join(name), bytes)?;
    }
    let truth = format!("{:#}\n", painting.truth.json());
    std::fs::write(options.out.join("truth.json"), truth)?;
    Ok(())
}
