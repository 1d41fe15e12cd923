//! Other things on the cloth: clutter, and impostors that look like a ruler's divisions.

use crate::glyphs::Text;
use crate::paint::blend;
use crate::random::{Noise, Rng, cell, ramp};
use crate::scene::{Mark, MarkKind};

/// A mark, prepared for asking.
pub(crate) struct Overlay {
    kind: MarkKind,
    centre: [f32; 2],
    cos: f32,
    sin: f32,
    half: [f32; 2],
    seed: u32,
    tint: f32,
    lines: Vec<Text>,
    noise: Noise,
}

const WORDS: [&str; 8] = [
    "THE HOME SIDE LINED UP",
    "IN BLUE AND WHITE 1927",
    "TIDE TABLE 12 24 36 48",
    "MEN OF THE BAY",
    "HARBOUR LIGHT 0615",
    "ROUND THE BREAKWATER",
    "SECOND HALF 2 TO 1",
    "SALT AND WIND",
];

impl Overlay {
    pub(crate) fn new(mark: &Mark, rng: &mut Rng) -> Self {
        let (sin, cos) = (mark.angle_deg as f32).to_radians().sin_cos();
        let line = |_| {
            let words: Vec<&str> = (0..4).map(|_| *rng.pick(&WORDS)).collect();
            Text::new(&words.join(" "), 2.4, 0.17)
        };
        let lines = match mark.kind {
            MarkKind::Print => (0..9).map(line).collect(),
            _ => Vec::new(),
        };
        Self {
            kind: mark.kind,
            centre: mark.centre_mm.map(|v| v as f32),
            cos,
            sin,
            half: mark.size_mm.map(|v| 0.5 * v as f32),
            seed: rng.bits() as u32,
            tint: rng.range(-1.0, 1.0) as f32,
            lines,
            noise: Noise::new(rng),
        }
    }

