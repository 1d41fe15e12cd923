//! A direction measured closely: the cloth summed in strips along the lines, and the strips'
//! shifts against each other followed over ever longer ways, so that the count of lines is never
//! lost.

use super::texture::Texture;
use super::vote::{Found, smooth};

/// Height of a strip, in finest lines, and its least.
const STRIP_LINES: f64 = 1.5;
const STRIP_MIN_MM: f64 = 4.0;
/// Bins in which a strip is summed, for a sample of the grid.
const BINS: f64 = 2.0;
/// How far the direction voted for may be off, in radians.
const OFF_RAD: f64 = 0.012;
/// How far the next shift may lie from where the last ones lead, in finest lines.
const STRAY_LINES: f64 = 0.3;
/// Strips are no longer compared when they are less alike than this share of what neighbours are.
const ALIKE_MIN: f64 = 0.2;
/// Columns of cloth that are measured by themselves, for the uncertainty.
const COLUMNS: usize = 6;

/// A measured direction.
pub(super) struct Measured {
    pub(super) angle_rad: f64,
    /// Standard uncertainty (k = 1).
    pub(super) u_rad: f64,
}

/// `None` where the strips have nothing in common.
pub(super) fn measure(texture: &Texture, found: &Found) -> Option<Measured> {
    let strips = Strips::new(texture, found);
    let all = 0..strips.bins;
    let whole = strips.slope(all, 0.0, OFF_RAD)?;
    let width = strips.bins / COLUMNS;
    let columns: Vec<Slope> = (0..COLUMNS)
        .filter_map(|c| strips.slope(c * width..(c + 1) * width, whole.slope, 0.5 * OFF_RAD))
        .collect();
    let weight: f64 = columns.iter().map(|s| s.weight).sum();
    if columns.len() < 2 || weight <= 0.0 {
        return None;
    }
    let squares: f64 = columns
        .iter()
        .map(|s| (s.weight / weight).powi(2) * (s.slope - whole.slope).powi(2))
        .sum();
    let n = columns.len() as f64;
    Some(Measured {
        angle_rad: found.angle_rad + whole.slope.atan(),
        u_rad: (squares * n / (n - 1.0)).sqrt(),
    })
}

/// How far lines shift, sample by sample.
struct Slope {
    slope: f64,
    /// How well it is determined, against others of the same cloth.
    weight: f64,
}

/// Means along the lines, strip by strip.
struct Strips {
    bins: usize,
    /// Strip by strip: means, 0 where there is no cloth, and how much cloth there is.
    means: Vec<Vec<f32>>,
    cloth: Vec<Vec<f32>>,
    /// Distance between neighbouring strips, in bins.
    step: f64,
    /// Finest lines, in bins.
    line: f64,
}

impl Strips {
    fn new(texture: &Texture, found: &Found) -> Self {
        let grid = &texture.grid;
        let values = &texture.channels[found.channel];
        let (sin, cos) = found.angle_rad.sin_cos();
        let (w, h) = (grid.width as f64, grid.height as f64);
        let reach = 0.5 * w.hypot(h);
        let strip = (STRIP_LINES * texture.finest_mm).max(STRIP_MIN_MM) / grid.pitch_mm;
        let bins = (2.0 * BINS * reach) as usize + 4;
        let count = (2.0 * reach / strip).ceil() as usize + 1;
        let mut sums = vec![vec![0.0f32; bins]; count];
        let mut cloth = vec![vec![0.0f32; bins]; count];
        for (k, &v) in values.iter().enumerate() {
            if texture.weight[k] == 0.0 {
                continue;
            }
            let x = (k % grid.width) as f64 - 0.5 * w;
            let y = (k / grid.width) as f64 - 0.5 * h;
            let across = BINS * (cos * y - sin * x + reach);
            let row = ((cos * x + sin * y + reach) / strip) as usize;
            let bin = across as usize;
            let part = (across - bin as f64) as f32;
            cloth[row][bin] += 1.0 - part;
            cloth[row][bin + 1] += part;
            sums[row][bin] += (1.0 - part) * v;
            sums[row][bin + 1] += part * v;
        }
        // Half of what a strip without gaps holds in a bin.
        let enough = (0.5 * strip / BINS) as f32;
        for (sum, n) in sums.iter_mut().zip(&mut cloth) {
            smooth(sum);
            smooth(n);
            for (s, n) in sum.iter_mut().zip(n) {
                let seen = *n > enough;
                *s = if seen { *s / *n } else { 0.0 };
                *n = f32::from(seen);
            }
        }
        Self {
            bins,
            means: sums,
            cloth,
            step: BINS * strip,
            line: BINS * texture.finest_mm / grid.pitch_mm,
        }
    }

