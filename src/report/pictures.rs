//! The pictures of one emblem: the photo as it came, the fitted outline on it, its worst places
//! close up, the residue as the program sees it, and where versions differ on that.

use image::{GrayImage, RgbImage};
use measures::{Art, Artwork, ClothPlane, Fit, Grid, Map, Mm, Photo, Point, Px, Ruler, Suspicion};

use super::Error;
use super::closeups::{self, Closeup, Place};
use super::difference;
use super::outline_marks::{Traced, corners};
use super::overlay::Marks;
use super::ruler_strip::strip;
use super::view::{INSET_PX, View, jpeg, jpeg_grey};

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
    /// The likeliest other version, and how it would lie.
    pub rival: Option<(&'a Artwork, &'a Fit)>,
    /// Where another version is suspected.
    pub suspicions: &'a [Suspicion],
    /// The residue as the program sees it, and where its pixels lie on the cloth.
    pub residue: Option<(&'a GrayImage, &'a Grid)>,
}

/// Pictures, encoded; empty where there is nothing to show.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Pictures {
    /// JPEG: the whole photo with the fitted outline and the rulers' ticks (`overlay.jpg`).
    pub overlay_jpg: Vec<u8>,
    /// JPEG: the photo around the emblem, untouched.
    pub before_jpg: Vec<u8>,
    /// JPEG: the same part with the fitted outline.
    pub fitted_jpg: Vec<u8>,
    /// The outline's worst places, close up (`closeup-1.jpg` and so on).
    pub closeups: Vec<Closeup>,
    /// JPEG: the residue as the program sees it (`residue.jpg`).
    pub residue_jpg: Vec<u8>,
    /// Where the likeliest other version differs, on the residue (`difference.jpg`).
    pub difference: Option<Difference>,
    /// JPEG: the photo along the first ruler, with the lengths read from it.
    pub ruler_jpg: Vec<u8>,
    /// JPEG, at most 320 px wide: for the list of all jobs.
    pub thumbnail_jpg: Vec<u8>,
}

/// Where two versions differ.
#[derive(Clone, Debug, PartialEq)]
pub struct Difference {
    /// JPEG: the residue, tinted where only one of the two would have left any.
    pub jpg: Vec<u8>,
    /// The other version's file.
    pub rival: String,
    /// What only the version that fits best covers, and what only the other does, in mm².
    pub only_mm2: [f64; 2],
}

/// Widest overlay, in pixels.
const OVERLAY_PX: f64 = 1920.0;
/// Widest picture in the list of all jobs, in pixels.
const THUMBNAIL_PX: f64 = 320.0;

/// What shows the photo and its rulers alone: it need not wait for a fit.
#[derive(Debug)]
pub struct Plain {
    whole: RgbImage,
    ruler_jpg: Vec<u8>,
}

impl Plain {
    /// The photo, smaller, and along its first ruler.
    ///
    /// # Errors
    /// When a picture cannot be encoded.
    pub fn new(photo: &RgbImage, rulers: &[Ruler]) -> Result<Self, Error> {
        let strip = || rulers.first().and_then(|ruler| strip(photo, ruler));
        let ruler_jpg = || strip().map_or_else(|| Ok(Vec::new()), |strip| jpeg(&strip));
        let (whole, ruler_jpg) = rayon::join(|| whole(photo).cut(photo), ruler_jpg);
        Ok(Self {
            whole: whole?,
            ruler_jpg: ruler_jpg?,
        })
    }
}

fn whole(photo: &RgbImage) -> View {
    View::whole(photo.dimensions(), OVERLAY_PX, 1.0)
}

/// Draws the pictures of one emblem.
///
/// # Errors
/// When a picture cannot be encoded.
pub fn draw(scene: &Scene<'_>, plain: Plain) -> Result<Pictures, Error> {
    let places = scene
        .fitted
        .map(|(_, fit)| closeups::worst_places(fit, scene.suspicions));
    let marks = Marks::new(scene, places.unwrap_or_default());
    let Plain {
        whole: mut overlay,
        ruler_jpg,
    } = plain;
    let overlay = || {
        let thumbnail = scene.emblem_view().is_none().then(|| small(&overlay));
        marks.draw(&mut overlay, &whole(&scene.photo.rgb));
        Ok::<_, Error>((jpeg(&overlay)?, thumbnail.transpose()?))
    };
    let about_the_emblem = || scene.about_the_emblem(&marks);
    let closeups = || scene.closeups(marks.traced.as_ref(), &marks.places);
    let seen = || Ok::<_, Error>((scene.residue_picture()?, scene.difference()?));
    let ((overlay, about), (closeups, seen)) = rayon::join(
        || rayon::join(overlay, about_the_emblem),
        || rayon::join(closeups, seen),
    );
    let ((overlay_jpg, of_whole), about) = (overlay?, about?);
    let (closeups, (residue_jpg, difference)) = (closeups?, seen?);
    Ok(Pictures {
        overlay_jpg,
        before_jpg: about.before_jpg,
        fitted_jpg: about.fitted_jpg,
        closeups,
        residue_jpg,
        difference,
        ruler_jpg,
        thumbnail_jpg: of_whole.unwrap_or(about.thumbnail_jpg),
    })
}

