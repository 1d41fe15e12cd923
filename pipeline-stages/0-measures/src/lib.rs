//! The vocabulary of the pipeline: units that cannot be mixed, outlines that know whether they
//! are seen as worn or as cut, and one type for each value that passes from stage to stage.
//!
//! The modules stand in the order of the data's path: a [`photo::Photo`] yields
//! [`ruler::Ruler`]s, these a [`cloth::ClothPlane`]; an [`artwork::Artwork`] is registered to the
//! residue as a [`fit::Fit`].

pub mod artwork;
pub mod cloth;
pub mod crosses;
pub mod fit;
pub mod level;
pub mod lines;
pub mod map;
pub mod outline;
pub mod photo;
pub mod pressed;
pub mod residue;
pub mod ruler;
pub mod spectrum;
pub mod uncertainty;
pub mod unit;

pub use artwork::Artwork;
pub use cloth::ClothPlane;
pub use fit::{Fit, Suspected, Suspicion, Verdict};
pub use lines::ClothLines;
pub use map::Map;
pub use outline::{AsCut, CutFrom, Outline, Worn};
pub use photo::{Camera, Lens, Photo};
pub use pressed::SameCloth;
pub use residue::{Grid, ResidueField};
pub use ruler::Ruler;
pub use unit::{Art, Mm, Point, Px, Vector};
