//! Third stage: from rulers and camera to the plane of the cloth.
//!
//! The ruler's face is adjusted to the located ticks (`bundle`); the cloth lies one ruler
//! thickness behind it. What the ticks, the ruler's class, its thickness, the focal length and
//! the lens leave open is kept apart, term by term, and combined as the GUM says (JCGM 100:2008).

mod bundle;
mod card;
mod class;

use measures::cloth::{PlanePose, PlaneTerm, ReadingDoubt};
use measures::photo::FocalSource;
use measures::ruler::{Reading, RulerHint, RulerUnit};
use measures::{Camera, ClothPlane, Lens, Ruler};
use nalgebra::{Matrix3, Vector3};
use serde::Deserialize;

use bundle::{FacePlane, Prior};
pub use card::THICKNESS_MM as CARD_THICKNESS_MM;
pub use class::RulerClass;

/// What a shop may set about its rulers and its way of taking photographs.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Accuracy class of the shop's rulers.
    pub ruler_class: RulerClass,
    /// Thickness taken for a ruler when the job does not give it.
    pub assumed_thickness_mm: f64,
    /// Standard uncertainty (k = 1) of that assumption.
    pub u_assumed_thickness_mm: f64,
    /// Standard uncertainty (k = 1) of a thickness that the job gives.
    pub u_given_thickness_mm: f64,
    /// Standard deviation of the tilt at which people hold a camera.
    pub usual_tilt_deg: f64,
    /// Standard uncertainty (k = 1) of the scale left by the lens's bending, in per cent.
    pub u_lens_percent: f64,
    /// Two rulers that differ by more than this, and by more than their uncertainty, contradict
    /// each other.
    pub ruler_disagreement_percent: f64,
    /// A reading less probable than this is not trusted alone.
    pub sure_reading_probability: f64,
}

/// Why no plane can be given.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Error {
    /// No ruler was found.
    #[error(
        "no ruler to measure by: lay a ruler with clear millimetre or inch divisions flat on the \
         cloth beside the residue and photograph both together"
    )]
    NoRuler,
    /// The ticks fit no plane before the camera.
    #[error(
        "the {ticks} divisions found on the ruler do not fit a flat ruler lying before the camera: \
         lay the ruler flat, keep at least 25 mm of it sharp and in shot, and photograph again"
    )]
    NoPlane {
        /// How many ticks there were.
        ticks: usize,
    },
}

/// The cloth's plane from every ruler in the photo.
///
/// # Errors
/// [`Error::NoRuler`] without rulers, [`Error::NoPlane`] when their ticks determine no plane.
pub fn cloth_plane(
    rulers: &[Ruler],
    camera: &Camera,
    hint: &RulerHint,
    settings: &Settings,
) -> Result<ClothPlane, Error> {
    let card = hint.card_mm.map(|bars_mm| card::measured(rulers, bars_mm));
    let own = settings.for_card(card.is_some());
    let settings = own.as_ref().unwrap_or(settings);
    let rulers = card.as_ref().map_or(rulers, |card| &card.rulers);
    let bent = settings.bending(rulers, camera);
    let lens = bent.as_ref().map(|bent| bent.lens);
    let rulers = bent.as_ref().map_or(rulers, |bent| &bent.straightened);
    let first = rulers.first().ok_or(Error::NoRuler)?;
    let no_plane = || Error::NoPlane {
        ticks: rulers.iter().map(|r| r.ticks.len()).sum(),
    };
    let (used, mut warnings) = agreeing_rulers(rulers, camera, settings).ok_or_else(no_plane)?;
    let face = settings.adjust(used, camera).ok_or_else(no_plane)?;
    let thickness = Thickness::of(hint, settings);
    let pose = behind(&face.pose, camera, thickness.mm);
    let terms = vec![
        PlaneTerm {
            name: "locating the ticks, tilt included".into(),
            covariance: face.covariance,
            source: format!(
                "least-squares adjustment of {} ticks, {:.3} mm root mean square",
                used.iter().map(|r| r.ticks.len()).sum::<usize>(),
                face.rms_mm
            ),
        },
        class_term(used, settings),
        thickness_term(&pose, camera, &thickness),
        focal_term(used, camera, &face.pose, settings),
        distance_term(&pose, camera, &thickness),
        length_term("lens bending", settings.u_lens_percent, &lens_source(lens)),
    ];
    let mut plane = ClothPlane::new(*camera, pose, terms).ok_or_else(no_plane)?;
    plane.lens = lens;
    plane.reading_doubt = reading_doubt(first, settings);
    warnings.extend(unit_warning(rulers, hint));
    warnings.extend(shadow_warning(used, &thickness));
    warnings.extend(tilt_warning(&pose, camera));
    warnings.extend(card.and_then(|card| card.doubt));
    plane.warnings = warnings;
    Ok(plane)
}

