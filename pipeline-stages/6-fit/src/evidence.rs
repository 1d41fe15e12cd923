//! How far the residue supports a fit, place by place along the outline.

use measures::fit::EdgeSample;
use measures::{Art, Map, Px};

use crate::align::{Aligner, Alignment, Drawing};
use crate::pen::normal_cdf;
use crate::pose::BLEED;
use crate::shape::{Shape, Stop};

/// Distance between the places looked at.
const STEP_MM: f64 = 1.0;
/// Samples within this distance of a place speak for it.
const WINDOW_MM: f64 = 2.5;
/// Neighbours that speak from the same samples.
const SHARING: f64 = 2.0 * WINDOW_MM / STEP_MM;
/// An edge counts as seen when its contrast is above this share of the emblem's mean contrast.
const SEEN_SHARE: f64 = 0.3;

/// One place on the outline and what the residue says of it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Support {
    pub(crate) stop: Stop,
    pub(crate) contour: usize,
    /// The sample it lies on, or the one nearest to it.
    pub(crate) sample: usize,
    /// Local contrast as a share of the mean, and its standard deviation.
    pub(crate) contrast: f64,
    pub(crate) u_contrast: f64,
    /// Distance of the seen edge outside the fitted one in millimetres, and its standard
    /// deviation.
    pub(crate) offset_mm: f64,
    pub(crate) u_offset_mm: f64,
}

impl Support {
    /// Probability that there is an edge here.
    pub(crate) fn seen(&self) -> f64 {
        normal_cdf((self.contrast - SEEN_SHARE) / self.u_contrast.max(1e-6))
    }
}

/// Looks along the whole outline.
pub(crate) fn along_outline(
    aligner: &Aligner<'_>,
    alignment: &Alignment,
    shape: &Shape,
    near: &[(usize, usize)],
    drawing: &Drawing,
) -> Vec<Support> {
    let grid = &aligner.region.grid;
    let pose = &alignment.pose;
    let size = pose.size_mm();
    let back = pose.correction(aligner.plane).try_inverse();
    let turn = Map::<Art, measures::Mm>::similarity(
        size,
        pose.0[crate::pose::TURN],
        measures::Vector::new(pose.0[crate::pose::X], pose.0[crate::pose::Y]),
    );
    let to_grid = back.map_or(*turn.matrix(), |b| b * turn.matrix());
    let to_grid = Map::<Art, measures::Mm>::from_matrix(to_grid);
    let mut tile_of = vec![usize::MAX; grid.len()];
    for &(k, t) in near {
        tile_of[k] = t;
    }
    let radius = (WINDOW_MM / grid.pitch_mm).max(2.0);
    let noise = alignment.spread * alignment.spread;
    let mut out = Vec::new();
    for (contour, stops) in shape.walk(STEP_MM / size).into_iter().enumerate() {
        for stop in stops {
            let place = to_grid.apply(measures::Point::new(stop.at[0], stop.at[1]));
            let (u, v) = grid.index(place);
            let nearest = |at: f64, n: usize| at.round().clamp(0.0, (n - 1) as f64) as usize;
            let (mut q, mut s, mut dd, mut dr) = (0.0f64, 0.0f64, 0.0f64, 0.0f64);
            let rows = (v - radius).ceil().max(0.0) as usize
                ..((v + radius).floor().max(-1.0) + 1.0).min(grid.height as f64) as usize;
            for j in rows {
                let across = (radius * radius - (j as f64 - v).powi(2)).max(0.0).sqrt();
                let columns = (u - across).ceil().max(0.0) as usize
                    ..((u + across).floor().max(-1.0) + 1.0).min(grid.width as f64) as usize;
                for i in columns {
                    let k = j * grid.width + i;
                    if tile_of[k] == usize::MAX {
                        continue;
                    }
                    let c = f64::from(drawing.white[k]);
                    let w = f64::from(aligner.region.white[k]);
                    let a = alignment.contrasts[tile_of[k]];
                    let d = f64::from(drawing.slopes[BLEED][k]) * a;
                    q += c * c;
                    s += c * w;
                    dd += d * d;
                    dr += d * (w - a * c);
                }
            }
            let mean = alignment.contrast;
            let known = q * mean * mean / noise;
            let offset_information = dd / noise;
            out.push(Support {
                stop,
                contour,
                sample: nearest(v, grid.height) * grid.width + nearest(u, grid.width),
                contrast: if q > 0.0 { s / q / mean } else { 0.0 },
                u_contrast: known.max(1e-9).sqrt().recip(),
                offset_mm: if dd > 0.0 { dr / dd } else { 0.0 },
                u_offset_mm: offset_information.max(1e-9).sqrt().recip(),
            });
        }
    }
    out
}

