//! All versions fitted to the same samples, and compared.

use std::f64::consts::PI;

use measures::{Art, Artwork, ClothPlane, Fit, Map};
use rayon::prelude::*;

use crate::align::{Aligner, Alignment, Drawing, Tiling};
use crate::certainty::{Seen, art_to_photo, covariance, least_deviation};
use crate::coarse::{self, Candidate, Look, Raster};
use crate::evidence;
use crate::find::{Entrant, LOCAL_CANDIDATES, about, find, standing};
use crate::holes;
use crate::level::Level;
use crate::pose::{BLEED, Pose, Prior, SIZE, TURN, UNKNOWNS, X, Y};
use crate::refine::{self, Ascent, Climber};
use crate::region::Region;
use crate::shape::{Distance, Shape, Stop};
use crate::structure;
use crate::turns;
use crate::{Evidence, Hint, MadeHole, Ranked, Ranking, Settings};

/// What whitened residuals are short of being independent, and the model of being complete:
/// log-likelihood differences are divided by this.
const TEMPER: f64 = 4.0;
/// Signal-to-noise ratio at which the residue is as likely chance as not, and the step over which
/// that changes: the search looks at some 1e8 places, whose largest chance value is near 6.5.
const SNR_EVEN: f64 = 8.0;
const SNR_STEP: f64 = 0.5;
/// Another turn than the one found must explain the photo better by this factor.
const TURNED_GAIN_MIN: f64 = 1.02;
/// What is less probable than this by half the final resolution is out.
const OUT: f64 = 1e-7;

pub(crate) fn rank(
    levels: &[Level],
    plane: &ClothPlane,
    artworks: &[Artwork],
    hint: &Hint,
    settings: &Settings,
) -> Ranking {
    let mut entrants: Vec<Entrant> = artworks
        .iter()
        .enumerate()
        .filter_map(|(artwork, a)| {
            let shape = Shape::new(&a.outline)?;
            Some(Entrant {
                artwork,
                shape,
                climbers: Vec::new(),
            })
        })
        .collect();
    find(levels, &mut entrants, plane, hint, settings);
    best_of(levels, plane, artworks, &entrants, settings).unwrap_or(Ranking {
        versions: Vec::new(),
        none_of_these: 1.0,
    })
}

/// Fits every version at half the final resolution, and those that may be the one at the final.
fn best_of(
    levels: &[Level],
    plane: &ClothPlane,
    artworks: &[Artwork],
    entrants: &[Entrant],
    settings: &Settings,
) -> Option<Ranking> {
    let lead = entrants.iter().max_by(|a, b| {
        standing(&a.climbers, settings)
            .total_cmp(&standing(&b.climbers, settings))
            .then(b.artwork.cmp(&a.artwork))
    })?;
    let climber = lead.climbers.first()?;
    let pose = climber.alignment.pose;
    let ground = |shape: &Shape, pose: &Pose, samples_max, settled| {
        let level = refine::finest_level(levels, pose.size_mm(), samples_max);
        let level = &levels[level];
        let candidate = &climber.candidate;
        Ground::prepare(level, plane, shape, pose, candidate, settings, settled)
    };
    let of_lead = |share, settled| {
        let samples_max = settings.region_samples_max / share;
        ground(&lead.shape, &pose, samples_max, settled)
    };
    let (coarse, rough) = rayon::join(|| of_lead(2, 0.05), || of_lead(4, 0.1));
    let (coarse, rough) = (coarse?, rough?);
    let tried: Vec<Finalist> = entrants
        .par_iter()
        .filter_map(|e| {
            let own = match starts(e, lead, &pose).as_slice() {
                [start] => coarse.fit(e, &[*start]),
                several => coarse.fit(e, &[rough.fit(e, several)?.alignment.pose]),
            }?;
            let turns = rough.turned(e, &own.alignment.pose, settings);
            let turned = rough.fit(e, &turns);
            let turned = turned.and_then(|t| coarse.fit(e, &[t.alignment.pose]));
            let gain = TURNED_GAIN_MIN * own.alignment.gain;
            Some(turned.filter(|t| t.alignment.gain > gain).unwrap_or(own))
        })
        .collect();
    let weights = coarse.weights(&tried.iter().collect::<Vec<_>>());
    let ahead =
        (0..tried.len()).max_by(|&i, &j| weights[i].total_cmp(&weights[j]).then(j.cmp(&i)))?;
    let front = &tried[ahead];
    let fine = ground(
        &front.entrant.shape,
        &front.alignment.pose,
        settings.region_samples_max,
        0.01,
    )?;
    let likely = |k: &usize| weights[*k] >= OUT;
    let finalists: Vec<Finalist> = (0..tried.len())
        .into_par_iter()
        .filter(likely)
        .filter_map(|k| fine.fit(tried[k].entrant, &[tried[k].alignment.pose]))
        .collect();
    let weights = fine.weights(&finalists.iter().collect::<Vec<_>>());
    let best =
        (0..finalists.len()).max_by(|&i, &j| weights[i].total_cmp(&weights[j]).then(j.cmp(&i)));
    let best = best.map(|best| &finalists[best]);
    let mirrored = || {
        let best = best?;
        let rough = tried
            .iter()
            .find(|f| f.entrant.artwork == best.entrant.artwork)?;
        let looks = [(&coarse, rough), (&fine, best)];
        Some(mirrored_probability(levels, looks.into_iter(), settings))
    };
    let hole = || Some(fine.made_hole(best?));
    let (mut ranking, (mirrored, hole)) = rayon::join(
        || fine.compare(&finalists, &weights, artworks),
        || rayon::join(mirrored, hole),
    );
    if let (Some(first), Some(best)) = (ranking.versions.first_mut(), best) {
        first.evidence.mirrored_probability = mirrored.unwrap_or(0.0);
        first.evidence.made_hole = hole.unwrap_or_default();
        first.evidence.rival_share = rival_share(entrants, &best.alignment.pose, settings);
    }
    let beaten = (0..tried.len()).into_par_iter().filter(|k| !likely(k));
    let beaten = beaten.map(|k| coarse.describe(&tried[k], 0.0, artworks));
    ranking.versions.par_extend(beaten);
    Some(ranking)
}

