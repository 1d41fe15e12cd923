//! Power spectra of small tiles, and their peaks.

use std::sync::Arc;

use fourier::{Complex, Fft};

use crate::plane::{PARTS, Plane};

/// A side of a tile, in samples.
pub(crate) const TILE: usize = 64;
pub(crate) const HALF: usize = TILE / 2;
/// Periods sought in one plane, in samples.
pub(crate) const MIN_PERIOD: f32 = 3.0;
const MAX_PERIOD: f32 = 14.0;
/// Tiles with a smaller standard deviation (grey levels) show nothing.
const MIN_SPREAD: f32 = 1.2;
/// Peaks must exceed the median power of their ring by this factor.
const MIN_PROMINENCE: f32 = 12.0;
const PEAKS_PER_TILE: usize = 4;

/// Block by block, so that both sides stay at hand.
fn transpose(from: &[Complex<f32>], to: &mut [Complex<f32>]) {
    const BLOCK: usize = 8;
    for y in (0..TILE).step_by(BLOCK) {
        for (x, column) in to.chunks_exact_mut(TILE).enumerate() {
            for (k, out) in column[y..y + BLOCK].iter_mut().enumerate() {
                *out = from[(y + k) * TILE + x];
            }
        }
    }
}

/// Spectrum bins by their distance from the origin.
pub(crate) struct Rings {
    members: Vec<Vec<usize>>,
    first: usize,
}

impl Rings {
    pub(crate) fn new() -> Self {
        let first = (TILE as f32 / MAX_PERIOD) as usize;
        let last = (TILE as f32 / MIN_PERIOD).ceil() as usize;
        let mut members = vec![Vec::new(); last - first + 1];
        for kx in 0..=HALF {
            for ky in 0..TILE {
                let radius = (kx as f32).hypot(signed(ky) as f32).round() as usize;
                if radius >= first && radius <= last {
                    members[radius - first].push(kx * TILE + ky);
                }
            }
        }
        Self { members, first }
    }
}

fn signed(k: usize) -> i32 {
    if k >= HALF {
        k as i32 - TILE as i32
    } else {
        k as i32
    }
}

/// A tile with something in it: its corner, and its mean grey.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Tile {
    pub(crate) corner: (usize, usize),
    mean: f32,
}

impl Tile {
    /// `None` when the tile is flat.
    pub(crate) fn at(plane: &Plane, corner: (usize, usize)) -> Option<Self> {
        let (mut sums, mut squares) = ([0.0f32; 8], [0.0f32; 8]);
        let mut count = 0;
        for row in rows(plane, corner) {
            count += row.len();
            for eight in row.chunks(8) {
                for ((sum, square), &g) in sums.iter_mut().zip(&mut squares).zip(eight) {
                    let g = f32::from(g) / PARTS;
                    *sum += g;
                    *square += g * g;
                }
            }
        }
        let mean = sums.iter().sum::<f32>() / count as f32;
        let spread = squares.iter().sum::<f32>() / count as f32 - mean * mean;
        (spread >= MIN_SPREAD * MIN_SPREAD).then_some(Self { corner, mean })
    }
}

/// The rows of a tile, as far as the plane reaches.
fn rows(plane: &Plane, corner: (usize, usize)) -> impl Iterator<Item = &[u16]> {
    let (width, height) = (TILE.min(plane.width), TILE.min(plane.height));
    let lines = plane.grey.chunks_exact(plane.width);
    let lines = lines.skip(corner.1).take(height);
    lines.map(move |line| &line[corner.0..corner.0 + width])
}

/// Spectra of two tiles at a time: one is the real part, the other the imaginary part of what is
/// transformed, and symmetry tells them apart again.
pub(crate) struct TileSpectrum {
    fft: Arc<dyn Fft<f32>>,
    both: Vec<Complex<f32>>,
    transposed: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    /// Power of the tile looked at, frequency kx by frequency kx.
    power: Vec<f32>,
    sorted: Vec<u32>,
}

impl TileSpectrum {
    pub(crate) fn new() -> Self {
        let fft = fourier::forward(TILE);
        let scratch = vec![Complex::default(); fft.get_inplace_scratch_len()];
        Self {
            fft,
            both: vec![Complex::default(); TILE * TILE],
            transposed: vec![Complex::default(); TILE * TILE],
            scratch,
            power: vec![0.0; (HALF + 1) * TILE],
            sorted: Vec::new(),
        }
    }

    pub(crate) fn transform(&mut self, plane: &Plane, two: [Tile; 2], window: &[f32]) {
        self.both.fill(Complex::default());
        let lines = self.both.chunks_exact_mut(TILE).zip(window);
        let pairs = rows(plane, two[0].corner).zip(rows(plane, two[1].corner));
        for ((line, wy), (a, b)) in lines.zip(pairs) {
            for (((out, &a), &b), wx) in line.iter_mut().zip(a).zip(b).zip(window) {
                let w = wx * wy;
                out.re = (f32::from(a) / PARTS - two[0].mean) * w;
                out.im = (f32::from(b) / PARTS - two[1].mean) * w;
            }
        }
        self.fft
            .process_with_scratch(&mut self.both, &mut self.scratch);
        transpose(&self.both, &mut self.transposed);
        self.fft
            .process_with_scratch(&mut self.transposed, &mut self.scratch);
    }