/// Share of the outline's length that the residue supports.
pub(crate) fn outline_seen(support: &[Support]) -> f64 {
    let total: f64 = support.iter().map(|s| s.stop.length).sum();
    support
        .iter()
        .map(|s| s.seen() * s.stop.length)
        .sum::<f64>()
        / total.max(1e-12)
}

/// Length of whole contours that should be visible, since the residue about them is, but are not:
/// detail that the artwork has and the residue has not. In millimetres.
///
/// Of openings only those places count about which residue `shows`: an opening in the midst of wear
/// leaves no edge either.
///
/// Contours with nothing but missing ones about them (a star in its ring) count when together they
/// are too long for wear to have taken them whole.
pub(crate) fn missing_detail(
    support: &[Support],
    shape: &Shape,
    size_mm: f64,
    shows: &dyn Fn(usize) -> bool,
) -> f64 {
    /// Other contours this near tell whether there is residue here,
    const NEIGHBOURHOOD_MM: f64 = 5.0;
    /// if their contrast is this share of the mean.
    const PRESENT: f64 = 0.75;
    /// A contour of less contrast than this share of what is expected is missing.
    const MISSING: f64 = 0.35;
    /// A place of more contrast than this share of that shows plainly,
    const SHOWN: f64 = 0.6;
    /// and a contour of which this share does was there, and is worn.
    const PLAIN: f64 = 0.08;
    const ISOLATED_MIN_MM: f64 = 40.0;
    let reach = NEIGHBOURHOOD_MM / size_mm;
    let contours = support.iter().map(|s| s.contour).max().map_or(0, |c| c + 1);
    let counts = |s: &&Support| !shape.is_opening(s.contour) || shows(s.sample);
    let mut places = vec![Vec::new(); contours];
    for s in support.iter().filter(counts) {
        places[s.contour].push(s);
    }
    let of = |contour: usize| places[contour].iter().copied();
    let seen: Vec<Option<(f64, f64)>> = (0..contours).map(|c| pooled(of(c))).collect();
    let is_missing = |contour: usize, expected: f64| {
        seen[contour].is_some_and(|(seen, u)| seen + 2.0 * u < MISSING * expected)
    };
    let (mut missing, mut isolated) = (0.0, 0.0);
    for (contour, own) in seen.iter().enumerate() {
        let length: f64 = of(contour).map(|s| s.stop.length).sum();
        let near: Vec<&Support> = support
            .iter()
            .filter(|o| o.contour != contour)
            .filter(|o| {
                of(contour).any(|s| {
                    let d = [s.stop.at[0] - o.stop.at[0], s.stop.at[1] - o.stop.at[1]];
                    d[0].hypot(d[1]) < reach
                })
            })
            .collect();
        if near.iter().all(|o| is_missing(o.contour, 1.0)) {
            isolated += if is_missing(contour, 1.0) {
                length
            } else {
                0.0
            };
            continue;
        }
        let (Some((expected, u_expected)), Some((_, u_seen))) = (pooled(near.into_iter()), *own)
        else {
            continue;
        };
        let clear = expected - u_expected > PRESENT && expected > 5.0 * u_seen;
        let plain = of(contour).filter(|s| s.contrast - 2.0 * s.u_contrast > SHOWN * expected);
        let plain: f64 = plain.map(|s| s.stop.length).sum();
        if clear && is_missing(contour, expected) && plain < PLAIN * length {
            missing += length;
        }
    }
    if isolated * size_mm > ISOLATED_MIN_MM {
        missing += isolated;
    }
    missing * size_mm
}

