//! From coarse candidates to one sub-pixel alignment: every candidate climbs from the level it
//! was found at to finer ones, fewer at each, until the finest that the region's size allows.

use measures::{Art, ClothPlane, Map, Mm, Point, Vector};
use rayon::prelude::*;

use crate::Settings;
use crate::align::{Aligner, Alignment};
use crate::coarse::{Candidate, angle_between};
use crate::level::Level;
use crate::pose::{BLEED, BLUR, Pose, Prior, SIZE, TURN, UNKNOWNS, Unknowns, X, Y};
use crate::region::Region;
use crate::shape::{Distance, Shape};

/// Cloth around the emblem that is looked at with it, as a share of its longer side.
const SURROUNDINGS: f64 = 0.12;
/// Distance from the outline within which the shape's blurred edge is drawn.
const BAND_MM: f64 = 2.0;

/// One candidate on its way up.
#[derive(Clone, Debug)]
pub(crate) struct Climber {
    pub(crate) candidate: Candidate,
    pub(crate) alignment: Alignment,
}

/// How high to climb.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Ascent {
    /// To half the resolution of the final fit, where places can be judged.
    Full,
    /// To a quarter, which is enough to begin a comparison from.
    Short,
}

impl Ascent {
    fn samples_max(self, settings: &Settings) -> usize {
        settings.region_samples_max
            / match self {
                Self::Full => 2,
                Self::Short => 4,
            }
    }
}

/// The aligned candidates, best first, at most `most`, at a level fine enough to tell them apart.
pub(crate) fn climb(
    levels: &[Level],
    shape: &Shape,
    plane: &ClothPlane,
    candidates: &[Candidate],
    most: usize,
    ascent: Ascent,
    settings: &Settings,
) -> Vec<Climber> {
    let samples_max = ascent.samples_max(settings);
    let mut climbers: Vec<Climber> = candidates
        .par_iter()
        .filter_map(|c| {
            let start = starting_pose(c, settings);
            let view = View::new(
                &levels[c.level],
                shape,
                plane,
                start.size_mm(),
                false,
                settings,
            );
            let alignment = view.align(start, &c.direction)?;
            Some(Climber {
                candidate: *c,
                alignment,
            })
        })
        .collect();
    sort(&mut climbers, settings);
    climbers = distinct(climbers);
    keep_convincing(&mut climbers, 2 * most, settings);
    loop {
        // The coarsest move first: only signals at one level can be compared.
        let has_arrived = |c: &Climber| c.candidate.level <= c.top_level(levels, samples_max);
        let moving = climbers.iter().filter(|c| !has_arrived(c));
        let coarsest = moving.map(|c| c.candidate.level).max();
        if coarsest.is_none() {
            climbers.truncate(most);
            return climbers;
        }
        climbers = climbers
            .into_par_iter()
            .filter_map(|mut c| {
                if Some(c.candidate.level) == coarsest && !has_arrived(&c) {
                    c.step_up(levels, shape, plane, samples_max, settings)?;
                }
                Some(c)
            })
            .collect();
        sort(&mut climbers, settings);
        climbers = distinct(climbers);
        keep_convincing(&mut climbers, most, settings);
    }
}

/// Drops what falls far behind the best of its level, and all but the best `most` of each level; but
/// keeps the one that shows most: where bleed and blur cannot be seen yet, a plain residue differs from
/// its own shape by more than noise does.
fn keep_convincing(climbers: &mut Vec<Climber>, most: usize, settings: &Settings) {
    /// What shows less than this share of the best one's signal does not catch up.
    const SHARE: f64 = 0.65;
    let before: Vec<(usize, f64, f64)> = climbers
        .iter()
        .map(|c| (c.candidate.level, c.standing(settings), c.shown()))
        .collect();
    climbers.retain(|c| {
        let own = c.standing(settings);
        let same = || before.iter().filter(|b| b.0 == c.candidate.level);
        let best = same().map(|b| b.1).fold(0.0, f64::max);
        let most_shown = same().all(|b| b.2 <= c.shown());
        most_shown || own > SHARE * best && same().filter(|b| b.1 > own).count() < most
    });
}

fn sort(climbers: &mut [Climber], settings: &Settings) {
    climbers.sort_by(|a, b| b.standing(settings).total_cmp(&a.standing(settings)));
}

