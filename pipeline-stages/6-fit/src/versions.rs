//! All versions fitted to the same samples, and compared.

use measures::{Art, Artwork, ClothPlane, Fit, Map};
use nalgebra::SMatrix;

use crate::align::{Aligner, Alignment, Drawing};
use crate::coarse::{self, Raster};
use crate::evidence;
use crate::level::Level;
use crate::pose::{BLEED, Information, Pose, Prior, SIZE, TURN, UNKNOWNS, Unknowns, X, Y};
use crate::refine::{self, Climber};
use crate::region::Region;
use crate::shape::{Distance, Shape, Stop};
use crate::surplus;
use crate::{Evidence, Hint, Ranked, Ranking, Settings};

/// Times the noise is measured anew and the fit repeated.
const ROUNDS: usize = 2;
/// What whitened residuals are short of being independent, and the model of being complete:
/// log-likelihood differences are divided by this.
const TEMPER: f64 = 4.0;
/// Signal-to-noise ratio at which the residue is as likely chance as not, and the step over which
/// that changes: the search looks at some 1e8 places, whose largest chance value is near 6.5.
const SNR_EVEN: f64 = 8.0;
const SNR_STEP: f64 = 0.5;

/// Standard uncertainty (k = 1) of the mean bleed that comes from its unevenness. Measured on
/// painted scenes, whose edges are ragged by up to 0.1 mm.
const U_EVEN_BLEED_MM: f64 = 0.03;

/// A mirror image that does nearly as well speaks for a wrong fit altogether: be slow to rule it
/// out.
const MIRROR_TEMPER: f64 = 40.0;

/// A version on its way through the comparison.
struct Entrant {
    artwork: usize,
    shape: Shape,
    climbers: Vec<Climber>,
}

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
    let lead = entrants.iter().max_by(|a, b| {
        standing(&a.climbers, settings)
            .total_cmp(&standing(&b.climbers, settings))
            .then(b.artwork.cmp(&a.artwork))
    });
    let Some(lead) = lead else {
        return Ranking {
            versions: Vec::new(),
            none_of_these: 1.0,
        };
    };
    let Some(ground) = Ground::prepare(levels, plane, lead, settings) else {
        return Ranking {
            versions: Vec::new(),
            none_of_these: 1.0,
        };
    };
    let finalists: Vec<Finalist> = entrants
        .iter()
        .filter_map(|e| ground.best_fit(e, lead))
        .collect();
    ground.compare(levels, &finalists, &entrants, artworks, settings)
}

fn standing(climbers: &[Climber], settings: &Settings) -> f64 {
    climbers.first().map_or(0.0, |c| c.standing(settings))
}

/// The best places for every shape: the likely sizes first and coarsely, everything and
/// thoroughly only if that convinces nobody. Versions of one emblem lie in one place, so the
/// search ends with the pass in which any of them is found beyond doubt.
fn find(
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
    let passes = [
        width.map(|_| (None, Raster::QUICK)),
        Some((Some(usual), Raster::QUICK)),
        Some((Some(all), Raster::QUICK)),
        Some((Some(usual), Raster::ANY_TURN)),
        Some((Some(all), Raster::THOROUGH)),
    ];
    for (sizes, raster) in passes.into_iter().flatten() {
        for e in &mut *entrants {
            let size = width.unwrap_or_default() * 0.5 / e.shape.half[0];
            let sizes = sizes.unwrap_or([(0.75 * size).max(all[0]), (1.35 * size).min(all[1])]);
            let found = coarse::search(levels, &e.shape, sizes, raster, settings);
            let climbers = refine::climb(levels, &e.shape, plane, &found, KEPT, settings);
            if standing(&climbers, settings) > standing(&e.climbers, settings) {
                e.climbers = climbers;
            }
        }
        let found = entrants
            .iter()
            .filter(|e| e.climbers.first().is_some_and(|c| convincing(c, settings)))
            .max_by(|a, b| {
                standing(&a.climbers, settings).total_cmp(&standing(&b.climbers, settings))
            });
        if let Some((pose, half)) =
            found.and_then(|e| Some((e.climbers.first()?.alignment.pose, e.shape.half)))
        {
            look_about(levels, entrants, plane, (&pose, half), settings);
            return;
        }
    }
}