/// Probability that the mirror image of a fit is the right one; 0 when it looks the same. The
/// second look, with the same fit at the final resolution, is taken only if the first leaves doubt.
fn mirrored_probability<'a>(
    levels: &[Level],
    looks: impl Iterator<Item = (&'a Ground<'a>, &'a Finalist<'a>)>,
    settings: &Settings,
) -> f64 {
    let mut looks = looks.peekable();
    let Some((ground, f)) = looks.peek() else {
        return 0.0;
    };
    let pose = &f.alignment.pose;
    let size = pose.size_mm();
    let shape = &f.entrant.shape;
    let mirrored = Entrant {
        artwork: f.entrant.artwork,
        shape: shape.mirrored(),
        climbers: Vec::new(),
    };
    if alike((&mirrored.shape, pose), (shape, pose), &f.distance) {
        return 0.0;
    }
    let look = Look {
        raster: Raster::QUICK,
        sizes_mm: [0.87 * size, 1.15 * size],
        turns_rad: [pose.0[TURN], PI],
        window: Some(about(pose)),
    };
    let mirror = &mirrored.shape;
    let mut found = coarse::search(levels, mirror, &look, settings);
    found.retain(|c| c.middle.distance(pose.middle()) < 0.3 * size);
    found.truncate(LOCAL_CANDIDATES);
    let plane = ground.plane;
    let climbed = refine::climb(levels, mirror, plane, &found, 1, Ascent::Short, settings);
    let Some(best) = climbed.first() else {
        return 0.0;
    };
    let (mut start, mut probability) = (best.alignment.pose, 0.0);
    for (ground, f) in looks {
        (start, probability) = ground.mirrored(&mirrored, start, f);
        if probability < OUT {
            break;
        }
    }
    probability
}

/// Where to begin a version's fit: at its own best place, or at the leader's at equal area, equal
/// width or equal height.
fn starts(e: &Entrant, lead: &Entrant, leader: &Pose) -> Vec<Pose> {
    let own = e.climbers.first().map(|c| c.alignment.pose);
    let mut starts: Vec<Pose> = own.into_iter().collect();
    starts.retain(|p| p.middle().distance(leader.middle()) < 0.5 * leader.size_mm());
    if e.artwork != lead.artwork {
        let [a, b] = [lead.shape.half, e.shape.half];
        let ratios = [
            (a[0] * a[1] / (b[0] * b[1])).sqrt(),
            a[0] / b[0],
            a[1] / b[1],
        ];
        let alike = (ratios[1] / ratios[2]).ln().abs() < 0.03;
        let kept = if alike { 1 } else { 3 };
        starts.extend(ratios[..kept].iter().map(|ratio| {
            let mut pose = *leader;
            pose.0[SIZE] += ratio.ln();
            pose
        }));
    }
    starts
}