impl Climber {
    /// Aligns once more at the next finer level, colours told apart anew.
    fn step_up(
        &mut self,
        levels: &[Level],
        shape: &Shape,
        plane: &ClothPlane,
        samples_max: usize,
        settings: &Settings,
    ) -> Option<()> {
        let pose = self.alignment.pose;
        self.candidate.level -= 1;
        let level = &levels[self.candidate.level];
        let last = self.candidate.level <= self.top_level(levels, samples_max);
        let view = View::new(level, shape, plane, pose.size_mm(), last, settings);
        self.candidate.direction = view.best_direction(&pose, &self.candidate)?;
        self.alignment = view.align(pose, &self.candidate.direction)?;
        Some(())
    }

    /// Where the climb ends.
    fn top_level(&self, levels: &[Level], samples_max: usize) -> usize {
        finest_level(levels, self.alignment.pose.size_mm(), samples_max)
    }

    /// Signal-to-noise ratio, by how much of the shape shows.
    pub(crate) fn shown(&self) -> f64 {
        self.alignment.snr.abs() * self.alignment.present_share
    }

    pub(crate) fn standing(&self, settings: &Settings) -> f64 {
        self.alignment
            .standing([settings.bleed_mm, settings.u_bleed_mm])
    }
}

fn distinct(climbers: Vec<Climber>) -> Vec<Climber> {
    let mut kept: Vec<Climber> = Vec::new();
    for c in climbers {
        let p = &c.alignment.pose;
        let alike = |k: &Climber| {
            let q = &k.alignment.pose;
            q.middle().distance(p.middle()) < 0.03 * p.size_mm()
                && (q.0[SIZE] - p.0[SIZE]).abs() < 0.03
                && angle_between(q.0[TURN], p.0[TURN]) < 0.04
        };
        if !kept.iter().any(alike) {
            kept.push(c);
        }
    }
    kept
}

fn starting_pose(c: &Candidate, settings: &Settings) -> Pose {
    let mut pose = Unknowns::zeros();
    pose[X] = c.middle.x;
    pose[Y] = c.middle.y;
    pose[TURN] = c.turn_rad;
    pose[SIZE] = c.size_mm.ln();
    pose[BLEED] = settings.bleed_mm;
    pose[BLUR] = settings.blur_mm.ln();
    Pose(pose)
}

/// The finest level at which the region around an emblem of this size has no more than so many
/// samples a side.
pub(crate) fn finest_level(levels: &[Level], size_mm: f64, samples_max: usize) -> usize {
    let side = (1.0 + 2.0 * SURROUNDINGS) * size_mm;
    levels
        .iter()
        .position(|l| side / l.pitch_mm() <= samples_max as f64)
        .unwrap_or(levels.len() - 1)
}

/// The region around a pose.
pub(crate) fn region_around(
    level: &Level,
    shape: &Shape,
    pose: &Pose,
    direction: &[f64; 3],
) -> Option<Region> {
    let (sin, cos) = pose.0[TURN].sin_cos();
    let [a, b] = shape.half;
    let size = pose.size_mm();
    let margin = SURROUNDINGS * size + 8.0 * level.pitch_mm();
    let reach_x = size * (a * cos.abs() + b * sin.abs()) + margin;
    let reach_y = size * (a * sin.abs() + b * cos.abs()) + margin;
    let m = pose.middle();
    let low = Point::new(m.x - reach_x, m.y - reach_y);
    let high = Point::new(m.x + reach_x, m.y + reach_y);
    Region::new(level, low, high, direction)
}

/// Samples the shape's distance finely enough for a level.
pub(crate) fn distance_for(level: &Level, shape: &Shape, size_mm: f64) -> Distance {
    let pitch = level.pitch_mm();
    Distance::new(
        shape,
        0.8 * pitch / size_mm,
        (BAND_MM.max(5.0 * pitch)) / size_mm,
    )
}

/// What is known beforehand, at a level: far from the finest, bleed and blur cannot be seen and
/// stay what is usual.
pub(crate) fn prior_for(
    level: &Level,
    plane: &ClothPlane,
    settings: &Settings,
    last: bool,
) -> Prior {
    let blur = settings.blur_mm.hypot(0.5 * level.pitch_mm());
    if last {
        Prior::new(plane, [settings.bleed_mm, settings.u_bleed_mm], blur, 0.6)
    } else {
        Prior::new(
            plane,
            [settings.bleed_mm, 0.02],
            blur.max(0.7 * level.pitch_mm()),
            0.02,
        )
    }
}

