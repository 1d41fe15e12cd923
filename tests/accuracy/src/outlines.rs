//! Residues whose artwork is not known: their outline's width and height against the truth.

use kurbo::Rect;
use measures::{Point, Px, ResidueField};
use residue::{Focus, View};
use scene_painter::{Family, Scene};
use serde::Serialize;

use crate::Settings;
use crate::fitting::hint;

/// Families painted, in small pictures.
pub const FAMILIES: [Family; 6] = [
    small(&Family::MAIN),
    small(&Family::PLAIN),
    small(&Family::PATCHY),
    small(&Family::FAINT),
    small(&Family::FOLDS),
    small(&Family::STRIPES),
];

/// Every second job says where the residue is, so far about it.
const LOOK_ABOUT_PX: f64 = 80.0;

const fn small(family: &Family) -> Family {
    Family {
        size_px: Family::QUICK.size_px,
        px_per_mm: Family::QUICK.px_per_mm,
        width_mm: Family::QUICK.width_mm,
        ..*family
    }
}

/// What was measured of one residue.
#[derive(Clone, Debug, Serialize)]
pub struct Outcome {
    /// The family.
    pub family: String,
    /// Seed of the scene.
    pub seed: u64,
    /// How far the outline's box and the true one cover each other: their intersection as a share
    /// of their union; 0 when no outline was drawn.
    pub overlap: f64,
    /// Errors of width and height, and their stated bound, in millimetres, the scale's own error
    /// left out.
    pub errors_mm: [f64; 2],
    /// The bounds (k = 2).
    pub u_mm: [f64; 2],
}

impl Outcome {
    /// Whether the outline is the residue's at all.
    pub fn found(&self) -> bool {
        self.overlap > 0.8
    }
}

/// The cloth of a painted scene laid flat, and the box about its residue, adhesive that has bled
/// included, as the program's own scale has it.
///
/// # Errors
/// When photo or ruler could not be read.
pub fn laid_flat(scene: &Scene, settings: &Settings) -> Result<(ResidueField, Rect), String> {
    let painting = scene.paint();
    let jpeg = painting.jpeg(scene.sensor.jpeg_quality);
    let photo = photo::read(&jpeg, "photo.jpg", &settings.photo).map_err(|e| e.to_string())?;
    let hint = hint(scene);
    let rulers = ruler::find(&photo, &hint, &settings.ruler).rulers;
    let plane = scale::cloth_plane(&rulers, &photo.camera, &hint, &settings.scale)
        .map_err(|e| e.to_string())?;
    let emblem = painting.truth.emblem.as_ref().ok_or("no residue")?;
    let seen = emblem
        .outline
        .mapped(&emblem.emblem_to_photo)
        .bounding_box();
    let about = seen.inflate(LOOK_ABOUT_PX, LOOK_ABOUT_PX);
    let corners: [Point<Px>; 2] = [
        Point::new(about.x0, about.y0),
        Point::new(about.x1, about.y1),
    ];
    let look_in = scene.seed.is_multiple_of(2).then_some(corners);
    let field = residue::measure(&photo, &plane, &rulers, look_in, &settings.residue);
    let to_cloth = emblem.emblem_to_photo.then(plane.to_cloth());
    let truth = emblem.outline.mapped(&to_cloth).bounding_box();
    Ok((field, truth.inflate(emblem.bleed_mm, emblem.bleed_mm)))
}

/// Measures one scene as the program would without artwork.
///
/// # Errors
/// When photo or ruler could not be read.
pub fn measure(scene: &Scene, settings: &Settings) -> Result<Outcome, String> {
    let (field, truth) = laid_flat(scene, settings)?;
    let grid = &field.grid;
    let everywhere = [
        grid.place(0.0, 0.0),
        grid.place(grid.width as f64, grid.height as f64),
    ];
    let [low, high] = field.look_in.unwrap_or(everywhere);
    let focus = Focus {
        low,
        high,
        expected: None,
    };
    let seen = View::new(&field, &focus).and_then(|view| residue::outline(&view));
    let shown = seen.as_ref().map(|s| s.outline.bounding_box());
    let both = shown.map_or(0.0, |b| b.intersect(truth).area().max(0.0));
    Ok(Outcome {
        family: scene.family.clone(),
        seed: scene.seed,
        overlap: shown.map_or(0.0, |b| both / (b.area() + truth.area() - both)),
        errors_mm: seen.as_ref().map_or([f64::NAN; 2], |s| {
            [s.width_mm - truth.width(), s.height_mm - truth.height()]
        }),
        u_mm: seen.map_or([f64::NAN; 2], |s| s.u_size_mm),
    })
}
