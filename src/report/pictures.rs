//! The pictures of one emblem: the photo as it came, the fitted outline on it, the residue as the
//! program sees it.

use fast_image_resize::images::{Image, ImageRef};
use fast_image_resize::{FilterType, PixelType, ResizeAlg, ResizeOptions, Resizer};
use image::codecs::jpeg::JpegEncoder;
use image::{GrayImage, RgbImage};
use kurbo::PathEl;
use measures::fit::EdgeSample;
use measures::{Art, Artwork, ClothPlane, Fit, Grid, Photo, Point, Px, Ruler, Vector};

use super::Error;
use super::drawing::{Colour, Layer, darken, viridis};
use super::ruler_strip::strip;

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
    /// The residue as the program sees it, and where its pixels lie on the cloth.
    pub residue: Option<(&'a GrayImage, &'a Grid)>,
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
    /// JPEG: the residue as the program sees it.
    pub residue_jpg: Vec<u8>,
    /// JPEG: the photo along the first ruler, with the lengths read from it.
    pub ruler_jpg: Vec<u8>,
    /// JPEG, at most 320 px wide: for the list of all jobs.
    pub thumbnail_jpg: Vec<u8>,
}

/// Widest overlay, in pixels.
const OVERLAY_PX: u32 = 1920;
/// Widest picture inside the report, in pixels.
const INSET_PX: f64 = 1100.0;
/// Widest picture in the list of all jobs, in pixels.
const THUMBNAIL_PX: f64 = 320.0;
/// A residual of this size, and more, has the palette's last colour, in mm.
pub const RESIDUAL_FULL_MM: f64 = 0.5;
const JPEG_QUALITY: u8 = 84;

const DARK: Colour = [12, 12, 16];
const LIGHT: Colour = [250, 250, 250];
const UNSEEN: Colour = [176, 176, 184];

/// Draws the pictures of one emblem.
///
/// # Errors
/// When a picture cannot be encoded.
pub fn draw(scene: &Scene<'_>) -> Result<Pictures, Error> {
    let whole = View::whole(&scene.photo.rgb);
    let near = scene.emblem_view();
    let overlay = || {
        let mut overlay = whole.cut(&scene.photo.rgb)?;
        scene.mark(&mut overlay, &whole);
        jpeg(&overlay)
    };
    let about_the_emblem = || {
        let Some(view) = &near else {
            return Ok((Vec::new(), Vec::new()));
        };
        let mut picture = view.cut(&scene.photo.rgb)?;
        let before = jpeg(&picture)?;
        scene.mark(&mut picture, view);
        Ok::<_, Error>((before, jpeg(&picture)?))
    };
    let small = || {
        let thumbnail = scene.thumbnail(near.as_ref().unwrap_or(&whole))?;
        let residue = scene.residue_picture()?;
        Ok::<_, Error>((residue, scene.ruler_picture()?, jpeg(&thumbnail)?))
    };
    let (overlay, (about, small)) = rayon::join(overlay, || rayon::join(about_the_emblem, small));
    let ((before_jpg, fitted_jpg), (residue_jpg, ruler_jpg, thumbnail_jpg)) = (about?, small?);
    Ok(Pictures {
        overlay_jpg: overlay?,
        before_jpg,
        fitted_jpg,
        residue_jpg,
        ruler_jpg,
        thumbnail_jpg,
    })
}

/// A part of the photo and the size at which it is shown.
#[derive(Clone, Copy, Debug)]
struct View {
    corner: [u32; 2],
    size: [u32; 2],
    scale: f64,
}

impl View {
    fn whole(photo: &RgbImage) -> Self {
        let (width, height) = photo.dimensions();
        let scale = (f64::from(OVERLAY_PX) / f64::from(width.max(height).max(1))).min(1.0);
        Self {
            corner: [0, 0],
            size: [width, height],
            scale,
        }
    }

