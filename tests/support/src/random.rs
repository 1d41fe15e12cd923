//! Seeded randomness: the same seed paints the same picture.

/// A small generator (SplitMix64; Steele, Lea & Flood 2014).
#[derive(Clone, Debug)]
pub struct Rng(u64);

impl Rng {
    /// A generator that starts from `seed`.
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x5851_F42D_4C95_7F2D)
    }

    /// One for a numbered scene of a family: scenes of one number in two families differ.
    pub(crate) fn of_family(seed: u64, family: &str) -> Self {
        let salt = family.bytes().fold(0u64, |salt, byte| {
            salt.wrapping_mul(131).wrapping_add(u64::from(byte))
        });
        Self::new(seed ^ (salt << 20))
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        mix(self.0)
    }

    /// Evenly spread in 0 to 1.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly spread between two values.
    pub fn range(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// A whole number below `n`.
    pub fn below(&mut self, n: usize) -> usize {
        (self.bits() % n as u64) as usize
    }

    /// True with this probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// One of the items.
    ///
    /// # Panics
    /// Without items.
    pub fn pick<'a, T>(&mut self, items: &'a [T]) -> &'a T {
        &items[self.below(items.len())]
    }

    /// Minus one or one.
    pub fn sign(&mut self) -> f64 {
        if self.chance(0.5) { 1.0 } else { -1.0 }
    }

    /// Normally distributed with variance 1 (Box & Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }
}

fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// A fixed random value in −1 to 1 for each cell of a grid.
pub(crate) fn cell(seed: u32, i: i32, j: i32) -> f32 {
    let mut h = seed ^ (i as u32).wrapping_mul(0x85EB_CA6B) ^ (j as u32).wrapping_mul(0xC2B2_AE35);
    h = (h ^ (h >> 15)).wrapping_mul(0x2C1B_3C6D);
    h = (h ^ (h >> 12)).wrapping_mul(0x297A_2D39);
    h ^= h >> 15;
    (h >> 8) as f32 / (1u32 << 23) as f32 - 1.0
}

const SIDE: usize = 256;

/// Smooth noise over the plane, repeating every 256 units (value noise, Perlin's fade).
#[derive(Clone)]
pub(crate) struct Noise(Vec<f32>);

impl Noise {
    pub(crate) fn new(rng: &mut Rng) -> Self {
        Self(
            (0..SIDE * SIDE)
                .map(|_| rng.range(-1.0, 1.0) as f32)
                .collect(),
        )
    }

    /// About −1 to 1, with features of one unit.
    pub(crate) fn at(&self, x: f32, y: f32) -> f32 {
        let (fx, fy) = (x.floor(), y.floor());
        let (i, j) = (
            fx as i32 as usize & (SIDE - 1),
            fy as i32 as usize & (SIDE - 1),
        );
        let (i1, j1) = ((i + 1) & (SIDE - 1), (j + 1) & (SIDE - 1));
        let (a, b) = (fade(x - fx), fade(y - fy));
        let g = |i: usize, j: usize| self.0[j * SIDE + i];
        let top = g(i, j) + a * (g(i1, j) - g(i, j));
        let bottom = g(i, j1) + a * (g(i1, j1) - g(i, j1));
        top + b * (bottom - top)
    }

    /// Several octaves, each half as wide and `gain` times as strong as the one before.
    pub(crate) fn octaves(&self, x: f32, y: f32, octaves: u32, gain: f32) -> f32 {
        let (mut sum, mut weight, mut scale) = (0.0, 1.0, 1.0f32);
        for k in 0..octaves {
            let shift = 17.3 * k as f32;
            sum += weight * self.at(x * scale + shift, y * scale - shift);
            weight *= gain;
            scale *= 2.03;
        }
        sum
    }
}

fn fade(t: f32) -> f32 {
    t * t * (3.0 - 2.0 * t)
}

/// Rises smoothly from 0 at `from` to 1 at `to`.
pub(crate) fn ramp(from: f32, to: f32, x: f32) -> f32 {
    fade(((x - from) / (to - from)).clamp(0.0, 1.0))
}

/// cos(2πx), to about a thousandth.
pub(crate) fn wave(x: f32) -> f32 {
    let turns = x + 0.25;
    let t = turns - turns.floor() - 0.5;
    let parabola = -16.0 * t * (0.5 - t.abs());
    0.225 * (parabola * parabola.abs() - parabola) + parabola
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wave_is_the_cosine() {
        for k in -40..40 {
            let x = 0.05 * k as f32;
            let cosine = (std::f32::consts::TAU * x).cos();
            assert!((wave(x) - cosine).abs() < 2e-3, "{x}: {} {cosine}", wave(x));
        }
    }

    #[test]
    fn normal_has_unit_variance() {
        let mut rng = Rng::new(1);
        let n = 20_000;
        let squares: f64 = (0..n).map(|_| rng.normal().powi(2)).sum();
        assert!((squares / f64::from(n) - 1.0).abs() < 0.04);
    }
}
