//! Grey planes at halving sizes, sampled in photo coordinates.

use image::RgbImage;
use rayon::prelude::*;

/// Pixels made grey at a time.
const PART: usize = 1 << 16;

/// Parts of a grey level, of which there are 0 to 255.
pub(crate) const PARTS: f32 = 256.0;

/// A grey plane whose samples cover `2^level` photo pixels a side.
#[derive(Clone, Debug)]
pub(crate) struct Plane {
    pub(crate) width: usize,
    pub(crate) height: usize,
    /// Grey row by row, in parts of a level ([`PARTS`]): half the memory of single precision.
    pub(crate) grey: Vec<u16>,
    /// Photo pixels a side of one sample.
    pub(crate) step_px: f64,
}

impl Plane {
    /// Luma of an sRGB photo (Rec. ITU-R BT.601 weights, as in JPEG: the channel that is not
    /// subsampled).
    pub(crate) fn luma(rgb: &RgbImage) -> Self {
        let mut grey = vec![0u16; rgb.width() as usize * rgb.height() as usize];
        let pixels = rgb.as_raw().as_chunks::<3>().0;
        grey.par_chunks_mut(PART)
            .zip(pixels.par_chunks(PART))
            .for_each(|(grey, pixels)| {
                for (grey, &[r, g, b]) in grey.iter_mut().zip(pixels) {
                    *grey = 77 * u16::from(r) + 150 * u16::from(g) + 29 * u16::from(b);
                }
            });
        Self {
            width: rgb.width() as usize,
            height: rgb.height() as usize,
            grey,
            step_px: 1.0,
        }
    }

    /// Half the size: means of 2 × 2 samples, so that photo coordinates stay exact.
    pub(crate) fn halved(&self) -> Self {
        let (width, height) = (self.width / 2, self.height / 2);
        let mut grey = vec![0u16; width * height];
        grey.par_chunks_exact_mut(width)
            .zip(self.grey.par_chunks_exact(2 * self.width))
            .for_each(|(row, two)| {
                let (upper, lower) = two.split_at(self.width);
                let pairs = upper.chunks_exact(2).zip(lower.chunks_exact(2));
                for (mean, (a, b)) in row.iter_mut().zip(pairs) {
                    let sum = [a[0], a[1], b[0], b[1]].map(u32::from).iter().sum::<u32>();
                    *mean = ((sum + 2) / 4) as u16;
                }
            });
        Self {
            width,
            height,
            grey,
            step_px: 2.0 * self.step_px,
        }
    }

    /// The photo's luma and its reductions, down to `min_side` samples.
    pub(crate) fn pyramid(rgb: &RgbImage, min_side: usize) -> Vec<Self> {
        let mut levels = vec![Self::luma(rgb)];
        while let Some(last) = levels.last() {
            if last.width.min(last.height) / 2 < min_side {
                break;
            }
            let next = last.halved();
            levels.push(next);
        }
        levels
    }

    /// Grey at a photo point, bilinear; `None` outside.
    pub(crate) fn bilinear(&self, x_px: f64, y_px: f64) -> Option<f32> {
        let (x, y) = (x_px / self.step_px - 0.5, y_px / self.step_px - 0.5);
        if !(x >= 0.0 && y >= 0.0 && x < (self.width - 1) as f64 && y < (self.height - 1) as f64) {
            return None;
        }
        let (i, j) = (x as usize, y as usize);
        let (fx, fy) = ((x - i as f64) as f32, (y - j as f64) as f32);
        let at = j * self.width + i;
        between(&self.grey[at..], self.width, fx, fy)
    }

    /// Calls `each` with the number of every point of a line and the grey there, bilinear: `count`
    /// points from `start` on, `step` apart, in photo pixels. Those outside are left out.
    pub(crate) fn along(
        &self,
        start: (f64, f64),
        step: (f64, f64),
        count: usize,
        mut each: impl FnMut(usize, f32),
    ) {
        let first = (start.0 / self.step_px - 0.5, start.1 / self.step_px - 0.5);
        let by = (step.0 / self.step_px, step.1 / self.step_px);
        let across = inside(first.0, by.0, count, self.width);
        let down = inside(first.1, by.1, count, self.height);
        for k in across.start.max(down.start)..across.end.min(down.end) {
            let (x, y) = (first.0 + k as f64 * by.0, first.1 + k as f64 * by.1);
            let (i, j) = (x as usize, y as usize);
            let (fx, fy) = ((x - i as f64) as f32, (y - j as f64) as f32);
            let grey = &self.grey[j * self.width + i..];
            if let Some(grey) = between(grey, self.width, fx, fy) {
                each(k, grey);
            }
        }
    }

