//! The pictures of one emblem: the photo as it came, the fitted outline on it, the residue as the
//! program sees it.

use image::GrayImage;
use measures::{Artwork, ClothPlane, Fit, Photo, Ruler};

/// What the pictures of one emblem are drawn from.
#[derive(Clone, Copy, Debug)]
pub struct Scene<'a> {
    /// The upright photo.
    pub photo: &'a Photo,
    /// The rulers found.
    pub rulers: &'a [Ruler],
    /// The cloth's plane.
    pub plane: Option<&'a ClothPlane>,
    /// The artwork that fits best, and how it lies.
    pub fitted: Option<(&'a Artwork, &'a Fit)>,
    /// The residue as the program sees it: how much each spot looks like residue, dark to bright.
    pub residue: Option<&'a GrayImage>,
}

/// Pictures, encoded; empty where there is nothing to show.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Pictures {
    /// JPEG: the whole photo with the fitted outline and the rulers' ticks (`overlay.jpg`).
    pub overlay_jpg: Vec<u8>,
    /// JPEG: the photo around the emblem, untouched.
    pub before_jpg: Vec<u8>,
    /// JPEG: the same part with the fitted outline.
    pub fitted_jpg: Vec<u8>,
    /// PNG: the residue as the program sees it.
    pub residue_png: Vec<u8>,
    /// JPEG, at most 320 px wide: for the list of all jobs.
    pub thumbnail_jpg: Vec<u8>,
}
