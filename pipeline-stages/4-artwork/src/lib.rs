//! Reads an emblem's artwork: an SVG drawing in, its filled area as closed Bézier contours out, in
//! the user units of the drawing's own view box.
//!
//! What is material? A drawing is read as if printed on white paper: every visible filled area and
//! every visible stroke, whatever its colour, is material; white laid over it takes it away again.
//! Overlaps are united. Curves stay curves: booleans work on fine polygons, but their result is
//! put together again from pieces of the curves it came from.

mod arcs;
mod check;
mod drawing;
mod effort;
mod error;
mod groups;
mod layers;
mod region;
mod trace;
mod trace_back;
mod viewport;

use measures::{Artwork, Outline};

pub use drawing::{coloured_drawing, drawing};
pub use error::Error;
pub use groups::{Grouped, read_groups, with_areas};
pub use trace::{ColourRegion, Tracing, trace, trace_colours};

/// Reads the artwork `bytes` that the job calls `file`: a PNG or JPEG picture is traced, anything
/// else must be an SVG drawing.
///
/// # Errors
/// As [`trace()`] and [`read_svg`].
pub fn read(bytes: &[u8], file: &str) -> Result<Artwork, Error> {
    if is_picture(bytes) {
        return trace(bytes, file);
    }
    read_svg(bytes, file)
}

/// Whether the bytes are those of a JPEG or PNG picture.
fn is_picture(bytes: &[u8]) -> bool {
    let beginnings = [b"\xff\xd8\xff".as_slice(), b"\x89PNG\r\n\x1a\n"];
    beginnings.iter().any(|magic| bytes.starts_with(magic))
}

/// Reads the SVG drawing `bytes` that the job calls `file`.
///
/// # Errors
/// When the drawing cannot be read, holds what has no outline (text, masks), or has no filled
/// area; each with what to do about it.
pub fn read_svg(bytes: &[u8], file: &str) -> Result<Artwork, Error> {
    let (drawing, mut notes) = built(bytes, file, &[])?;
    let area = region::fill(&drawing.layers, file)?;
    notes.extend(area.notes);
    let outline = Outline::from_contours(area.contours, &area.holes);
    Ok(Artwork {
        file: file.to_owned(),
        outline,
        notes,
    })
}

/// The drawing's paint, its groups of these ids told apart, and what there is to say of it.
fn built(
    bytes: &[u8],
    file: &str,
    groups: &[&str],
) -> Result<(layers::Drawing, Vec<String>), Error> {
    let text = check::text(bytes, file)?;
    let document = check::xml(text, file)?;
    let mut notes = check::contents(&document, file)?;
    let text = arcs::drawn_out(text, &document);
    let document = check::xml(&text, file)?;
    let tree =
        usvg::Tree::from_xmltree(&document, &offline_options()).map_err(|e| Error::Drawing {
            file: file.to_owned(),
            seen: e.to_string(),
        })?;
    let to_user = viewport::to_user_units(&document, &tree, file)?;
    let mut drawing = layers::collect(&tree, to_user, file, groups)?;
    notes.append(&mut drawing.notes);
    Ok((drawing, notes))
}

/// Nothing but the bytes at hand is read: no picture files, no fonts.
fn offline_options() -> usvg::Options<'static> {
    usvg::Options {
        image_href_resolver: usvg::ImageHrefResolver {
            resolve_data: Box::new(|_, _, _| None),
            resolve_string: Box::new(|_, _| None),
        },
        ..usvg::Options::default()
    }
}
