//! The photo of the finished article: the pressed emblem found and compared with the plan.

use measures::cloth::{PlanePose, PlaneTerm};
use measures::{
    Art, Artwork, Camera, ClothPlane, Fit, Map, Mm, Outline, Photo, Point, Px, SameCloth, Vector,
    Verdict,
};
use nalgebra::{Matrix3, Vector3};

use super::{Bench, Measured, read_photo};
use crate::job::{Emblem, Task};
use crate::outcome::Worked;
use crate::report::pictures::{self, Scene};
use crate::report::{FinishedReport, Fitted};

/// The finished article as its photo shows it.
struct Found {
    photo: Photo,
    rulers: Vec<measures::Ruler>,
    plane: ClothPlane,
    fit: Fit,
    scaled_by: press::ScaledBy,
}

impl Bench<'_> {
    /// Looks at the finished article, if there is a photo of it and a plan to compare it with.
    pub(super) fn finished(
        &self,
        emblem: &Emblem,
        task: &Task,
        measured: Option<&Measured>,
        worked: &mut Worked,
    ) {
        let Some(file) = &task.after_photo else {
            return;
        };
        let plan = worked.report.fitted.clone();
        let on_hold = worked.report.verdict == Verdict::Hold;
        let (Some(measured), Some(plan), false) = (measured, plan, on_hold) else {
            let reason = "not looked at, because there is no sound plan to compare it with";
            worked.worsen(Verdict::Look, format!("{}: {reason}", file.path));
            return;
        };
        // Unreadable photos were named among the job's problems.
        let Ok(photo) = read_photo(file, self.folder, &self.config.settings) else {
            return;
        };
        self.step(emblem, "looking at the finished article");
        let mut finished = FinishedReport {
            photo: file.path.clone(),
            pressed: None,
            pictures: pictures::Pictures::default(),
        };
        match self.find_pressed(task, measured, photo, &plan) {
            Some(found) => {
                let pressed = self.compared(task, measured, &plan, &found);
                for finding in &pressed.findings {
                    worked.worsen(Verdict::Look, format!("{}: {finding}", file.path));
                }
                let scene = Scene {
                    photo: &found.photo,
                    rulers: &found.rulers,
                    plane: Some(&found.plane),
                    fitted: Some((&plan.artwork, &found.fit)),
                    rival: None,
                    suspicions: &[],
                    residue: None,
                };
                match pictures::draw_emblem(&scene) {
                    Ok(drawn) => finished.pictures = drawn,
                    Err(error) => worked.worsen(Verdict::Look, error.to_string()),
                }
                finished.pressed = Some(pressed);
            }
            None => worked.worsen(
                Verdict::Look,
                format!(
                    "{}: the pressed emblem was not found in this photo; photograph it flat, whole \
                     and square from above, with the ruler beside it",
                    file.path
                ),
            ),
        }
        worked.report.finished = Some(finished);
    }

    fn find_pressed(
        &self,
        task: &Task,
        measured: &Measured,
        photo: Photo,
        plan: &Fitted,
    ) -> Option<Found> {
        let settings = &self.config.settings;
        let search = ruler::find(&photo, &task.ruler, &settings.ruler);
        let plane = scale::cloth_plane(&search.rulers, &photo.camera, &task.ruler, &settings.scale);
        let planned_mm = plan.size_mm()[0];
        let own = plane.ok().and_then(|plane| {
            let fit = self.register(&photo, &plane, &search.rulers, &plan.artwork, planned_mm)?;
            Some((plane, fit))
        });
        let off = own.as_ref().map(|(_, fit)| larger_by(fit, plan));
        let (plane, fit, scaled_by) = match (own, off) {
            (Some((plane, fit)), Some(off)) if off.abs() < SIZE_OFF => {
                (plane, fit, press::ScaledBy::Ruler)
            }
            _ => {
                let (plane, fit) = self.scaled_by_emblem(&photo, measured, plan)?;
                let ruler_says_percent = off.map(|off| 100.0 * off);
                (plane, fit, press::ScaledBy::Emblem { ruler_says_percent })
            }
        };
        Some(Found {
            photo,
            rulers: search.rulers,
            plane,
            fit,
            scaled_by,
        })
    }

    /// Without a ruler: the scale of the first photo, then that at which the emblem is as wide as
    /// planned, and the tilt that its shape tells.
    fn scaled_by_emblem(
        &self,
        photo: &Photo,
        measured: &Measured,
        plan: &Fitted,
    ) -> Option<(ClothPlane, Fit)> {
        let planned_mm = plan.size_mm()[0];
        let first = &measured.plane;
        let mut px_per_mm = first.px_per_mm_at(first.pose.anchor);
        let (mut slopes, mut found) = ([0.0, 0.0], None);
        for _ in 0..3 {
            let plane = guessed_plane(photo, px_per_mm, slopes)?;
            let fit = self.register(photo, &plane, &[], &plan.artwork, planned_mm)?;
            if larger_by(&fit, plan).abs() > SCALE_OFF {
                return None;
            }
            px_per_mm *= fit.mm_per_art / plan.fit.mm_per_art;
            slopes = slopes_seen(&fit, &photo.camera)?;
            found = Some((plane, fit));
        }
        found
    }

    /// The pressed emblem stands out like nothing else: nothing that differs is taken out as
    /// foreign, and its edge lies where it was cut.
    fn register(
        &self,
        photo: &Photo,
        plane: &ClothPlane,
        rulers: &[measures::Ruler],
        artwork: &Artwork,
        planned_mm: f64,
    ) -> Option<Fit> {
        let settings = &self.config.settings;
        let residue = residue::Settings {
            foreign_contrast_ln: f64::INFINITY,
            ..settings.residue.clone()
        };
        let field = residue::measure(photo, plane, rulers, None, &residue);
        let pressed = &settings.pressed;
        let fitting = fit::Settings {
            bleed_mm: pressed.bleed_mm,
            u_bleed_mm: pressed.u_bleed_mm,
            blur_mm: pressed.blur_mm,
            ..settings.fit.clone()
        };
        let hint = fit::Hint {
            expected_width_mm: Some(planned_mm),
        };
        let artworks = std::slice::from_ref(artwork);
        let ranking = fit::register(&field, plane, artworks, &hint, &fitting);
        let best = ranking.best()?;
        let clear = best.evidence.significance > settings.verdict.significance_cut_sigmas
            && best.fit.outline_seen > settings.verdict.outline_seen_look;
        clear.then(|| best.fit.clone())
    }

    fn compared(
        &self,
        task: &Task,
        measured: &Measured,
        plan: &Fitted,
        found: &Found,
    ) -> press::Pressed {
        let settings = &self.config.settings;
        let cloth = residue::measure(
            &found.photo,
            &found.plane,
            &found.rulers,
            None,
            &settings.residue,
        );
        let lies = [
            plan.fit.lies_on(&measured.plane),
            found.fit.lies_on(&found.plane),
        ];
        let [planned, pressed] = lies.map(|map| plan.artwork.outline.mapped(&map));
        let lines = |field, plane, emblem: &Outline<Mm>| {
            residue::lines(field, plane, Some(emblem), &settings.lines)
        };
        let by_cloth = residue::same_cloth(
            &residue::Covered {
                field: &measured.field,
                emblem: &planned,
            },
            &residue::Covered {
                field: &cloth,
                emblem: &pressed,
            },
            &pressed_as_planned(&plan.artwork, &lies),
            &settings.lines,
        );
        let by_cloth = by_cloth.map(|same| (same, press::PlacedBy::Cloth));
        let by_landmarks = || {
            let same = self.same_landmarks(task, measured, found);
            same.map(|same| (same, press::PlacedBy::Landmarks))
        };
        let finished = press::Finished {
            artwork: &plan.artwork,
            plan: &plan.fit,
            pressed: &found.fit,
            lies,
            scaled_by: found.scaled_by,
            lines: [
                lines(&measured.field, &measured.plane, &planned),
                lines(&cloth, &found.plane, &pressed),
            ],
            same_cloth: by_cloth.or_else(by_landmarks),
        };
        press::compare(&finished, &settings.pressed)
    }

    /// By landmarks that the job names in both photos.
    fn same_landmarks(&self, task: &Task, measured: &Measured, found: &Found) -> Option<SameCloth> {
        let on_cloth =
            |marks: &[press::Landmark], plane: &ClothPlane| -> Vec<(String, Point<Mm>)> {
                let place = |m: &press::Landmark| (m.name.clone(), plane.on_cloth(m.at));
                marks.iter().map(place).collect()
            };
        press::by_landmarks(
            &on_cloth(&task.landmarks, &measured.plane),
            &on_cloth(&task.after_landmarks, &found.plane),
            self.config.settings.pressed.u_landmark_mm,
        )
    }
}

