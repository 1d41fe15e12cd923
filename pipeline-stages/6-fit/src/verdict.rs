//! What the figures allow.

use measures::{Artwork, ClothPlane, Fit, Suspected, Suspicion, Verdict};
use serde::Deserialize;

use crate::{Evidence, Ranked, Ranking};

/// The verdict's section of the settings.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct VerdictSettings {
    /// What material and eye forgive: the k = 2 bound on the outline must be within it.
    pub tolerance_mm: f64,
    /// Least probability of the best version for a cut.
    pub version_probability: f64,
    /// Least share of the outline that must be seen for a cut,
    pub outline_seen_cut: f64,
    /// and for the fit to count at all.
    pub outline_seen_look: f64,
    /// Least signal-to-noise ratio for a cut,
    pub signal_to_noise_cut: f64,
    /// and for the fit to count at all.
    pub signal_to_noise_look: f64,
    /// Least significance, residuals that hang together counted as such, for a cut,
    pub significance_cut_sigmas: f64,
    /// and for the fit to count at all.
    pub significance_look_sigmas: f64,
    /// Greatest distance by which whole stretches of the edge stray, root mean square.
    pub stray_max_mm: f64,
    /// A width farther than this from the expected one is flagged.
    pub expected_width_percent: f64,
    /// Another place that shows this share of the signal is as good an answer.
    pub rival_share: f64,
    /// Greatest probability that the residue is the artwork's mirror image.
    pub mirrored_probability: f64,
    /// Greatest distance of the seen edge from the fitted one, 95th percentile.
    pub edge_p95_mm: f64,
    /// Least and greatest bleed that is believed.
    pub bleed_range_mm: [f64; 2],
    /// Outline that should be seen but is not, beyond which another version is suspected.
    pub missing_detail_mm: f64,
    /// Area of residue where the artwork has none, beyond which another version is suspected.
    pub surplus_mm2: f64,
    /// Probability that a hole in the residue was made, not worn, beyond which another version is
    /// suspected.
    pub made_hole_probability: f64,
    /// Area of whole parts that the residue lacks, beyond which another version is suspected.
    pub missing_parts_mm2: f64,
    /// By how many standard deviations the emblem's shape may contradict the ruler's plane.
    pub plane_pull_sigmas: f64,
    /// Greatest tilt of the cloth.
    pub tilt_max_deg: f64,
}

/// What the verdict looks at besides the fit.
#[derive(Clone, Copy, Debug)]
pub struct Job<'a> {
    /// The artworks handed in.
    pub artworks: &'a [Artwork],
    /// The width the job expects.
    pub expected_width_mm: Option<f64>,
    /// The cloth plane derived from them; `None` without a ruler.
    pub plane: Option<&'a ClothPlane>,
    /// What earlier stages found wanting, in plain words: each stops a cut.
    pub doubts: &'a [String],
}

/// Says what the figures allow, with every reason against cutting.
pub fn judge(
    ranking: &Ranking,
    job: &Job<'_>,
    settings: &VerdictSettings,
) -> (Verdict, Vec<String>) {
    let Some(plane) = job.plane else {
        return (
            Verdict::Hold,
            vec!["No ruler: without one nothing in the photo has a size.".into()],
        );
    };
    if job.artworks.is_empty() {
        let why = "No artwork to fit: the residue itself was measured. Compare its outline with \
                   your drawing before cutting.";
        return (Verdict::Look, vec![why.into()]);
    }
    let Some(best) = ranking.best() else {
        return (
            Verdict::Hold,
            vec!["No residue of this artwork was found in the photo.".into()],
        );
    };
    let (fit, evidence) = (&best.fit, &best.evidence);
    let hold = no_fit(best, settings);
    if !hold.is_empty() {
        return (Verdict::Hold, hold);
    }
    let mut look: Vec<String> = job.doubts.to_vec();
    look.extend(about_the_signal(fit, plane, settings));
    look.extend(about_the_course(best, settings));
    look.extend(about_the_version(ranking, best, settings));
    look.extend(about_the_place(best, evidence, settings));
    look.extend(about_the_scale(job, best, plane, settings));
    let verdict = if look.is_empty() {
        Verdict::Cut
    } else {
        Verdict::Look
    };
    (verdict, look)
}

/// Names what most of the scale's doubt comes from, if the scale is what leaves the size open.
fn mostly(plane: &ClothPlane, u_size_percent: f64) -> Option<String> {
    let budget = plane.budget_at(plane.pose.anchor);
    let mut shares = budget.terms.iter().zip(budget.shares());
    let (term, _) = shares.find(|(_, share)| *share > 0.5)?;
    let matters = budget.expanded_percent() > 0.5 * u_size_percent;
    matters.then(|| {
        format!(
            " Most of that comes from one thing: {}, {}.",
            term.name, term.source
        )
    })
}

