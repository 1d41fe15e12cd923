//! Traces pictures of glyphs and prints how far the curves lie from the outlines they show:
//! `cargo run -p artwork --example trace_table [FIRST_SEED] [PICTURES] [FOLDER]`. With a folder, each
//! picture, its outline and the tracing are left there, for others to compare.

#[path = "../tests/tracing_support/mod.rs"]
mod tracing_support;
use tracing_support::{GLYPHS, Making, glyph, paint, score};

fn main() -> std::io::Result<()> {
    let mut arguments = std::env::args().skip(1);
    let mut number = |usual| {
        arguments
            .next()
            .and_then(|a| a.parse::<u64>().ok())
            .unwrap_or(usual)
    };
    let (first, pictures) = (number(1), number(20));
    let folder = arguments.next().map(std::path::PathBuf::from);
    println!("picture                                mean   99 %  corner  nodes     IoU   (px)");
    let mut worst = [0.0f64; 4];
    let mut least = 1.0f64;
    for seed in first..first + pictures {
        let letters: Vec<char> = GLYPHS.chars().collect();
        let letter = letters[(seed * 7) as usize % letters.len()];
        let making = Making {
            size_px: 300.0 + ((seed * 619) % 1200) as f64,
            noise: (seed % 4) as f64 * 1.5,
            jpeg: (seed % 3 != 0).then_some(75 + (seed * 5 % 21) as u8),
        };
        let truth = glyph(letter, seed % 2 == 0, making.size_px);
        let picture = paint(&truth, &making, seed);
        let traced = artwork::trace(&picture, "glyph").expect("a picture");
        if let Some(folder) = &folder {
            let path = |end: &str| folder.join(format!("{seed}{end}"));
            std::fs::create_dir_all(folder)?;
            std::fs::write(
                path(if making.jpeg.is_some() {
                    ".jpg"
                } else {
                    ".png"
                }),
                picture,
            )?;
            let svg = format!(
                "<svg xmlns=\"http://www.w3.org/2000/svg\"><path d=\"{}\"/></svg>",
                truth.to_svg()
            );
            std::fs::write(path("-truth.svg"), svg)?;
            std::fs::write(path("-traced.svg"), artwork::drawing(&traced))?;
        }
        let s = score(&truth, &traced.outline.to_path());
        println!(
            "{letter} {:>6.0} px, noise {:.1}, {:<10} {:>12.3} {:>6.3} {:>7.3} {:>6.2} {:>7.4}",
            making.size_px,
            making.noise,
            making
                .jpeg
                .map_or("PNG".to_owned(), |q| format!("JPEG {q}")),
            s.mean_px,
            s.p99_px,
            s.corner_px,
            s.node_ratio,
            s.iou
        );
        for (w, v) in worst
            .iter_mut()
            .zip([s.mean_px, s.p99_px, s.corner_px, s.node_ratio])
        {
            *w = w.max(v);
        }
        least = least.min(s.iou);
    }
    println!(
        "worst                               {:>8.3} {:>6.3} {:>7.3} {:>6.2} {least:>7.4}",
        worst[0], worst[1], worst[2], worst[3]
    );
    Ok(())
}