    /// Takes the power of one of the two.
    pub(crate) fn look_at(&mut self, second: bool) {
        let sign = if second { -1.0 } else { 1.0 };
        for kx in 0..=HALF {
            let here = &self.transposed[kx * TILE..][..TILE];
            let mirrored = &self.transposed[(TILE - kx) % TILE * TILE..][..TILE];
            let power = &mut self.power[kx * TILE..][..TILE];
            let mirrored = mirrored[..1].iter().chain(mirrored[1..].iter().rev());
            for ((p, z), other) in power.iter_mut().zip(here).zip(mirrored) {
                *p = 0.25 * (z + other.conj() * sign).norm_sqr();
            }
        }
    }

    /// Power at any frequency; the spectrum of a real tile is symmetric about its origin.
    fn at(&self, kx: i32, ky: i32) -> f32 {
        let (kx, ky) = if kx < 0 { (-kx, -ky) } else { (kx, ky) };
        if kx > HALF as i32 {
            return 0.0;
        }
        self.power[kx as usize * TILE + ky.rem_euclid(TILE as i32) as usize]
    }

    /// Frequencies (in cycles a tile) and prominences of the strongest peaks.
    pub(crate) fn peaks(&mut self, rings: &Rings) -> Vec<(f32, f32, f32)> {
        let mut found: Vec<(f32, f32, f32)> = Vec::new();
        for (r, members) in rings.members.iter().enumerate() {
            self.sorted.clear();
            // Numbers that are not negative are in the order of their bits.
            let bits = members.iter().map(|&m| self.power[m].to_bits());
            self.sorted.extend(bits);
            let middle = self.sorted.len() / 2;
            if none_stands_out(&self.sorted) {
                continue;
            }
            let (_, median, _) = self.sorted.select_nth_unstable(middle);
            let median = f32::from_bits(*median);
            let least = MIN_PROMINENCE * median.max(1e-3);
            for &m in members {
                if self.power[m] < least {
                    continue;
                }
                let (kx, ky) = ((m / TILE) as i32, signed(m % TILE));
                if (kx == 0 && ky < 0) || !self.is_peak(kx, ky) {
                    continue;
                }
                let (dx, dy) = self.refine(kx, ky);
                let (fx, fy) = (kx as f32 + dx, ky as f32 + dy);
                let period = TILE as f32 / fx.hypot(fy);
                if (MIN_PERIOD..=MAX_PERIOD).contains(&period) && r + rings.first > 0 {
                    found.push((fx, fy, self.power[m] / median.max(1e-3)));
                }
            }
        }
        found.sort_by(|a, b| b.2.total_cmp(&a.2));
        found.truncate(PEAKS_PER_TILE);
        found
    }

    fn is_peak(&self, kx: i32, ky: i32) -> bool {
        let here = self.at(kx, ky);
        (-1..=1)
            .all(|dx| (-1..=1).all(|dy| (dx == 0 && dy == 0) || self.at(kx + dx, ky + dy) <= here))
    }

    /// Vertex of the parabola through the logarithms of three neighbouring powers, each way.
    fn refine(&self, kx: i32, ky: i32) -> (f32, f32) {
        let log = |dx: i32, dy: i32| self.at(kx + dx, ky + dy).max(1e-6).ln();
        let vertex = |a: f32, b: f32, c: f32| {
            let bend = a - 2.0 * b + c;
            if bend < -1e-6 {
                (0.5 * (a - c) / bend).clamp(-0.5, 0.5)
            } else {
                0.0
            }
        };
        (
            vertex(log(-1, 0), log(0, 0), log(1, 0)),
            vertex(log(0, -1), log(0, 0), log(0, 1)),
        )
    }
}

/// Whether the greatest of these powers, given as bits, is too small against their median: told
/// by how many are too great for that, without the median.
fn none_stands_out(powers: &[u32]) -> bool {
    let greatest = f32::from_bits(powers.iter().copied().max().unwrap_or(0));
    let too_great = |p: &&u32| MIN_PROMINENCE * f32::from_bits(**p) > greatest;
    powers.iter().filter(too_great).count() >= powers.len() - powers.len() / 2
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plane::tests::plane;

    fn window() -> Vec<f32> {
        let step = std::f32::consts::PI / TILE as f32;
        (0..TILE)
            .map(|i| ((i as f32 + 0.5) * step).sin().powi(2))
            .collect()
    }

    /// Powers of numpy 2's `fft.fft2` for the same tile.
    #[test]
    fn spectrum_is_numpys() {
        let tau = std::f64::consts::TAU;
        let plane = plane(TILE, |x, y| {
            128.0 + 40.0 * (tau * (0.11 * x + 0.07 * y) + 0.5).cos() + 20.0 * (tau * 0.2 * x).cos()
        });
        let mut spectrum = TileSpectrum::new();
        let tile = Tile::at(&plane, (0, 0)).expect("not flat");
        let other = Tile { mean: 90.0, ..tile };
        spectrum.transform(&plane, [other, tile], &window());
        spectrum.look_at(true);
        for (kx, ky, power) in [
            (7, 4, 309_553_320.5),
            (7, 5, 293_475_417.8),
            (13, 0, 99_569_493.6),
            (12, 0, 44_255_318.4),
            (8, 4, 87_154_537.4),
        ] {
            let ratio = spectrum.at(kx, ky) / power;
            assert!((ratio - 1.0).abs() < 1e-3, "({kx}, {ky}): {ratio}");
        }
    }
}
