//! Stripes and coarse yarns of the cloth: bands that run on from one end of it to the other, beyond
//! whatever lies on it. Their profile at both ends tells them.

use measures::Grid;

/// Each end's share of the cloth's length.
const END: f64 = 0.2;
/// Directions tried, either way from upright and level, and their distance.
const TURN_MAX_DEG: f64 = 12.0;
const TURN_STEP_DEG: f64 = 0.5;
/// Profiles of both ends that agree less than this are no stripes.
const CORRELATION_MIN: f64 = 0.5;
/// Fewer samples tell nothing of a line.
const SAMPLES_MIN: f32 = 12.0;

/// Takes off stripes upright and level.
pub(crate) fn take_off(channels: &mut [Vec<f32>; 3], cloth: &[f32], grid: &Grid) {
    for quarter_deg in [0.0, 90.0] {
        let steps = (TURN_MAX_DEG / TURN_STEP_DEG) as i32;
        let directions = (-steps..=steps)
            .map(|k| Lines::new(quarter_deg + f64::from(k) * TURN_STEP_DEG, grid))
            .map(|lines| (lines.agreement(channels, cloth), lines));
        let best = directions.max_by(|a, b| a.0.common.total_cmp(&b.0.common));
        let Some((agreement, lines)) = best else {
            continue;
        };
        if agreement.common > CORRELATION_MIN * agreement.own {
            for channel in &mut *channels {
                let [first, last] = lines.profiles(channel, cloth);
                for (k, v) in channel.iter_mut().enumerate() {
                    let line = lines.of(k);
                    *v -= 0.5 * (first[line] + last[line]);
                }
            }
        }
    }
}

/// Parallel lines over a grid.
struct Lines {
    width: usize,
    height: usize,
    across: [f64; 2],
    first: f64,
    count: usize,
}

/// How alike the profiles of both ends are.
struct Agreement {
    /// Their covariance.
    common: f64,
    /// The geometric mean of their variances.
    own: f64,
}

impl Lines {
    /// Lines that run upright at 0 degrees.
    fn new(turn_deg: f64, grid: &Grid) -> Self {
        let (sin, cos) = turn_deg.to_radians().sin_cos();
        let (w, h) = (grid.width as f64, grid.height as f64);
        let corners = [0.0, w * cos, h * sin, w * cos + h * sin];
        let first = corners.into_iter().fold(f64::INFINITY, f64::min);
        let last = corners.into_iter().fold(f64::NEG_INFINITY, f64::max);
        Self {
            width: grid.width,
            height: grid.height,
            across: [cos, sin],
            first,
            count: (last - first) as usize + 2,
        }
    }

    /// The line that a sample lies on.
    fn of(&self, k: usize) -> usize {
        let (i, j) = ((k % self.width) as f64, (k / self.width) as f64);
        (self.across[0] * i + self.across[1] * j - self.first).round() as usize
    }

    /// Which end of the cloth a sample lies at, if either.
    fn end(&self, k: usize) -> Option<usize> {
        let upright = self.across[0].abs() > self.across[1].abs();
        let (at, length) = if upright {
            (k / self.width, self.height)
        } else {
            (k % self.width, self.width)
        };
        let share = (at as f64 + 0.5) / length as f64;
        if share < END {
            Some(0)
        } else {
            (share > 1.0 - END).then_some(1)
        }
    }

    /// Means along the lines at both ends, the ends' own means taken off; 0 where little is seen.
    fn profiles(&self, channel: &[f32], cloth: &[f32]) -> [Vec<f32>; 2] {
        let mut sums = [(); 2].map(|()| vec![(0.0f32, 0.0f32); self.count]);
        for k in (0..cloth.len()).filter(|&k| cloth[k] > 0.0) {
            if let Some(end) = self.end(k) {
                let (sum, count) = &mut sums[end][self.of(k)];
                *sum += channel[k];
                *count += 1.0;
            }
        }
        sums.map(|sums| {
            let enough = || sums.iter().filter(|(_, n)| *n >= SAMPLES_MIN);
            let mean = enough().map(|(s, n)| s / n).sum::<f32>() / enough().count().max(1) as f32;
            let line = |&(s, n): &(f32, f32)| if n < SAMPLES_MIN { 0.0 } else { s / n - mean };
            sums.iter().map(line).collect()
        })
    }

    fn agreement(&self, channels: &[Vec<f32>; 3], cloth: &[f32]) -> Agreement {
        let mut sums = [0.0f64; 3];
        for channel in channels {
            let [first, last] = self.profiles(channel, cloth);
            for (a, b) in first.into_iter().zip(last) {
                let (a, b) = (f64::from(a), f64::from(b));
                sums.iter_mut()
                    .zip([a * b, a * a, b * b])
                    .for_each(|(s, p)| *s += p);
            }
        }
        Agreement {
            common: sums[0],
            own: (sums[1] * sums[2]).sqrt(),
        }
    }
}
