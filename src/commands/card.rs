//! `emblemend card`: the scale card as a PDF.

use std::fs;
use std::path::Path;

use super::say;
use crate::cli::Ending;
use crate::settings::Config;

/// Writes the card for the paper in the settings, or the paper asked for.
pub(crate) fn card(out: &Path, paper: Option<press::Paper>, config: &Config) -> Ending {
    let mut settings = config.settings.press.clone();
    settings.paper = paper.unwrap_or(settings.paper);
    let pdf = match press::card(&settings) {
        Ok(pdf) => pdf,
        Err(e) => {
            eprintln!("{e}");
            return Ending::Refused;
        }
    };
    if let Err(e) = fs::write(out, pdf) {
        eprintln!(
            "{}: it cannot be written: {e}; name another place with --out",
            out.display()
        );
        return Ending::Failed;
    }
    say(&format!(
        "{}: print it at 100 %, measure its two bars, cut out the window",
        out.display()
    ));
    Ending::Done
}