    /// These places and a little around them; `None` when they lie outside the picture.
    fn around(corners: [Point<Px>; 4], (width, height): (u32, u32)) -> Option<Self> {
        let low = corners
            .iter()
            .fold([f64::INFINITY; 2], |l, p| [l[0].min(p.x), l[1].min(p.y)]);
        let high = corners.iter().fold([f64::NEG_INFINITY; 2], |h, p| {
            [h[0].max(p.x), h[1].max(p.y)]
        });
        let around = 0.14 * (high[0] - low[0]).max(high[1] - low[1]);
        let inside = |v: f64, limit: u32| v.clamp(0.0, f64::from(limit)) as u32;
        let corner = [
            inside(low[0] - around, width),
            inside(low[1] - around, height),
        ];
        let end = [
            inside(high[0] + around, width),
            inside(high[1] + around, height),
        ];
        let size = [0, 1].map(|i| end[i].saturating_sub(corner[i]));
        let scale = (INSET_PX / f64::from(size[0].max(size[1]))).min(2.0);
        size.iter().all(|&s| s >= 8).then_some(Self {
            corner,
            size,
            scale,
        })
    }

    fn cut(&self, photo: &RgbImage) -> Result<RgbImage, Error> {
        let shown = self
            .size
            .map(|px| ((f64::from(px) * self.scale).round() as u32).max(1));
        let pixels = resized(
            photo.as_raw(),
            PixelType::U8x3,
            photo.dimensions(),
            self,
            shown,
        )?;
        Ok(RgbImage::from_raw(shown[0], shown[1], pixels).unwrap_or_default())
    }

    fn place(&self, p: Point<Px>) -> Point<Px> {
        let [x, y] = self.corner.map(f64::from);
        Point::new((p.x - x) * self.scale, (p.y - y) * self.scale)
    }

    /// Widths of strokes, so that they look alike in large and small pictures.
    fn pen(&self) -> f64 {
        let widest = f64::from(self.size[0].max(self.size[1])) * self.scale;
        (widest / 720.0).clamp(0.8, 3.2)
    }
}

