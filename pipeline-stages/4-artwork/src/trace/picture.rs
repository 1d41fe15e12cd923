//! A picture as shares of material, pixel by pixel.

use std::io::Cursor;

use image::{DynamicImage, ImageDecoder, ImageReader, RgbaImage};

use crate::Error;

/// Longest side times the other; an emblem scanned at 1200 dpi has 20 megapixels.
const MOST_PIXELS: u64 = 60_000_000;
const SMALLEST_SIDE_PX: u32 = 16;
/// Noise above this share of the contrast (1 standard deviation) is smoothed.
const CLEAN: f64 = 0.004;
/// Standard deviation of the smoothing, in pixels.
const SMOOTHING_PX: f64 = 0.6;
/// Colours nearer to the background than this, of 255 levels, are its own unevenness.
const FAINTEST: f32 = 24.0;
/// Shares of the largest distance: a pixel whose neighbours differ by less is no edge; a colour
/// below is the background's unevenness.
const FLAT: f32 = 0.1;
const PALEST: f32 = 0.2;
/// Pixels round the picture that count as background: a shape that runs out of it is closed there.
const BORDER: usize = 2;

/// Share of material in each pixel, with a border of background.
pub(super) struct Picture {
    /// Size of the picture without the border.
    pub(super) width: u32,
    pub(super) height: u32,
    /// Whether parts of it differ in colour.
    pub(super) several_colours: bool,
    /// Row by row, border included.
    share: Vec<f32>,
    stride: usize,
}

impl Picture {
    pub(super) fn from_rgba(image: &RgbaImage) -> Self {
        let (width, height) = image.dimensions();
        let distance = distance_from_background(image);
        let level = material_level(&distance, width as usize);
        let stride = width as usize + 2 * BORDER;
        let mut share = vec![0.0f32; stride * (height as usize + 2 * BORDER)];
        if let Some(level) = level {
            for (y, row) in distance.chunks(width as usize).enumerate() {
                let start = (y + BORDER) * stride + BORDER;
                for (x, d) in row.iter().enumerate() {
                    // Darker than the level is no more than full.
                    share[start + x] = (d / level.distance).min(1.0);
                }
            }
        }
        let noise = noise(&share, stride);
        if noise > CLEAN {
            share = smoothed(&share, stride);
        }
        let several_colours = level.is_some_and(|l| l.several_colours);
        Self {
            width,
            height,
            several_colours,
            share,
            stride,
        }
    }

    /// Columns and rows with the border.
    pub(super) fn size(&self) -> (usize, usize) {
        (self.stride, self.share.len() / self.stride)
    }

    pub(super) fn share(&self, x: usize, y: usize) -> f64 {
        f64::from(self.share[y * self.stride + x])
    }

    /// Picture coordinates of the middle of a pixel, border counted.
    pub(super) fn middle(x: f64, y: f64) -> kurbo::Point {
        kurbo::Point::new(x + 0.5 - BORDER as f64, y + 0.5 - BORDER as f64)
    }
}

pub(super) fn decode(bytes: &[u8], file: &str) -> Result<RgbaImage, Error> {
    if bytes.is_empty() {
        return Err(Error::Empty {
            file: file.to_owned(),
        });
    }
    let unreadable = |e: &dyn std::fmt::Display| Error::Drawing {
        file: file.to_owned(),
        seen: format!("not a readable PNG or JPEG picture: {e}"),
    };
    let reader = ImageReader::new(Cursor::new(bytes)).with_guessed_format();
    let reader = reader.map_err(|e| unreadable(&e))?;
    let mut decoder = reader.into_decoder().map_err(|e| unreadable(&e))?;
    let (width, height) = decoder.dimensions();
    if u64::from(width) * u64::from(height) > MOST_PIXELS {
        return Err(Error::TooComplex {
            file: file.to_owned(),
            seen: format!("{width} x {height} pixels"),
            limit: MOST_PIXELS as usize,
        });
    }
    if width.min(height) < SMALLEST_SIDE_PX {
        return Err(Error::Drawing {
            file: file.to_owned(),
            seen: format!("the picture has only {width} x {height} pixels"),
        });
    }
    let orientation = decoder.orientation().map_err(|e| unreadable(&e))?;
    let mut image = DynamicImage::from_decoder(decoder).map_err(|e| unreadable(&e))?;
    image.apply_orientation(orientation);
    Ok(image.into_rgba8())
}