/// The common samples on which versions are compared: where the best of them lies.
struct Ground<'a> {
    plane: &'a ClothPlane,
    region: Region,
    prior: Prior,
    level: &'a Level<'a>,
    /// The same for all versions: else those would differ by where their tiles meet the wear.
    tiling: Tiling,
    /// As an aligner's.
    settled: f64,
}

/// A version fitted on the common ground.
struct Finalist<'a> {
    entrant: &'a Entrant,
    alignment: Alignment,
    drawing: Drawing,
    near: Vec<(usize, usize)>,
    distance: Distance,
}

impl<'a> Ground<'a> {
    /// The surroundings of `shape` at `pose`, the noise measured from what the shape leaves.
    fn prepare(
        level: &'a Level<'a>,
        plane: &'a ClothPlane,
        shape: &Shape,
        pose: &Pose,
        candidate: &Candidate,
        settings: &Settings,
        settled: f64,
    ) -> Option<Self> {
        let view = refine::View::new(level, shape, plane, pose.size_mm(), true, settings);
        let direction = view.best_direction(pose, candidate)?;
        let mut region = refine::region_around(level, shape, pose, &direction)?;
        let model = view.aligner(&region, 0).model(pose);
        region.relearn_noise(&model, settings.noise_tile_samples);
        Some(Self {
            plane,
            region,
            prior: view.prior,
            level,
            tiling: Tiling {
                middle: pose.middle(),
                size_mm: pose.size_mm(),
            },
            settled,
        })
    }

    fn aligner<'b>(&'b self, distance: &'b Distance) -> Aligner<'b> {
        Aligner {
            region: &self.region,
            distance,
            plane: self.plane,
            prior: &self.prior,
            tiles: refine::tiles_for(self.tiling.size_mm),
            tiling: Some(self.tiling),
            free: UNKNOWNS,
            settled: self.settled,
        }
    }

    /// Other turns at which the version may lie where it was found.
    fn turned(&self, entrant: &Entrant, found: &Pose, settings: &Settings) -> Vec<Pose> {
        let distance = refine::distance_for(self.level, &entrant.shape, found.size_mm());
        let shape = &entrant.shape;
        let usual = self.with_usual_bleed(found);
        let usual_rad = settings.rotation_max_deg.to_radians();
        let mut others = turns::others(&self.aligner(&distance), shape, &usual, usual_rad);
        others.retain(|other| !alike((shape, other), (shape, found), &distance));
        others
    }

    /// A pose of the same outer edge with the bleed that is usual: at a wrong turn bleed closes the
    /// openings, which then say nothing of the right one.
    fn with_usual_bleed(&self, found: &Pose) -> Pose {
        let mut usual = *found;
        usual.0[BLEED] = self.prior.mean[BLEED];
        usual.0[SIZE] = (found.size_mm() + 2.0 * (found.0[BLEED] - usual.0[BLEED])).ln();
        usual
    }