/// Versions differ in what they show, so the middle of one need not be the middle of another: each
/// is searched about the place where one was found, too.
fn look_about(
    levels: &[Level],
    entrants: &mut [Entrant],
    plane: &ClothPlane,
    (pose, half): (&Pose, [f64; 2]),
    settings: &Settings,
) {
    for e in entrants {
        let size = pose.size_mm();
        let ratios = [half[0] / e.shape.half[0], half[1] / e.shape.half[1]];
        let low = 0.85 * size * ratios[0].min(ratios[1]);
        let high = 1.18 * size * ratios[0].max(ratios[1]);
        let mut found = coarse::search(levels, &e.shape, [low, high], Raster::ANY_TURN, settings);
        found.retain(|c| c.middle.distance(pose.middle()) < 0.4 * size);
        let climbers = refine::climb(levels, &e.shape, plane, &found, 1, settings);
        if standing(&climbers, settings) > standing(&e.climbers, settings) {
            e.climbers = climbers;
        }
    }
}

/// Whether a fit is so good that no other place needs to be looked at: far out of the noise, and
/// with residue almost everywhere it should be.
fn convincing(c: &Climber, settings: &Settings) -> bool {
    const SNR: f64 = 30.0;
    const SHARE: f64 = 0.8;
    /// Standard deviations of bleed.
    const DEVIATIONS: f64 = 2.0;
    let bleed = (c.alignment.pose.0[BLEED] - settings.bleed_mm).abs();
    c.standing(settings) > SNR
        && c.alignment.present_share > SHARE
        && bleed < DEVIATIONS * settings.u_bleed_mm
}

/// The common samples on which versions are compared: where the best of them lies.
struct Ground<'a> {
    plane: &'a ClothPlane,
    region: Region,
    prior: Prior,
    level: &'a Level,
}

/// A version fitted on the common ground.
struct Finalist {
    entrant: usize,
    artwork: usize,
    alignment: Alignment,
    drawing: Drawing,
    near: Vec<(usize, usize)>,
    distance: Distance,
    tiles: usize,
}

impl<'a> Ground<'a> {
    fn prepare(
        levels: &'a [Level],
        plane: &'a ClothPlane,
        lead: &Entrant,
        settings: &Settings,
    ) -> Option<Self> {
        let climber = lead.climbers.first()?;
        let pose = climber.alignment.pose;
        let level = &levels[climber.candidate.level];
        let prior = refine::prior_for(level, plane, settings, true);
        let direction =
            refine::best_direction(level, &lead.shape, plane, &prior, &pose, &climber.candidate)?;
        let region = refine::region_around(level, &lead.shape, &pose, &direction)?;
        let mut ground = Self {
            plane,
            region,
            prior,
            level,
        };
        for _ in 0..ROUNDS {
            let distance = refine::distance_for(level, &lead.shape, pose.size_mm());
            let tiles = refine::tiles_for(pose.size_mm());
            let aligner = ground.aligner(&distance, tiles);
            let alignment = aligner.align(pose);
            let near = aligner.near(&alignment.pose);
            let drawing = aligner.draw(&alignment.pose, &near, false);
            let mut model = vec![0.0f32; ground.region.grid.len()];
            for &(k, t) in &near {
                model[k] = drawing.cover[k] * alignment.contrasts[t] as f32;
            }
            ground
                .region
                .relearn_noise(&model, settings.noise_tile_samples);
        }
        Some(ground)
    }

    fn aligner<'b>(&'b self, distance: &'b Distance, tiles: usize) -> Aligner<'b> {
        Aligner {
            region: &self.region,
            distance,
            plane: self.plane,
            prior: &self.prior,
            tiles,
        }
    }

    /// The version's best fit here: from its own best place, or from the leader's at equal area.
    fn best_fit(&self, e: &Entrant, lead: &Entrant) -> Option<Finalist> {
        let leader = lead.climbers.first()?.alignment.pose;
        let mut starts: Vec<Pose> = e
            .climbers
            .first()
            .map(|c| c.alignment.pose)
            .into_iter()
            .collect();
        starts.retain(|p| p.middle().distance(leader.middle()) < 0.5 * leader.size_mm());
        if e.artwork != lead.artwork {
            let [a, b] = [lead.shape.half, e.shape.half];
            // At equal area, at equal width, at equal height.
            let ratios = [
                (a[0] * a[1] / (b[0] * b[1])).sqrt(),
                a[0] / b[0],
                a[1] / b[1],
            ];
            let kept = if (ratios[1] / ratios[2]).ln().abs() < 0.03 {
                1
            } else {
                3
            };
            starts.extend(ratios[..kept].iter().map(|ratio| {
                let mut pose = leader;
                pose.0[SIZE] += ratio.ln();
                pose
            }));
        }
        let size = starts.first()?.size_mm();
        let distance = refine::distance_for(self.level, &e.shape, size);
        let tiles = refine::tiles_for(leader.size_mm());
        let aligner = self.aligner(&distance, tiles);
        let alignment = starts
            .iter()
            .map(|&p| aligner.align(p))
            .max_by(|a, b| a.gain.total_cmp(&b.gain))?;
        let near = aligner.near(&alignment.pose);
        let drawing = aligner.draw(&alignment.pose, &near, true);
        Some(Finalist {
            entrant: e.artwork,
            artwork: e.artwork,
            alignment,
            near,
            drawing,
            distance,
            tiles,
        })
    }