/// A shape at one level.
pub(crate) struct View<'a> {
    level: &'a Level<'a>,
    shape: &'a Shape,
    plane: &'a ClothPlane,
    pub(crate) prior: Prior,
    pub(crate) distance: Distance,
    pub(crate) tiles: usize,
    /// Whether no finer level follows: all unknowns may move.
    last: bool,
}

impl<'a> View<'a> {
    /// Of the shape at about this size.
    pub(crate) fn new(
        level: &'a Level<'a>,
        shape: &'a Shape,
        plane: &'a ClothPlane,
        size_mm: f64,
        last: bool,
        settings: &Settings,
    ) -> Self {
        Self {
            level,
            shape,
            plane,
            prior: prior_for(level, plane, settings, last),
            distance: distance_for(level, shape, size_mm),
            tiles: tiles_for(size_mm),
            last,
        }
    }

    fn align(&self, mut pose: Pose, direction: &[f64; 3]) -> Option<Alignment> {
        let region = region_around(self.level, self.shape, &pose, direction)?;
        pose.0[BLUR] = self.prior.mean[BLUR];
        let free = if self.last { UNKNOWNS } else { SIZE + 1 };
        let alignment = self.aligner(&region, free).align(pose).0;
        on_cloth(self.level, self.shape, &alignment.pose).then_some(alignment)
    }

    /// The first `free` unknowns may move.
    pub(crate) fn aligner<'b>(&'b self, region: &'b Region, free: usize) -> Aligner<'b> {
        Aligner {
            region,
            distance: &self.distance,
            plane: self.plane,
            prior: &self.prior,
            tiles: self.tiles,
            tiling: None,
            free,
            settled: if self.last { 0.05 } else { 0.1 },
        }
    }

    /// The colour direction that separates inside from outside best at a pose: each channel weighed
    /// by its contrast over its noise (Fisher's discriminant, the channels' noise being
    /// uncorrelated).
    pub(crate) fn best_direction(&self, pose: &Pose, candidate: &Candidate) -> Option<[f64; 3]> {
        let region_in = |c: usize| {
            let mut axis = [0.0; 3];
            axis[c] = 1.0;
            region_around(self.level, self.shape, pose, &axis)
        };
        let first = region_in(0)?;
        let aligner = self.aligner(&first, 0);
        // The shape looks alike in every channel.
        let near = aligner.near(pose);
        let cover = aligner.cover(pose, &near);
        let seen = |region: &Region| -> f64 {
            let white = region.whiten(&cover);
            near.iter()
                .map(|&(k, _)| f64::from(white[k] * region.white[k].clamp(-5.0, 5.0)))
                .sum()
        };
        let (second, third) = rayon::join(
            || region_in(1).as_ref().map(seen),
            || region_in(2).as_ref().map(seen),
        );
        let direction = [seen(&first), second?, third?];
        let length = direction.iter().map(|d| d * d).sum::<f64>().sqrt();
        if length > 0.0 {
            Some(direction.map(|d| d / length))
        } else {
            Some(candidate.direction)
        }
    }
}

/// Whether enough of the outline lies where cloth is seen.
fn on_cloth(level: &Level, shape: &Shape, pose: &Pose) -> bool {
    const SHARE: f64 = 0.7;
    let grid = &level.field.grid;
    let turn = Map::<Art, Mm>::similarity(
        pose.size_mm(),
        pose.0[TURN],
        Vector::new(pose.0[X], pose.0[Y]),
    );
    let (mut all, mut seen) = (0.0, 0.0);
    for stop in shape.walk(0.02).into_iter().flatten() {
        let (u, v) = grid.index(turn.apply(Point::new(stop.at[0], stop.at[1])));
        let (i, j) = (u.round(), v.round());
        let inside = i >= 0.0 && j >= 0.0 && i < grid.width as f64 && j < grid.height as f64;
        all += stop.length;
        if inside && level.field.cloth[j as usize * grid.width + i as usize] > 0.0 {
            seen += stop.length;
        }
    }
    seen > SHARE * all
}

/// Tiles along the emblem's longer side.
pub(crate) fn tiles_for(size_mm: f64) -> usize {
    ((size_mm / 7.0).round() as usize).clamp(4, 14)
}
