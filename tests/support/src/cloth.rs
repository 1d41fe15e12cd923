//! Cloth: colour, weave, patterns, folds and stains, asked spot by spot in cloth millimetres.

use crate::random::{Noise, Rng, cell, ramp, wave};

/// How the cloth is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weave {
    /// Single jersey: columns of V-shaped loops.
    Jersey,
    /// Ribs: one column in two lies back.
    Rib,
    /// Plain weave.
    Woven,
    /// Staggered small holes.
    Mesh,
    /// Smooth warp knit with fine slanting lines.
    Tricot,
    /// Raised cords.
    Corduroy,
}

/// Parallel bands that follow the cloth's lines.
#[derive(Clone, Debug, PartialEq)]
pub struct Stripes {
    /// Distance from one stripe to the next.
    pub period_mm: f64,
    /// Width of a stripe.
    pub width_mm: f64,
    /// Where the first stripe's middle lies.
    pub phase_mm: f64,
    /// How much lighter (+) or darker (−) a stripe is in each of sRGB's channels, in per cent.
    pub contrast_percent: [f64; 3],
    /// Width over which a stripe's edge fades.
    pub softness_mm: f64,
    /// Across the columns instead of along them.
    pub crosswise: bool,
}

/// A pattern knitted in, repeated both ways.
#[derive(Clone, Debug, PartialEq)]
pub struct Jacquard {
    /// Size of the repeat, across and along.
    pub repeat_mm: [f64; 2],
    /// Which figure: 0 lozenges, 1 chevrons, 2 dots, 3 checks.
    pub figure: u8,
    /// Change of the sRGB value, in per cent.
    pub contrast_percent: f64,
}

/// A soft crease.
#[derive(Clone, Debug, PartialEq)]
pub struct Fold {
    /// A point on it, in cloth millimetres from the anchor.
    pub at_mm: [f64; 2],
    /// Its direction.
    pub angle_deg: f64,
    /// Its width.
    pub width_mm: f64,
    /// Change of light at its flanks, in per cent.
    pub strength_percent: f64,
}

/// A blotch.
#[derive(Clone, Debug, PartialEq)]
pub struct Stain {
    /// Its middle, in cloth millimetres from the anchor.
    pub at_mm: [f64; 2],
    /// Its radius.
    pub radius_mm: f64,
    /// Change of the sRGB values, in per cent.
    pub contrast_percent: [f64; 3],
}

/// The cloth.
#[derive(Clone, Debug, PartialEq)]
pub struct Cloth {
    /// Its colour in sRGB.
    pub colour: [u8; 3],
    /// How it is made.
    pub weave: Weave,
    /// Distance between columns of loops (or threads).
    pub pitch_mm: f64,
    /// Direction of the columns from the photo's vertical, clockwise.
    pub angle_deg: f64,
    /// Strength of the weave in the light it sends back, 0 to 1.
    pub texture: f64,
    /// How irregular loops are in place and brightness, 0 to 1.
    pub irregularity: f64,
    /// Large soft differences in shade, in per cent.
    pub mottle_percent: f64,
    /// Bands.
    pub stripes: Vec<Stripes>,
    /// A pattern.
    pub jacquard: Option<Jacquard>,
    /// Creases.
    pub folds: Vec<Fold>,
    /// Blotches.
    pub stains: Vec<Stain>,
    /// Number of stray fibres in the picture.
    pub lint: usize,
    /// How far the cloth bulges out of its plane (standard deviation), over some centimetres.
    pub bumps_mm: f64,
}

/// Exponent that turns a change of sRGB value into a change of light, near the middle of the range.
pub(crate) const GAMMA: f32 = 2.2;

/// The change of light that changes the sRGB value by this many per cent.
pub(crate) fn light_factor(percent: f32) -> f32 {
    (1.0 + percent / 100.0).max(0.02).powf(GAMMA)
}

/// One sRGB value as linear light (IEC 61966-2-1).
pub(crate) fn linear(value: u8) -> f32 {
    let v = f32::from(value) / 255.0;
    if v <= 0.04045 {
        v / 12.92
    } else {
        ((v + 0.055) / 1.055).powf(2.4)
    }
}

struct Band {
    stripes: Stripes,
    /// Logarithm of the change of light.
    log: [f32; 3],
}