/// How far each pixel's colour, laid on the background, lies from it.
fn distance_from_background(image: &RgbaImage) -> Vec<f32> {
    let background = border_colour(image);
    let transparent = background[3] < 128.0;
    image
        .pixels()
        .map(|p| {
            let alpha = f32::from(p.0[3]) / 255.0;
            if transparent {
                return alpha * 255.0;
            }
            let squares = (0..3).map(|c| (alpha * (f32::from(p.0[c]) - background[c])).powi(2));
            squares.sum::<f32>().sqrt()
        })
        .collect()
}

/// The background's colour as it looks on white paper.
pub(super) fn background(image: &RgbaImage) -> [f32; 3] {
    let [r, g, b, alpha] = border_colour(image);
    let paper = 255.0 - alpha;
    [r, g, b].map(|v| v * alpha / 255.0 + paper)
}

/// Median of every channel along the picture's edge.
fn border_colour(image: &RgbaImage) -> [f32; 4] {
    let (w, h) = image.dimensions();
    let across = (0..w).flat_map(|x| [(x, 0), (x, h - 1)]);
    let down = (0..h).flat_map(|y| [(0, y), (w - 1, y)]);
    let edge: Vec<[u8; 4]> = across
        .chain(down)
        .map(|(x, y)| image.get_pixel(x, y).0)
        .collect();
    [0, 1, 2, 3].map(|channel| {
        let mut values: Vec<u8> = edge.iter().map(|p| p[channel]).collect();
        values.sort_unstable();
        f32::from(values[values.len() / 2])
    })
}

/// The distance of full material from the background: the middle one where the picture has one
/// colour, else that of the palest, so that no pale part is lost. `None` where nothing stands out.
fn material_level(distance: &[f32], width: usize) -> Option<Level> {
    let most = distance.iter().copied().fold(0.0f32, f32::max);
    if most < FAINTEST {
        return None;
    }
    let mut full: Vec<f32> = flat_pixels(distance, width, FLAT * most)
        .filter(|d| *d > PALEST * most)
        .collect();
    if full.is_empty() {
        // Nothing but lines as thin as a pixel.
        full.push(most);
    }
    full.sort_unstable_by(f32::total_cmp);
    let at = |share: f64| full[((full.len() - 1) as f64 * share) as usize];
    let (pale, middle, dark) = (at(0.02), at(0.5), at(0.98));
    let one = pale > 0.8 * dark;
    Some(Level {
        distance: if one { middle } else { pale },
        several_colours: !one,
    })
}

#[derive(Clone, Copy)]
struct Level {
    distance: f32,
    several_colours: bool,
}

/// Values of pixels whose neighbours differ by less than `within`: edges are left out.
fn flat_pixels(values: &[f32], width: usize, within: f32) -> impl Iterator<Item = f32> {
    let height = values.len() / width;
    let inner = (1..height - 1).flat_map(move |y| (1..width - 1).map(move |x| y * width + x));
    inner.filter_map(move |i| {
        let near = [i - width - 1, i - width + 1, i + width - 1, i + width + 1];
        near.iter()
            .all(|&j| (values[j] - values[i]).abs() < within)
            .then_some(values[i])
    })
}

/// Standard deviation of the noise, from second differences where nothing happens: their median
/// absolute value is 0.6745·√6 of it for a normal distribution. Pixels without any difference
/// (painted, or burnt out) say nothing.
fn noise(share: &[f32], stride: usize) -> f64 {
    let mut differences: Vec<f32> = share
        .chunks(stride)
        .flat_map(|row| row.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs()))
        .filter(|d| *d > 0.0 && *d < 0.5)
        .collect();
    if differences.len() < share.len() / 20 {
        return 0.0;
    }
    differences.sort_unstable_by(f32::total_cmp);
    f64::from(differences[differences.len() / 2]) / (0.6745 * 6f64.sqrt())
}

/// Separable Gaussian.
fn smoothed(share: &[f32], stride: usize) -> Vec<f32> {
    const REACH: usize = 2;
    let weight = |k: usize| (-0.5 * (k as f64 / SMOOTHING_PX).powi(2)).exp();
    let sum = weight(0) + 2.0 * (1..=REACH).map(weight).sum::<f64>();
    let weights: Vec<f32> = (0..=REACH).map(|k| (weight(k) / sum) as f32).collect();
    let blur = |values: &[f32], step: usize| -> Vec<f32> {
        (0..values.len())
            .map(|i| {
                let at = |j: Option<usize>| j.and_then(|j| values.get(j)).copied().unwrap_or(0.0);
                let pairs = (1..=REACH).map(|k| {
                    weights[k] * (at(i.checked_sub(k * step)) + at(i.checked_add(k * step)))
                });
                weights[0] * values[i] + pairs.sum::<f32>()
            })
            .collect()
    };
    blur(&blur(share, 1), stride)
}