fn about_the_signal(fit: &Fit, plane: &ClothPlane, settings: &VerdictSettings) -> Vec<String> {
    let mut look = Vec::new();
    if fit.signal_to_noise < settings.signal_to_noise_cut {
        look.push(format!(
            "The residue is faint: {:.1} times the cloth's noise, {:.1} are wanted for a cut.",
            fit.signal_to_noise, settings.signal_to_noise_cut
        ));
    }
    if fit.outline_seen < settings.outline_seen_cut {
        look.push(format!(
            "Only {:.0} % of the outline is seen; {:.0} % are wanted for a cut.",
            100.0 * fit.outline_seen,
            100.0 * settings.outline_seen_cut
        ));
    }
    if fit.u_outline_mm > settings.tolerance_mm {
        look.push(format!(
            "The outline is known to ±{:.2} mm (k = 2), the material forgives {:.2} mm.{}",
            fit.u_outline_mm,
            settings.tolerance_mm,
            mostly(plane, fit.u_size_percent).unwrap_or_default()
        ));
    }
    if fit.edge_p95_mm > settings.edge_p95_mm {
        look.push(format!(
            "The residue's edge lies up to {:.2} mm from the artwork's (95 % of what is seen); \
             {:.2} mm are usual at most.",
            fit.edge_p95_mm, settings.edge_p95_mm
        ));
    }
    let [least, most] = settings.bleed_range_mm;
    if !(least..=most).contains(&fit.bleed_mm) {
        look.push(format!(
            "The residue would reach {:.1} mm past the emblem's edge on all sides; {least:.1} to \
             {most:.1} mm are believed.",
            fit.bleed_mm
        ));
    }
    look
}

/// Whether the residue keeps to the artwork's outline.
fn about_the_course(best: &Ranked, settings: &VerdictSettings) -> Vec<String> {
    let mut look = Vec::new();
    let evidence = &best.evidence;
    if evidence.significance < settings.significance_cut_sigmas {
        look.push(format!(
            "What is seen keeps to the outline of {} with {:.0} standard deviations, {:.0} are \
             wanted for a cut: is it worn too much, or another version?",
            best.file, evidence.significance, settings.significance_cut_sigmas
        ));
    }
    if evidence.stray_mm > settings.stray_max_mm {
        look.push(format!(
            "Along whole stretches the residue's edge strays from the outline of {} by {:.2} mm; \
             {:.2} mm are usual at most: is it another version?",
            best.file, evidence.stray_mm, settings.stray_max_mm
        ));
    }
    look
}

/// Where another version is suspected.
pub fn suspicions(best: &Ranked, settings: &VerdictSettings) -> Vec<Suspicion> {
    let evidence = &best.evidence;
    let hole = &evidence.made_hole;
    let suspects = [
        (
            evidence.surplus_mm2 > settings.surplus_mm2,
            Suspected::Surplus,
            evidence.surplus_at,
            evidence.surplus_mm2,
        ),
        (
            hole.probability > settings.made_hole_probability,
            Suspected::MadeHole,
            hole.at,
            hole.area_mm2,
        ),
        (
            evidence.missing_parts_mm2 > settings.missing_parts_mm2,
            Suspected::MissingParts,
            evidence.missing_part_at,
            evidence.missing_parts_mm2,
        ),
    ];
    let suspected = suspects.into_iter().filter(|(beyond, ..)| *beyond);
    suspected
        .map(|(_, what, at, area_mm2)| Suspicion { what, at, area_mm2 })
        .collect()
}

fn about(suspicion: &Suspicion, file: &str) -> String {
    let mm2 = suspicion.area_mm2;
    let at = suspicion.at.map_or(String::new(), |p| {
        format!(" at {:.0}, {:.0} px in the photo", p.x, p.y)
    });
    match suspicion.what {
        Suspected::Surplus => {
            format!("{mm2:.0} mm² show residue{at} where {file} has none: is it another version?")
        }
        Suspected::MadeHole => format!(
            "The residue has a hole of {mm2:.0} mm²{at} where {file} has none, and it looks made \
             rather than worn: is it another version?"
        ),
        Suspected::MissingParts => format!(
            "Whole parts of {file}, {mm2:.0} mm²{at}, left no residue although the rest did: is it \
             another version?"
        ),
    }
}

fn about_the_version(ranking: &Ranking, best: &Ranked, settings: &VerdictSettings) -> Vec<String> {
    let mut look = Vec::new();
    if best.score < settings.version_probability {
        look.push(match ranking.versions.get(1).filter(|s| s.score > 0.02) {
            Some(second) => format!(
                "The photo does not decide between {} ({:.0} %) and {} ({:.0} %).",
                best.file,
                100.0 * best.score,
                second.file,
                100.0 * second.score
            ),
            None => format!(
                "It is only {:.0} % certain that this residue is {}.",
                100.0 * best.score,
                best.file
            ),
        });
    }
    look.extend(
        suspicions(best, settings)
            .iter()
            .map(|s| about(s, &best.file)),
    );
    if best.evidence.missing_detail_mm > settings.missing_detail_mm {
        look.push(format!(
            "{:.0} mm of the outline of {} are not there although the residue around is: is it \
             another version?",
            best.evidence.missing_detail_mm, best.file
        ));
    }
    look
}

