//! Raster artwork to smooth closed outlines: a scan, a screen picture, a photo of a print.
//!
//! The picture's border says what is background; everything else is material. The outline is the
//! line where half of a pixel is material, found between pixels, cut at its corners, and fitted
//! with as few curves as stay within a fraction of a pixel.

mod contours;
mod corners;
mod fitting;
mod palette;
mod picture;
mod regions;

use kurbo::{BezPath, PathSeg, Point, Shape};
use measures::{Art, Artwork, Outline};

use crate::Error;
use crate::layers::{Layer, Shape as Filled};
use crate::region;
use palette::Labels;
use picture::Picture;
use regions::Borders;

/// Loops smaller than this are dust, fringes of JPEG, single pixels: in square pixels.
const SPECK_PX2: f64 = 8.0;

/// A region of one colour.
#[derive(Clone, Debug, PartialEq)]
pub struct ColourRegion {
    /// Its colour, sRGB.
    pub colour: [u8; 3],
    /// Its area, in pixels of the upright picture.
    pub outline: Outline<Art>,
}

/// A picture traced.
#[derive(Clone, Debug, PartialEq)]
pub struct Tracing {
    /// All that is not background, as one outline.
    pub artwork: Artwork,
    /// Where the picture has several colours: each colour's region, the largest first. Neighbours
    /// share their border exactly.
    pub regions: Vec<ColourRegion>,
    /// Largest distance from the edges seen to the curves, in pixels.
    pub deviation_px: f64,
    /// Nodes of all curves.
    pub nodes: usize,
}

/// Traces the PNG or JPEG `bytes` that the job calls `file`. The outline is in pixels of the
/// upright picture: the top-left one covers (0, 0)–(1, 1).
///
/// # Errors
/// When the bytes are no picture, are too large, or show nothing that differs from the border.
pub fn trace(bytes: &[u8], file: &str) -> Result<Artwork, Error> {
    trace_colours(bytes, file, 0.0).map(|t| t.artwork)
}

/// Traces a picture colour by colour. With an overlap, each region reaches so far under those that
/// come after it, for layers pressed one over the other.
///
/// # Errors
/// As [`trace`].
pub fn trace_colours(bytes: &[u8], file: &str, overlap_px: f64) -> Result<Tracing, Error> {
    let image = picture::decode(bytes, file)?;
    match Labels::of(&image, picture::background(&image)) {
        Some(labels) => in_colours(&labels, (image.width(), image.height()), file, overlap_px),
        None => in_one_colour(&Picture::from_rgba(&image), file),
    }
}

