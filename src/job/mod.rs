//! The job as people describe it: a folder with a `job.toml`, read with every problem at once.

mod making;
mod name;
mod reader;

use measures::ruler::RulerHint;

use crate::known::KnownWidths;
use crate::problem::Problem;

pub use name::JobName;
pub use reader::read;

/// The file that describes a job.
pub const JOB_FILE: &str = "job.toml";

/// A job whose description holds.
#[derive(Clone, Debug, PartialEq)]
pub struct Job {
    /// The garment.
    pub garment: Garment,
    /// The emblems to be replaced, in the order of the file.
    pub emblems: Vec<Emblem>,
}

/// What is known of the garment.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Garment {
    /// What people call it.
    pub title: Option<String>,
    /// Its cloth: a name from `fabrics.toml`.
    pub fabric: Option<String>,
    /// Iron dots on the care label (ISO 3758), 1 to 3.
    pub iron_dots: Option<u8>,
    /// The day the work was done, as it is to stand on the record.
    pub restored_on: Option<String>,
}

/// One emblem of the job.
#[derive(Clone, Debug, PartialEq)]
pub struct Emblem {
    /// Its name, which also names its folder; a made-up one when the job gives none that can be used.
    pub name: String,
    /// What is to be done, or what is wrong with what the job says about it.
    pub task: Result<Task, Vec<Problem>>,
}

/// What is to be done for one emblem.
#[derive(Clone, Debug, PartialEq)]
pub struct Task {
    /// The photo of its residue.
    pub photo: FileName,
    /// The artwork it could have been.
    pub versions: Vec<FileName>,
    /// What to cut it from: a name from `materials.toml`.
    pub material: String,
    /// Whether the job names the material itself.
    pub material_given: bool,
    /// How many to cut.
    pub copies: u32,
    /// The width the job expects.
    pub expected_width_mm: Option<f64>,
    /// Sizes measured on earlier garments.
    pub known_widths: Option<KnownWidths>,
    /// What the job says of the ruler in the photo.
    pub ruler: RulerHint,
    /// Where the residue lies in the upright photo: x0, y0, x1, y1.
    pub look_in_px: Option<[f64; 4]>,
    /// A photo of the finished article.
    pub after_photo: Option<FileName>,
    /// Places on the garment, in the upright photo of the residue.
    pub landmarks: Vec<press::Landmark>,
    /// The same places in the upright photo of the finished article.
    pub after_landmarks: Vec<press::Landmark>,
    /// Groups of the drawing that are cut from materials of their own; empty for one material.
    pub layers: Vec<Layer>,
    /// Whether what is too fine for the material may be altered.
    pub mend: Option<Mend>,
    /// What is cut along with the pieces.
    pub extras: Vec<cut::Extra>,
}

impl Task {
    /// The names of all materials, that of a single one or those of the layers.
    pub fn materials(&self) -> Vec<&str> {
        if self.layers.is_empty() {
            return vec![&self.material];
        }
        let ground = self.material_given.then_some(self.material.as_str());
        let layers = self.layers.iter().map(|l| l.material.as_str());
        ground.into_iter().chain(layers).collect()
    }
}

/// A group of a drawing and what it is cut from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Layer {
    /// The group's id in the SVG.
    pub group: String,
    /// A name from `materials.toml`.
    pub material: String,
}

/// How an emblem may be altered so that its material holds it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mend {
    /// Strokes and gaps are made as wide as the material needs.
    Thicken,
}

/// A file that the job names, known to lie in the folder, and the line that names it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FileName {
    /// Its path inside the job folder, as written.
    pub path: String,
    /// The line in `job.toml`.
    pub line: Option<usize>,
}
