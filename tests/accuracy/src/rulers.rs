//! One scene through the ruler and scale stages, compared with its truth.

use std::time::Instant;

use measures::{Mm, Photo, Point, Ruler};
use scene_painter::ruler::TickRow;
use scene_painter::scene::PlacedRuler;
use scene_painter::truth::{TickRowTruth, Truth};
use scene_painter::{Painting, Scene};
use serde::Serialize;

use crate::fitting::hint;
use crate::{Settings, square_error_mm};

/// How far from the ruler the scale is checked.
const AWAY_MM: f64 = 60.0;

/// What the ruler and scale stages made of a scene.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Outcome {
    /// The family.
    pub family: String,
    /// The seed.
    pub seed: u64,
    /// The kinds of ruler planted.
    pub kinds: Vec<String>,
    /// Rulers planted.
    pub planted: usize,
    /// Ticks of the fullest row that lie in the picture.
    pub ticks_in_picture: usize,
    /// Length of the first ruler that lies in the picture, in millimetres.
    pub seen_mm: f64,
    /// Scale on the first ruler, in photo pixels a millimetre.
    pub px_per_mm: f64,
    /// The job gives the first ruler's thickness to 0.1 mm.
    pub thickness_given: bool,
    /// Rows of ticks found whose unit and pitch are right.
    pub right: usize,
    /// Rows read wrongly although the program was sure.
    pub wrong: usize,
    /// Rows read wrongly, with the program in doubt.
    pub doubtful: usize,
    /// "Rulers" where there is none.
    pub false_alarms: usize,
    /// What the rulers were read as.
    pub reading: Option<String>,
    /// Ticks located on the first ruler.
    pub ticks: usize,
    /// Root mean square distance of located ticks from the planted ones along the ruler, in
    /// photo pixels, in the first right row.
    pub tick_rms_px: Option<f64>,
    /// Error of the first right row's mean pitch, against the least standard deviation that ticks
    /// so well located allow: sigma · √(12 / (n (n² − 1))), the bound of Cramér and Rao for a
    /// line through n equidistant points.
    pub pitch_against_bound: Option<f64>,
    /// Error of the scale on the cloth 60 mm beside the ruler, in per cent.
    pub scale_error_percent: Option<f64>,
    /// The bound (k = 2).
    pub u_scale_percent: Option<f64>,
    /// Greatest error of any distance between the corners of a square of 100 mm there.
    pub square_error_mm: Option<f64>,
    /// Tilt measured.
    pub tilt_deg: Option<f64>,
    /// Error of the tilt vector, in degrees.
    pub tilt_error_deg: Option<f64>,
    /// The true tilt.
    pub true_tilt_deg: f64,
    /// What the stages say.
    pub reasons: Vec<String>,
    /// Seconds for the ruler stage.
    pub seconds: f64,
}

/// Measures a painted scene's scale as the program would.
pub fn measure(scene: &Scene, painting: &Painting, settings: &Settings) -> Outcome {
    let truth = &painting.truth;
    let mut out = Outcome {
        family: scene.family.clone(),
        seed: scene.seed,
        kinds: scene
            .rulers
            .iter()
            .map(|r| format!("{:?}", r.ruler.kind))
            .collect(),
        planted: scene.rulers.len(),
        true_tilt_deg: truth.tilt_deg,
        ticks_in_picture: ticks_in_picture(truth),
        thickness_given: scene.thickness_given_mm.is_some(),
        ..Outcome::default()
    };
    if let Some(row) = truth.rulers.first().and_then(|r| r.rows.first()) {
        out.seen_mm = seen_mm(row);
        out.px_per_mm = row.px_per_mm.unwrap_or_default();
    }
    let jpeg = painting.jpeg(scene.sensor.jpeg_quality);
    let photo: Photo = match photo::read(&jpeg, "photo.jpg", &settings.photo) {
        Ok(photo) => photo,
        Err(error) => {
            out.reasons.push(error.to_string());
            return out;
        }
    };
    let start = Instant::now();
    let hint = hint(scene);
    let search = ruler::find(&photo, &hint, &settings.ruler);
    out.seconds = start.elapsed().as_secs_f64();
    out.reasons.clone_from(&search.reasons);
    for found in &search.rulers {
        count(scene, found, settings, &mut out);
    }
    out.ticks = search.rulers.first().map_or(0, |r| r.ticks.len());
    let read: Vec<String> = search.rulers.iter().map(described).collect();
    out.reading = (!read.is_empty()).then(|| read.join(", "));
    match scale::cloth_plane(&search.rulers, &photo.camera, &hint, &settings.scale) {
        Ok(plane) => {
            out.reasons.extend(plane.warnings.iter().cloned());
            out.tilt_deg = Some(plane.pose.tilt_deg());
            let pose = &truth.view.pose;
            let off = (plane.pose.slope_x - pose.slope_x).hypot(plane.pose.slope_y - pose.slope_y);
            out.tilt_error_deg = Some(off.atan().to_degrees());
            if let Some(beside) = beside_ruler(scene) {
                let at = truth.view.to_photo(beside);
                let planted = truth.view.px_per_mm_at(beside);
                out.scale_error_percent = Some(100.0 * (plane.px_per_mm_at(at) / planted - 1.0));
                out.square_error_mm = Some(square_error_mm(&plane, &truth.view, beside));
                out.u_scale_percent = Some(2.0 * plane.u_scale_percent_at(at));
            }
        }
        Err(error) => out.reasons.push(error.to_string()),
    }
    out
}

