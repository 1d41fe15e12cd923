//! Writes every emblem and its versions as SVG files, to be looked at.
//!
//! `cargo run -p scene-painter --example emblems -- DIR`

use std::error::Error;
use std::path::PathBuf;

use scene_painter::random::Rng;
use scene_painter::{Design, Emblem};

fn main() -> Result<(), Box<dyn Error>> {
    let folder = PathBuf::from(std::env::args().nth(1).ok_or("name a folder to write to")?);
    std::fs::create_dir_all(&folder)?;
    for design in Design::ALL.into_iter().chain((0..10).map(Design::Number)) {
        for (i, version) in Emblem::versions(design, 3, &mut Rng::new(1))
            .iter()
            .enumerate()
        {
            let name = format!("{}-{}.svg", design.name(), i + 1);
            std::fs::write(folder.join(name), version.svg())?;
        }
    }
    Ok(())
}
