//! What can be wrong with a photo.

/// Why a photo cannot be used, and what to do about it.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The file has no bytes.
    #[error("{file} is empty (0 bytes); copy the photo into the folder again")]
    Empty {
        /// The file, as the job names it.
        file: String,
    },
    /// The file ends, or its data breaks off, before the picture is complete.
    #[error(
        "{file} is incomplete: {seen}. The copy may not have finished: wait for it, or copy the photo into the folder again"
    )]
    Incomplete {
        /// The file, as the job names it.
        file: String,
        /// What breaks off where.
        seen: String,
    },
    /// The file is a kind of picture that is not read.
    #[error("{file} is {seen}, but a JPEG or PNG photo is needed; {remedy}")]
    WrongFormat {
        /// The file, as the job names it.
        file: String,
        /// What it is.
        seen: &'static str,
        /// How to get a JPEG or PNG from it.
        remedy: &'static str,
    },
    /// The file is no picture.
    #[error(
        "{file} is not a picture (it begins with {seen}); a JPEG or PNG photo is needed: check that this is the right file"
    )]
    NotAnImage {
        /// The file, as the job names it.
        file: String,
        /// Its first bytes.
        seen: String,
    },
    /// Too few pixels to measure anything.
    #[error(
        "{file} has only {width} x {height} pixels, but each side needs at least {min_px}; use the photo as the camera took it, not a preview or a thumbnail"
    )]
    TooSmall {
        /// The file, as the job names it.
        file: String,
        /// Its width in pixels.
        width: u32,
        /// Its height in pixels.
        height: u32,
        /// The shortest side allowed, in pixels.
        min_px: u32,
    },
    /// More pixels than the settings allow.
    #[error(
        "{file} says it has {width} x {height} pixels ({megapixels:.0} megapixels), but at most {limit:.0} are read; export it smaller, or raise max_megapixels in [photo] of the settings"
    )]
    TooLarge {
        /// The file, as the job names it.
        file: String,
        /// Its width in pixels.
        width: u32,
        /// Its height in pixels.
        height: u32,
        /// Their product, in millions.
        megapixels: f64,
        /// What the settings allow.
        limit: f64,
    },
    /// The data contradicts itself.
    #[error(
        "{file} is damaged ({seen}); copy the photo from the camera again, or open it in a photo program and save it as a new JPEG"
    )]
    Damaged {
        /// The file, as the job names it.
        file: String,
        /// What the decoder met.
        seen: String,
    },
}