    fn compare(
        &self,
        levels: &[Level],
        finalists: &[Finalist],
        entrants: &[Entrant],
        artworks: &[Artwork],
        settings: &Settings,
    ) -> Ranking {
        let mut common = vec![false; self.region.grid.len()];
        for f in finalists {
            f.near.iter().for_each(|&(k, _)| common[k] = true);
        }
        let costs: Vec<f64> = finalists.iter().map(|f| self.cost(f, &common)).collect();
        let least = costs.iter().copied().fold(f64::INFINITY, f64::min);
        let weights: Vec<f64> = costs
            .iter()
            .map(|c| (-0.5 * (c - least) / TEMPER).exp())
            .collect();
        let total: f64 = weights.iter().sum();
        let snr = finalists
            .iter()
            .map(|f| f.alignment.snr.abs())
            .fold(0.0, f64::max);
        let any = 1.0 / (1.0 + (-(snr - SNR_EVEN) / SNR_STEP).exp());
        let mut versions: Vec<Ranked> = finalists
            .iter()
            .zip(&weights)
            .filter_map(|(f, w)| {
                let entrant = entrants.iter().find(|e| e.artwork == f.entrant)?;
                let (fit, evidence) = self.describe(f, entrant);
                Some(Ranked {
                    artwork: f.artwork,
                    file: artworks[f.artwork].file.clone(),
                    score: any * w / total,
                    fit,
                    evidence,
                })
            })
            .collect();
        versions.sort_by(|a, b| b.score.total_cmp(&a.score).then(a.artwork.cmp(&b.artwork)));
        self.doubt_best(levels, &mut versions, finalists, entrants, settings);
        Ranking {
            versions,
            none_of_these: 1.0 - any,
        }
    }

    /// Looks for what speaks against the best version: its mirror image, another place.
    fn doubt_best(
        &self,
        levels: &[Level],
        versions: &mut [Ranked],
        finalists: &[Finalist],
        entrants: &[Entrant],
        settings: &Settings,
    ) {
        let Some(best) = versions.first_mut() else {
            return;
        };
        let f = finalists.iter().find(|f| f.artwork == best.artwork);
        let e = entrants.iter().find(|e| e.artwork == best.artwork);
        let (Some(f), Some(e)) = (f, e) else { return };
        best.evidence.mirrored_probability = self.mirrored_probability(levels, f, e, settings);
        best.evidence.rival_share = entrants
            .iter()
            .map(|e| rival_share(e, &f.alignment.pose))
            .fold(0.0, f64::max);
    }

    /// Twice the negative log-likelihood on the common samples.
    fn cost(&self, f: &Finalist, common: &[bool]) -> f64 {
        let mut left = self.region.white.clone();
        for &(k, t) in &f.near {
            left[k] -= f.alignment.contrasts[t] as f32 * f.drawing.white[k];
        }
        left.iter()
            .zip(common)
            .filter(|(_, c)| **c)
            .map(|(&r, _)| f64::from(r).powi(2).min(16.0))
            .sum()
    }

    /// Probability that the mirror image is the right one; 0 when it looks the same.
    fn mirrored_probability(
        &self,
        levels: &[Level],
        f: &Finalist,
        e: &Entrant,
        settings: &Settings,
    ) -> f64 {
        let pose = &f.alignment.pose;
        let size = pose.size_mm();
        let mirrored = e.shape.mirrored();
        let sizes = [0.87 * size, 1.15 * size];
        let mut found = coarse::search(levels, &mirrored, sizes, Raster::QUICK, settings);
        found.retain(|c| c.middle.distance(pose.middle()) < 0.3 * size);
        let climbed = refine::climb(levels, &mirrored, self.plane, &found, 1, settings);
        let Some(best) = climbed.first() else {
            return 0.0;
        };
        let distance = refine::distance_for(self.level, &mirrored, size);
        let alignment = self.aligner(&distance, f.tiles).align(best.alignment.pose);
        if alike((&mirrored, &alignment.pose), (&e.shape, pose), &f.distance) {
            return 0.0;
        }
        let behind = f.alignment.snr.powi(2) - alignment.snr.powi(2);
        1.0 / (1.0 + (0.5 * behind / MIRROR_TEMPER).exp())
    }

