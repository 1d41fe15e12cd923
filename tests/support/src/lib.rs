//! Paints photographs of residue and rulers with a known truth.
//!
//! A [`Scene`] says everything that a photograph shows; [`Scene::random`] draws one from a
//! [`Family`]; [`Scene::paint`] renders it as a camera would see it: a pinhole camera over a
//! tilted cloth, rulers as slabs of their thickness, loops, stripes, folds and patchy glue, the
//! lens's blur, noise of the sensor in linear light, sharpening and JPEG. The same scene gives
//! the same bytes with any number of threads; between kinds of machine the mathematical library
//! may differ in a last digit.
//!
//! ```no_run
//! use scene_painter::{Family, Scene};
//! let scene = Scene::random(7, &Family::MAIN);
//! let painting = scene.paint();
//! let file = painting.jpeg(scene.sensor.jpeg_quality);
//! let emblem = painting.truth.emblem.as_ref().expect("the main family always shows one");
//! println!("{} bytes, {:.2} mm wide", file.len(), emblem.width_mm);
//! // The job: artwork files are `scene.versions[i].svg()`, the outlines `.outline()`.
//! ```
//!
//! A change of contrast is given in per cent of the sRGB value, which is what one reads off a
//! picture and is close to the change of lightness.

pub mod cloth;
pub mod demo;
mod designs;
mod draw_scene;
mod drawing;
pub mod emblem;
pub mod family;
mod glyphs;
pub mod imperfect;
pub mod job;
pub mod jpeg;
mod marks;
pub mod mutation;
mod numbers;
mod opening;
mod paint;
pub mod random;
pub mod residue;
pub mod ruler;
pub mod scene;
mod sensor;
mod slot;
pub mod trial;
pub mod truth;

pub use emblem::{Design, Emblem};
pub use family::{Family, Trap};
pub use opening::Opening;
pub use paint::Painting;
pub use scene::Scene;
pub use slot::Slot;
pub use truth::{EmblemTruth, Truth};
