//! `emblemend known`: the sizes measured so far, from the outbox's log.

use std::fs;
use std::path::Path;

use super::say;
use crate::cli::Ending;
use crate::known::KnownWidths;
use crate::outbox;
use crate::settings::Config;

/// Prints the table, and writes it for jobs to refer to.
pub(crate) fn known(from: Option<&Path>, out: Option<&Path>, config: &Config) -> Ending {
    let root = from.unwrap_or(&config.settings.folders.outbox);
    let lines = match outbox::read_log(root) {
        Ok(lines) => lines,
        Err(e) => {
            eprintln!(
                "{}: its fit-log.jsonl cannot be read: {e}; name the outbox with --outbox",
                root.display()
            );
            return Ending::Refused;
        }
    };
    let table = KnownWidths::gathered(&lines);
    for k in &table.known {
        let spread = k.spread_mm.map_or("–".to_owned(), |mm| format!("{mm:.3}"));
        say(&format!(
            "{}  {}: {} measured, mean {:.3} mm, spread {spread} mm",
            k.emblem, k.version, k.count, k.mean_width_mm
        ));
    }
    if table.known.is_empty() {
        say(&format!("{}: nothing measured yet", root.display()));
    }
    if let Some(out) = out
        && let Err(e) = fs::write(out, table.to_toml())
    {
        eprintln!(
            "{}: it cannot be written: {e}; name another place with --out",
            out.display()
        );
        return Ending::Failed;
    }
    Ending::Done
}