impl Scene<'_> {
    /// The emblem and its surroundings.
    fn emblem_view(&self) -> Option<View> {
        let (artwork, fit) = self.fitted?;
        let corners = corners(artwork).map(|p| fit.art_to_photo.apply(p));
        View::around(corners, self.photo.rgb.dimensions())
    }

    /// Outline, ruler ends and legend.
    fn mark(&self, picture: &mut RgbImage, view: &View) {
        self.mark_rulers(picture, view);
        if let Some((artwork, fit)) = self.fitted {
            mark_outline(picture, view, artwork, fit);
            self.legend(picture, view);
        }
    }

    /// Every tick used, and the first and last of the ruler that the press sheet goes by.
    fn mark_rulers(&self, picture: &mut RgbImage, view: &View) {
        let pen = view.pen();
        let marks = self.end_marks(picture, view);
        for (width, colour) in [(3.4 * pen, DARK), (1.3 * pen, LIGHT)] {
            let mut layer = Layer::over(picture);
            for tick in self.rulers.iter().flat_map(|r| &r.ticks) {
                if let [first, .., last] = tick.points.as_slice() {
                    let ends = [view.place(first.at), view.place(last.at)];
                    layer.stroke(ends[0], ends[1], 0.4 * width, colour);
                }
            }
            for mark in &marks {
                layer.polyline(&mark.outline, width, colour);
                let shadow = if colour == DARK { pen } else { 0.0 };
                let at = mark.letter_at + Vector::new(shadow, shadow);
                layer.words(at, LETTER_PENS * pen, colour, mark.letter);
            }
            layer.onto(picture);
        }
    }

    /// The marks round the ends of that ruler.
    fn end_marks(&self, picture: &RgbImage, view: &View) -> Vec<EndMark> {
        let size = [picture.width(), picture.height()].map(f64::from);
        let guide = self.guide();
        guide.map_or_else(Vec::new, |ruler| end_marks(ruler, view, size))
    }

    /// The ruler that the press sheet places the emblem from. How thick it is does not change the
    /// choice.
    fn guide(&self) -> Option<&Ruler> {
        let chosen = self
            .plane
            .zip(self.fitted)
            .and_then(|(plane, (artwork, fit))| {
                press::Placement::choose(self.rulers, plane, artwork, fit, 0.0)
            });
        self.rulers.get(chosen.map_or(0, |(i, _)| i))
    }

    /// The corner for a panel that is farthest from emblem, rulers and their marks.
    fn free_corner(&self, view: &View, picture: &RgbImage, panel: [f64; 2], gap: f64) -> [f64; 2] {
        let emblem = self
            .fitted
            .iter()
            .flat_map(|(artwork, fit)| outline_lines(artwork, fit).concat());
        let rulers = self.rulers.iter().flat_map(|r| {
            let along = |i: usize, j: usize| {
                (0..50).map(move |t| r.body[i].lerp(r.body[j], f64::from(t) / 50.0))
            };
            along(0, 1)
                .chain(along(1, 2))
                .chain(along(2, 3))
                .chain(along(3, 0))
        });
        let marks = self.end_marks(picture, view);
        let marked = marks.iter().flat_map(|m| {
            let letter = [m.letter_at, m.letter_at + Vector::new(0.0, -2.0 * gap)];
            m.outline.iter().copied().chain(letter)
        });
        let seen = emblem.chain(rulers).map(|p| view.place(p));
        let taken: Vec<_> = seen.chain(marked).collect();
        let room = |&[x, y]: &[f64; 2]| {
            let away = |p: &Point<Px>| {
                let dx = (x - p.x).max(p.x - x - panel[0]).max(0.0);
                let dy = (y - p.y).max(p.y - y - panel[1]).max(0.0);
                dx.hypot(dy)
            };
            taken.iter().map(away).fold(f64::INFINITY, f64::min)
        };
        let size = [picture.width(), picture.height()].map(f64::from);
        let [right, low] = [0, 1].map(|i| size[i] - panel[i] - gap);
        let places = [[gap, low], [right, low], [gap, gap], [right, gap]];
        places
            .into_iter()
            .max_by(|a, b| room(a).total_cmp(&room(b)))
            .unwrap_or([gap, gap])
    }

    /// A scale in millimetres and the colours' meaning.
    fn legend(&self, picture: &mut RgbImage, view: &View) {
        let Some((artwork, fit)) = self.fitted else {
            return;
        };
        let unit = 7.0 * view.pen();
        let (width, height) = (unit * 26.0, unit * 9.2);
        let [x, y] = self.free_corner(view, picture, [width, height], unit);
        darken(picture, x, y, width, height);
        let mut layer = Layer::over(picture);
        let at = |dx: f64, dy: f64| Point::new(x + dx * unit, y + dy * unit);
        for i in 0..64 {
            let t = f64::from(i) / 64.0;
            let from = at(1.5 + 10.0 * t, 3.9);
            layer.stroke(
                from,
                from + Vector::new(10.0 * unit / 64.0, 0.0),
                unit,
                viridis(t),
            );
        }
        let size = 2.1 * unit;
        layer.words(at(1.0, 2.4), size, LIGHT, "edge off by, mm");
        layer.words(at(1.0, 6.4), size, LIGHT, "0");
        let most = format!("{RESIDUAL_FULL_MM:.1}+");
        layer.words(at(9.6, 6.4), size, LIGHT, &most);
        layer.stroke(at(15.0, 3.9), at(18.0, 3.9), 0.5 * unit, UNSEEN);
        layer.words(at(19.0, 4.5), size, LIGHT, "not seen");
        if let Some(plane) = self.plane {
            let p = fit
                .art_to_photo
                .apply(artwork.outline.bounding_box().center().into());
            let px_per_mm = plane.px_per_mm_at(p) * view.scale;
            let mm = [50.0, 20.0, 10.0, 5.0, 2.0, 1.0]
                .into_iter()
                .find(|mm| mm * px_per_mm <= 17.0 * unit)
                .unwrap_or(1.0);
            layer.stroke(
                at(1.5, 7.8),
                at(1.5, 7.8) + Vector::new(mm * px_per_mm, 0.0),
                0.5 * unit,
                LIGHT,
            );
            let beside = at(2.5, 8.4) + Vector::new(mm * px_per_mm, 0.0);
            layer.words(beside, size, LIGHT, &format!("{mm:.0} mm"));
        }
        layer.onto(picture);
    }

    fn ruler_picture(&self) -> Result<Vec<u8>, Error> {
        let first = self.rulers.first();
        let strip = first.and_then(|r| strip(&self.photo.rgb, r));
        strip.map_or_else(|| Ok(Vec::new()), |strip| jpeg(&strip))
    }

    fn residue_picture(&self) -> Result<Vec<u8>, Error> {
        let Some((grey, grid)) = self.residue else {
            return Ok(Vec::new());
        };
        let view = self.residue_view(grey, grid);
        let shown = view
            .size
            .map(|px| ((f64::from(px) * view.scale).round() as u32).max(1));
        let pixels = resized(
            grey.as_raw(),
            PixelType::U8,
            grey.dimensions(),
            &view,
            shown,
        )?;
        let picture = GrayImage::from_raw(shown[0], shown[1], pixels).unwrap_or_default();
        let mut bytes = Vec::new();
        JpegEncoder::new_with_quality(&mut bytes, JPEG_QUALITY).encode_image(&picture)?;
        Ok(bytes)
    }

    /// The residue around the emblem, or all of it when nothing was fitted.
    fn residue_view(&self, grey: &GrayImage, grid: &Grid) -> View {
        let near = self.fitted.and_then(|(artwork, fit)| {
            let corners = corners(artwork).map(|p| {
                let (x, y) = grid.index(fit.art_to_cloth.apply(p));
                Point::new(x, y)
            });
            View::around(corners, grey.dimensions())
        });
        near.unwrap_or_else(|| {
            let (width, height) = grey.dimensions();
            let scale = (INSET_PX / f64::from(width.max(height).max(1))).min(2.0);
            View {
                corner: [0, 0],
                size: [width, height],
                scale,
            }
        })
    }

    fn thumbnail(&self, view: &View) -> Result<RgbImage, Error> {
        let widest = f64::from(view.size[0].max(view.size[1]));
        let small = View {
            scale: (THUMBNAIL_PX / widest).min(1.0),
            ..*view
        };
        let mut picture = small.cut(&self.photo.rgb)?;
        if let Some((artwork, fit)) = self.fitted {
            mark_outline(&mut picture, &small, artwork, fit);
        }
        Ok(picture)
    }
}