impl Settings {
    /// As they are for a printed card: of paper, and as long as its bars were measured.
    fn for_card(&self, is_card: bool) -> Option<Self> {
        is_card.then(|| Self {
            ruler_class: RulerClass::MeasuredCard,
            assumed_thickness_mm: card::THICKNESS_MM,
            u_assumed_thickness_mm: card::U_THICKNESS_MM,
            ..self.clone()
        })
    }

    fn adjust(&self, rulers: &[Ruler], camera: &Camera) -> Option<FacePlane> {
        let log_stretch = self.ruler_class.u_percent(shortest_base_mm(rulers)) / 100.0;
        self.adjust_with(rulers, camera, log_stretch)
    }

    fn adjust_with(&self, rulers: &[Ruler], camera: &Camera, stretch: f64) -> Option<FacePlane> {
        bundle::adjust(rulers, camera, self.prior(stretch))
    }

    fn adjust_near(
        &self,
        rulers: &[Ruler],
        camera: &Camera,
        near: &PlanePose,
    ) -> Option<FacePlane> {
        let stretch = self.ruler_class.u_percent(shortest_base_mm(rulers)) / 100.0;
        bundle::adjust_from(rulers, camera, self.prior(stretch), near)
    }

    fn prior(&self, log_stretch: f64) -> Prior {
        Prior {
            slope: self.usual_tilt_deg.to_radians().tan(),
            log_stretch,
            bending: bundle::STRAIGHT,
        }
    }

    /// The lens's bending, when the rulers' divisions show it beyond doubt. What the rulers say of
    /// each other's length has no part in it.
    fn bending(&self, rulers: &[Ruler], camera: &Camera) -> Option<Bent> {
        /// Standard deviation of k1 among lenses (judged).
        const USUAL: f64 = 0.006;
        const SURE: f64 = 3.5;
        /// Least fall of the sum of squares.
        const GAIN_MIN: f64 = 11.0;
        let prior = |bending| Prior {
            bending,
            ..self.prior(1.0)
        };
        let straight = bundle::adjust(rulers, camera, prior(bundle::STRAIGHT))?;
        let bent = bundle::adjust(rulers, camera, prior(USUAL))?;
        let (k1, u) = bent.bending;
        let sure = k1.abs() > SURE * u && straight.cost - bent.cost > GAIN_MIN;
        let lens = Lens {
            k1,
            focal_px: camera.focal_px,
            principal: camera.principal,
        };
        sure.then(|| Bent {
            lens,
            straightened: straightened(rulers, &lens, bent.spread),
        })
    }
}

/// A lens that bends, and the rulers as a straight-drawing one would show them.
struct Bent {
    lens: Lens,
    straightened: Vec<Ruler>,
}

/// Takes the bending out of the rulers. It had made the ticks scatter more than they do: they are
/// trusted as far as what is left of it, `spread` of their old standard deviation, allows.
fn straightened(rulers: &[Ruler], lens: &Lens, spread: f64) -> Vec<Ruler> {
    /// Neighbouring ticks share some of what is left (judged).
    const SHARED: f64 = 1.5;
    let factor = (SHARED * spread).min(1.0);
    let mut all: Vec<Ruler> = rulers.iter().map(|r| r.straightened(lens)).collect();
    for tick in all.iter_mut().flat_map(|r| &mut r.ticks) {
        for point in &mut tick.points {
            point.sigma_px *= factor;
        }
    }
    all
}

fn lens_source(lens: Option<Lens>) -> String {
    lens.map_or_else(
        || "typical of phone cameras, unverified".to_owned(),
        |lens| {
            format!(
                "left when the bending that the divisions show (k1 = {:.4}) is taken out; typical, \
                 unverified",
                lens.k1
            )
        },
    )
}

fn shortest_base_mm(rulers: &[Ruler]) -> f64 {
    rulers
        .iter()
        .map(Ruler::base_mm)
        .fold(f64::INFINITY, f64::min)
        .max(1.0)
}