    /// The lines' slope within some of the bins, near `at`.
    fn slope(&self, columns: std::ops::Range<usize>, at: f64, off: f64) -> Option<Slope> {
        let (mut top, mut weight) = (0.0, 0.0);
        let mut slope = at;
        let mut alike = 0.0;
        for apart in 1..self.means.len() {
            let way = apart as f64 * self.step;
            let stray = if apart == 1 { off * way } else { 0.0 };
            let window = stray + STRAY_LINES * self.line;
            let Some(shift) = self.shift(apart, &columns, slope * way, window) else {
                if apart == 1 {
                    return None;
                }
                break;
            };
            if apart == 1 {
                alike = shift.alike;
            } else if shift.alike < ALIKE_MIN * alike {
                break;
            }
            let w = shift.overlap * shift.alike * shift.alike;
            top += w * way * shift.bins;
            weight += w * way * way;
            slope = top / weight;
        }
        Some(Slope { slope, weight })
    }

    /// The shift at which all strips so far apart are most alike.
    fn shift(
        &self,
        apart: usize,
        columns: &std::ops::Range<usize>,
        near: f64,
        window: f64,
    ) -> Option<Shift> {
        let first = (near - window).floor() as isize - 1;
        let count = (2.0 * window).ceil() as usize + 4;
        let mut products = vec![0.0f64; count];
        let mut overlaps = vec![0.0f64; count];
        for i in 0..self.means.len() - apart {
            let (a, b) = (&self.means[i], &self.means[i + apart]);
            let (na, nb) = (&self.cloth[i], &self.cloth[i + apart]);
            for (s, (product, overlap)) in products.iter_mut().zip(&mut overlaps).enumerate() {
                let shift = first + s as isize;
                let from = columns.start.max((-shift).max(0) as usize);
                let to = columns
                    .end
                    .min((self.bins as isize - shift).clamp(0, self.bins as isize) as usize);
                if from >= to {
                    continue;
                }
                let moved = (from as isize + shift) as usize..(to as isize + shift) as usize;
                *product += f64::from(dot(&a[from..to], &b[moved.clone()]));
                *overlap += f64::from(dot(&na[from..to], &nb[moved]));
            }
        }
        let least = 4.0 * self.line;
        let alike: Vec<f64> = products
            .iter()
            .zip(&overlaps)
            .map(|(p, n)| if *n > least { p / n } else { 0.0 })
            .collect();
        let best = (1..count - 1).max_by(|&a, &b| alike[a].total_cmp(&alike[b]))?;
        let [low, mid, high] = [alike[best - 1], alike[best], alike[best + 1]];
        let bend = low + high - 2.0 * mid;
        if mid <= 0.0 || mid < low || mid < high || bend >= 0.0 {
            return None;
        }
        Some(Shift {
            bins: first as f64 + best as f64 + 0.5 * (low - high) / bend,
            alike: mid,
            overlap: overlaps[best],
        })
    }
}

/// How strips lie against each other.
struct Shift {
    bins: f64,
    /// Covariance of what they show.
    alike: f64,
    /// Bins compared.
    overlap: f64,
}

/// Eight sums side by side, so that the processor can take eight products at a time.
fn dot(a: &[f32], b: &[f32]) -> f32 {
    let (eights, rest) = a.as_chunks::<8>();
    let (eights_b, rest_b) = b.as_chunks::<8>();
    let mut sums = [0.0f32; 8];
    for (x, y) in eights.iter().zip(eights_b) {
        for (s, (x, y)) in sums.iter_mut().zip(x.iter().zip(y)) {
            *s += x * y;
        }
    }
    let rest = rest.iter().zip(rest_b).map(|(x, y)| x * y);
    sums.into_iter().chain(rest).sum()
}
