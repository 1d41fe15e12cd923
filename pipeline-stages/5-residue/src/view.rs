//! A part of the cloth in the one colour direction that shows the residue best, patterns held
//! down: what pictures and outlines are made from.

use kurbo::PathEl;
use measures::spectrum::{Fft2, NoiseSpectrum};
use measures::{Grid, Mm, Outline, Point, ResidueField};
use nalgebra::{Matrix3, Vector3};

use crate::flatten::box_blurred;
use crate::region::{self, Region};

/// The part of the cloth to look at.
#[derive(Clone, Copy, Debug)]
pub struct Focus<'a> {
    /// Its upper left corner.
    pub low: Point<Mm>,
    /// Its lower right corner.
    pub high: Point<Mm>,
    /// Where the residue should be, if artwork was fitted.
    pub expected: Option<&'a Outline<Mm>>,
}

/// Tiles of the noise spectrum, in samples.
const NOISE_TILE: usize = 96;
/// Most samples along a side.
const SAMPLES_MAX: f64 = 700.0;
/// Width of the boxes, three in a row, that blur the finest texture away.
const BLUR_MM: f64 = 0.5;

/// A part of the cloth in the colour direction that shows the residue best, patterns held down;
/// the residue is positive.
#[derive(Clone, Debug)]
pub struct View<'a> {
    pub(crate) grid: Grid,
    pub(crate) value: Vec<f32>,
    pub(crate) cloth: Vec<f32>,
    pub(crate) expected: Option<&'a Outline<Mm>>,
    /// Where the residue is, if no artwork tells and any stands out.
    pub(crate) region: Option<Region>,
}

impl<'a> View<'a> {
    /// `None` when the part lies outside the field.
    pub fn new(field: &ResidueField, focus: &Focus<'a>) -> Option<Self> {
        let side = (focus.high.x - focus.low.x).max(focus.high.y - focus.low.y);
        let mut smaller: Option<ResidueField> = None;
        while side / smaller.as_ref().unwrap_or(field).grid.pitch_mm > SAMPLES_MAX {
            smaller = Some(smaller.as_ref().unwrap_or(field).halved());
        }
        let field = smaller.as_ref().unwrap_or(field);
        let part = Part::new(&field.grid, focus)?;
        let cloth = part.cut(&field.cloth);
        let fft = Fft2::new(part.grid.width, part.grid.height);
        let radius = (0.5 * BLUR_MM / part.grid.pitch_mm).round() as usize;
        let (w, h) = (part.grid.width, part.grid.height);
        let calm = |c: usize| {
            let noise = NoiseSpectrum::estimate_sparsely(
                &field.channels[c],
                &field.cloth,
                field.grid.width,
                field.grid.height,
                NOISE_TILE,
            )
            .unwrap_or_else(NoiseSpectrum::white);
            let calm = fft.filter(
                &part.cut(&field.channels[c]),
                &noise.pattern_suppression(w, h),
            );
            (0..3).fold(calm, |plane, _| box_blurred(&plane, w, h, radius))
        };
        let (first, (second, third)) =
            rayon::join(|| calm(0), || rayon::join(|| calm(1), || calm(2)));
        let mut channels = [first, second, third];
        let region = match focus.expected {
            Some(_) => None,
            None => region::find(field),
        };
        if let Some(region) = &region {
            region.give_halo_back(&mut channels, &part.grid);
        }
        let inside = match (focus.expected, &region) {
            (Some(outline), _) => Some(filled(outline, &part.grid)),
            (None, Some(region)) => Some(region.on(&part.grid)),
            (None, None) => None,
        };
        let direction = match inside {
            Some(inside) => telling_direction(&channels, &cloth, &inside),
            None => [1.0, 0.0, 0.0],
        };
        let value = (0..w * h)
            .map(|k| (0..3).map(|c| direction[c] * channels[c][k]).sum::<f32>() * cloth[k])
            .collect();
        Some(Self {
            grid: part.grid,
            value,
            cloth,
            expected: focus.expected,
            region,
        })
    }

    /// Standard deviation of the cloth's values, from their median absolute deviation.
    pub(crate) fn spread(&self) -> f32 {
        let mut sizes: Vec<f32> = self
            .value
            .iter()
            .zip(&self.cloth)
            .filter(|(_, c)| **c > 0.0)
            .map(|(v, _)| v.abs())
            .collect();
        if sizes.is_empty() {
            return 1.0;
        }
        let middle = sizes.len() / 2;
        // 0.6745: the normal distribution's third quartile.
        (*sizes.select_nth_unstable_by(middle, f32::total_cmp).1 / 0.674_5).max(1e-6)
    }
}