/// An emblem that a ruler has at a size farther off than this, as a share of the planned one, was
/// not pressed from the plan, or a ruler was misread: then no shift can be told by it;
const SIZE_OFF: f64 = 0.08;
/// and where the scale is only guessed, what is farther off than this is not the emblem.
const SCALE_OFF: f64 = 0.5;

/// By what share the emblem is larger than planned.
fn larger_by(fit: &Fit, plan: &Fitted) -> f64 {
    fit.mm_per_art / plan.fit.mm_per_art - 1.0
}

/// Where the first photo's cloth would lie in the second one had the emblem been pressed as
/// planned: it is not far off.
fn pressed_as_planned(artwork: &Artwork, lies: &[Map<Art, Mm>; 2]) -> Map<Mm, Mm> {
    let middle = artwork.outline.bounding_box().center().into();
    let [(from, from_rad), (to, to_rad)] = lies.map(|map| {
        let j = map.jacobian(middle);
        let turn_rad = (j[(1, 0)] - j[(0, 1)]).atan2(j[(0, 0)] + j[(1, 1)]);
        (map.apply(middle), turn_rad)
    });
    let origin: Map<Mm, Mm> = Map::similarity(1.0, 0.0, Vector::new(-from.x, -from.y));
    let to = Vector::new(to.x, to.y);
    origin.then(&Map::similarity(1.0, to_rad - from_rad, to))
}

