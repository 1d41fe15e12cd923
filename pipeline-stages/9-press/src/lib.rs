//! The press sheet: a true-size placement template, the settings and the steps, the cautions; and
//! what heat the cloth stands.

#[cfg(test)]
extern crate self as press;

mod canvas;
mod card;
mod facts;
mod flow;
mod handedness;
mod heat;
mod marks;
mod placement;
mod plan;
mod pressed;
mod record;
mod steps;
mod template;
mod tiles;
mod words;

use measures::unit::MM_PER_INCH;
use measures::{Art, Artwork, ClothLines, ClothPlane, Fit, Map, Mm, Ruler, Vector, Verdict};
use serde::Deserialize;

pub use card::{card, card_sides_mm};
pub use facts::{Fabric, Material, MaterialKind, Peel, Sourced};
pub use heat::{IRON_CEILINGS_CELSIUS, cautions, heat_warnings};
pub use placement::Placement;
pub use plan::material_for_garment;
pub use pressed::{
    Finished, LooseEdge, PlacedBy, Pressed, PressedSettings, ScaledBy, by_landmarks, compare,
};
pub use record::{RecordContent, RecordEmblem, RecordSettings, record};
pub use words::Landmark;

/// A paper size (ISO 216 A4; ANSI Letter, 8.5 × 11 inches).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Paper {
    /// 210 × 297 mm.
    A4,
    /// 215.9 × 279.4 mm.
    Letter,
}

impl Paper {
    /// Width and height, in mm.
    pub const fn size_mm(self) -> [f64; 2] {
        match self {
            Self::A4 => [210.0, 297.0],
            Self::Letter => [8.5 * MM_PER_INCH, 11.0 * MM_PER_INCH],
        }
    }
}

/// The sheet's own settings, section `[press]`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Paper in the printer.
    pub paper: Paper,
    /// Edge of the paper that the printer leaves white, in mm.
    pub margin_mm: f64,
    /// How far neighbouring pages of a large template repeat each other, in mm.
    pub tile_overlap_mm: f64,
}

/// Something that a person should read before pressing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Warning {
    /// How far it lowers the verdict; [`Verdict::Cut`] for a plain caution.
    pub verdict: Verdict,
    /// What it is about, in a few words.
    pub title: String,
    /// What was seen, and what can be done.
    pub text: String,
    /// Where it comes from.
    pub source: String,
}

/// What the sheet of one emblem is made from.
#[derive(Clone, Copy, Debug)]
pub struct SheetContent<'a> {
    /// The job's name.
    pub job: &'a str,
    /// The garment's title; empty when the job gives none.
    pub garment: &'a str,
    /// The emblem's name.
    pub emblem: &'a str,
    /// The emblem's verdict; no sheet is made for [`Verdict::Hold`].
    pub verdict: Verdict,
    /// Why it is not [`Verdict::Cut`].
    pub reasons: &'a [String],
    /// The version that fits.
    pub artwork: &'a Artwork,
    /// How it lies on the residue.
    pub fit: &'a Fit,
    /// The cloth.
    pub plane: &'a ClothPlane,
    /// The rulers in the photo; the emblem is placed from one of them (see
    /// [`Placement::choose`]).
    pub rulers: &'a [Ruler],
    /// The cloth's own lines, if any are seen.
    pub lines: Option<ClothLines>,
    /// Places on the garment that the job names, in the photo; the cloth must lie flat there.
    pub landmarks: &'a [Landmark],
    /// Thickness of the rulers, in mm.
    pub ruler_thickness_mm: f64,
    /// What it is cut from; of several layers, the one pressed first.
    pub material: &'a Material,
    /// The layers in the order of pressing; empty for an emblem of one material.
    pub layers: &'a [Layer<'a>],
    /// What it is pressed on, if the job says so.
    pub fabric: Option<&'a Fabric>,
    /// Iron dots on the care label (ISO 3758): 0 for a crossed-out iron, 1 to 3, `None` without a
    /// label.
    pub iron_dots: Option<u8>,
    /// How many of this emblem are wanted.
    pub copies: u32,
}