fn in_one_colour(picture: &Picture, file: &str) -> Result<Tracing, Error> {
    let loops = contours::loops(picture);
    let (loops, dust): (Vec<_>, Vec<_>) = loops
        .into_iter()
        .partition(|ring| contours::area(ring).abs() >= SPECK_PX2);
    let traced: Vec<BezPath> = loops.iter().map(|ring| fitting::fit(ring)).collect();
    if traced.is_empty() {
        return Err(Error::NoArea {
            file: file.to_owned(),
            hint: ": nothing in the picture differs from its border",
        });
    }
    let deviation = |(l, t): (&Vec<Point>, &BezPath)| deviation_px(l, t.segments());
    let deviation_px = loops.iter().zip(&traced).map(deviation).fold(0.0, f64::max);
    let size = (picture.width, picture.height);
    let mut notes = Vec::new();
    if picture.several_colours {
        notes.push(
            "the picture has several shades: all are material; the edges of the darker ones may \
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
    tracing(&traced, size, deviation_px, notes, file)
}

fn in_colours(
    labels: &Labels,
    size: (u32, u32),
    file: &str,
    overlap_px: f64,
) -> Result<Tracing, Error> {
    let mut borders = Borders::new(labels);
    let mut regions: Vec<(f64, [u8; 3], Vec<BezPath>)> = (1..labels.colours.len())
        .map(|i| {
            let contours = borders.region(|l| usize::from(l) == i);
            let colour = labels.colours[i].map(|v| v.round() as u8);
            (contours.iter().map(Shape::area).sum(), colour, contours)
        })
        .filter(|(area, ..)| *area >= SPECK_PX2)
        .collect();
    regions.sort_by(|a, b| b.0.total_cmp(&a.0));
    let whole = borders.region(|l| l != 0);
    let note = format!("{} colours, told apart with shared borders", regions.len());
    let mut traced = tracing(&whole, size, borders.deviation_px, vec![note], file)?;
    let contours: Vec<Vec<BezPath>> = regions.iter().map(|r| r.2.clone()).collect();
    for (i, (_, colour, own)) in regions.into_iter().enumerate() {
        let outline = if overlap_px > 0.0 {
            reaching_under(&own, &contours[i + 1..], overlap_px, file)?
        } else {
            let holes: Vec<bool> = own.iter().map(|c| c.area() < 0.0).collect();
            Outline::from_contours(own, &holes)
        };
        traced.regions.push(ColourRegion { colour, outline });
    }
    let nodes = |r: &ColourRegion| -> usize { node_count(r.outline.contours()) };
    traced.nodes = traced.regions.iter().map(nodes).sum();
    Ok(traced)
}

/// A region that reaches `overlap_px` under those that lie above it.
fn reaching_under(
    own: &[BezPath],
    above: &[Vec<BezPath>],
    overlap_px: f64,
    file: &str,
) -> Result<Outline<Art>, Error> {
    let joined =
        |contours: &[BezPath]| -> BezPath { contours.iter().flat_map(BezPath::iter).collect() };
    let filled = |path: BezPath, even_odd: bool| Filled { path, even_odd };
    let pen = kurbo::Stroke::new(2.0 * overlap_px).with_join(kurbo::Join::Round);
    let rim = kurbo::stroke(joined(own), &pen, &kurbo::StrokeOpts::default(), 0.01);
    let layer = |shape, clips| Layer {
        shape,
        white: false,
        clips,
        group: None,
    };
    let mut layers = vec![layer(filled(joined(own), true), Vec::new())];
    if !above.is_empty() {
        let clip = above.iter().map(|c| filled(joined(c), true)).collect();
        layers.push(layer(filled(rim, false), vec![clip]));
    }
    let area = region::fill(&layers, file)?;
    Ok(Outline::from_contours(area.contours, &area.holes))
}

/// The outline from traced contours; curves that cross where the picture is finer than a pixel are
/// put right like a drawing's.
fn tracing(
    traced: &[BezPath],
    (width, height): (u32, u32),
    deviation_px: f64,
    mut notes: Vec<String>,
    file: &str,
) -> Result<Tracing, Error> {
    let nodes = node_count(traced);
    notes.insert(
        0,
        format!(
            "traced from a picture of {width} x {height} pixels: {nodes} nodes, curves within \
             {deviation_px:.2} pixels of the edge"
        ),
    );
    let layer = Layer {
        shape: Filled {
            path: traced.iter().flat_map(BezPath::iter).collect(),
            even_odd: true,
        },
        white: false,
        clips: Vec::new(),
        group: None,
    };
    let area = region::fill(&[layer], file)?;
    notes.extend(area.notes);
    Ok(Tracing {
        artwork: Artwork {
            file: file.to_owned(),
            outline: Outline::from_contours(area.contours, &area.holes),
            notes,
        },
        regions: Vec::new(),
        deviation_px,
        nodes,
    })
}

fn node_count(contours: &[BezPath]) -> usize {
    contours.iter().map(|c| c.segments().count()).sum()
}

/// Largest distance from traced points to their curves.
fn deviation_px(points: &[Point], curves: impl IntoIterator<Item = PathSeg>) -> f64 {
    use kurbo::ParamCurveNearest;
    let segments: Vec<_> = curves.into_iter().map(|s| (s, s.bounding_box())).collect();
    let distance = |p: Point| {
        segments
            .iter()
            .filter(|(_, b)| b.inflate(3.0, 3.0).contains(p))
            .map(|(s, _)| s.nearest(p, 1e-3).distance_sq)
            .fold(9.0, f64::min)
            .sqrt()
    };
    points
        .iter()
        .step_by(3)
        .map(|p| distance(*p))
        .fold(0.0, f64::max)
}
