//! What people look at: the job's report page, the list of all jobs, and the pictures in both.
//!
//! `pictures::draw` makes the pictures of one emblem; `job_page` and `index_page` set them
//! in pages that open from disk, without network or scripts.

mod closeups;
mod difference;
mod drawing;
mod figures;
mod finished_part;
mod index_page;
mod job_page;
mod log_page;
mod outline_marks;
mod overlay;
pub mod pictures;
mod ruler_marks;
mod ruler_plot;
mod ruler_strip;
mod shapes;
mod view;

use measures::ruler::RulerUnit;
use measures::{
    Art, Artwork, AsCut, ClothLines, ClothPlane, CutFrom, Fit, Mm, Outline, Point, Ruler,
    Suspicion, Verdict,
};

pub use index_page::index_page;
pub use job_page::job_page;
pub use log_page::log_page;
pub use pictures::Pictures;

/// Everything the report of one job shows.
#[derive(Clone, Debug)]
pub struct JobReport {
    /// The job's name: its folder's.
    pub job: String,
    /// The garment, as the job calls it.
    pub garment: Option<String>,
    /// The fabric's title.
    pub fabric: Option<String>,
    /// Iron dots on the care label (ISO 3758).
    pub iron_dots: Option<u8>,
    /// The worst verdict of its emblems; [`Verdict::Hold`] for a job that was refused.
    pub verdict: Verdict,
    /// What kept the job, or a part of it, from being worked on.
    pub problems: Vec<Problem>,
    /// The emblems, in the order of the job file.
    pub emblems: Vec<EmblemReport>,
    /// Sheets that several emblems share.
    pub sheets: Vec<FileLink>,
    /// Whether there is a record of restoration.
    pub record: bool,
    /// The settings in force, as they would stand in a file: (file name, text).
    pub settings: Vec<(String, String)>,
    /// Name and version of the program.
    pub program: String,
}

/// Something wrong with what was dropped.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The file, relative to the job's folder.
    pub file: String,
    /// The line in it, counted from 1.
    pub line: Option<usize>,
    /// What was seen.
    pub seen: String,
    /// What was needed.
    pub needed: String,
    /// What to do next.
    pub remedy: String,
}

/// Everything the report shows of one emblem. What is not known is `None` or empty; `reasons`
/// says why.
#[derive(Clone, Debug)]
pub struct EmblemReport {
    /// The emblem's name.
    pub name: String,
    /// What the figures allow.
    pub verdict: Verdict,
    /// Why it is not [`Verdict::Cut`], in plain words.
    pub reasons: Vec<String>,
    /// The photo's file name.
    pub photo: String,
    /// Width and height of the upright photo, in pixels; `None` when it could not be read.
    pub photo_size_px: Option<[u32; 2]>,
    /// The rulers found, the one used first.
    pub rulers: Vec<Ruler>,
    /// The cloth's plane.
    pub plane: Option<ClothPlane>,
    /// The version that fits best, and how it lies.
    pub fitted: Option<Fitted>,
    /// The likeliest other version, as it would lie.
    pub rival: Option<Fitted>,
    /// Where another version than the one that fits best is suspected.
    pub suspicions: Vec<Suspicion>,
    /// Every version compared, in the order of the job file.
    pub versions: Vec<VersionScore>,
    /// Direction of the cloth's stripes, ribs or columns.
    pub fabric_lines: Option<FabricLines>,
    /// The residue's own outline, where no artwork was fitted.
    pub outline: Option<OutlineSize>,
    /// What it is to be cut from.
    pub material: Option<MaterialUsed>,
    /// The finished article, if the job has a photo of it.
    pub finished: Option<FinishedReport>,
    /// Heat warnings and cautions for this material on this fabric.
    pub warnings: Vec<press::Warning>,
    /// The pictures, drawn.
    pub pictures: Pictures,
    /// Files made, in the order to show them.
    pub files: Vec<FileLink>,
    /// What is to be cut, in the order of pressing.
    pub pieces: Vec<CutPiece>,
}

/// A piece to be cut: the emblem, or one of its layers.
#[derive(Clone, Debug, PartialEq)]
pub struct CutPiece {
    /// The layer; empty for an emblem of one material.
    pub layer: String,
    /// The material's name.
    pub material: String,
    /// What people call it.
    pub title: String,
    /// The side that faces the knife.
    pub cut_from: CutFrom,
    /// How many to cut.
    pub copies: u32,
    /// One of them, as cut.
    pub outline: Outline<Mm, AsCut>,
    /// Places that the material may not hold, on the emblem as worn and in the artwork's units.
    pub too_fine: Vec<TooFine>,
    /// The cut file, from the report's own folder.
    pub file: String,
    /// The knife's way between contours in that file, in mm.
    pub travel_mm: f64,
}

/// The version that fits best.
#[derive(Clone, Debug)]
pub struct Fitted {
    /// The artwork.
    pub artwork: Artwork,
    /// Its place, size and turn.
    pub fit: Fit,
    /// Width the job expects, in mm.
    pub expected_width_mm: Option<f64>,
}

impl Fitted {
    /// Width and height to cut: of the filled outline's bounding box, as worn, unrotated, in mm.
    pub fn size_mm(&self) -> [f64; 2] {
        let size = self.artwork.outline.bounding_box().size() * self.fit.mm_per_art;
        [size.width, size.height]
    }
}

