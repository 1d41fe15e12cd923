//! Turns an outline as worn into an outline as cut: mirrored once where the material is cut from
//! its back, never otherwise.
//!
//! That it can be neither forgotten nor done twice is a matter of types. An outline as worn is no
//! outline as cut:
//!
//! ```compile_fail,E0308
//! use measures::{AsCut, Mm, Outline, Worn};
//! fn needs_cut(_: &Outline<Mm, AsCut>) {}
//! fn forget(worn: &Outline<Mm, Worn>) {
//!     needs_cut(worn);
//! }
//! ```
//!
//! and one as cut cannot be mirrored again:
//!
//! ```compile_fail,E0308
//! use measures::{AsCut, CutFrom, Mm, Outline};
//! fn twice(cut: Outline<Mm, AsCut>) -> Outline<Mm, AsCut> {
//!     mirror::for_cutting(cut, CutFrom::Back)
//! }
//! ```
//!
//! Nor can anything in artwork units or pixels be cut:
//!
//! ```compile_fail,E0308
//! use measures::{Art, AsCut, CutFrom, Mm, Outline};
//! fn unscaled(art: Outline<Art>) -> Outline<Mm, AsCut> {
//!     mirror::for_cutting(art, CutFrom::Back)
//! }
//! ```
//!
//! The right way compiles:
//!
//! ```
//! use measures::{AsCut, CutFrom, Mm, Outline};
//! fn once(worn: Outline<Mm>) -> Outline<Mm, AsCut> {
//!     mirror::for_cutting(worn, CutFrom::Back)
//! }
//! ```

use measures::{AsCut, CutFrom, Mm, Outline, Vector};

/// The outline as the knife must follow it, in millimetres, its bounding box beginning at (0, 0).
///
/// Material that lies with its adhesive side up (cut from the back) is cut laterally reversed;
/// material that lies face up is cut as worn.
pub fn for_cutting(outline: Outline<Mm>, from: CutFrom) -> Outline<Mm, AsCut> {
    let cut = outline.into_cut(from);
    let corner = cut.bounding_box().origin();
    cut.shifted(Vector::new(-corner.x, -corner.y))
}