    /// Grey at a photo point by cubic convolution (Keys 1981, a = −1/2), which keeps the place of
    /// thin lines far better than the bilinear mean does; `None` outside.
    pub(crate) fn cubic(&self, x_px: f64, y_px: f64) -> Option<f32> {
        let (x, y) = (x_px / self.step_px - 0.5, y_px / self.step_px - 0.5);
        if !(x >= 1.0 && y >= 1.0 && x < (self.width - 2) as f64 && y < (self.height - 2) as f64) {
            return None;
        }
        let (i, j) = (x as usize, y as usize);
        let wx = keys_weights((x - i as f64) as f32);
        let wy = keys_weights((y - j as f64) as f32);
        let corner = (j - 1) * self.width + i - 1;
        let mut columns = [0.0f32; 4];
        for (r, w) in wy.iter().enumerate() {
            let row: &[u16; 4] = self.grey[corner + r * self.width..].first_chunk()?;
            for (sum, &grey) in columns.iter_mut().zip(row) {
                *sum += w * f32::from(grey);
            }
        }
        let sum = wx.iter().zip(&columns).map(|(w, c)| w * c).sum::<f32>();
        Some(sum / PARTS)
    }
}

/// Grey between the first sample, the next, and those of the row below, if there are such.
#[inline]
fn between(grey: &[u16], width: usize, fx: f32, fy: f32) -> Option<f32> {
    let upper: &[u16; 2] = grey.first_chunk()?;
    let lower: &[u16; 2] = grey.get(width..)?.first_chunk()?;
    let [a, b, c, d] = [upper[0], upper[1], lower[0], lower[1]].map(f32::from);
    let (above, below) = (a + fx * (b - a), c + fx * (d - c));
    Some((above + fy * (below - above)) / PARTS)
}

/// The numbers k below `count` for which `first` + k `by` has a sample on either side.
fn inside(first: f64, by: f64, count: usize, side: usize) -> std::ops::Range<usize> {
    let last = (side - 1) as f64;
    let within = |k: f64| {
        let x = first + k * by;
        x >= 0.0 && x < last
    };
    let (mut from, mut to) = (0.0, count as f64);
    if by != 0.0 {
        let ends = [-first / by, (last - first) / by];
        from = ends[0].min(ends[1]).ceil().clamp(0.0, to);
        to = ends[0].max(ends[1]).ceil().clamp(from, to);
    }
    // Rounding may have put either end just outside.
    while from < to && !within(from) {
        from += 1.0;
    }
    while to > from && !within(to - 1.0) {
        to -= 1.0;
    }
    from as usize..to as usize
}

fn keys_weights(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [
        0.5 * (-t3 + 2.0 * t2 - t),
        0.5 * (3.0 * t3 - 5.0 * t2 + 2.0),
        0.5 * (-3.0 * t3 + 4.0 * t2 + t),
        0.5 * (t3 - t2),
    ]
}

/// The plane in which one pitch takes between `fewest` and twice as many samples, as far as there
/// is one.
pub(crate) fn plane_for(planes: &[Plane], pitch_px: f64, fewest: f64) -> &Plane {
    let fits = |p: &&Plane| pitch_px / p.step_px >= fewest;
    planes.iter().rev().find(fits).unwrap_or(&planes[0])
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// A square plane of photo pixels, painted grey level by grey level.
    pub(crate) fn plane(side: usize, grey: impl Fn(f64, f64) -> f64) -> Plane {
        let grey = (0..side * side)
            .map(|i| f64::from(PARTS) * grey((i % side) as f64, (i / side) as f64))
            .map(|parts| parts.round() as u16)
            .collect();
        Plane {
            width: side,
            height: side,
            grey,
            step_px: 1.0,
        }
    }

    #[test]
    fn points_along_a_line_are_those_sampled_one_by_one() {
        let (width, height) = (37, 29);
        let grey = (0..width * height)
            .map(|i| ((i * 7919) % 251 * 256) as u16)
            .collect();
        let plane = Plane {
            width,
            height,
            grey,
            step_px: 2.0,
        };
        let steps = [
            (0.7, 0.4),
            (-1.3, 0.2),
            (0.0, 1.0),
            (2.0, 0.0),
            (0.01, -3.0),
        ];
        for (n, step) in steps.into_iter().enumerate() {
            for start in [
                (1.13, 1.31),
                (-20.37, 10.11),
                (72.97, 56.93),
                (30.71, 70.29),
                (40.43, 20.67),
            ] {
                let mut found = vec![None; 200];
                plane.along(start, step, 200, |k, grey| found[k] = Some(grey));
                for (k, found) in found.into_iter().enumerate() {
                    let k = k as f64;
                    let one = plane.bilinear(start.0 + k * step.0, start.1 + k * step.1);
                    let same = match (found, one) {
                        (Some(a), Some(b)) => (a - b).abs() < 1e-2,
                        (a, b) => a == b,
                    };
                    assert!(same, "{n} from {start:?}, {k}: {found:?}, not {one:?}");
                }
            }
        }
    }
}
