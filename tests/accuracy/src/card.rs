//! The printed scale card in a painted photo: how far a length measured inside it is off.

use measures::Point;
use measures::ruler::{RulerHint, RulerUnit};
use scene_painter::random::Rng;
use scene_painter::ruler::{Edge, Ruler, RulerKind, TickRow};
use scene_painter::scene::PlacedRuler;
use scene_painter::{Family, Scene};
use serde::Serialize;

use crate::{Settings, square_error_mm};

/// What was measured with one card.
#[derive(Clone, Debug, Serialize)]
pub struct Outcome {
    /// Seed of the scene.
    pub seed: u64,
    /// Tilt of the camera.
    pub tilt_deg: f64,
    /// Sides of the card that were read.
    pub sides: usize,
    /// Greatest error of any distance between the corners of a square of 100 mm about the
    /// window's middle; `None` when no plane was found.
    pub error_mm: Option<f64>,
    /// Stated uncertainty (k = 2) of 100 mm there.
    pub u_mm: Option<f64>,
    /// What was said.
    pub warnings: Vec<String>,
}

/// Millimetres along the card's short and long sides.
const SIDES_MM: [f64; 2] = [150.0, 230.0];
/// From a row of divisions to the window's corner, width of the frame, and from its edge to the
/// divisions.
const CORNER_MM: f64 = 3.0;
const BAND_MM: f64 = 17.0;
const INSET_MM: f64 = 0.8;

/// A card printed with the given stretch of its short and long sides, around the middle of the
/// picture.
fn scene(seed: u64, tilt_deg: f64, stretch: [f64; 2]) -> Scene {
    let family = Family {
        size_px: [4000, 3000],
        px_per_mm: [10.5, 11.0],
        width_mm: [50.0, 90.0],
        tilt_deg: [tilt_deg, tilt_deg],
        clutter: 0.0,
        ..Family::MAIN
    };
    let mut scene = Scene::random(seed, &family);
    let mut rng = Rng::new(seed);
    scene.rulers.clear();
    scene.marks.clear();
    let turn = rng.range(-4.0, 4.0);
    let thickness_mm = rng.range(0.1, 0.3);
    if let Some(residue) = scene.residues.first_mut() {
        residue.centre_mm = [0.0, 0.0];
    }
    // The long sides lie along the picture's long side.
    let length = [1, 0].map(|i| SIDES_MM[i] * stretch[i]);
    let half = length.map(|l| 0.5 * l + CORNER_MM);
    let corners = [
        ([-half[0], -half[1] - BAND_MM], 0.0, 0),
        ([half[0] + BAND_MM, -half[1]], 90.0, 1),
        ([half[0], half[1] + BAND_MM], 180.0, 0),
        ([-half[0] - BAND_MM, half[1]], 270.0, 1),
    ];
    let (sin, cos) = f64::to_radians(turn).sin_cos();
    for ([x, y], angle, axis) in corners {
        let stretch = stretch[1 - axis];
        let count = SIDES_MM[1 - axis] as usize + 1;
        scene.rulers.push(PlacedRuler {
            ruler: side(length[axis] + 2.0 * CORNER_MM, count, stretch, thickness_mm),
            corner_mm: [cos * x - sin * y, sin * x + cos * y],
            angle_deg: angle + turn,
            lift_mm: [0.0, 0.0],
        });
    }
    scene
}

/// One side of the card; its divisions stand at the window's edge.
fn side(length_mm: f64, count: usize, stretch: f64, thickness_mm: f64) -> Ruler {
    Ruler {
        kind: RulerKind::TapeMm,
        length_mm,
        width_mm: BAND_MM,
        thickness_mm,
        rows: vec![TickRow {
            unit: RulerUnit::Mm,
            pitch_mm: stretch,
            nominal_pitch_mm: 1.0,
            edge: Edge::Far,
            start_mm: CORNER_MM,
            count,
            lengths_mm: vec![(1, 3.2), (5, 4.8), (10, 6.8)],
            inset_mm: INSET_MM,
            tick_width_mm: 0.2,
            figures: (10, 1),
        }],
        ink: 0.95,
        wear: 0.0,
        glare_mm: None,
        words: String::new(),
    }
}

/// Reads one painted card as the program would.
///
/// # Errors
/// When the painted photo cannot be read: a fault of the painter.
pub fn measure(
    seed: u64,
    tilt_deg: f64,
    stretch: [f64; 2],
    settings: &Settings,
) -> Result<Outcome, String> {
    let scene = scene(seed, tilt_deg, stretch);
    let painting = scene.paint();
    let jpeg = painting.jpeg(scene.sensor.jpeg_quality);
    let photo = photo::read(&jpeg, "photo.jpg", &settings.photo).map_err(|e| e.to_string())?;
    let hint = RulerHint {
        unit: Some(RulerUnit::Mm),
        card_mm: Some(stretch.map(|s| 100.0 * s)),
        ..RulerHint::default()
    };
    let found = ruler::find(&photo, &hint, &settings.ruler);
    let mut outcome = Outcome {
        seed,
        tilt_deg,
        sides: found.rulers.len(),
        error_mm: None,
        u_mm: None,
        warnings: found.reasons,
    };
    let Ok(plane) = scale::cloth_plane(&found.rulers, &photo.camera, &hint, &settings.scale) else {
        return Ok(outcome);
    };
    let middle = Point::new(0.0, 0.0);
    outcome.error_mm = Some(square_error_mm(&plane, &painting.truth.view, middle));
    outcome.u_mm = Some(2.0 * plane.u_scale_percent_at(painting.truth.view.to_photo(middle)));
    outcome.warnings.extend(plane.warnings);
    Ok(outcome)
}
