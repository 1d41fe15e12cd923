//! Writes the press sheets of an emblem 350 mm wide, on A4 and on Letter, and its outline as worn,
//! in mm, for a reader that knows nothing of this program.
//!
//! `cargo run -p press --example large_sheets -- FOLDER`

use std::error::Error;
use std::fs;
use std::path::PathBuf;

use measures::ruler::RulerUnit;
use press::Paper;

#[path = "../src/tests/scene.rs"]
mod scene;

const MM_PER_ART: f64 = 3.5;

fn main() -> Result<(), Box<dyn Error>> {
    let folder: PathBuf = std::env::args_os()
        .nth(1)
        .ok_or("usage: large_sheets FOLDER")?
        .into();
    fs::create_dir_all(&folder)?;
    let scene = scene::Scene::new(MM_PER_ART, RulerUnit::Mm);
    for (name, paper) in [("a4", Paper::A4), ("letter", Paper::Letter)] {
        let settings = press::Settings {
            paper,
            ..scene::settings()
        };
        let pdf = press::sheet(&scene.content(), &settings)?;
        fs::write(folder.join(format!("large-{name}.pdf")), pdf)?;
    }
    let mut outline = scene.artwork.outline.to_path();
    outline.apply_affine(kurbo::Affine::scale(MM_PER_ART));
    let path = outline.to_svg();
    let svg = format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 400 450"><path d="{path}"/></svg>"#
    );
    fs::write(folder.join("large.svg"), svg)?;
    Ok(())
}
