//! What can be wrong with a drawing.

/// Why a drawing cannot be used, and what to do about it.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The file has no bytes.
    #[error("{file} is empty (0 bytes); copy the drawing into the folder again")]
    Empty {
        /// The file, as the job names it.
        file: String,
    },
    /// The file is not plain SVG text.
    #[error("{file} is {seen}, but a plain SVG drawing is needed; {remedy}")]
    WrongFormat {
        /// The file, as the job names it.
        file: String,
        /// What it is.
        seen: &'static str,
        /// What to do.
        remedy: &'static str,
    },
    /// The XML is broken.
    #[error(
        "{file}, line {line}: the drawing is damaged ({seen}); export it again from your drawing program, or copy it again"
    )]
    Malformed {
        /// The file, as the job names it.
        file: String,
        /// The line, counted from 1.
        line: u32,
        /// What the reader met.
        seen: String,
    },
    /// A drawing with text in it.
    #[error(
        "{file}, line {line}: the drawing contains text ({seen:?}); text has no outline of its own: convert text to outlines in your drawing program and export again"
    )]
    Text {
        /// The file, as the job names it.
        file: String,
        /// The line, counted from 1.
        line: u32,
        /// The beginning of the text.
        seen: String,
    },
    /// Something whose visible shape is not an outline.
    #[error(
        "{file}: the drawing uses {seen}, whose visible shape cannot be cut; {remedy} and export again"
    )]
    NotAnOutline {
        /// The file, as the job names it.
        file: String,
        /// What was met.
        seen: &'static str,
        /// What to do.
        remedy: &'static str,
    },
    /// The drawing as a whole makes no sense.
    #[error(
        "{file}: the drawing cannot be read ({seen}); export it again from your drawing program"
    )]
    Drawing {
        /// The file, as the job names it.
        file: String,
        /// What the reader met.
        seen: String,
    },
    /// The drawing area has no size.
    #[error(
        "{file}: the drawing area is given as {seen:?}, which is no area; give it a width and a height greater than 0 (in your drawing program: fit the page to the drawing) and export again"
    )]
    ViewBox {
        /// The file, as the job names it.
        file: String,
        /// The value found.
        seen: String,
    },
    /// Far more pieces than an emblem has.
    #[error(
        "{file}: the drawing has too many parts ({seen}; at most {limit}); an emblem needs far fewer: remove hidden and repeated parts, or simplify the paths"
    )]
    TooComplex {
        /// The file, as the job names it.
        file: String,
        /// How many of what.
        seen: String,
        /// The limit.
        limit: usize,
    },
    /// Coordinates too large for the drawing's size.
    #[error(
        "{file}: the drawing lies at {at:.0} units but is only {size:.3} units large: too far from the origin to be precise; move it to the corner of the page and export again"
    )]
    FarAway {
        /// The file, as the job names it.
        file: String,
        /// Largest coordinate.
        at: f64,
        /// Size of the drawing.
        size: f64,
    },
    /// A group that the job names is not in the drawing.
    #[error(
        "{file} has no group \"{id}\", which layers names; {known}. {meant}Correct the name in layers, or give the group this id in your drawing program"
    )]
    UnknownGroup {
        /// The file, as the job names it.
        file: String,
        /// The id asked for.
        id: String,
        /// The ids there are.
        known: String,
        /// The nearest of them, as a question.
        meant: String,
    },
    /// A group without filled area.
    #[error(
        "{file}: the group \"{id}\" has no filled area; fill its shapes and export again, or leave it out of layers"
    )]
    EmptyGroup {
        /// The file, as the job names it.
        file: String,
        /// The group's id.
        id: String,
    },
    /// Layers asked of a picture.
    #[error(
        "{file} is a picture, and layers needs a drawing with groups; trace it (emblemend trace), group its shapes, and name the drawing instead"
    )]
    PictureInLayers {
        /// The file, as the job names it.
        file: String,
    },
    /// There is nothing to cut.
    #[error(
        "{file}: the drawing has no filled area{hint}; fill the emblem's shapes and export again"
    )]
    NoArea {
        /// The file, as the job names it.
        file: String,
        /// What there is instead.
        hint: &'static str,
    },
}