/// Draws the emblem and its surroundings alone.
///
/// # Errors
/// When a picture cannot be encoded.
pub fn draw_emblem(scene: &Scene<'_>) -> Result<Pictures, Error> {
    scene.about_the_emblem(&Marks::new(scene, Vec::new()))
}

/// For the list of all jobs.
fn small(picture: &RgbImage) -> Result<Vec<u8>, Error> {
    jpeg(&View::whole(picture.dimensions(), THUMBNAIL_PX, 1.0).cut(picture)?)
}

impl Scene<'_> {
    /// The emblem and its surroundings: untouched, with the outline, and small.
    fn about_the_emblem(&self, marks: &Marks<'_>) -> Result<Pictures, Error> {
        let Some(view) = self.emblem_view() else {
            return Ok(Pictures::default());
        };
        let mut picture = view.cut(&self.photo.rgb)?;
        let before_jpg = jpeg(&picture)?;
        let shrunk = View::whole(picture.dimensions(), THUMBNAIL_PX, 1.0);
        let mut thumbnail = shrunk.cut(&picture)?;
        if let Some(traced) = &marks.traced {
            let scale = view.scale * shrunk.scale;
            traced.mark(&mut thumbnail, &View { scale, ..view });
        }
        marks.draw(&mut picture, &view);
        Ok(Pictures {
            before_jpg,
            fitted_jpg: jpeg(&picture)?,
            thumbnail_jpg: jpeg(&thumbnail)?,
            ..Pictures::default()
        })
    }

    /// The emblem and its surroundings.
    fn emblem_view(&self) -> Option<View> {
        let (artwork, fit) = self.fitted?;
        let corners = corners(artwork).map(|p| fit.art_to_photo.apply(p));
        View::around(&corners, self.photo.rgb.dimensions())
    }

    fn closeups(&self, traced: Option<&Traced>, places: &[Place]) -> Result<Vec<Closeup>, Error> {
        match (self.fitted, traced) {
            (Some((_, fit)), Some(traced)) => {
                closeups::draw(&self.photo.rgb, traced, fit.bleed_mm, places)
            }
            _ => Ok(Vec::new()),
        }
    }

    fn residue_picture(&self) -> Result<Vec<u8>, Error> {
        let Some((grey, grid)) = self.residue else {
            return Ok(Vec::new());
        };
        jpeg_grey(&self.residue_view(grey, grid).cut_grey(grey)?)
    }

    /// The residue around the emblem, or all of it when nothing was fitted.
    fn residue_view(&self, grey: &GrayImage, grid: &Grid) -> View {
        let near = self.fitted.and_then(|fitted| {
            let corners = self.corners_seen(fitted, grid);
            View::around(&corners, grey.dimensions())
        });
        near.unwrap_or_else(|| View::whole(grey.dimensions(), INSET_PX, 2.0))
    }

    /// The corners of an artwork's bounding box in the residue's picture.
    fn corners_seen(&self, (artwork, fit): (&Artwork, &Fit), grid: &Grid) -> [Point<Px>; 4] {
        let on_cloth = self.on_cloth(fit);
        corners(artwork).map(|p| pixel(grid, on_cloth.apply(p)))
    }

    /// Where an artwork lies on the cloth as the residue's picture shows it.
    fn on_cloth(&self, fit: &Fit) -> Map<Art, Mm> {
        self.plane
            .map_or(fit.art_to_cloth, |plane| fit.lies_on(plane))
    }

    /// Where the version that fits best and the likeliest other one differ.
    fn difference(&self) -> Result<Option<Difference>, Error> {
        let (Some((grey, grid)), Some(best), Some(rival)) = (self.residue, self.fitted, self.rival)
        else {
            return Ok(None);
        };
        let corners = [best, rival].map(|fitted| self.corners_seen(fitted, grid));
        let Some(view) = View::around(corners.as_flattened(), grey.dimensions()) else {
            return Ok(None);
        };
        let shown = view.cut_grey(grey)?;
        let mut picture = image::DynamicImage::ImageLuma8(shown).into_rgb8();
        let [first, second] = [best, rival].map(|(artwork, fit)| difference::Lying {
            file: &artwork.file,
            outline: &artwork.outline,
            to_cloth: self.on_cloth(fit),
        });
        let place = |p: Point<Mm>| view.place(pixel(grid, p));
        let Some(only) = difference::mark(&mut picture, [&first, &second], &place) else {
            return Ok(None);
        };
        let mm2 = (grid.pitch_mm / view.scale).powi(2);
        Ok(Some(Difference {
            jpg: jpeg(&picture)?,
            rival: rival.0.file.clone(),
            only_mm2: only.map(|pixels| pixels * mm2),
        }))
    }
}

/// Where a place on the cloth lies in a picture whose pixels are the grid's samples.
fn pixel(grid: &Grid, p: Point<Mm>) -> Point<Px> {
    let (u, v) = grid.index(p);
    Point::new(u + 0.5, v + 0.5)
}