/// The rulers that tell the same scale as the first, and a warning for those that do not.
fn agreeing_rulers<'a>(
    rulers: &'a [Ruler],
    camera: &Camera,
    settings: &Settings,
) -> Option<(&'a [Ruler], Vec<String>)> {
    if rulers.len() < 2 {
        return Some((rulers, Vec::new()));
    }
    let free = settings.adjust_with(rulers, camera, 1.0)?;
    let class = settings.ruler_class.u_percent(shortest_base_mm(rulers)) / 100.0;
    let disagreements: Vec<String> = free
        .stretches
        .iter()
        .filter(|(stretch, u)| {
            100.0 * stretch.abs() > settings.ruler_disagreement_percent
                && stretch.abs() > 3.0 * u.hypot(class)
        })
        .map(|(stretch, _)| {
            format!(
                "two rulers in the photo disagree by {:.1} %: one of them does not lie flat on the \
                 cloth, is misread, or is wrong; photograph with one good ruler flat on the cloth",
                100.0 * stretch.abs()
            )
        })
        .collect();
    let used = if disagreements.is_empty() {
        rulers
    } else {
        &rulers[..1]
    };
    Some((used, disagreements))
}

struct Thickness {
    mm: f64,
    u_mm: f64,
    /// What a ruler that lies flat hardly exceeds.
    most_mm: f64,
    source: &'static str,
}

impl Thickness {
    fn of(hint: &RulerHint, settings: &Settings) -> Self {
        match hint.thickness_mm {
            Some(mm) => Self {
                mm,
                u_mm: settings.u_given_thickness_mm,
                most_mm: mm + 2.0 * settings.u_given_thickness_mm,
                source: "thickness from the job",
            },
            None => Self {
                mm: settings.assumed_thickness_mm,
                u_mm: settings.u_assumed_thickness_mm,
                most_mm: settings.assumed_thickness_mm + settings.u_assumed_thickness_mm,
                source: "not given in the job: a usual one is assumed (common practice, no source)",
            },
        }
    }
}

/// The plane `gap_mm` farther from the camera, along the plane's normal.
fn behind(face: &PlanePose, camera: &Camera, gap_mm: f64) -> PlanePose {
    PlanePose {
        depth_mm: face.depth_mm + gap_mm * depth_per_gap(face, camera),
        ..*face
    }
}

/// How much depth along the anchor's ray grows for a gap along the plane's normal.
fn depth_per_gap(pose: &PlanePose, camera: &Camera) -> f64 {
    let right = (pose.anchor.x - camera.principal.x) / camera.focal_px;
    let down = (pose.anchor.y - camera.principal.y) / camera.focal_px;
    let normal_length = (1.0 + pose.slope_x.powi(2) + pose.slope_y.powi(2)).sqrt();
    normal_length / (1.0 - pose.slope_x * right - pose.slope_y * down)
}

fn class_term(rulers: &[Ruler], settings: &Settings) -> PlaneTerm {
    let longest_mm = rulers.iter().map(Ruler::base_mm).fold(1.0, f64::max);
    let class = settings.ruler_class;
    length_term("ruler class", class.u_percent(longest_mm), class.source())
}

fn thickness_term(cloth: &PlanePose, camera: &Camera, thickness: &Thickness) -> PlaneTerm {
    let percent = 100.0 * thickness.u_mm * depth_per_gap(cloth, camera) / cloth.depth_mm;
    length_term("ruler thickness (parallax)", percent, thickness.source)
}

/// A term that makes every length longer or shorter alike.
fn length_term(name: &str, u_percent: f64, source: &str) -> PlaneTerm {
    let mut covariance = Matrix3::zeros();
    covariance[(2, 2)] = (u_percent / 100.0).powi(2);
    PlaneTerm {
        name: name.into(),
        covariance,
        source: source.into(),
    }
}

/// What the divisions tell of the plane when the focal length is off by its standard uncertainty.
///
/// Depth grows in proportion to the focal length without any change of scale; that part is
/// taken out.
fn focal_term(
    rulers: &[Ruler],
    camera: &Camera,
    face: &PlanePose,
    settings: &Settings,
) -> PlaneTerm {
    let u = camera.u_focal_percent / 100.0;
    let longer = Camera {
        focal_px: camera.focal_px * (1.0 + u),
        ..*camera
    };
    let steeper = PlanePose {
        slope_x: face.slope_x * (1.0 + u),
        slope_y: face.slope_y * (1.0 + u),
        depth_mm: face.depth_mm * (1.0 + u),
        ..*face
    };
    let change =
        settings
            .adjust_near(rulers, &longer, &steeper)
            .map_or(Vector3::zeros(), |moved| {
                Vector3::new(
                    moved.pose.slope_x - face.slope_x,
                    moved.pose.slope_y - face.slope_y,
                    (moved.pose.depth_mm / face.depth_mm).ln() - u.ln_1p(),
                )
            });
    PlaneTerm {
        name: "focal length".into(),
        covariance: change * change.transpose(),
        source: focal_source(camera).into(),
    }
}