    fn describe(&self, f: &Finalist, e: &Entrant) -> (Fit, Evidence) {
        let a = &f.alignment;
        let shape = &e.shape;
        let aligner = self.aligner(&f.distance, f.tiles);
        let support = evidence::along_outline(&aligner, a, shape, &f.near, &f.drawing);
        let art_to_photo = art_to_photo(&a.pose, shape, self.plane);
        let samples = evidence::samples(&support, shape, a.pose.size_mm(), &art_to_photo);
        let (edge_mean_mm, edge_p95_mm) = evidence::edge_distances(&samples);
        let covariance = covariance(a);
        let middle = shape.art([0.0, 0.0]);
        // The rotation nearest to the local map.
        let j = art_to_photo.jacobian(middle);
        let u_outline_mm = outline_uncertainty(&a.pose, shape, self.plane, &covariance);
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
            signal_to_noise: a.snr.abs(),
            samples,
        };
        let evidence = Evidence {
            plane_pull: a.pose.plane_pull(&self.prior),
            residual_ratio: a.spread,
            surplus_mm2: surplus::area_mm2(&aligner, a, shape, &f.near, &f.drawing),
            explained: a.explained,
            missing_detail_mm: evidence::missing_detail(&support, a.pose.size_mm()),
            ..Evidence::default()
        };
        (fit, evidence)
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

fn rival_share(e: &Entrant, pose: &Pose) -> f64 {
    let best = e.climbers.first().map_or(1.0, |c| c.alignment.snr.abs());
    e.climbers
        .iter()
        .filter(|c| c.alignment.pose.middle().distance(pose.middle()) > 0.25 * pose.size_mm())
        .map(|c| c.alignment.snr.abs() / best)
        .fold(0.0, f64::max)
}

/// Artwork units to photo pixels, the plane's corrections included.
pub(crate) fn art_to_photo(
    pose: &Pose,
    shape: &Shape,
    plane: &ClothPlane,
) -> Map<Art, measures::Px> {
    pose.art_to_cloth(shape).then(&pose.plane_to_photo(plane))
}

/// Covariance (k = 1) of the unknowns: the sandwich A⁻¹ B A⁻¹, with B from the tiles' own scores
/// (White 1982), so that residuals that hang together within a tile count as they do.
pub(crate) fn covariance(a: &Alignment) -> Information {
    let Some(inverse) = a.information.try_inverse() else {
        return Information::identity() * 1e6;
    };
    // Bleed is not as even as the model has it: what all unknowns would do if it were off.
    let mut held = a.information;
    held[(BLEED, BLEED)] += 1e12;
    let response = held
        .try_inverse()
        .map_or_else(Unknowns::zeros, |h| h.column(BLEED) * 1e12);
    let uneven = response * response.transpose() * (U_EVEN_BLEED_MM * U_EVEN_BLEED_MM);
    inverse * a.score_covariance * inverse + uneven
}

/// Largest expanded uncertainty (k = 2) of the outline: of any of its points in the photo, and of
/// the size it will be cut at.
fn outline_uncertainty(
    pose: &Pose,
    shape: &Shape,
    plane: &ClothPlane,
    covariance: &Information,
) -> f64 {
    let scale = plane.px_per_mm_at(art_to_photo(pose, shape, plane).apply(shape.art([0.0, 0.0])));
    let steps: [f64; UNKNOWNS] = [1e-3, 1e-3, 1e-5, 1e-5, 1e-5, 1e-5, 1e-5, 0.0, 0.0];
    let base = art_to_photo(pose, shape, plane);
    let nudged: Vec<Option<Map<Art, measures::Px>>> = steps
        .iter()
        .enumerate()
        .map(|(k, &step)| {
            (step > 0.0).then(|| {
                let mut other = *pose;
                other.0[k] += step;
                art_to_photo(&other, shape, plane)
            })
        })
        .collect();
    let size = pose.size_mm();
    let u_size = covariance[(SIZE, SIZE)].max(0.0).sqrt();
    let mut largest = 0.0f64;
    for stop in shape.walk(0.02).into_iter().flatten() {
        let at = shape.art(stop.at);
        let here = base.apply(at);
        let mut j = SMatrix::<f64, 2, UNKNOWNS>::zeros();
        for (k, map) in nudged.iter().enumerate() {
            if let Some(map) = map {
                let moved = (map.apply(at) - here) * (1.0 / (steps[k] * scale));
                j[(0, k)] = moved.x;
                j[(1, k)] = moved.y;
            }
        }
        let c = j * covariance * j.transpose();
        let half_sum = 0.5 * (c[(0, 0)] + c[(1, 1)]);
        let half_difference = 0.5 * (c[(0, 0)] - c[(1, 1)]);
        let in_photo = half_sum + half_difference.hypot(c[(0, 1)]);
        let radius = size * stop.at[0].hypot(stop.at[1]);
        largest = largest.max(in_photo.max((radius * u_size).powi(2)));
    }
    2.0 * largest.max(0.0).sqrt()
}