/// The fitted outline, coloured by how far the residue's edge lies from it, on a casing that
/// shows on dark and on light cloth.
fn mark_outline(picture: &mut RgbImage, view: &View, artwork: &Artwork, fit: &Fit) {
    let pen = view.pen();
    let lines = outline_lines(artwork, fit);
    for (width, casing) in [(5.6, Some(DARK)), (4.0, Some(LIGHT)), (2.4, None)] {
        let mut layer = Layer::over(picture);
        for line in &lines {
            for pair in line.windows(2) {
                let middle = pair[0].lerp(pair[1], 0.5);
                let colour = casing.unwrap_or_else(|| residual_colour(middle, &fit.samples));
                layer.stroke(
                    view.place(pair[0]),
                    view.place(pair[1]),
                    width * pen,
                    colour,
                );
            }
        }
        layer.onto(picture);
    }
}

/// The outline as lines of short pieces in the photo.
fn outline_lines(artwork: &Artwork, fit: &Fit) -> Vec<Vec<Point<Px>>> {
    let bounds = artwork.outline.bounding_box();
    let piece = 0.008 * bounds.width().max(bounds.height()).max(1e-9);
    artwork
        .outline
        .contours()
        .iter()
        .map(|contour| {
            let mut flat: Vec<kurbo::Point> = Vec::new();
            kurbo::flatten(contour, 0.05 * piece, |element| match element {
                PathEl::MoveTo(p) | PathEl::LineTo(p) => divide(&mut flat, p, piece),
                PathEl::ClosePath => {
                    if let Some(&first) = flat.first() {
                        divide(&mut flat, first, piece);
                    }
                }
                PathEl::QuadTo(..) | PathEl::CurveTo(..) => {}
            });
            flat.into_iter()
                .map(|p| fit.art_to_photo.apply(p.into()))
                .collect()
        })
        .collect()
}

fn divide(line: &mut Vec<kurbo::Point>, to: kurbo::Point, piece: f64) {
    if let Some(&from) = line.last() {
        let pieces = (from.distance(to) / piece).ceil().clamp(1.0, 1e4);
        for i in 1..pieces as usize {
            line.push(from.lerp(to, i as f64 / pieces));
        }
    }
    line.push(to);
}