/// A rectangle of a grid.
struct Part {
    grid: Grid,
    column: usize,
    row: usize,
    whole_width: usize,
}

impl Part {
    fn new(whole: &Grid, focus: &Focus<'_>) -> Option<Self> {
        let (u0, v0) = whole.index(focus.low);
        let (u1, v1) = whole.index(focus.high);
        let span = |from: f64, to: f64, n: usize| {
            let first = from.floor().clamp(0.0, n as f64) as usize;
            let last = to.ceil().clamp(0.0, n as f64) as usize;
            let asked = last.saturating_sub(first);
            if asked < 16 {
                return None;
            }
            // A little more, if there is more, transforms faster; even lengths transform at all.
            let more = Fft2::fast_length(asked);
            Some(if more <= n {
                (first.min(n - more), more)
            } else {
                (first, asked & !1)
            })
        };
        let (column, width) = span(u0, u1, whole.width)?;
        let (row, height) = span(v0, v1, whole.height)?;
        let grid = whole.part([column, row], width, height);
        Some(Self {
            grid,
            column,
            row,
            whole_width: whole.width,
        })
    }

    fn cut(&self, plane: &[f32]) -> Vec<f32> {
        (0..self.grid.height)
            .flat_map(|j| {
                let k = (self.row + j) * self.whole_width + self.column;
                plane[k..k + self.grid.width].iter().copied()
            })
            .collect()
    }
}

/// Fisher's linear discriminant between inside and outside.
fn telling_direction(channels: &[Vec<f32>; 3], cloth: &[f32], inside: &[bool]) -> [f32; 3] {
    let mut sums = [Vector3::<f64>::zeros(); 2];
    let mut counts = [0.0f64; 2];
    let mut squares = Matrix3::<f64>::zeros();
    for k in (0..cloth.len()).filter(|&k| cloth[k] > 0.0) {
        let v = Vector3::from_fn(|c, _| f64::from(channels[c][k]));
        let side = usize::from(inside[k]);
        sums[side] += v;
        counts[side] += 1.0;
        squares += v * v.transpose();
    }
    let means = [0, 1].map(|s| sums[s] / counts[s].max(1.0));
    let total = (counts[0] + counts[1]).max(1.0);
    let within = squares / total
        - (0..2)
            .map(|s| means[s] * means[s].transpose() * (counts[s] / total))
            .sum::<Matrix3<f64>>();
    let ridge = Matrix3::identity() * (1e-3 * within.trace().max(1e-9));
    let direction = (within + ridge)
        .try_inverse()
        .unwrap_or_else(Matrix3::identity)
        * (means[1] - means[0]);
    unit(direction)
}

fn unit(v: Vector3<f64>) -> [f32; 3] {
    let length = v.norm();
    if length > 0.0 {
        [0, 1, 2].map(|c| (v[c] / length) as f32)
    } else {
        [1.0, 0.0, 0.0]
    }
}

/// Which samples lie inside an outline.
pub(crate) fn filled(outline: &Outline<Mm>, grid: &Grid) -> Vec<bool> {
    let mut polygons: Vec<Vec<(f64, f64)>> = Vec::new();
    kurbo::flatten(outline.to_path(), 0.1 * grid.pitch_mm, |el| match el {
        PathEl::MoveTo(p) => polygons.push(vec![grid.index(p.into())]),
        PathEl::LineTo(p) => {
            if let Some(polygon) = polygons.last_mut() {
                polygon.push(grid.index(p.into()));
            }
        }
        _ => {}
    });
    let mut inside = vec![false; grid.len()];
    for (j, row) in inside.chunks_exact_mut(grid.width).enumerate() {
        let y = j as f64;
        let mut cuts: Vec<f64> = Vec::new();
        for polygon in &polygons {
            for (a, b) in polygon.iter().zip(polygon.iter().cycle().skip(1)) {
                if (a.1 > y) != (b.1 > y) {
                    cuts.push(a.0 + (y - a.1) / (b.1 - a.1) * (b.0 - a.0));
                }
            }
        }
        cuts.sort_by(f64::total_cmp);
        for pair in cuts.chunks_exact(2) {
            let from = pair[0].ceil().clamp(0.0, grid.width as f64) as usize;
            let to = (pair[1].floor() + 1.0).clamp(0.0, grid.width as f64) as usize;
            row.iter_mut().take(to).skip(from).for_each(|v| *v = true);
        }
    }
    inside
}