fn ticks_in_picture(truth: &Truth) -> usize {
    let rows = truth.rulers.iter().flat_map(|r| &r.rows);
    rows.map(|row| row.in_picture.iter().filter(|&&v| v).count())
        .max()
        .unwrap_or(0)
}

fn seen_mm(row: &TickRowTruth) -> f64 {
    let first = row.in_picture.iter().position(|&v| v);
    let last = row.in_picture.iter().rposition(|&v| v);
    first
        .zip(last)
        .map_or(0.0, |(a, b)| (b - a) as f64 * row.nominal_pitch_mm)
}

fn described(ruler: &Ruler) -> String {
    let r = &ruler.reading;
    format!(
        "{:?} {:.4} mm ({:.3}), {:.3} px/mm",
        r.unit, r.pitch_mm, r.probability, ruler.px_per_mm
    )
}

fn count(scene: &Scene, found: &Ruler, settings: &Settings, out: &mut Outcome) {
    let view = scene.view();
    let on = scene.rulers.iter().find(|placed| {
        let back = view.face_to_photo(placed).inverse();
        let middle = found.ends[0].lerp(found.ends[1], 0.5);
        back.is_some_and(|b| {
            let p = b.apply(view.straightened(middle));
            let (l, w) = (placed.ruler.length_mm, placed.ruler.width_mm);
            (0.0..l).contains(&p.x) && (-1.0..w + 1.0).contains(&p.y)
        })
    });
    let Some(placed) = on else {
        out.false_alarms += 1;
        return;
    };
    let rows = &placed.ruler.rows;
    let right = rows
        .iter()
        .find_map(|row| Some((row, tick_rms_px(scene, placed, row, found)?)));
    match right {
        Some((row, rms)) => {
            out.right += 1;
            if out.tick_rms_px.is_none() {
                out.tick_rms_px = Some(rms);
                out.pitch_against_bound = pitch_against_bound(scene, placed, row, found);
            }
        }
        None if found.reading.probability >= settings.ruler.sure_reading_probability => {
            out.wrong += 1;
        }
        None => out.doubtful += 1,
    }
}

