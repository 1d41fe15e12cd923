//! Parts of the cloth vote on the direction of its lines.

use std::f64::consts::PI;

use rayon::prelude::*;

use super::LineSettings;
use super::texture::Texture;

/// Diameter of a part, in finest lines, and most parts along a side.
const PART_LINES: f64 = 30.0;
const PARTS_MAX: usize = 3;
/// A part is no wider than this share of the cloth, and counts when so much of it is cloth.
const PART_SHARE_MAX: f64 = 1.0 / 3.0;
const CLOTH_MIN: f64 = 0.6;
/// Fewer parts cannot outvote a fold.
const PARTS_MIN: usize = 3;
/// A part's voice counts from this share of the mean of all.
const VOICE_MIN: f32 = 0.25;
/// Directions looked at over half a turn.
const DIRECTIONS: usize = 300;
/// Directions nearer than this are one peak.
const PEAK_DEG: f64 = 7.0;

/// A direction voted for.
pub(super) struct Found {
    /// In radians, to about half a degree.
    pub(super) angle_rad: f64,
    /// The channel that shows the lines best.
    pub(super) channel: usize,
    /// Share of the changes that lines of this direction explain, 0 to 1.
    pub(super) strength: f32,
}

/// The direction that most parts agree on; `None` when they do not, or not on one.
pub(super) fn direction(texture: &Texture, settings: &LineSettings) -> Option<Found> {
    let parts = parts(texture);
    if parts.len() < PARTS_MIN {
        return None;
    }
    let profiles: Vec<Vec<Vec<f32>>> = parts.par_iter().map(|p| profiles(texture, p)).collect();
    let channels = 0..texture.channels.len();
    let tallies = channels.map(|c| {
        let of_channel: Vec<&[f32]> = profiles.iter().map(|p| p[c].as_slice()).collect();
        Tally::count(&of_channel, c, settings)
    });
    let best = tallies
        .filter(|t| t.support >= settings.parts_min_share)
        .max_by(|a, b| a.strength[a.peak].total_cmp(&b.strength[b.peak]))?;
    best.is_alone(settings).then(|| Found {
        angle_rad: PI * best.peak as f64 / DIRECTIONS as f64,
        channel: best.channel,
        strength: best.strength[best.peak],
    })
}

/// A round part of the cloth: column and row of its middle, and its radius, in samples.
struct Part {
    middle: [f64; 2],
    radius: f64,
}

impl Part {
    fn samples<'a>(&'a self, texture: &'a Texture) -> impl Iterator<Item = (usize, f64, f64)> + 'a {
        let grid = &texture.grid;
        let [x, y] = self.middle;
        let r = self.radius;
        let rows = (y - r).max(0.0) as usize..((y + r) as usize + 1).min(grid.height);
        rows.flat_map(move |j| {
            let dy = j as f64 - y;
            let half = (r * r - dy * dy).max(0.0).sqrt();
            let columns =
                (x - half).ceil().max(0.0) as usize..((x + half) as usize + 1).min(grid.width);
            columns.map(move |i| (j * grid.width + i, i as f64 - x, dy))
        })
        .filter(|(k, ..)| texture.weight[*k] > 0.0)
    }
}

/// Parts evenly over the cloth, those that show enough of it.
fn parts(texture: &Texture) -> Vec<Part> {
    let grid = &texture.grid;
    let size = [grid.width as f64, grid.height as f64];
    let diameter =
        (PART_LINES * texture.finest_mm / grid.pitch_mm).min(PART_SHARE_MAX * size[0].min(size[1]));
    let count = size.map(|s| ((s / diameter).round() as usize).clamp(3, PARTS_MAX));
    let place = |k: usize, of: usize, length: f64| {
        0.5 * diameter + (length - diameter) * k as f64 / (of - 1) as f64
    };
    let radius = 0.5 * diameter;
    let all = (0..count[1]).flat_map(|j| (0..count[0]).map(move |i| (i, j)));
    let all = all.map(|(i, j)| Part {
        middle: [place(i, count[0], size[0]), place(j, count[1], size[1])],
        radius,
    });
    let enough = CLOTH_MIN * PI * radius * radius;
    all.filter(|p| p.samples(texture).count() as f64 >= enough)
        .collect()
}

/// What all parts say in one channel.
struct Tally {
    channel: usize,
    /// The loudest direction.
    peak: usize,
    /// Mean share of the changes explained, beyond what is usual, at every direction.
    strength: Vec<f32>,
    /// Share of the parts in which the loudest direction stands out.
    support: f64,
}

