//! `emblemend trace`: a picture of an emblem as smooth closed outlines.

use std::fs;
use std::path::Path;

use super::{say, whole};
use crate::cli::Ending;
use crate::settings::Config;

/// Traces one picture and writes the drawing.
pub(crate) fn trace(picture: &Path, out: &Path, overlap_px: f64, config: &Config) -> Ending {
    let name = picture.to_string_lossy();
    let bytes = match whole(picture, config.settings.limits.largest_file_mb) {
        Ok(bytes) => bytes,
        Err(e) => {
            eprintln!("{name}: it cannot be read: {e}; give the path of a PNG or JPEG file");
            return Ending::Refused;
        }
    };
    let tracing = match artwork::trace_colours(&bytes, &name, overlap_px) {
        Ok(tracing) => tracing,
        Err(e) => {
            eprintln!("{e}");
            return Ending::Refused;
        }
    };
    if let Err(e) = fs::write(out, artwork::coloured_drawing(&tracing)) {
        eprintln!(
            "{}: it cannot be written: {e}; name another place with --out",
            out.display()
        );
        return Ending::Failed;
    }
    let colours = match tracing.regions.len() {
        0 => String::new(),
        n => format!("{n} colours, "),
    };
    say(&format!(
        "{}: {colours}{} outlines, {} nodes, within {:.2} px of the edges in the picture",
        out.display(),
        tracing.artwork.outline.contours().len(),
        tracing.nodes,
        tracing.deviation_px
    ));
    for note in &tracing.artwork.notes {
        say(&format!("  {note}"));
    }
    Ending::Done
}
