//! Packs mixed sets of irregular pieces and prints how much of the material ends up in them,
//! beside plain rows of bounding boxes: `cargo run -p cut --example packing_table [FOLDER]`.
//! With a folder, each sheet is written there as SVG with its plan, for others to check.

use std::time::Instant;

use cut::{Contents, CutNote, Piece, Settings, Sheet, Turns, lay_out_all, plan, svg};
use measures::CutFrom;

#[path = "../tests/pieces/mod.rs"]
mod pieces;
use pieces::{mixed, use_in_rows};

#[derive(serde::Deserialize)]
struct Config {
    cut: Settings,
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).map(std::path::PathBuf::from);
    let config: Config = toml::from_str(include_str!("../../../config/default.toml"))?;
    println!("pieces  turns      use    in rows  ratio  time");
    for (seed, count) in [
        (1, 12),
        (2, 25),
        (3, 25),
        (4, 50),
        (5, 100),
        (6, 200),
        (7, 200),
    ] {
        let turns = if seed % 2 == 0 {
            Turns::Half
        } else {
            Turns::Quarter
        };
        let shapes = mixed(seed, count);
        let pieces: Vec<Piece<'_>> = shapes
            .iter()
            .enumerate()
            .map(|(i, outline)| Piece {
                name: format!("piece {}", i + 1),
                outline,
                copies: 1,
                turns,
            })
            .collect();
        let start = Instant::now();
        let sheets = lay_out_all(&pieces, None, &[], &config.cut)?;
        let seconds = start.elapsed().as_secs_f64();
        let sheet = &sheets[0];
        let rows = use_in_rows(&shapes, &config.cut);
        println!(
            "{count:>6}  {turns:<8?} {:>5.1} %  {:>5.1} %  {:>5.2}  {seconds:.1} s",
            100.0 * sheet.used_share,
            100.0 * rows,
            sheet.used_share / rows,
        );
        if let Some(folder) = &folder {
            write(folder, &format!("set-{seed}"), sheet, &pieces)?;
        }
    }
    Ok(())
}

fn write(
    folder: &std::path::Path,
    name: &str,
    sheet: &Sheet,
    pieces: &[Piece<'_>],
) -> std::io::Result<()> {
    let note = CutNote {
        title: format!("Mixed pieces, {name}"),
        material: "flock".to_owned(),
        from: CutFrom::Back,
        contents: Contents::Pieces(pieces.len()),
        remarks: Vec::new(),
    };
    let names: Vec<String> = pieces.iter().map(|p| p.name.clone()).collect();
    std::fs::create_dir_all(folder)?;
    std::fs::write(folder.join(format!("{name}.svg")), svg(sheet, &note))?;
    std::fs::write(
        folder.join(format!("{name}-plan.svg")),
        plan(sheet, &names, &note),
    )
}
