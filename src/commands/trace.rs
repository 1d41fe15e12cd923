//! `emblemend trace`: a picture of an emblem as smooth closed outlines.

use std::fs;
use std::path::Path;

use super::{say, whole};
use crate::cli::Ending;
use crate::settings::Config;

/// Traces one picture and writes the drawing.
pub(crate) fn trace(picture: &Path, out: &Path, config: &Config) -> Ending {
    let name = picture.to_string_lossy();
    let bytes = match whole(picture, config.settings.limits.largest_file_mb) {
        Ok(bytes) => bytes,
        Err(e) => {
            eprintln!("{name}: it cannot be read: {e}; give the path of a PNG or JPEG file");
            return Ending::Refused;
        }
    };
    let artwork = match artwork::trace(&bytes, &name) {
        Ok(artwork) => artwork,
        Err(e) => {
            eprintln!("{e}");
            return Ending::Refused;
        }
    };
    if let Err(e) = fs::write(out, artwork::drawing(&artwork)) {
        eprintln!(
            "{}: it cannot be written: {e}; name another place with --out",
            out.display()
        );
        return Ending::Failed;
    }
    let nodes: usize = artwork
        .outline
        .contours()
        .iter()
        .map(|c| c.elements().len())
        .sum();
    say(&format!(
        "{}: {} outlines, {nodes} nodes",
        out.display(),
        artwork.outline.contours().len()
    ));
    for note in &artwork.notes {
        say(&format!("  {note}"));
    }
    Ending::Done
}