/// How well one version explains the photo.
#[derive(Clone, Debug, PartialEq)]
pub struct VersionScore {
    /// The artwork file, as the job names it.
    pub file: String,
    /// Probability that this is the one, 0 to 1.
    pub score: f64,
    /// Width and height at the size that fits best, in mm; `None` when it does not fit at all.
    pub size_mm: Option<[f64; 2]>,
    /// Share of its outline that the residue supports, 0 to 1.
    pub outline_seen: Option<f64>,
    /// Mean distance between fitted and seen edge, in mm.
    pub edge_mean_mm: Option<f64>,
    /// What a person should know of it: text converted, why it could not be read.
    pub notes: Vec<String>,
}

/// How large the residue's own outline is, and how surely it is one. Uncertainties are expanded
/// (k = 2), the scale's included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OutlineSize {
    /// Width of its bounding box, in mm.
    pub width_mm: f64,
    /// Its height.
    pub height_mm: f64,
    /// The width's uncertainty.
    pub u_width_mm: f64,
    /// The height's.
    pub u_height_mm: f64,
    /// Share of it that stands out of the cloth's unevenness, 0 to 1.
    pub border_seen: f64,
    /// How much the next best place stands out, as a share of this one.
    pub rival_share: f64,
}

/// Lines of the cloth itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FabricLines {
    /// As measured on the cloth.
    pub on_cloth: ClothLines,
    /// Their direction in the photo, at the emblem, clockwise from its x axis, in degrees.
    pub angle_deg: f64,
    /// The emblem's turn against them, or against square to them, clockwise, in degrees; measured
    /// on the cloth.
    pub emblem_to_lines_deg: Option<f64>,
}

impl FabricLines {
    /// Lines seen on the cloth, told for the photo and for the emblem that lies there.
    pub fn new(on_cloth: ClothLines, plane: &ClothPlane, fitted: Option<&Fitted>) -> Self {
        let centre = |f: &Fitted| {
            let middle = f.artwork.outline.bounding_box().center();
            f.fit.art_to_cloth.apply(middle.into())
        };
        let at = fitted.map_or_else(|| plane.to_cloth().apply(plane.pose.anchor), centre);
        let (sin, cos) = on_cloth.angle_deg.to_radians().sin_cos();
        let seen = plane.to_photo().jacobian(at) * nalgebra::Vector2::new(cos, sin);
        let emblem = fitted.map(|f| {
            let m = f.fit.art_to_cloth.rows();
            m[1][0].atan2(m[0][0]).to_degrees()
        });
        Self {
            on_cloth,
            angle_deg: seen.y.atan2(seen.x).to_degrees(),
            emblem_to_lines_deg: emblem.map(|deg| on_cloth.turn_of_deg(deg)),
        }
    }
}

/// What the photo of the finished article says.
#[derive(Clone, Debug)]
pub struct FinishedReport {
    /// The photo's file name.
    pub photo: String,
    /// Against the plan; `None` when the emblem was not found in it.
    pub pressed: Option<press::Pressed>,
    /// The pictures, drawn.
    pub pictures: Pictures,
}

/// The material an emblem is cut from.
#[derive(Clone, Debug, PartialEq)]
pub struct MaterialUsed {
    /// Its name in the job file.
    pub name: String,
    /// What people call it.
    pub title: String,
    /// The side that faces the knife.
    pub cut_from: CutFrom,
    /// How many to cut.
    pub copies: u32,
}

/// A stroke or gap narrower than the material can hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TooFine {
    /// Its narrowest spot.
    pub at: Point<Art>,
    /// Its width, in mm.
    pub width_mm: f64,
}

/// A file that the job made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FileLink {
    /// Where it lies, from the report's own folder, with forward slashes.
    pub path: String,
    /// What it is, in a few words.
    pub what: String,
}

/// One job in the list of all jobs.
#[derive(Clone, Debug, PartialEq)]
pub struct IndexEntry {
    /// The job's name: its folder's.
    pub job: String,
    /// The garment, as the job calls it.
    pub garment: Option<String>,
    /// The job's verdict.
    pub verdict: Verdict,
    /// When it was published, as `YYYY-MM-DD HH:MM`, or empty when unknown.
    pub date: String,
    /// Its emblems.
    pub emblems: Vec<IndexEmblem>,
    /// A picture, from the list's own folder.
    pub picture: Option<String>,
}

/// One emblem in the list of all jobs.
#[derive(Clone, Debug, PartialEq)]
pub struct IndexEmblem {
    /// The emblem's name.
    pub name: String,
    /// The version that fits best.
    pub version: Option<String>,
    /// Width and height to cut, in mm.
    pub size_mm: Option<[f64; 2]>,
}

/// Why a page or a picture could not be made.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The page's template failed.
    #[error("the report page could not be written: {0}")]
    Page(#[from] askama::Error),
    /// A picture could not be encoded.
    #[error("a picture for the report could not be written: {0}")]
    Picture(#[from] jpeg_encoder::EncodingError),
    /// A picture could not be brought to its size.
    #[error("a picture for the report could not be made: {0}")]
    Resize(#[from] resizing::Error),
}

/// How a ruler's unit is written.
pub(crate) fn unit_symbol(unit: RulerUnit) -> &'static str {
    match unit {
        RulerUnit::Mm => "mm",
        RulerUnit::Inch => "inch",
    }
}

#[cfg(test)]
mod tests;