    /// Lays the mark over `light`.
    #[expect(clippy::too_many_lines, reason = "one arm for each kind of mark")]
    pub(crate) fn cover(&self, x: f32, y: f32, blur: f32, light: &mut [f32; 3]) {
        let (dx, dy) = (x - self.centre[0], y - self.centre[1]);
        let s = self.cos * dx + self.sin * dy;
        let t = self.cos * dy - self.sin * dx;
        let out = (s.abs() - self.half[0]).max(t.abs() - self.half[1]);
        if out > blur {
            return;
        }
        let inside = (0.5 - out / blur).clamp(0.0, 1.0);
        let line =
            |distance: f32, half: f32| ((half - distance.abs()) / blur + 0.5).clamp(0.0, 1.0);
        let period = |v: f32, p: f32| v - (v / p).round() * p;
        let mut paint = |alpha: f32, colour: [f32; 3]| {
            let a = inside * alpha;
            for (l, c) in light.iter_mut().zip(colour) {
                *l += a * (c - *l);
            }
        };
        match self.kind {
            MarkKind::Blinds => {
                let p = 4.5;
                let d = period(s, p) / p;
                paint(0.97, [0.5 + 0.42 * d; 3]);
                paint(line(period(s + 0.5 * p, p), 0.35), [0.04; 3]);
            }
            MarkKind::Stitching => {
                let p = 2.2;
                let k = (s / p).round();
                let wobble = 0.12 * cell(self.seed, k as i32, 0);
                let along = period(s, p) + 0.2 * wobble;
                let thread = line(along, 0.8) * line(t - wobble - 0.12 * along, 0.2);
                paint(thread, [0.7, 0.68, 0.6]);
                paint(
                    0.5 * line(along.abs() - 1.0, 0.15) * line(t - wobble, 0.2),
                    [0.01; 3],
                );
            }
            MarkKind::Seam => {
                let groove = (-t * t / 0.5).exp();
                for l in light.iter_mut() {
                    *l *= 1.0 - 0.45 * inside * groove;
                }
                let p = 2.6;
                let stitch = line(period(s, p), 0.95) * line(t.abs() - 3.0, 0.18);
                let tone = 0.35 + 0.3 * self.tint;
                blend(light, [tone; 3], inside * 0.8 * stitch);
            }
            MarkKind::Zip => {
                paint(0.95, [0.03, 0.03, 0.035]);
                let p = 2.1;
                for side in [0.0, 0.5] {
                    let d = period(s + side * p, p);
                    let arm = if side > 0.0 { t } else { -t };
                    let tooth = line(d, 0.52) * ramp(-1.2, -0.8, arm) * ramp(2.9, 2.6, arm);
                    let shine = 0.35 + 0.3 * (d + 0.3 * t);
                    blend(light, [shine, 0.9 * shine, 0.55 * shine], inside * tooth);
                }
            }
            MarkKind::Keyboard => {
                let p = 19.0;
                let row = (t / p).round();
                let (ds, dt) = (period(s + 5.0 * row, p).abs(), period(t, p).abs());
                paint(0.98, [0.02; 3]);
                let key = line(ds, 8.3) * line(dt, 8.3);
                let own = 0.02 * cell(self.seed, (s / p).round() as i32, row as i32);
                blend(light, [0.10 + own; 3], inside * key);
                let legend = line(ds - 2.0, 0.4) * line(dt - 2.0, 2.0);
                blend(light, [0.75; 3], inside * legend);
            }
            MarkKind::Barcode => {
                paint(0.97, [0.80; 3]);
                let module = 0.66;
                let k = (s / module).floor();
                let at = s / module - k;
                let bar = |k: f32| f32::from(cell(self.seed, k as i32, 0) > 0.0);
                let edge = ((at - 0.5) * module / blur).clamp(-0.5, 0.5);
                let mixed = if edge < 0.0 {
                    bar(k) * (0.5 - edge).min(1.0) + bar(k - 1.0) * (0.5 + edge).max(0.0)
                } else {
                    bar(k)
                };
                let quiet = line(s, self.half[0] - 4.0) * line(t, self.half[1] - 3.0);
                blend(light, [0.02; 3], inside * quiet * mixed);
            }
            MarkKind::Print => {
                paint(0.97, [0.74, 0.73, 0.69]);
                let pitch = 4.6;
                let k = (t / pitch).round();
                let n = self.lines.len() as i32;
                let text = &self.lines[(k as i32).rem_euclid(n) as usize];
                let ink = text.ink(s, t - k * pitch, blur);
                blend(light, [0.03; 3], inside * ink);
            }
            MarkKind::Card => {
                let fibre = 0.02 * self.noise.octaves(s, t, 3, 0.6);
                paint(1.0, [0.72 + fibre, 0.71 + fibre, 0.67 + fibre]);
            }
            MarkKind::Grid => {
                paint(1.0, [0.02, 0.13, 0.08]);
                let lines =
                    |v: f32| (0.6 * line(period(v, 5.0), 0.06)).max(line(period(v, 10.0), 0.13));
                let ink = lines(s).max(lines(t));
                blend(light, [0.55, 0.6, 0.3], inside * 0.8 * ink);
            }
            MarkKind::FineStripes => {
                let slub = 0.12 * self.noise.octaves(0.15 * s, 2.0 * t, 2, 0.5);
                paint(0.55 * line(period(s + slub, 2.0), 0.45), [0.6, 0.6, 0.62]);
            }
            MarkKind::Comb => {
                let spine = line(t + 0.7 * self.half[1], 0.3 * self.half[1]);
                let tooth = line(period(s, 1.9), 0.5);
                paint(spine.max(tooth), [0.02, 0.016, 0.014]);
            }
            MarkKind::Chalk => {
                let grain = ramp(-0.3, 0.6, self.noise.octaves(2.2 * s, 2.2 * t, 3, 0.8));
                paint(
                    0.55 * grain * line(t, self.half[1] * 0.7),
                    [0.75, 0.76, 0.8],
                );
            }
        }
    }
}