/// The cloth's slopes as the emblem's own shape shows them (Hartley & Zisserman 2004, section 8.1:
/// the first two columns of the map, the camera taken off, lie in the plane).
fn slopes_seen(fit: &Fit, camera: &Camera) -> Option<[f64; 2]> {
    let cloth_to_photo = fit.art_to_cloth.inverse()?.then(&fit.art_to_photo);
    let (f, c) = (camera.focal_px, camera.principal);
    let to_rays = Matrix3::new(f, 0.0, c.x, 0.0, f, c.y, 0.0, 0.0, 1.0).try_inverse()?;
    let seen = to_rays * cloth_to_photo.matrix();
    let normal = seen.column(0).cross(&seen.column(1));
    let slopes = [-normal.x / normal.z, -normal.y / normal.z];
    slopes.iter().all(|s| s.is_finite()).then_some(slopes)
}

/// Cloth at this scale and tilt, known about as surely as people hold a camera square.
fn guessed_plane(photo: &Photo, px_per_mm: f64, slopes: [f64; 2]) -> Option<ClothPlane> {
    const U_SLOPE: f64 = 0.1;
    const U_LN_DEPTH: f64 = 0.02;
    let pose = PlanePose {
        slope_x: slopes[0],
        slope_y: slopes[1],
        depth_mm: photo.camera.focal_px / px_per_mm,
        anchor: Point::<Px>::new(
            0.5 * f64::from(photo.width_px()),
            0.5 * f64::from(photo.height_px()),
        ),
    };
    let spread = Vector3::new(U_SLOPE, U_SLOPE, U_LN_DEPTH);
    let term = PlaneTerm {
        name: "scaled by the emblem itself".to_owned(),
        covariance: Matrix3::from_diagonal(&spread.component_mul(&spread)),
        source: "common practice, no source".to_owned(),
    };
    ClothPlane::new(photo.camera, pose, vec![term])
}