/// A layer of an emblem of several materials.
#[derive(Clone, Copy, Debug)]
pub struct Layer<'a> {
    /// How it is called in the drawing.
    pub name: &'a str,
    /// What it is cut from, as planned for this garment.
    pub material: &'a Material,
}

/// Why no sheet was made.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The emblem must not be cut.
    #[error(
        "the verdict of emblem \"{emblem}\" is hold, so no press sheet is made; see the reasons in \
         report.html"
    )]
    Held {
        /// The emblem's name.
        emblem: String,
    },
    /// Nothing to draw.
    #[error(
        "the artwork \"{file}\" has no filled area, so there is nothing to place; draw the \
         emblem as filled shapes"
    )]
    EmptyOutline {
        /// The artwork file.
        file: String,
    },
    /// Margins that leave no room.
    #[error(
        "default.toml, section [press]: margin_mm and tile_overlap_mm leave no room on the paper; \
         use a margin of 0 to 25 mm and an overlap of 5 to 50 mm"
    )]
    Paper,
    /// Margins that leave no room for the scale card.
    #[error(
        "default.toml, section [press]: margin_mm leaves no room for the scale card on the paper; \
         use a margin of 0 to 10 mm"
    )]
    Card,
    /// The built-in typeface is damaged: a fault of the program.
    #[error("the built-in typeface could not be read; reinstall the program")]
    Font,
    /// The PDF could not be finished: a fault of the program.
    #[error("the press sheet could not be written: {0}")]
    Pdf(String),
}

/// Draws the press sheet: a PDF with the placement template at true size, then settings, steps
/// and cautions. The same content gives the same bytes.
///
/// # Errors
/// When the verdict is [`Verdict::Hold`], when there is nothing to draw, or when the settings
/// leave no room on the paper.
pub fn sheet(content: &SheetContent<'_>, settings: &Settings) -> Result<Vec<u8>, Error> {
    let (pages, faces) = laid_out(content, settings)?;
    let title = format!("Press sheet: {} · {}", content.job, content.emblem);
    canvas::write(&pages, settings.paper.size_mm(), &title, &faces)
}

fn laid_out(
    content: &SheetContent<'_>,
    settings: &Settings,
) -> Result<(Vec<canvas::Page>, canvas::Faces), Error> {
    if content.verdict == Verdict::Hold {
        return Err(Error::Held {
            emblem: content.emblem.to_owned(),
        });
    }
    if !((0.0..=25.0).contains(&settings.margin_mm)
        && (5.0..=50.0).contains(&settings.tile_overlap_mm))
    {
        return Err(Error::Paper);
    }
    let upright: Map<Art, Mm> = Map::similarity(content.fit.mm_per_art, 0.0, Vector::new(0.0, 0.0));
    let outline = content.artwork.outline.mapped(&upright);
    if outline.contours().is_empty() {
        return Err(Error::EmptyOutline {
            file: content.artwork.file.clone(),
        });
    }
    let SheetContent {
        rulers,
        plane,
        artwork,
        fit,
        ruler_thickness_mm,
        ..
    } = *content;
    let placement = Placement::choose(rulers, plane, artwork, fit, ruler_thickness_mm);
    let placement = placement.map(|(_, placement)| placement);
    let faces = canvas::Faces::load()?;
    let template = template::Template {
        content,
        settings,
        faces: &faces,
        outline,
        placement,
    };
    let mut pages = template.pages();
    pages.extend(steps::pages(content, settings, &faces));
    let of = format!(
        "{}  ·  {}  ·  measured from a photo: check against the garment",
        content.job, content.emblem
    );
    number_pages(&mut pages, settings, &of);
    Ok((pages, faces))
}

/// A line at the foot of each page: which page of how many, and of what.
fn number_pages(pages: &mut [canvas::Page], settings: &Settings, of: &str) {
    let at = kurbo::Point::new(
        settings.margin_mm,
        settings.paper.size_mm()[1] - settings.margin_mm - 0.5,
    );
    let style = canvas::Style::plain(7.5).ink(canvas::GREY);
    let count = pages.len();
    for (i, page) in pages.iter_mut().enumerate() {
        let words = format!("Page {} of {count}  ·  {of}", i + 1);
        page.push(canvas::text(at, style, words));
    }
}

#[cfg(test)]
mod tests;
