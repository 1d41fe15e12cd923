//! Reads drawings or pictures and writes the outline of each beside it, as `NAME.outline.svg`:
//! `cargo run -p artwork --example outlines FILE…`. Prints a line for each that is refused.

use std::path::Path;

fn main() -> std::io::Result<()> {
    for name in std::env::args().skip(1) {
        match artwork::read(&std::fs::read(&name)?, &name) {
            Ok(read) => {
                let out = Path::new(&name).with_extension("outline.svg");
                std::fs::write(out, artwork::drawing(&read))?;
            }
            Err(error) => println!("{error}"),
        }
    }
    Ok(())
}
