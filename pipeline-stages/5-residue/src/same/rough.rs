//! The rough place of one photo's cloth in the other.

use measures::spectrum::{Bin, Fft2};
use measures::{Grid, Map, Mm, Point, Vector};

use super::sampled;
use crate::lines::Texture;

/// How far the guess may be off, either way.
const OFF_MM: f64 = 10.0;
const OFF_DEG: f64 = 4.0;
/// Cloth this far from the emblem's middle is compared at most.
const REACH_MM: f64 = 110.0;
/// How far the peak must stand out of the correlation about it, in standard deviations, and what
/// share of it the next best place may reach.
const PEAK_MIN_SIGMAS: f32 = 8.0;
const RIVAL_SHARE: f32 = 0.75;
/// Places nearer than this are one peak.
const PEAK_MM: f64 = 1.5;

/// `None` when no place stands out.
pub(super) fn place(
    first: &Texture,
    second: &Texture,
    guess: &Map<Mm, Mm>,
    about: Point<Mm>,
) -> Option<Map<Mm, Mm>> {
    let window = Window::new(first, about)?;
    let own = window.spectrum(|p| sampled(first, p).0);
    let step_deg = (0.4 * first.finest_mm / window.reach_mm).to_degrees();
    let steps = (OFF_DEG / step_deg).ceil() as i32;
    let mut found: Vec<Peak> = (-steps..=steps)
        .map(|k| {
            let turn_deg = f64::from(k) * step_deg;
            let map = turned(about, turn_deg).then(guess);
            let other = window.spectrum(|p| sampled(second, map.apply(p)).0);
            window.peak(&own, &other, turn_deg)
        })
        .collect();
    found.sort_by(|a, b| b.height.total_cmp(&a.height));
    let best = found.first()?;
    let rival = found
        .iter()
        .filter(|p| p.shift.0.hypot(p.shift.1).is_finite())
        .filter(|p| {
            // Turned a little, the same place fits best somewhat aside.
            let turn = (p.turn_deg - best.turn_deg).abs().to_radians();
            let apart = (p.shift.0 - best.shift.0).hypot(p.shift.1 - best.shift.1);
            apart > PEAK_MM + turn * window.reach_mm
        })
        .map(|p| p.height)
        .fold(best.rival, f32::max);
    let clear = best.height > PEAK_MIN_SIGMAS && rival < RIVAL_SHARE * best.height;
    clear.then(|| {
        let shift = Vector::new(best.shift.0, best.shift.1);
        Map::similarity(1.0, 0.0, shift)
            .then(&turned(about, best.turn_deg))
            .then(guess)
    })
}

/// A turn of the cloth about a place.
fn turned(about: Point<Mm>, deg: f64) -> Map<Mm, Mm> {
    let origin = Vector::new(about.x, about.y);
    let back: Map<Mm, Mm> = Map::similarity(1.0, 0.0, -origin);
    back.then(&Map::similarity(1.0, deg.to_radians(), origin))
}

struct Peak {
    turn_deg: f64,
    /// Shift in mm, in the first photo's cloth.
    shift: (f64, f64),
    /// In standard deviations of the correlation.
    height: f32,
    /// The next best place at this turn.
    rival: f32,
}

/// The cloth about the emblem, on a grid that transforms fast.
struct Window {
    grid: Grid,
    reach_mm: f64,
    fft: Fft2,
    /// Coefficients that are compared.
    band: Vec<bool>,
}

impl Window {
    fn new(texture: &Texture, about: Point<Mm>) -> Option<Self> {
        let pitch_mm = texture.grid.pitch_mm;
        let far = texture.grid.place(
            (texture.grid.width - 1) as f64,
            (texture.grid.height - 1) as f64,
        );
        let from = texture.grid.origin;
        let low = Point::new(
            (about.x - REACH_MM).max(from.x),
            (about.y - REACH_MM).max(from.y),
        );
        let high = Point::new(
            (about.x + REACH_MM).min(far.x),
            (about.y + REACH_MM).min(far.y),
        );
        let count =
            |length: f64| Fft2::fast_length(((length + OFF_MM) / pitch_mm).max(32.0) as usize);
        let size = high - low;
        if size.x < 20.0 || size.y < 20.0 {
            return None;
        }
        let grid = Grid {
            origin: low,
            pitch_mm,
            width: count(size.x),
            height: count(size.y),
        };
        let fft = Fft2::new(grid.width, grid.height);
        let extent = [grid.width, grid.height].map(|n| n as f64 * pitch_mm);
        let mut band = Vec::with_capacity(fft.half_width() * grid.height);
        for kx in 0..fft.half_width() {
            for ky in 0..grid.height {
                let fy = ky.min(grid.height - ky) as f64 / extent[1];
                let f = (kx as f64 / extent[0]).hypot(fy);
                band.push(f > 1.0 / texture.coarsest_mm && f < 1.0 / texture.finest_mm);
            }
        }
        Some(Self {
            reach_mm: 0.5 * size.x.hypot(size.y),
            grid,
            fft,
            band,
        })
    }

    fn spectrum(&self, value: impl Fn(Point<Mm>) -> f32) -> Vec<Bin> {
        let grid = &self.grid;
        let places =
            (0..grid.len()).map(|k| grid.place((k % grid.width) as f64, (k / grid.width) as f64));
        self.fft.forward(&places.map(value).collect::<Vec<_>>())
    }

    /// The best shift at this turn.
    fn peak(&self, own: &[Bin], other: &[Bin], turn_deg: f64) -> Peak {
        let phases = own
            .iter()
            .zip(other)
            .zip(&self.band)
            .map(|((a, b), &used)| {
                let product = a.conj() * b;
                let size = product.norm();
                if used && size > 0.0 {
                    product / size
                } else {
                    Bin::default()
                }
            });
        let correlation = self.fft.inverse(phases.collect());
        let (w, h) = (self.grid.width, self.grid.height);
        let squares: f32 = correlation.iter().map(|v| v * v).sum();
        let spread = (squares / correlation.len() as f32)
            .sqrt()
            .max(f32::MIN_POSITIVE);
        let mm = |k: usize, n: usize| {
            let k = k as f64;
            let n = n as f64;
            self.grid.pitch_mm * if k > 0.5 * n { k - n } else { k }
        };
        let places = correlation
            .iter()
            .enumerate()
            .map(|(k, &v)| (mm(k % w, w), mm(k / w, h), v / spread));
        let near: Vec<(f64, f64, f32)> = places
            .filter(|(x, y, _)| x.abs() <= OFF_MM && y.abs() <= OFF_MM)
            .collect();
        let best = near.iter().copied().max_by(|a, b| a.2.total_cmp(&b.2));
        let (x, y, height) = best.unwrap_or((f64::NAN, f64::NAN, 0.0));
        let rival = near
            .iter()
            .filter(|(u, v, _)| (u - x).hypot(v - y) > PEAK_MM)
            .map(|p| p.2)
            .fold(0.0, f32::max);
        Peak {
            turn_deg,
            shift: (x, y),
            height,
            rival,
        }
    }
}