impl Tally {
    fn count(profiles: &[&[f32]], channel: usize, settings: &LineSettings) -> Self {
        let share = 1.0 / profiles.len() as f32;
        let mut voices = vec![0.0f32; DIRECTIONS];
        let mut strength = vec![0.0f32; DIRECTIONS];
        let mut all: Vec<[Vec<f32>; 2]> = Vec::new();
        for explained in profiles {
            let (usual, spread) = usual(explained);
            let excess: Vec<f32> = explained.iter().map(|e| e - usual).collect();
            for (k, &e) in excess.iter().enumerate() {
                // The root keeps one loud part from outvoting the others.
                voices[k] += e.max(0.0).sqrt();
                strength[k] += share * e;
            }
            let sigmas = excess.iter().map(|e| e / spread).collect();
            all.push([excess, sigmas]);
        }
        let peak = (0..DIRECTIONS)
            .max_by(|&a, &b| voices[a].total_cmp(&voices[b]))
            .unwrap_or(0);
        let near = [peak + DIRECTIONS - 1, peak, peak + 1].map(|k| k % DIRECTIONS);
        // A part that a seam only grazes does not count.
        let least = VOICE_MIN * strength[peak];
        let stands = |[excess, sigmas]: &&[Vec<f32>; 2]| {
            let loud = |&k: &usize| sigmas[k] > settings.part_min_sigmas && excess[k] > least;
            near.iter().any(loud)
        };
        let support = all.iter().filter(stands).count() as f64 / profiles.len() as f64;
        Self {
            channel,
            peak,
            strength,
            support,
        }
    }

    /// Whether no other direction is nearly as strong. Where two that are square to each other are,
    /// they may be the diagonals of a check.
    fn is_alone(&self, settings: &LineSettings) -> bool {
        let best = self.strength[self.peak];
        let step = 180.0 / DIRECTIONS as f64;
        (0..DIRECTIONS).all(|k| {
            let away = (k.abs_diff(self.peak) as f64 * step).rem_euclid(180.0);
            let away = away.min(180.0 - away);
            away < PEAK_DEG || f64::from(self.strength[k]) < settings.rival_share * f64::from(best)
        })
    }
}

/// How much cloth there is, and the sums of up to three channels.
type Bin = [f32; 4];

/// Share of a part's changes that lines explain, channel by channel, for every direction.
fn profiles(texture: &Texture, part: &Part) -> Vec<Vec<f32>> {
    let channels = &texture.channels;
    let samples: Vec<(f32, f32, Bin)> = part
        .samples(texture)
        .map(|(k, x, y)| {
            let mut here = [1.0, 0.0, 0.0, 0.0];
            for (v, channel) in here[1..].iter_mut().zip(channels) {
                *v = channel[k];
            }
            (x as f32, y as f32, here)
        })
        .collect();
    let total = |c: usize| {
        samples
            .iter()
            .map(|s| s.2[c] * s.2[c])
            .sum::<f32>()
            .max(1e-9)
    };
    let totals: Vec<f32> = (1..=channels.len()).map(total).collect();
    let mut profiles = vec![Vec::with_capacity(DIRECTIONS); channels.len()];
    let mut bins = vec![Bin::default(); (4.0 * part.radius) as usize + 8];
    for k in 0..DIRECTIONS {
        sum_along(&mut bins, &samples, PI * k as f64 / DIRECTIONS as f64);
        for (c, profile) in profiles.iter_mut().enumerate() {
            let enough = bins.iter().filter(|b| b[0] > 2.0);
            let explained = enough.map(|b| b[c + 1] * b[c + 1] / b[0]).sum::<f32>();
            profile.push(explained / totals[c]);
        }
    }
    profiles
}

/// Samples summed along a direction, half a sample wide.
fn sum_along(bins: &mut [Bin], samples: &[(f32, f32, Bin)], angle_rad: f64) {
    let (sin, cos) = angle_rad.sin_cos();
    let (sin, cos) = (2.0 * sin as f32, 2.0 * cos as f32);
    let middle = 0.5 * bins.len() as f32;
    bins.fill(Bin::default());
    for &(x, y, here) in samples {
        let across = cos * y - sin * x + middle;
        let bin = across as u32 as usize;
        let part = across - bin as f32;
        if let Some([low, high]) = bins.get_mut(bin..bin + 2) {
            for c in 0..4 {
                low[c] += (1.0 - part) * here[c];
                high[c] += part * here[c];
            }
        }
    }
    smooth_bins(bins);
}

/// The same as `smooth` for every entry of a bin.
fn smooth_bins(bins: &mut [Bin]) {
    for _ in 0..2 {
        let mut before = Bin::default();
        for k in 0..bins.len() {
            let here = bins[k];
            let after = bins.get(k + 1).copied().unwrap_or_default();
            for c in 0..4 {
                bins[k][c] = 0.25 * before[c] + 0.5 * here[c] + 0.25 * after[c];
            }
            before = here;
        }
    }
}

/// So smooth that samples which fall on the bins in step, along rows and columns, are worth no
/// more than others.
pub(super) fn smooth(row: &mut [f32]) {
    for _ in 0..2 {
        let mut before = 0.0;
        for k in 0..row.len() {
            let here = row[k];
            let after = row.get(k + 1).copied().unwrap_or(0.0);
            row[k] = 0.25 * before + 0.5 * here + 0.25 * after;
            before = here;
        }
    }
}

/// Median, and standard deviation from the median absolute deviation.
fn usual(values: &[f32]) -> (f32, f32) {
    let median = |mut v: Vec<f32>| {
        let middle = v.len() / 2;
        *v.select_nth_unstable_by(middle, f32::total_cmp).1
    };
    let middle = median(values.to_vec());
    let spread = median(values.iter().map(|v| (v - middle).abs()).collect()) / 0.674_5;
    (middle, spread.max(1e-6))
}
