//! Paints the demonstration inbox again.
//!
//! `cargo run -p scene-painter --example demo_inbox` from the workspace's root folder; another
//! folder than `demo-inbox` can be named.

use std::error::Error;
use std::path::PathBuf;

use scene_painter::demo;

fn main() -> Result<(), Box<dyn Error>> {
    let inbox = PathBuf::from(
        std::env::args()
            .nth(1)
            .unwrap_or_else(|| "demo-inbox".into()),
    );
    for job in demo::jobs() {
        let folder = inbox.join(job.name);
        std::fs::create_dir_all(&folder)?;
        for (name, bytes) in job.files() {
            std::fs::write(folder.join(name), bytes)?;
        }
        println!("{}", folder.display());
    }
    Ok(())
}