/// Cloth, prepared for asking.
pub(crate) struct Fabric {
    base: [f32; 3],
    weave: Weave,
    pitch: f32,
    cos: f32,
    sin: f32,
    texture: f32,
    irregularity: f32,
    mottle: f32,
    bands: Vec<Band>,
    jacquard: Option<Jacquard>,
    folds: Vec<(Fold, f32, f32)>,
    stains: Vec<(Stain, [f32; 3])>,
    noise: Noise,
    seed: u32,
}

impl Fabric {
    pub(crate) fn new(cloth: &Cloth, rng: &mut Rng) -> Self {
        let (sin, cos) = (cloth.angle_deg as f32).to_radians().sin_cos();
        let log = |percent: [f64; 3]| percent.map(|p| light_factor(p as f32).ln());
        Self {
            base: cloth.colour.map(linear),
            weave: cloth.weave,
            pitch: cloth.pitch_mm as f32,
            cos,
            sin,
            texture: cloth.texture as f32,
            irregularity: cloth.irregularity as f32,
            mottle: cloth.mottle_percent as f32 / 100.0 * GAMMA,
            bands: cloth
                .stripes
                .iter()
                .map(|s| Band {
                    stripes: s.clone(),
                    log: log(s.contrast_percent),
                })
                .collect(),
            jacquard: cloth.jacquard.clone(),
            folds: cloth
                .folds
                .iter()
                .map(|f| {
                    let (s, c) = (f.angle_deg as f32).to_radians().sin_cos();
                    (f.clone(), s, c)
                })
                .collect(),
            stains: cloth
                .stains
                .iter()
                .map(|s| (s.clone(), log(s.contrast_percent)))
                .collect(),
            noise: Noise::new(rng),
            seed: rng.bits() as u32,
        }
    }

    /// Light sent back by the spot under even white light, seen with a footprint of `blur` mm.
    ///
    /// `flatness` 0 to 1 takes that share of the weave away, as glue in the loops does.
    pub(crate) fn light(&self, x: f32, y: f32, blur: f32, flatness: f32) -> [f32; 3] {
        let n = &self.noise;
        let (u, v) = self.grid_place(x, y);
        let shown = (1.0 - blur / self.pitch).clamp(0.0, 1.0);
        let mut log = self.texture * (1.0 - 0.45 * flatness) * shown * self.loops(u, v);
        log += self.mottle * n.octaves(0.03 * x + 11.0, 0.03 * y, 4, 0.65);
        log += self.fold_light(x, y);
        let mut channels = [log; 3];
        for band in &self.bands {
            let s = &band.stripes;
            let along = if s.crosswise { v } else { u };
            let period = s.period_mm as f32;
            let turns = (along - s.phase_mm as f32) / period;
            let from = ((turns - turns.round()) * period).abs();
            let half = 0.5 * s.width_mm as f32;
            let soft = (s.softness_mm as f32).max(blur);
            let cover = ((half - from) / soft + 0.5).clamp(0.0, 1.0);
            for (c, l) in channels.iter_mut().zip(band.log) {
                *c += cover * l;
            }
        }
        if let Some(j) = &self.jacquard {
            let figure = self.figure(j, u, v, blur);
            let l = light_factor(j.contrast_percent as f32).ln();
            channels = channels.map(|c| c + figure * l);
        }
        for (stain, l) in &self.stains {
            let (sx, sy) = (x - stain.at_mm[0] as f32, y - stain.at_mm[1] as f32);
            let r = stain.radius_mm as f32;
            let d = sx.hypot(sy) / r;
            if d < 1.6 {
                let d = d + 0.35 * n.octaves(2.0 * x / r, 2.0 * y / r, 3, 0.6);
                let cover = ramp(1.0, 0.8, d) * (0.55 + 0.45 * ramp(0.5, 0.95, d));
                for (c, l) in channels.iter_mut().zip(l) {
                    *c += cover * l;
                }
            }
        }
        [0, 1, 2].map(|c| self.base[c] * quick_exp(channels[c]))
    }

