//! The photo of the finished article: the pressed emblem found and compared with the plan.

use measures::cloth::{PlanePose, PlaneTerm};
use measures::{
    Artwork, ClothPlane, Fit, Map, Mm, Outline, Photo, Point, Px, SameCloth, Vector, Verdict,
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
    own_scale: bool,
}

impl Bench<'_> {
    /// Looks at the finished article, if there is a photo of it and a plan to compare it with.
    pub(super) fn finished(
        &self,
        emblem: &Emblem,
        task: &Task,
        measured: &Measured,
        worked: &mut Worked,
    ) {
        let (Some(file), Some(plan)) = (&task.after_photo, worked.report.fitted.clone()) else {
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
                    residue: None,
                };
                match pictures::draw(&scene) {
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
            near(&fit, plan, SIZE_OFF).then_some((plane, fit))
        });
        let own_scale = own.is_some();
        let (plane, fit) = own.or_else(|| self.scaled_by_emblem(&photo, measured, plan))?;
        Some(Found {
            photo,
            rulers: search.rulers,
            plane,
            fit,
            own_scale,
        })
    }

    /// Without a ruler: the scale of the first photo, then that at which the emblem is as wide as
    /// planned.
    fn scaled_by_emblem(
        &self,
        photo: &Photo,
        measured: &Measured,
        plan: &Fitted,
    ) -> Option<(ClothPlane, Fit)> {
        let planned_mm = plan.size_mm()[0];
        let first = &measured.plane;
        let mut px_per_mm = first.px_per_mm_at(first.pose.anchor);
        let mut found = None;
        for _ in 0..2 {
            let plane = level_plane(photo, px_per_mm)?;
            let fit = self.register(photo, &plane, &[], &plan.artwork, planned_mm)?;
            if !near(&fit, plan, SCALE_OFF) {
                return None;
            }
            px_per_mm *= fit.mm_per_art / plan.fit.mm_per_art;
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
        let lies = |fit: &Fit| plan.artwork.outline.mapped(&fit.art_to_cloth);
        let (planned, pressed) = (lies(&plan.fit), lies(&found.fit));
        let lines = |field, plane, emblem: &Outline<Mm>| {
            residue::lines(field, plane, Some(emblem), &settings.lines)
        };
        let same_cloth = self.same_cloth(task, measured, plan, found, &cloth);
        let finished = press::Finished {
            artwork: &plan.artwork,
            plan: &plan.fit,
            pressed: &found.fit,
            own_scale: found.own_scale,
            lines: [
                lines(&measured.field, &measured.plane, &planned),
                lines(&cloth, &found.plane, &pressed),
            ],
            same_cloth,
        };
        press::compare(&finished, &settings.pressed)
    }

    /// By landmarks that the job names in both photos, or else by the cloth.
    fn same_cloth(
        &self,
        task: &Task,
        measured: &Measured,
        plan: &Fitted,
        found: &Found,
        cloth: &measures::ResidueField,
    ) -> Option<(SameCloth, press::PlacedBy)> {
        let settings = &self.config.settings;
        let on_cloth =
            |marks: &[press::Landmark], plane: &ClothPlane| -> Vec<(String, Point<Mm>)> {
                let place = |m: &press::Landmark| (m.name.clone(), plane.to_cloth().apply(m.at));
                marks.iter().map(place).collect()
            };
        let by_landmarks = press::by_landmarks(
            &on_cloth(&task.landmarks, &measured.plane),
            &on_cloth(&task.after_landmarks, &found.plane),
            settings.pressed.u_landmark_mm,
        );
        let lies = |fit: &Fit| plan.artwork.outline.mapped(&fit.art_to_cloth);
        let (planned, pressed) = (lies(&plan.fit), lies(&found.fit));
        let guess = pressed_as_planned(plan, &found.fit);
        let by_cloth = residue::same_cloth(
            &residue::Covered {
                field: &measured.field,
                emblem: &planned,
            },
            &residue::Covered {
                field: cloth,
                emblem: &pressed,
            },
            &guess,
            &settings.lines,
        );
        let by_cloth = by_cloth.map(|same| (same, press::PlacedBy::Cloth));
        by_cloth.or(by_landmarks.map(|same| (same, press::PlacedBy::Landmarks)))
    }
}

/// What is found at another size than this, as a share of the planned one, is not the emblem;
const SIZE_OFF: f64 = 0.08;
/// and so where the scale is only guessed.
const SCALE_OFF: f64 = 0.5;

fn near(fit: &Fit, plan: &Fitted, share: f64) -> bool {
    (fit.mm_per_art / plan.fit.mm_per_art - 1.0).abs() < share
}

/// Where the first photo's cloth would lie in the second one had the emblem been pressed as
/// planned: it is not far off.
fn pressed_as_planned(plan: &Fitted, pressed: &Fit) -> Map<Mm, Mm> {
    let turn = |fit: &Fit| {
        let m = fit.art_to_cloth.rows();
        m[1][0].atan2(m[0][0])
    };
    let centre = plan.artwork.outline.bounding_box().center().into();
    let from = plan.fit.art_to_cloth.apply(centre);
    let to = pressed.art_to_cloth.apply(centre);
    let origin: Map<Mm, Mm> = Map::similarity(1.0, 0.0, Vector::new(-from.x, -from.y));
    origin.then(&Map::similarity(
        1.0,
        turn(pressed) - turn(&plan.fit),
        Vector::new(to.x, to.y),
    ))
}

/// Cloth square to the camera at this scale, about as surely as people hold one.
fn level_plane(photo: &Photo, px_per_mm: f64) -> Option<ClothPlane> {
    const U_SLOPE: f64 = 0.1;
    const U_LN_DEPTH: f64 = 0.02;
    let pose = PlanePose {
        slope_x: 0.0,
        slope_y: 0.0,
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
