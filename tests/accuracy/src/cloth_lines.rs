//! Painted cloths with lines of a known direction, and cloths without any.

use measures::ruler::RulerHint;
use scene_painter::cloth::{Jacquard, Stripes, Weave};
use scene_painter::random::Rng;
use scene_painter::{Family, Scene};
use serde::Serialize;

use crate::Settings;

/// Kinds of cloth.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub enum Kind {
    /// Broad stripes.
    Stripes,
    /// Narrow stripes far apart.
    Pinstripes,
    /// Ribs.
    Rib,
    /// Cords.
    Corduroy,
    /// Columns of a plain knit.
    Columns,
    /// A pattern knitted in: its lines may be the columns', or none.
    Jacquard,
    /// Nothing but shade, folds, stains and fibres.
    Plain,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Kind; 7] = [
        Kind::Stripes,
        Kind::Pinstripes,
        Kind::Rib,
        Kind::Corduroy,
        Kind::Columns,
        Kind::Jacquard,
        Kind::Plain,
    ];

    /// Those whose lines are to be found.
    pub const LINED: [Kind; 5] = [
        Kind::Stripes,
        Kind::Pinstripes,
        Kind::Rib,
        Kind::Corduroy,
        Kind::Columns,
    ];
}

/// What was measured on one cloth.
#[derive(Clone, Debug, Serialize)]
pub struct Outcome {
    /// Kind of cloth.
    pub kind: Kind,
    /// Seed of the scene.
    pub seed: u64,
    /// True mean direction of the columns, clockwise from upright.
    pub truth_deg: f64,
    /// Error against the columns or the rows; `None` when no lines were seen.
    pub error_deg: Option<f64>,
    /// Stated uncertainty (k = 2).
    pub u_angle_deg: Option<f64>,
    /// Stated strength.
    pub strength: Option<f64>,
    /// How fine the lines found are.
    pub fineness_mm: Option<f64>,
    /// Seconds for the lines alone.
    pub seconds: f64,
}

/// The scene of this kind: a small picture of the main family on cloth of this kind.
pub fn scene(kind: Kind, seed: u64) -> Scene {
    let mut scene = Scene::random(seed, &Family::QUICK);
    let mut rng = Rng::new(seed ^ 0x11AE5);
    let cloth = &mut scene.cloth;
    // Smoothed by hand: the painter's most irregular cloth wavers by four degrees within a hand's
    // breadth.
    cloth.irregularity *= 0.4;
    cloth.stripes.clear();
    cloth.jacquard = None;
    cloth.angle_deg = if rng.chance(0.7) {
        rng.range(-12.0, 12.0)
    } else {
        rng.range(-45.0, 45.0)
    };
    let contrast = rng.range(3.0, 12.0) * rng.sign();
    let mut stripes = |period_mm: f64, width_mm: f64| {
        cloth.stripes.push(Stripes {
            period_mm,
            width_mm,
            phase_mm: rng.range(0.0, period_mm),
            contrast_percent: [contrast; 3],
            softness_mm: rng.range(0.1, 0.8),
            crosswise: rng.chance(0.3),
        });
    };
    match kind {
        Kind::Stripes => stripes(12.0 + (seed % 17) as f64, 6.0 + (seed % 7) as f64),
        Kind::Pinstripes => stripes(10.0 + (seed % 13) as f64, 1.2),
        Kind::Jacquard => {
            cloth.jacquard = Some(Jacquard {
                repeat_mm: [rng.range(7.0, 25.0), rng.range(7.0, 25.0)],
                figure: rng.below(4) as u8,
                contrast_percent: contrast,
            });
        }
        Kind::Rib | Kind::Corduroy | Kind::Columns => {
            cloth.weave = match kind {
                Kind::Rib => Weave::Rib,
                Kind::Corduroy => Weave::Corduroy,
                _ => Weave::Jersey,
            };
            cloth.pitch_mm = rng.range(0.9, 1.8);
            cloth.texture = rng.range(0.12, 0.3);
        }
        Kind::Plain => cloth.texture = 0.0,
    }
    scene
}

/// Measures one cloth as the program would.
///
/// # Errors
/// When the photo or its ruler could not be read.
pub fn measure(kind: Kind, seed: u64, settings: &Settings) -> Result<Outcome, String> {
    let scene = scene(kind, seed);
    let painting = scene.paint();
    let jpeg = painting.jpeg(scene.sensor.jpeg_quality);
    let photo = photo::read(&jpeg, "photo.jpg", &settings.photo).map_err(|e| e.to_string())?;
    let hint = RulerHint {
        thickness_mm: scene.thickness_given_mm,
        ..RulerHint::default()
    };
    let rulers = ruler::find(&photo, &hint, &settings.ruler).rulers;
    let plane = scale::cloth_plane(&rulers, &photo.camera, &hint, &settings.scale)
        .map_err(|e| e.to_string())?;
    let field = residue::measure(&photo, &plane, &rulers, None, &settings.residue);
    let emblem = painting.truth.emblem.as_ref().map(|e| {
        let to_cloth = e.emblem_to_photo.then(plane.to_cloth());
        e.outline.mapped(&to_cloth)
    });
    let clock = std::time::Instant::now();
    let lines = residue::lines(&field, &plane, emblem.as_ref(), &settings.lines);
    let [columns, rows] = scene.cloth_directions_deg();
    Ok(Outcome {
        kind,
        seed,
        truth_deg: columns,
        error_deg: lines.map(|l| {
            // Columns run upright at 0, rows level.
            let upright = (l.angle_deg - columns).to_radians().sin().abs() > 0.5_f64.sqrt();
            quarter(l.angle_deg - if upright { columns } else { rows })
        }),
        u_angle_deg: lines.map(|l| l.u_angle_deg),
        strength: lines.map(|l| l.strength),
        fineness_mm: lines.map(|l| l.fineness_mm),
        seconds: clock.elapsed().as_secs_f64(),
    })
}

/// An angle up to quarter turns, from −45 to 45.
fn quarter(deg: f64) -> f64 {
    deg - 90.0 * (deg / 90.0).round()
}