/// Mean contrast of several places and its standard deviation, neighbours counted as sharing
/// their samples.
fn pooled<'a>(places: impl Iterator<Item = &'a Support>) -> Option<(f64, f64)> {
    let (mut sum, mut weight) = (0.0, 0.0);
    for s in places {
        let w = s.u_contrast.powi(-2);
        sum += w * s.contrast;
        weight += w;
    }
    (weight > 0.0).then(|| (sum / weight, (SHARING / weight).sqrt()))
}

/// The places as the report shows them, offsets freed of their own noise as far as that goes:
/// each is drawn towards zero by its share of noise in the spread of all (the estimator of James
/// & Stein 1961).
pub(crate) fn samples(
    support: &[Support],
    shape: &Shape,
    size_mm: f64,
    art_to_photo: &Map<Art, Px>,
) -> Vec<EdgeSample> {
    let visible: Vec<(f64, f64)> = support
        .iter()
        .filter(|s| s.seen() > 0.5)
        .map(|s| (s.offset_mm, s.u_offset_mm))
        .collect();
    let spread = true_spread(&visible);
    support
        .iter()
        .map(|s| {
            let drawn = s.offset_mm * spread / (spread + s.u_offset_mm.powi(2));
            EdgeSample {
                at: art_to_photo.apply(shape.art(s.stop.at)),
                offset_mm: (s.seen() > 0.5).then_some(drawn),
                length_mm: s.stop.length * size_mm,
            }
        })
        .collect()
}

/// Variance of the offsets beyond what their noise explains.
///
/// Where it cannot be told from nothing it is taken to be its own standard error: noise hides small
/// distances, it does not make them nought.
fn true_spread(offsets: &[(f64, f64)]) -> f64 {
    let n = offsets.len().max(1) as f64;
    let mean = |of: &dyn Fn(&(f64, f64)) -> f64| offsets.iter().map(of).sum::<f64>() / n;
    let beyond = mean(&|(offset, u)| offset.powi(2) - u.powi(2));
    let unsure = (2.0 * SHARING / n * mean(&|(_, u)| u.powi(4))).sqrt();
    beyond.max(unsure)
}

/// Mean and 95th percentile of the distances between seen and fitted edge, by outline length.
pub(crate) fn edge_distances(samples: &[EdgeSample]) -> (f64, f64) {
    let mut seen: Vec<(f64, f64)> = samples
        .iter()
        .filter_map(|s| s.offset_mm.map(|o| (o.abs(), s.length_mm)))
        .collect();
    seen.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = seen.iter().map(|s| s.1).sum();
    if total <= 0.0 {
        return (0.0, 0.0);
    }
    let mean = seen.iter().map(|s| s.0 * s.1).sum::<f64>() / total;
    let mut sum = 0.0;
    let p95 = seen.iter().find(|s| {
        sum += s.1;
        sum >= 0.95 * total
    });
    (mean, p95.map_or(0.0, |s| s.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_hides_small_distances_but_does_not_make_them_nought() {
        let quiet: Vec<(f64, f64)> = (0..500)
            .map(|k| (0.02 * f64::from(k % 2) - 0.01, 0.05))
            .collect();
        let spread = true_spread(&quiet);
        assert!(spread > 0.0 && spread < 0.2 * 0.05_f64.powi(2), "{spread}");
        let ragged: Vec<(f64, f64)> = quiet.iter().map(|(o, u)| (20.0 * o, *u)).collect();
        let expected = 0.2_f64.powi(2) - 0.05_f64.powi(2);
        assert!((true_spread(&ragged) / expected - 1.0).abs() < 1e-9);
    }
}
