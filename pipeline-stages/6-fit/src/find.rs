//! Where each version may lie: searched coarsely and where it is likely first.

use std::f64::consts::PI;

use measures::{ClothPlane, Mm, Point};

use crate::coarse::{self, Look, Raster};
use crate::level::Level;
use crate::pose::{BLEED, Pose, TURN};
use crate::refine::{self, Ascent, Climber};
use crate::shape::Shape;
use crate::{Hint, Settings};

/// A version on its way through the comparison.
pub(crate) struct Entrant {
    pub(crate) artwork: usize,
    pub(crate) shape: Shape,
    pub(crate) climbers: Vec<Climber>,
}

pub(crate) fn standing(climbers: &[Climber], settings: &Settings) -> f64 {
    climbers.first().map_or(0.0, |c| c.standing(settings))
}

/// The best places for every shape: the likely sizes first and coarsely, everything and
/// thoroughly only if that convinces nobody. Versions of one emblem lie in one place, so the
/// search ends with the pass in which any of them is found beyond doubt.
pub(crate) fn find(
    levels: &[Level],
    entrants: &mut [Entrant],
    plane: &ClothPlane,
    hint: &Hint,
    settings: &Settings,
) {
    const KEPT: usize = 3;
    /// Most searches end above this size; below it they cost the most.
    const USUAL_MIN_MM: f64 = 28.0;
    let all = [settings.size_min_mm, settings.size_max_mm];
    let usual = [all[0].max(USUAL_MIN_MM), all[1]];
    let width = hint.expected_width_mm.filter(|w| w.is_finite() && *w > 0.0);
    let likely = settings.rotation_max_deg.to_radians();
    let passes = [
        width.map(|_| (None, Raster::QUICK, likely)),
        Some((Some(usual), Raster::QUICK, likely)),
        Some((Some(all), Raster::QUICK, likely)),
        Some((Some(usual), Raster::QUICK, PI)),
        Some((Some(all), Raster::THOROUGH, likely)),
    ];
    for (sizes, raster, turn_rad) in passes.into_iter().flatten() {
        for i in 0..entrants.len() {
            let e = &mut entrants[i];
            let size = width.unwrap_or_default() * 0.5 / e.shape.half[0];
            let look = Look {
                raster,
                sizes_mm: sizes.unwrap_or([(0.75 * size).max(all[0]), (1.35 * size).min(all[1])]),
                turns_rad: [0.0, turn_rad],
                window: None,
            };
            let found = coarse::search(levels, &e.shape, &look, settings);
            let climbers = refine::climb(
                levels,
                &e.shape,
                plane,
                &found,
                KEPT,
                Ascent::Full,
                settings,
            );
            if standing(&climbers, settings) > standing(&e.climbers, settings) {
                e.climbers = climbers;
            }
            // One version found beyond doubt tells where the others lie.
            if let Some(pose) = convincing(&e.climbers, &BEYOND_DOUBT, look.sizes_mm[0], settings) {
                look_about(levels, entrants, i, plane, &pose, settings);
                return;
            }
        }
        let best = (0..entrants.len()).max_by(|&i, &j| {
            let standing = |k: usize| standing(&entrants[k].climbers, settings);
            standing(i).total_cmp(&standing(j)).then(j.cmp(&i))
        });
        let best = best.and_then(|i| {
            let least_mm = sizes.map_or(all[0], |sizes| sizes[0]);
            Some((
                i,
                convincing(&entrants[i].climbers, &CLEAR, least_mm, settings)?,
            ))
        });
        if let Some((i, pose)) = best {
            look_about(levels, entrants, i, plane, &pose, settings);
            return;
        }
    }
}

/// What ends a search: a fit so far out of the noise, with residue on so much of the shape.
struct Enough {
    significance: f64,
    present_share: f64,
}

/// Nothing else needs to be looked at,
const BEYOND_DOUBT: Enough = Enough {
    significance: 30.0,
    present_share: 0.5,
};
/// and no more thorough search is needed. Measured on painted scenes: 0.54 to 0.64 of what lay on part
/// of a larger residue, or at a wrong turn; 0.74 and more of right places that are not beyond doubt.
const CLEAR: Enough = Enough {
    significance: 14.0,
    present_share: 0.7,
};

/// Every version is searched about the place where one, `found`, was found. They differ in what
/// they show, so the middle of one need not be the middle of another.
fn look_about(
    levels: &[Level],
    entrants: &mut [Entrant],
    found: usize,
    plane: &ClothPlane,
    pose: &Pose,
    settings: &Settings,
) {
    const TURN_RAD: f64 = 0.2;
    let half = entrants[found].shape.half;
    let size = pose.size_mm();
    for (_, e) in entrants.iter_mut().enumerate().filter(|(i, _)| *i != found) {
        let ratios = [half[0] / e.shape.half[0], half[1] / e.shape.half[1]];
        let look = Look {
            raster: Raster::QUICK,
            sizes_mm: [
                0.85 * size * ratios[0].min(ratios[1]),
                1.18 * size * ratios[0].max(ratios[1]),
            ],
            turns_rad: [pose.0[TURN], TURN_RAD],
            window: Some(about(pose)),
        };
        let mut found = coarse::search(levels, &e.shape, &look, settings);
        found.retain(|c| c.middle.distance(pose.middle()) < 0.4 * size);
        found.truncate(LOCAL_CANDIDATES);
        // Only what was found before needs an equal to be compared with.
        let ascent = if e.climbers.is_empty() {
            Ascent::Short
        } else {
            Ascent::Full
        };
        let climbers = refine::climb(levels, &e.shape, plane, &found, 1, ascent, settings);
        if standing(&climbers, settings) > standing(&e.climbers, settings) {
            e.climbers = climbers;
        }
    }
}

/// Candidates looked at where the place is known already.
pub(crate) const LOCAL_CANDIDATES: usize = 6;

/// The cloth about a pose in which another shape is looked for.
pub(crate) fn about(pose: &Pose) -> [Point<Mm>; 2] {
    let reach = 1.1 * pose.size_mm();
    let m = pose.middle();
    [
        Point::new(m.x - reach, m.y - reach),
        Point::new(m.x + reach, m.y + reach),
    ]
}

/// The pose of the best fit if that is so good that no other place needs to be looked at: far out
/// of the noise, with residue almost everywhere it should be, no other place nearly as good, and no
/// smaller than what was looked for: part of the residue of a small emblem can be one still smaller.
fn convincing(
    climbers: &[Climber],
    enough: &Enough,
    least_mm: f64,
    settings: &Settings,
) -> Option<Pose> {
    const RIVAL: f64 = 0.7;
    /// Standard deviations of bleed.
    const DEVIATIONS: f64 = 2.0;
    let (best, others) = climbers.split_first()?;
    let standing = best.standing(settings);
    let pose = best.alignment.pose;
    let rivalled = others.iter().any(|c| {
        let away = c.alignment.pose.middle().distance(pose.middle()) > 0.1 * pose.size_mm();
        away && c.standing(settings) > RIVAL * standing
    });
    let bleed = (pose.0[BLEED] - settings.bleed_mm).abs();
    let good = best.alignment.significance() > enough.significance
        && best.alignment.present_share > enough.present_share
        && bleed < DEVIATIONS * settings.u_bleed_mm
        && pose.size_mm() >= least_mm
        && !rivalled;
    good.then_some(pose)
}