    /// The version's best fit here from any of `starts`.
    fn fit<'b>(&self, entrant: &'b Entrant, starts: &[Pose]) -> Option<Finalist<'b>> {
        let size = starts.first()?.size_mm();
        let distance = refine::distance_for(self.level, &entrant.shape, size);
        let aligner = self.aligner(&distance);
        let fits: Vec<_> = starts.par_iter().map(|&p| aligner.align(p)).collect();
        let (alignment, near, drawing) = fits
            .into_iter()
            .max_by(|a, b| a.0.gain.total_cmp(&b.0.gain))?;
        Some(Finalist {
            entrant,
            alignment,
            drawing,
            near,
            distance,
        })
    }

    /// Probability of each version against the best one's.
    ///
    /// Residuals hang together along the outline: differences of the log-likelihood count as many
    /// times less as the best version's scores vary more than independent ones would.
    fn weights(&self, finalists: &[&Finalist]) -> Vec<f64> {
        let mut common = vec![false; self.region.grid.len()];
        for f in finalists {
            f.near.iter().for_each(|&(k, _)| common[k] = true);
        }
        let costs: Vec<f64> = finalists.iter().map(|f| self.cost(f, &common)).collect();
        let least = costs.iter().copied().fold(f64::INFINITY, f64::min);
        let best = costs.iter().position(|c| *c <= least);
        let temper = best.map_or(1.0, |i| finalists[i].alignment.dispersion);
        costs
            .iter()
            .map(|c| (-0.5 * (c - least) / temper.max(TEMPER)).exp())
            .collect()
    }

    /// Finalists by their weights, best first.
    fn compare(&self, finalists: &[Finalist], weights: &[f64], artworks: &[Artwork]) -> Ranking {
        let total: f64 = weights.iter().sum();
        let snr = finalists
            .iter()
            .map(|f| f.alignment.snr.abs())
            .fold(0.0, f64::max);
        let any = 1.0 / (1.0 + (-(snr - SNR_EVEN) / SNR_STEP).exp());
        let mut versions: Vec<Ranked> = finalists
            .par_iter()
            .zip(weights)
            .map(|(f, w)| self.describe(f, any * w / total, artworks))
            .collect();
        versions.sort_by(|a, b| b.score.total_cmp(&a.score).then(a.artwork.cmp(&b.artwork)));
        Ranking {
            versions,
            none_of_these: 1.0 - any,
        }
    }

    /// The hole in the residue that looks most like another version's.
    fn made_hole(&self, f: &Finalist) -> MadeHole {
        let aligner = self.aligner(&f.distance);
        let shape = &f.entrant.shape;
        let art_to_photo = art_to_photo(&f.alignment.pose, shape, self.plane);
        let hole = holes::suspect(&aligner, &f.alignment, &f.near, &f.drawing);
        MadeHole {
            probability: hole.probability,
            area_mm2: hole.area_mm2,
            at: hole.at.map(|spot| art_to_photo.apply(shape.art(spot))),
        }
    }

    /// Twice the negative log-likelihood on the common samples, and of the local contrasts.
    fn cost(&self, f: &Finalist, common: &[bool]) -> f64 {
        // Whitened, a shape reaches beyond the samples that were fitted.
        let mean = f.alignment.contrast as f32;
        let white = &self.region.white;
        let drawn = &f.drawing.white;
        let mut left: Vec<f32> = white.iter().zip(drawn).map(|(w, d)| w - mean * d).collect();
        for &(k, t) in &f.near {
            left[k] = white[k] - f.alignment.contrasts[t] as f32 * drawn[k];
        }
        let seen: f64 = left
            .iter()
            .zip(common)
            .filter(|(_, c)| **c)
            .map(|(&r, _)| f64::from(r).powi(2).min(16.0))
            .sum();
        seen + f.alignment.contrasts_astray()
    }

    /// Where a fit's mirror image lies best, and the probability that it is the right one.
    fn mirrored(&self, mirrored: &Entrant, start: Pose, f: &Finalist) -> (Pose, f64) {
        let Some(image) = self.fit(mirrored, &[start]) else {
            return (start, 0.0);
        };
        let pose = image.alignment.pose;
        let own = (&f.entrant.shape, &f.alignment.pose);
        if alike((&mirrored.shape, &pose), own, &f.distance) {
            return (pose, 0.0);
        }
        let weights = self.weights(&[f, &image]);
        (pose, weights[1] / (weights[0] + weights[1]))
    }

    fn describe(&self, f: &Finalist, score: f64, artworks: &[Artwork]) -> Ranked {
        let a = &f.alignment;
        let Entrant { artwork, shape, .. } = f.entrant;
        let aligner = self.aligner(&f.distance);
        let support = evidence::along_outline(&aligner, a, shape, &f.near, &f.drawing);
        let art_to_photo = art_to_photo(&a.pose, shape, self.plane);
        let samples = evidence::samples(&support, shape, a.pose.size_mm(), &art_to_photo);
        let (edge_mean_mm, edge_p95_mm) = evidence::edge_distances(&samples);
        let covariance = covariance(a);
        let middle = shape.art([0.0, 0.0]);
        // The rotation nearest to the local map.
        let j = art_to_photo.jacobian(middle);
        let seen = Seen::new(&a.pose, shape, self.plane, &covariance);
        let u_outline_mm = seen.outline_uncertainty();
        let fit = Fit {
            art_to_cloth: a.pose.art_to_cloth(shape),
            art_to_photo,
            mm_per_art: a.pose.size_mm() / shape.unit_art,
            rotation_deg: (j[(1, 0)] - j[(0, 1)])
                .atan2(j[(0, 0)] + j[(1, 1)])
                .to_degrees(),
            bleed_mm: a.pose.0[BLEED],
            edge_mean_mm,
            edge_p95_mm,
            outline_seen: evidence::outline_seen(&support),
            u_size_percent: 200.0 * covariance[(SIZE, SIZE)].max(0.0).sqrt(),
            u_shift_mm: 2.0 * (covariance[(X, X)].max(covariance[(Y, Y)])).max(0.0).sqrt(),
            u_rotation_deg: 2.0 * covariance[(TURN, TURN)].max(0.0).sqrt().to_degrees(),
            u_outline_mm,
            u_middle_mm: 2.0 * seen.variance_at(middle).max(0.0).sqrt(),
            signal_to_noise: a.snr.abs(),
            samples,
        };
        let seen = structure::Seen::of(&aligner, a, &f.near, &f.drawing);
        let differences = seen.differences(&f.drawing.cover);
        let missing_detail_mm =
            evidence::missing_detail(&support, shape, a.pose.size_mm(), &|k| seen.shows_about(k));
        let [surplus, missing_parts] = [differences.surplus(), differences.missing_parts()];
        let place = |k: usize| {
            let (u, v) = aligner.spot_of(&a.pose, k);
            fit.art_to_photo.apply(shape.art([u, v]))
        };
        let evidence = Evidence {
            plane_pull: a
                .information
                .try_inverse()
                .map_or(0.0, |posterior| a.pose.plane_pull(&self.prior, &posterior)),
            residual_ratio: a.spread,
            significance: a.significance(),
            stray_mm: a.stray_mm,
            surplus_mm2: surplus.area_mm2,
            surplus_at: surplus.sample.map(place),
            missing_parts_mm2: missing_parts.area_mm2,
            missing_part_at: missing_parts.sample.map(place),
            explained: a.explained,
            least_deviation: least_deviation(a),
            missing_detail_mm,
            ..Evidence::default()
        };
        Ranked {
            artwork: *artwork,
            file: artworks[*artwork].file.clone(),
            score,
            fit,
            evidence,
        }
    }
}