    /// Where a spot lies in the cloth's own grid: across the columns and along them. Loops wander,
    /// so the whole grid is gently bent.
    fn grid_place(&self, x: f32, y: f32) -> (f32, f32) {
        let n = &self.noise;
        let bend = self.irregularity * self.pitch;
        let dx = bend * (0.9 * n.at(0.045 * x, 0.045 * y) + 0.25 * n.at(0.4 * x + 70.0, 0.25 * y));
        let dy =
            bend * (0.9 * n.at(0.04 * x + 120.0, 0.04 * y) + 0.25 * n.at(0.3 * x, 0.4 * y + 90.0));
        (
            self.cos * x + self.sin * y + dx,
            -self.sin * x + self.cos * y + dy,
        )
    }

    /// Mean direction of the columns and of the rows over these spots, both in degrees clockwise
    /// from where straight columns of angle 0 would run: the plane that fits the bent grid best.
    pub(crate) fn mean_directions_deg(&self, spots: &[(f32, f32)]) -> [f64; 2] {
        let n = spots.len() as f64;
        let mean = |f: &dyn Fn(f64, f64) -> f64| {
            let sum: f64 = spots.iter().map(|&(x, y)| f(x.into(), y.into())).sum();
            sum / n
        };
        let (mx, my) = (mean(&|x, _| x), mean(&|_, y| y));
        let (xx, yy) = (
            mean(&|x, _| (x - mx).powi(2)),
            mean(&|_, y| (y - my).powi(2)),
        );
        let xy = mean(&|x, y| (x - mx) * (y - my));
        let gradient = |across: bool| {
            let at = |x: f64, y: f64| {
                let (u, v) = self.grid_place(x as f32, y as f32);
                f64::from(if across { u } else { v })
            };
            let (gx, gy) = (
                mean(&|x, y| (x - mx) * at(x, y)),
                mean(&|x, y| (y - my) * at(x, y)),
            );
            let det = xx * yy - xy * xy;
            [(yy * gx - xy * gy) / det, (xx * gy - xy * gx) / det]
        };
        let ([ux, uy], [vx, vy]) = (gradient(true), gradient(false));
        [uy.atan2(ux).to_degrees(), (-vx).atan2(vy).to_degrees()]
    }

    /// Brightness of the weave about its mean, roughly −1 to 1.
    fn loops(&self, u: f32, v: f32) -> f32 {
        let p = self.pitch;
        let irregular = self.irregularity;
        match self.weave {
            Weave::Jersey => {
                let column = (u / p).floor();
                let x = u / p - column - 0.5;
                // The two legs of a V lean against each other.
                let row =
                    v / (0.72 * p) + 1.1 * x.abs() + 0.37 * cell(self.seed, column as i32, -7);
                let loop_row = row.floor();
                let own = cell(self.seed, column as i32, loop_row as i32);
                let side = cell(
                    self.seed ^ 0x4D,
                    column as i32 * 2 + i32::from(x > 0.0),
                    loop_row as i32,
                );
                let thread = wave(row - 0.5);
                let groove = 1.0 - 2.6 * (x.abs() - 0.27).abs();
                let fuzz = self.noise.at(7.0 * u, 7.0 * v);
                0.55 * thread
                    + 0.55 * (groove - 0.35)
                    + irregular * (0.55 * own + 0.3 * side)
                    + 0.22 * fuzz
                    + 0.2 * irregular * cell(self.seed ^ 5, column as i32, 3)
            }
            Weave::Rib => {
                let x = u / p;
                let column = x.round();
                let own = cell(self.seed, column as i32, (v / (0.8 * p)).floor() as i32);
                wave(x)
                    + 0.3 * wave(v / (0.8 * p) + 0.8 * (x - column).abs())
                    + irregular * 0.5 * own
                    + 0.2 * self.noise.at(7.0 * u, 7.0 * v)
            }
            Weave::Woven => {
                let (i, j) = ((u / p).floor(), (v / p).floor());
                let (x, y) = (u / p - i - 0.5, v / p - j - 0.5);
                let over = (i as i32 + j as i32).rem_euclid(2) == 0;
                let (across, along) = if over { (x, y) } else { (y, x) };
                let own = if over {
                    cell(self.seed, i as i32, 0)
                } else {
                    cell(self.seed ^ 9, j as i32, 1)
                };
                let slub = self.noise.at(
                    if over { 3.0 * u } else { 0.2 * u },
                    if over { 0.2 * v } else { 3.0 * v },
                );
                0.9 - 3.2 * across * across - 1.6 * along * along
                    + irregular * (0.6 * own + 0.7 * slub)
                    + 0.25 * irregular * cell(self.seed, i as i32, j as i32)
                    - 0.5
            }
            Weave::Mesh => {
                let j = (v / (0.87 * p)).floor();
                let shift = if (j as i32).rem_euclid(2) == 0 {
                    0.0
                } else {
                    0.5
                };
                let i = (u / p + shift).floor();
                let (x, y) = (u / p + shift - i - 0.5, v / (0.87 * p) - j - 0.5);
                let own = cell(self.seed, i as i32, j as i32);
                let hole = (0.24 + 0.05 * irregular * own - (x * x + y * y).sqrt()) * 9.0;
                0.35 - 2.0 * (hole + 0.5).clamp(0.0, 1.0)
                    + 0.3 * self.noise.at(9.0 * u, 9.0 * v)
                    + 0.25 * wave(4.0 * v / p)
                    + 0.3 * irregular * own
            }
            Weave::Tricot => {
                let column = (u / p).floor();
                let x = u / p - column - 0.5;
                let slant = wave(v / (0.5 * p) + 0.9 * x);
                let own = cell(self.seed, column as i32, (v / (0.5 * p)).floor() as i32);
                0.4 * slant
                    + 0.7 * (0.5 - 2.0 * x.abs())
                    + irregular * 0.4 * own
                    + 0.2 * self.noise.at(6.0 * u, 6.0 * v)
            }
            Weave::Corduroy => {
                let x = u / (2.4 * p);
                let own = self.noise.octaves(2.0 * u, 0.8 * v, 3, 0.7);
                1.2 * wave(x) - 0.4 * wave(2.0 * x) + 0.5 * own
            }
        }
    }

