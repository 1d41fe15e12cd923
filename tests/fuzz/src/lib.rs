//! What the fuzz targets in `bin` share.

pub mod drawing;
pub mod settings;