/// Distances of the found ticks from where the row's claim puts them; `None` unless unit and
/// lengths agree. Divisions left out or added between (every second tick, blocks of a centimetre)
/// are no error as long as the lengths are right.
fn tick_rms_px(scene: &Scene, placed: &PlacedRuler, row: &TickRow, found: &Ruler) -> Option<f64> {
    const OFF_PITCHES: f64 = 0.3;
    if found.reading.unit != row.unit {
        return None;
    }
    let back = scene.view().face_to_photo(placed).inverse()?;
    let claims: Vec<(f64, f64)> = found
        .ticks
        .iter()
        .flat_map(|tick| tick.points.iter().map(move |point| (tick.index, point.at)))
        .map(|(index, at)| {
            let along = back.apply(scene.view().straightened(at)).x - row.start_mm;
            let printed = along * row.nominal_pitch_mm / row.pitch_mm;
            (printed, f64::from(index) * found.reading.pitch_mm)
        })
        .collect();
    // The index may run either way along the ruler.
    [1.0, -1.0].iter().find_map(|way| {
        let mut off: Vec<f64> = claims.iter().map(|(p, read)| p - way * read).collect();
        off.sort_by(f64::total_cmp);
        let middle = *off.get(off.len() / 2)?;
        let near = |o: &&f64| (**o - middle).abs() < OFF_PITCHES * row.nominal_pitch_mm;
        let agreeing: Vec<f64> = off.iter().filter(near).map(|o| o - middle).collect();
        let squares: f64 = agreeing.iter().map(|o| o * o).sum();
        let enough = agreeing.len() * 10 >= off.len() * 9;
        enough.then(|| (squares / agreeing.len() as f64).sqrt() * found.px_per_mm)
    })
}

/// See [`Outcome::pitch_against_bound`].
fn pitch_against_bound(
    scene: &Scene,
    placed: &PlacedRuler,
    row: &TickRow,
    found: &Ruler,
) -> Option<f64> {
    let back = scene.view().face_to_photo(placed).inverse()?;
    let printed_mm =
        |p| back.apply(scene.view().straightened(p)).x * row.nominal_pitch_mm / row.pitch_mm;
    let [from, to] = found.ends.map(printed_mm);
    let off_px = ((to - from).abs() - found.base_mm()) * found.px_per_mm;
    let off: Vec<(f64, f64)> = found
        .ticks
        .iter()
        .map(|t| {
            let along: f64 = t.points.iter().map(|p| printed_mm(p.at)).sum();
            let way = (to - from).signum();
            let read = way * f64::from(t.index) * found.reading.pitch_mm;
            (read, along / t.points.len() as f64 - read)
        })
        .collect();
    let n = off.len() as f64;
    let mean = |get: fn(&(f64, f64)) -> f64| off.iter().map(get).sum::<f64>() / n;
    let (x, y) = (mean(|o| o.0), mean(|o| o.1));
    let slope = off.iter().map(|o| (o.0 - x) * (o.1 - y)).sum::<f64>()
        / off.iter().map(|o| (o.0 - x).powi(2)).sum::<f64>();
    let squares: f64 = off
        .iter()
        .map(|o| (o.1 - y - slope * (o.0 - x)).powi(2))
        .sum();
    let sigma_px = (squares / (n - 2.0)).sqrt() * found.px_per_mm;
    let bound_px = sigma_px * (12.0 / (n * (n * n - 1.0))).sqrt();
    Some(off_px / (n - 1.0) / bound_px).filter(|r| r.is_finite())
}

/// A spot of the cloth beside the first ruler, on the emblem's side.
fn beside_ruler(scene: &Scene) -> Option<Point<Mm>> {
    let placed = scene.rulers.first()?;
    let [from, to] = scene.seen_along_mm(placed)?;
    let middle = 0.5 * (from + to);
    let (sin, cos) = placed.angle_deg.to_radians().sin_cos();
    let centre = scene.residues.first().map_or([0.0, 0.0], |r| r.centre_mm);
    let across = (centre[1] - placed.corner_mm[1]) * cos - (centre[0] - placed.corner_mm[0]) * sin;
    let t = if across < 0.0 {
        -AWAY_MM
    } else {
        placed.ruler.width_mm + AWAY_MM
    };
    Some(Point::new(
        placed.corner_mm[0] + cos * middle - sin * t,
        placed.corner_mm[1] + sin * middle + cos * t,
    ))
}

#[cfg(test)]
mod tests {
    use scene_painter::Family;

    use super::*;

    #[test]
    fn worn_blocks_keep_to_their_bound() {
        let scene = Scene::random(18002, &Family::named("first-centimetre").unwrap());
        let settings = Settings::read(None).unwrap();
        let outcome = measure(&scene, &scene.paint(), &settings);
        let [off, bound] =
            [outcome.scale_error_percent, outcome.u_scale_percent].map(Option::unwrap);
        assert!(off.abs() < bound, "{off} of ± {bound} %");
    }
}
