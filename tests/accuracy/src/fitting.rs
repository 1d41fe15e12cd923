//! One scene through every measuring stage, compared with its truth.

use std::time::Instant;

use measures::ruler::RulerHint;
use measures::{Artwork, ClothPlane, Verdict};
use scene_painter::{Painting, Scene, Trap, Truth};
use serde::Serialize;

use crate::Settings;

/// An outline farther off than this, on the cloth or as cut, is a wrong cut.
pub const WRONG_CUT_MM: f64 = 0.5;

/// What came out of a scene, and how far off it is.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Outcome {
    /// Family and seed: enough to paint the scene again.
    pub family: String,
    /// The seed.
    pub seed: u64,
    /// The trap, if the scene sets one.
    pub trap: Option<String>,
    /// The verdict.
    pub verdict: Option<Verdict>,
    /// Why not a better one.
    pub reasons: Vec<String>,
    /// Whether material would be cut wrong.
    pub wrong_cut: bool,
    /// Number of rulers found.
    pub rulers: usize,
    /// Error of the scale on the cloth at the emblem's middle, in per cent, and its stated bound.
    pub scale_error_percent: Option<f64>,
    /// The bound (k = 2).
    pub u_scale_percent: Option<f64>,
    /// Tilt measured and true.
    pub tilt_deg: Option<f64>,
    /// The true one.
    pub true_tilt_deg: f64,
    /// Whether the right version came first; `None` when there is none.
    pub version_right: Option<bool>,
    /// Its probability.
    pub score: Option<f64>,
    /// Error of the width, in per cent.
    pub size_error_percent: Option<f64>,
    /// The bound (k = 2).
    pub u_size_percent: Option<f64>,
    /// Error of the whole outline, root mean square and greatest, in millimetres.
    pub outline_rms_mm: Option<f64>,
    /// The greatest.
    pub outline_max_mm: Option<f64>,
    /// Greatest error of the piece as cut, laid middle on middle, in millimetres.
    pub cut_error_mm: Option<f64>,
    /// The bound (k = 2).
    pub u_outline_mm: Option<f64>,
    /// Error of the place.
    pub position_error_mm: Option<f64>,
    /// The bound (k = 2).
    pub u_shift_mm: Option<f64>,
    /// How much too large or too small the emblem is seen in the photo, whatever the scale.
    pub seen_size_error_percent: Option<f64>,
    /// Cramér–Rao bounds (k = 1) of size and place, the scale known.
    pub least_size_percent: Option<f64>,
    /// The place's.
    pub least_place_mm: Option<f64>,
    /// Error of the turn.
    pub rotation_error_deg: Option<f64>,
    /// The bound (k = 2).
    pub u_rotation_deg: Option<f64>,
    /// Bleed measured and true.
    pub bleed_mm: Option<f64>,
    /// The true one.
    pub true_bleed_mm: Option<f64>,
    /// Share of the outline seen.
    pub outline_seen: Option<f64>,
    /// Signal to noise.
    pub signal_to_noise: Option<f64>,
    /// Seconds for photo, ruler, scale, artwork, residue, fit.
    pub seconds: [f64; 6],
}

/// Measures a painted scene as the program would.
pub fn measure(scene: &Scene, painting: &Painting, settings: &Settings) -> Outcome {
    let truth = &painting.truth;
    let mut out = Outcome {
        family: scene.family.clone(),
        seed: scene.seed,
        trap: scene.trap.map(|t| format!("{t:?}")),
        true_tilt_deg: truth.tilt_deg,
        true_bleed_mm: truth.emblem.as_ref().map(|e| e.bleed_mm),
        ..Outcome::default()
    };
    if let Err(reason) = run(scene, painting, settings, &mut out) {
        out.verdict = Some(Verdict::Hold);
        out.reasons.push(reason);
    }
    out.wrong_cut = out.verdict == Some(Verdict::Cut) && is_wrong(&out, scene.trap);
    out
}

fn is_wrong(out: &Outcome, trap: Option<Trap>) -> bool {
    // A raised ruler that was seen through is no mistake.
    let forbidden = trap.is_some_and(|t| t != Trap::RulerRaised);
    let beyond = |mm: Option<f64>| mm.is_none_or(|mm| mm > WRONG_CUT_MM);
    let far_off = beyond(out.outline_max_mm) || beyond(out.cut_error_mm);
    forbidden || far_off || out.version_right == Some(false)
}