/// Whether two fits draw the same outline, so that it does not matter which of them is cut.
fn alike(a: (&Shape, &Pose), b: (&Shape, &Pose), distance: &Distance) -> bool {
    /// Share of the outline that must agree, and how well, in millimetres.
    const SHARE: f64 = 0.95;
    const WITHIN_MM: f64 = 0.4;
    let to_cloth = |pose: &Pose| {
        Map::<Art, measures::Mm>::similarity(
            pose.size_mm(),
            pose.0[TURN],
            measures::Vector::new(pose.0[X], pose.0[Y]),
        )
    };
    let Some(back) = to_cloth(b.1).inverse() else {
        return false;
    };
    let across = to_cloth(a.1).then(&back);
    let size = b.1.size_mm();
    let stops: Vec<Stop> = a.0.walk(0.01).into_iter().flatten().collect();
    let near = stops.iter().filter(|s| {
        let p = across.apply(measures::Point::new(s.at[0], s.at[1]));
        distance
            .at(p.x, p.y)
            .is_some_and(|(d, _)| d.abs() * size < WITHIN_MM)
    });
    near.count() as f64 > SHARE * stops.len() as f64
}

/// Significance of the best fit at another place, as a share of the best fit's at this one. What lies
/// across this one, as part of the same residue may, is another place no more than it shows as much.
fn rival_share(entrants: &[Entrant], pose: &Pose, settings: &Settings) -> f64 {
    let climbers = || entrants.iter().flat_map(|e| &e.climbers);
    let distance = |c: &Climber| c.alignment.pose.middle().distance(pose.middle());
    let (here, elsewhere): (Vec<&Climber>, Vec<&Climber>) =
        climbers().partition(|c| distance(c) <= 0.25 * pose.size_mm());
    let most = |of: &dyn Fn(&Climber) -> f64| here.iter().map(|c| of(c)).fold(1e-9, f64::max);
    let (standing, shown) = (most(&|c| c.standing(settings)), most(&Climber::shown));
    let share = |c: &&Climber| {
        let share = c.standing(settings) / standing;
        let lies_across = distance(c) < 0.5 * pose.size_mm();
        if lies_across {
            share.min(c.shown() / shown)
        } else {
            share
        }
    };
    elsewhere.iter().map(share).fold(0.0, f64::max)
}