fn about_the_place(best: &Ranked, evidence: &Evidence, settings: &VerdictSettings) -> Vec<String> {
    let mut look = Vec::new();
    if evidence.rival_share > settings.rival_share {
        look.push(format!(
            "Another place in the photo shows {:.0} % of this one's signal. Say where the residue \
             is with look_in_px.",
            100.0 * evidence.rival_share
        ));
    }
    if evidence.mirrored_probability > settings.mirrored_probability {
        look.push(format!(
            "The residue may be the mirror image of {} ({:.0} %): is the drawing the right way \
             round?",
            best.file,
            100.0 * evidence.mirrored_probability
        ));
    }
    look
}

fn about_the_scale(
    job: &Job<'_>,
    best: &Ranked,
    plane: &ClothPlane,
    settings: &VerdictSettings,
) -> Vec<String> {
    let mut look = Vec::new();
    let width = job
        .artworks
        .get(best.artwork)
        .map(|artwork| artwork.outline.bounding_box().width() * best.fit.mm_per_art);
    let widths = width.zip(job.expected_width_mm);
    if let Some(doubt) = &plane.reading_doubt {
        let share = settings.expected_width_percent / 100.0;
        if !widths.is_some_and(|(width, expected)| doubt.is_settled_by(width, expected, share)) {
            look.push(doubt.text.clone());
        }
    }
    if let Some((width, expected)) = widths {
        let off = 100.0 * (width / expected - 1.0);
        if off.abs() > settings.expected_width_percent {
            look.push(format!(
                "Measured {width:.1} mm wide, expected {expected:.1} mm: {off:+.1} %, more than \
                 {:.0} %.",
                settings.expected_width_percent
            ));
        }
    }
    if best.evidence.plane_pull > settings.plane_pull_sigmas {
        look.push(format!(
            "The residue's shape contradicts the tilt and size that the ruler gives, by {:.1} times \
             their uncertainty: does the ruler lie flat on the cloth, on the same level?",
            best.evidence.plane_pull
        ));
    }
    let tilt = plane.pose.tilt_deg();
    if tilt > settings.tilt_max_deg {
        look.push(format!(
            "The camera looked at the cloth {tilt:.1}° askew; up to {:.0}° are allowed for. \
             Photograph from straight above.",
            settings.tilt_max_deg
        ));
    }
    look
}

/// Why this is no fit at all; empty when it is one.
fn no_fit(best: &Ranked, settings: &VerdictSettings) -> Vec<String> {
    let fit = &best.fit;
    let mut hold = Vec::new();
    if best.evidence.significance < settings.significance_look_sigmas {
        hold.push(format!(
            "No residue of this artwork was found: the best place keeps to its outline with {:.0} \
             standard deviations, at least {:.0} are needed. Photograph again in slanting light, \
             or say where the residue is with look_in_px.",
            best.evidence.significance, settings.significance_look_sigmas
        ));
    }
    if fit.signal_to_noise < settings.signal_to_noise_look {
        hold.push(format!(
            "No residue stands out of the cloth: the best place shows {:.1} times the noise, at \
             least {:.1} are needed. Photograph again in slanting light.",
            fit.signal_to_noise, settings.signal_to_noise_look
        ));
    }
    if fit.outline_seen < settings.outline_seen_look {
        hold.push(format!(
            "Only {:.0} % of the outline is supported by the residue; below {:.0} % the fit is \
             not believed.",
            100.0 * fit.outline_seen,
            100.0 * settings.outline_seen_look
        ));
    }
    hold
}

#[cfg(test)]
mod tests {
    use measures::Point;
    use measures::cloth::{PlanePose, PlaneTerm};
    use measures::photo::{Camera, FocalSource};

    use super::*;

    fn plane(u_percent: [f64; 2]) -> ClothPlane {
        let middle = Point::new(2000.0, 1500.0);
        let camera = Camera {
            focal_px: 3000.0,
            u_focal_percent: 1.0,
            focal_source: FocalSource::Equivalent35Mm,
            principal: middle,
        };
        let pose = PlanePose {
            slope_x: 0.0,
            slope_y: 0.0,
            depth_mm: 250.0,
            anchor: middle,
        };
        let terms = ["ruler thickness", "ruler class"]
            .into_iter()
            .zip(u_percent)
            .map(|(name, u)| {
                let mut covariance = nalgebra::Matrix3::zeros();
                covariance[(2, 2)] = (u / 100.0).powi(2);
                PlaneTerm {
                    name: name.into(),
                    covariance,
                    source: "not given".into(),
                }
            });
        ClothPlane::new(camera, pose, terms.collect()).expect("a plane seen from above")
    }

    #[test]
    fn what_leaves_the_size_open_is_named_only_where_it_is_one_thing() {
        let named = mostly(&plane([0.3, 0.05]), 0.7).expect("the thickness is most of it");
        assert!(named.contains("ruler thickness, not given"), "{named}");
        assert_eq!(mostly(&plane([0.1, 0.1]), 0.3), None);
        // The residue, not the scale, leaves this size open.
        assert_eq!(mostly(&plane([0.3, 0.05]), 3.0), None);
    }
}
