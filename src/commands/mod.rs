//! One module for each command word.

pub(crate) mod check;
pub(crate) mod ruler;
pub(crate) mod run;

use std::io::Write as _;

/// Prints one line of results. A reader that has gone away is no failure of the work.
fn say(line: &str) {
    let _ = writeln!(std::io::stdout().lock(), "{line}");
}