fn residual_colour(at: Point<Px>, samples: &[EdgeSample]) -> Colour {
    let nearest = samples.iter().min_by(|a, b| {
        let (a, b) = (at - a.at, at - b.at);
        a.dot(a).total_cmp(&b.dot(b))
    });
    match nearest.and_then(|s| s.offset_mm) {
        Some(offset) => viridis(offset.abs() / RESIDUAL_FULL_MM),
        None => UNSEEN,
    }
}

/// Height of the letters beside the marks, and the marks' radius, in widths of the pen.
const LETTER_PENS: f64 = 22.0;
const MARK_PENS: f64 = 11.0;

/// A mark round an end of the ruler.
struct EndMark {
    outline: Vec<Point<Px>>,
    letter: &'static str,
    /// Where the letter's baseline begins.
    letter_at: Point<Px>,
}

/// A ring around the first tick used and a square around the last, with their letters; those that
/// lie in a picture of this size, and whole in it.
fn end_marks(ruler: &Ruler, view: &View, size: [f64; 2]) -> Vec<EndMark> {
    let pen = view.pen();
    let radius = MARK_PENS * pen;
    let within =
        |v: f64, most: f64| v.clamp(radius + 2.0 * pen, (most - radius - 2.0 * pen).max(radius));
    let ring: Vec<(f64, f64)> = (0..=48)
        .map(|i| (f64::from(i) / 48.0 * std::f64::consts::TAU).sin_cos())
        .collect();
    let square = vec![
        (1.0, 1.0),
        (1.0, -1.0),
        (-1.0, -1.0),
        (-1.0, 1.0),
        (1.0, 1.0),
    ];
    let ends = ruler.ends.map(|p| view.place(p));
    let inside = |p: &Point<Px>| (0.0..=size[0]).contains(&p.x) && (0.0..=size[1]).contains(&p.y);
    let shapes = ends.into_iter().zip([(ring, "A"), (square, "B")]);
    shapes
        .filter(|(end, _)| inside(end))
        .map(|(end, (shape, letter))| {
            let middle = Point::new(within(end.x, size[0]), within(end.y, size[1]));
            let letter_width = 0.75 * LETTER_PENS * pen;
            let aside = if middle.x + radius + 2.0 * pen + letter_width < size[0] {
                radius + 4.0 * pen
            } else {
                -radius - 3.0 * pen - letter_width
            };
            let shape = shape.into_iter();
            EndMark {
                outline: shape
                    .map(|(x, y)| middle + Vector::new(x, y) * radius)
                    .collect(),
                letter,
                letter_at: Point::new(
                    middle.x + aside,
                    (middle.y - 4.0 * pen).max(0.85 * LETTER_PENS * pen),
                ),
            }
        })
        .collect()
}

/// The corners of an artwork's bounding box, in order round it.
fn corners(artwork: &Artwork) -> [Point<Art>; 4] {
    let b = artwork.outline.bounding_box();
    [(b.x0, b.y0), (b.x1, b.y0), (b.x1, b.y1), (b.x0, b.y1)].map(|(x, y)| Point::new(x, y))
}

/// The pixels of a view at the size shown.
fn resized(
    pixels: &[u8],
    kind: PixelType,
    (width, height): (u32, u32),
    view: &View,
    shown: [u32; 2],
) -> Result<Vec<u8>, Error> {
    let whole = ImageRef::new(width, height, pixels, kind).map_err(Error::resize)?;
    let mut part = Image::new(shown[0], shown[1], kind);
    let [left, top] = view.corner.map(f64::from);
    let [width, height] = view.size.map(f64::from);
    let options = ResizeOptions::new()
        .resize_alg(ResizeAlg::Convolution(FilterType::CatmullRom))
        .crop(left, top, width, height);
    Resizer::new()
        .resize(&whole, &mut part, &options)
        .map_err(Error::resize)?;
    Ok(part.into_vec())
}

fn jpeg(picture: &RgbImage) -> Result<Vec<u8>, Error> {
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, JPEG_QUALITY).encode_image(picture)?;
    Ok(bytes)
}