/// What the same does to the step from the ruler's face to the cloth: a camera taken for nearer
/// than it is sees a thicker step.
///
/// It is a term of its own, since no tilt that the emblem's shape shows would tell of it.
fn distance_term(cloth: &PlanePose, camera: &Camera, thickness: &Thickness) -> PlaneTerm {
    let step_percent = 100.0 * thickness.mm * depth_per_gap(cloth, camera) / cloth.depth_mm;
    let u = step_percent * camera.u_focal_percent / 100.0;
    length_term("camera distance (parallax)", u, focal_source(camera))
}

fn focal_source(camera: &Camera) -> &'static str {
    match camera.focal_source {
        FocalSource::Equivalent35Mm => "35 mm equivalent in the photo's EXIF data",
        FocalSource::SensorResolution => "focal length and sensor in the photo's EXIF data",
        FocalSource::Assumed => "no EXIF data: a usual camera is assumed",
    }
}

fn reading_doubt(ruler: &Ruler, settings: &Settings) -> Option<ReadingDoubt> {
    let sure = ruler.reading.probability >= settings.sure_reading_probability;
    (!sure).then(|| {
        let others: Vec<String> = ruler.other_readings.iter().map(describe).collect();
        let text = format!(
            "the ruler's divisions are read as {}, but {} cannot be ruled out: check one printed \
             distance on the overlay, or photograph more of the ruler's numbered marks",
            describe(&ruler.reading),
            if others.is_empty() {
                "another reading".into()
            } else {
                others.join(" or ")
            }
        );
        let pitch_mm = ruler.reading.pitch_mm;
        let times_as_long = ruler.other_readings.iter().map(|r| r.pitch_mm / pitch_mm);
        ReadingDoubt {
            text,
            times_as_long: times_as_long.collect(),
        }
    })
}

fn describe(reading: &Reading) -> String {
    let percent = 100.0 * reading.probability;
    match reading.unit {
        RulerUnit::Mm => format!("{} mm apart ({percent:.0} %)", reading.pitch_mm),
        RulerUnit::Inch => {
            let parts = measures::unit::MM_PER_INCH / reading.pitch_mm;
            format!("1/{parts:.0} inch apart ({percent:.0} %)")
        }
    }
}

/// The job names a unit that no ruler in the photo has.
fn unit_warning(rulers: &[Ruler], hint: &RulerHint) -> Option<String> {
    let (said, first) = (hint.unit?, rulers.first()?);
    let names = |unit| match unit {
        RulerUnit::Mm => "millimetres",
        RulerUnit::Inch => "inches",
    };
    let any = rulers.iter().any(|r| r.reading.unit == said);
    (!any).then(|| {
        format!(
            "the job says that the ruler has {}, but its divisions are read as {}: mend `ruler` in \
             job.toml, or leave the unit out",
            names(said),
            describe(&first.reading)
        )
    })
}

/// A ruler that lies flat casts a shadow 2.5 times as wide as it is thick in light from 22° above
/// the cloth; the light's own softness adds a little (judged). Under an evenly bright sky, the softest
/// light, a shadow fades from three quarters to one quarter within 0.75 times the thickness (the sky
/// that the ruler's side hides at a distance: half of one less the cosine of its height seen from
/// there).
fn shadow_warning(rulers: &[Ruler], thickness: &Thickness) -> Option<String> {
    const SOFT_MM: f64 = 2.2;
    const TIMES_THICKNESS: f64 = 2.5;
    const BLUR_MM: f64 = 0.5;
    const FADING_TIMES_THICKNESS: f64 = 0.75;
    let shadows = || rulers.iter().filter_map(|r| r.shadow);
    let most = SOFT_MM + TIMES_THICKNESS * thickness.most_mm;
    let widest = shadows().map(|s| s.width_mm).fold(0.0, f64::max);
    let longest = BLUR_MM + FADING_TIMES_THICKNESS * thickness.most_mm;
    let softest = shadows().map(|s| s.fading_mm).fold(0.0, f64::max);
    let seen = if widest > most {
        format!("reaches {widest:.0} mm past its edge, that of one lying flat {most:.0} mm at most")
    } else if softest > longest {
        format!("fades over {softest:.1} mm, that of one lying flat over {longest:.1} mm at most")
    } else {
        return None;
    };
    Some(format!(
        "the ruler's shadow {seen}: does it stand off the cloth? Lay it flat on the cloth and \
         photograph again"
    ))
}

fn tilt_warning(pose: &PlanePose, camera: &Camera) -> Option<String> {
    let tilt_deg = pose.tilt_deg();
    let assumed = camera.focal_source == FocalSource::Assumed && tilt_deg > 3.0;
    assumed.then(|| {
        format!(
            "the photo says nothing of its lens, so the tilt of about {tilt_deg:.0}° is only \
             roughly known: use the camera's original file, or photograph square from above"
        )
    })
}