    fn figure(&self, j: &Jacquard, u: f32, v: f32, blur: f32) -> f32 {
        // Knitted figures are made of whole loops.
        let q = self.pitch;
        let (lu, lv) = ((u / q).floor() * q, (v / q).floor() * q);
        let (u, v) = if blur < 0.6 * q { (lu, lv) } else { (u, v) };
        let [ru, rv] = j.repeat_mm.map(|r| r as f32);
        let (x, y) = (u / ru - (u / ru).round(), v / rv - (v / rv).round());
        match j.figure {
            0 => f32::from((x.abs() + y.abs() - 0.25).abs() < 0.08 || x.abs() + y.abs() < 0.08),
            1 => f32::from(((v / rv + 0.5 * (2.0 * x).abs()) * 2.0).rem_euclid(1.0) < 0.35),
            2 => {
                let (x2, y2) = (x.abs() - 0.5, y.abs() - 0.5);
                f32::from(x * x + y * y < 0.03 || x2 * x2 + y2 * y2 < 0.03)
            }
            _ => f32::from((x > 0.0) == (y > 0.0)),
        }
    }

    fn fold_light(&self, x: f32, y: f32) -> f32 {
        let mut log = 0.0;
        for (fold, sin, cos) in &self.folds {
            let (dx, dy) = (x - fold.at_mm[0] as f32, y - fold.at_mm[1] as f32);
            let along = cos * dx + sin * dy;
            let w = fold.width_mm as f32;
            let wander = 0.8 * self.noise.at(0.5 * along / w, fold.at_mm[0] as f32);
            let across = (cos * dy - sin * dx) / w + wander;
            if across.abs() < 4.0 {
                let fade = 0.6 + 0.4 * self.noise.at(0.15 * along / w + 9.0, 5.0);
                let flank = across * quick_exp(0.5 - 0.5 * across * across);
                log += fade * fold.strength_percent as f32 / 100.0 * flank;
            }
        }
        log
    }
}

/// The exponential to about a thousandth between −4 and 4.
fn quick_exp(x: f32) -> f32 {
    let y = 1.0 + x.max(-8.0) / 64.0;
    let y = y + 0.5 * (x / 64.0) * (x / 64.0);
    let y2 = y * y;
    let y4 = y2 * y2;
    let y8 = y4 * y4;
    let y16 = y8 * y8;
    let y32 = y16 * y16;
    y32 * y32
}
