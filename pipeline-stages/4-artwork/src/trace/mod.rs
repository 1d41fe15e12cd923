//! Raster artwork to smooth closed outlines: a scan, a screen picture, a photo of a print.
//!
//! The picture's border says what is background; everything else is material. The outline is the
//! line where half of a pixel is material, found between pixels, cut at its corners, and fitted
//! with as few curves as stay within a fraction of a pixel.

mod contours;
mod corners;
mod fitting;
mod picture;

use kurbo::{BezPath, Point, Shape};
use measures::{Artwork, Outline};

use crate::Error;
use crate::layers::{Layer, Shape as Filled};
use crate::region;
use picture::Picture;

/// Loops smaller than this are dust, fringes of JPEG, single pixels: in square pixels.
const SPECK_PX2: f64 = 8.0;

/// Traces the PNG or JPEG `bytes` that the job calls `file`. The outline is in pixels of the
/// upright picture: the top-left one covers (0, 0)–(1, 1).
///
/// # Errors
/// When the bytes are no picture, are too large, or show nothing that differs from the border.
pub fn trace(bytes: &[u8], file: &str) -> Result<Artwork, Error> {
    let picture = Picture::read(bytes, file)?;
    let loops = contours::loops(&picture);
    let (loops, dust): (Vec<_>, Vec<_>) = loops
        .into_iter()
        .partition(|ring| contours::area(ring).abs() >= SPECK_PX2);
    let no_area = || Error::NoArea {
        file: file.to_owned(),
        hint: ": nothing in the picture differs from its border",
    };
    let traced: Vec<BezPath> = loops.iter().map(|ring| fitting::fit(ring)).collect();
    if traced.is_empty() {
        return Err(no_area());
    }
    let deviation = loops
        .iter()
        .zip(&traced)
        .map(|(l, t)| deviation_px(l, t))
        .fold(0.0, f64::max);
    let nodes: usize = traced.iter().map(|t| t.segments().count()).sum();
    let mut notes = vec![format!(
        "traced from a picture of {} x {} pixels: {nodes} nodes, curves within {deviation:.2} pixels of the edge",
        picture.width, picture.height
    )];
    if picture.several_colours {
        notes.push(
            "the picture has several colours: all are material; the edges of the darker ones may \
             lie up to half a pixel too far out"
                .to_owned(),
        );
    }
    if !dust.is_empty() {
        notes.push(format!(
            "{} speck(s) smaller than {SPECK_PX2} pixels left out",
            dust.len()
        ));
    }
    // Curves that cross where the picture is finer than a pixel are put right like a drawing's.
    let path = traced.iter().flat_map(BezPath::iter).collect();
    let layer = Layer {
        shape: Filled {
            path,
            even_odd: true,
        },
        white: false,
        clips: Vec::new(),
        group: None,
    };
    let area = region::fill(&[layer], file)?;
    notes.extend(area.notes);
    let outline = Outline::from_contours(area.contours, &area.holes);
    Ok(Artwork {
        file: file.to_owned(),
        outline,
        notes,
    })
}

/// Largest distance from the points of a loop to its curves.
fn deviation_px(ring: &[Point], curves: &BezPath) -> f64 {
    use kurbo::ParamCurveNearest;
    let segments: Vec<_> = curves.segments().map(|s| (s, s.bounding_box())).collect();
    let distance = |p: Point| {
        segments
            .iter()
            .filter(|(_, b)| b.inflate(3.0, 3.0).contains(p))
            .map(|(s, _)| s.nearest(p, 1e-3).distance_sq)
            .fold(9.0, f64::min)
            .sqrt()
    };
    ring.iter()
        .step_by(3)
        .map(|p| distance(*p))
        .fold(0.0, f64::max)
}