fn run(
    scene: &Scene,
    painting: &Painting,
    settings: &Settings,
    out: &mut Outcome,
) -> Result<(), String> {
    let truth = &painting.truth;
    let jpeg = painting.jpeg(scene.sensor.jpeg_quality);
    let mut clock = Instant::now();
    let mut lap = |seconds: &mut f64| {
        *seconds = clock.elapsed().as_secs_f64();
        clock = Instant::now();
    };
    let photo = photo::read(&jpeg, "photo.jpg", &settings.photo).map_err(|e| e.to_string())?;
    lap(&mut out.seconds[0]);
    let hint = hint(scene);
    let search = ruler::find(&photo, &hint, &settings.ruler);
    lap(&mut out.seconds[1]);
    out.rulers = search.rulers.len();
    let plane = scale::cloth_plane(&search.rulers, &photo.camera, &hint, &settings.scale)
        .map_err(|e| format!("{e} {}", search.reasons.join("; ")))?;
    lap(&mut out.seconds[2]);
    scale_figures(truth, &plane, out);
    let mut artworks = Vec::new();
    for (i, version) in scene.versions.iter().enumerate() {
        let name = format!("version-{}.svg", i + 1);
        let art = artwork::read_svg(version.svg().as_bytes(), &name).map_err(|e| e.to_string())?;
        artworks.push(art);
    }
    lap(&mut out.seconds[3]);
    let field = residue::measure(&photo, &plane, &search.rulers, None, &settings.residue);
    lap(&mut out.seconds[4]);
    let hint = fit::Hint::default();
    let ranking = fit::register(&field, &plane, &artworks, &hint, &settings.fit);
    lap(&mut out.seconds[5]);
    judge(truth, &ranking, &artworks, &plane, settings, out);
    Ok(())
}

/// What the job says of the ruler.
pub fn hint(scene: &Scene) -> RulerHint {
    RulerHint {
        thickness_mm: scene.thickness_given_mm,
        unit: scene.unit_given,
        ..RulerHint::default()
    }
}

fn scale_figures(truth: &Truth, plane: &ClothPlane, out: &mut Outcome) {
    out.tilt_deg = Some(plane.pose.tilt_deg());
    if let Some(emblem) = &truth.emblem {
        let seen = plane.px_per_mm_at(emblem.centre_px);
        out.scale_error_percent = Some(100.0 * (seen / emblem.px_per_mm - 1.0));
        out.u_scale_percent = Some(2.0 * plane.u_scale_percent_at(emblem.centre_px));
    }
}

fn judge(
    truth: &Truth,
    ranking: &fit::Ranking,
    artworks: &[Artwork],
    plane: &ClothPlane,
    settings: &Settings,
    out: &mut Outcome,
) {
    let job = fit::Job {
        artworks,
        expected_width_mm: None,
        plane: Some(plane),
        doubts: &plane.warnings,
    };
    let (verdict, reasons) = fit::judge(ranking, &job, &settings.verdict);
    out.verdict = Some(verdict);
    out.reasons = reasons;
    let Some(best) = ranking.best() else { return };
    let fit = &best.fit;
    out.version_right = truth.version.map(|v| v == best.artwork);
    out.score = Some(best.score);
    out.u_size_percent = Some(fit.u_size_percent);
    out.u_outline_mm = Some(fit.u_outline_mm);
    out.u_shift_mm = Some(fit.u_shift_mm);
    out.u_rotation_deg = Some(fit.u_rotation_deg);
    out.bleed_mm = Some(fit.bleed_mm);
    out.least_size_percent = Some(best.evidence.least_deviation.size_percent);
    out.least_place_mm = Some(best.evidence.least_deviation.place_mm);
    out.outline_seen = Some(fit.outline_seen);
    out.signal_to_noise = Some(fit.signal_to_noise);
    // Against the wrong drawing no error of place or size means anything.
    let (Some(emblem), Some(true)) = (&truth.emblem, out.version_right) else {
        return;
    };
    let width = artworks[best.artwork].outline.bounding_box().width() * fit.mm_per_art;
    out.size_error_percent = truth.size_error_percent(width);
    out.seen_size_error_percent = truth.seen_size_error_percent(&fit.art_to_photo);
    out.cut_error_mm = truth.cut_error_mm(width);
    out.position_error_mm = truth.position_error_mm(&fit.art_to_photo);
    if let Some((rms, greatest)) = truth.outline_error_mm(&fit.art_to_photo) {
        out.outline_rms_mm = Some(rms);
        out.outline_max_mm = Some(greatest);
    }
    if !emblem.symmetric {
        let off = fit.rotation_deg - emblem.rotation_deg;
        out.rotation_error_deg = Some((off + 180.0).rem_euclid(360.0) - 180.0);
    }
}
