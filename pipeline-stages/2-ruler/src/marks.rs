//! Locates the marks of a row one by one, to a fraction of a pixel.
//!
//! The mean profile of all marks, made symmetric, is fitted to each of them in several thin bands
//! across the row (least-squares matching, Grün 1985). Being symmetric it finds the centre of
//! double-edged and blurred marks; being one for all, it cannot shift one band against another.

use rayon::prelude::*;

use crate::grid::{self, Grid, GridFit, Spot, median, robust_deviation};
use crate::plane::{Plane, plane_for};
use crate::row::{Axis, Row};
use crate::slips;
use crate::template::{PROFILE, Template, flattened, offset};

const MAX_BANDS: usize = 6;
/// Share of the band that is used: its ends belong to the row's edges.
const USED_BAND: f64 = 0.8;
/// A mark must have a contrast between these shares of the usual one …
const MIN_CONTRAST: f64 = 0.35;
const MAX_CONTRAST: f64 = 3.0;
/// … and look like the others: remaining grey differences against its contrast.
const MAX_MISFIT: f64 = 0.6;
const MAX_SHIFT_PITCHES: f64 = 0.25;
/// Ticks stand far more evenly than stitches: robust standard deviation in pitches.
pub(crate) const MAX_UNEVENNESS: f64 = 0.06;

/// A band of one mark, fitted.
#[derive(Clone, Copy, Debug)]
struct Match {
    index: i32,
    band: usize,
    t: f64,
    v: f64,
    contrast: f64,
    misfit: f64,
    shift_pitches: f64,
    slope: f64,
}

/// All marks of a row, located.
#[derive(Clone, Debug)]
pub(crate) struct Marks {
    pub(crate) axis: Axis,
    pub(crate) half_band_px: f64,
    pub(crate) dark: bool,
    pub(crate) template: Template,
    pub(crate) fit: GridFit,
    /// Located points, in no order.
    pub(crate) spots: Vec<Spot>,
    /// First and last located mark.
    pub(crate) range: (i32, i32),
    /// Usual contrast, in grey levels.
    pub(crate) contrast: f64,
    /// Robust standard deviation of a mark from the middle of its neighbours, in pitches.
    pub(crate) unevenness: f64,
}

impl Marks {
    pub(crate) fn grid(&self) -> &Grid {
        &self.fit.grid
    }

    /// How far every second mark lies from where its neighbours would have it, in pitches.
    pub(crate) fn alternation(&self) -> f64 {
        let mean_of = |odd: i32| {
            let mut off: Vec<f64> = self
                .spots
                .iter()
                .filter(|s| s.index.rem_euclid(2) == odd)
                .map(|s| self.grid().residual(s) / self.grid().pitch(f64::from(s.index)))
                .collect();
            median(&mut off)
        };
        mean_of(1) - mean_of(0)
    }

    /// Indices of the located marks, in order.
    pub(crate) fn indices(&self) -> Vec<i32> {
        let mut found: Vec<i32> = self.spots.iter().map(|s| s.index).collect();
        found.sort_unstable();
        found.dedup();
        found
    }
}

/// Locates the marks of `row`, and further ones beyond its ends: quickly, with few samples, to
/// see whether it is worth more.
pub(crate) fn locate(planes: &[Plane], row: &Row) -> Option<Marks> {
    let bench = Bench::new(
        planes,
        row.axis,
        row.half_band_px,
        row.dark,
        row.pitch_at(0.0),
    )
    .quick();
    let mut range = (
        row.count_at(row.range.0).ceil() as i32,
        row.count_at(row.range.1).floor() as i32,
    );
    let grid = bench.first_glance(grid_of(row)?, range)?;
    let template = bench.template(&grid, range)?;
    let mut fit = bench.fit(&grid, range, &template)?;
    if fit.unevenness() > MAX_UNEVENNESS {
        return None;
    }
    let template = bench.template(&fit.fit.grid, range)?;
    let mut matches = bench.matches(&fit.fit.grid, range, &template);
    if are_flanks(&matches) {
        return None;
    }
    fit = bench.fit_matches(&matches)?;
    range = fit.located_range()?;
    for direction in [-1, 1] {
        while let Some(longer) = bench.extended(&mut matches, &fit, range, direction, &template) {
            (fit, range) = longer;
        }
    }
    let sound = slips::sound_range(&fit.spots, &fit.fit.grid)?;
    if sound != range {
        matches.retain(|m| (sound.0..=sound.1).contains(&m.index));
        fit = bench.fit_matches(&matches)?;
    }
    fit.into_marks(&bench, template)
}

impl Marks {
    /// The same marks, located with every sample there is.
    pub(crate) fn refined(&self, planes: &[Plane]) -> Option<Marks> {
        let pitch = self.grid().pitch(self.grid().middle);
        let bench = Bench::new(planes, self.axis, self.half_band_px, self.dark, pitch);
        let mut template = bench.template(self.grid(), self.range)?;
        let mut fit = bench.fit(self.grid(), self.range, &template)?;
        template = bench.template(&fit.fit.grid, self.range)?;
        fit = bench.fit(&fit.fit.grid, self.range, &template)?;
        fit.into_marks(&bench, template)
    }
}

/// Long marks are used up to this share of their length: digits stand at their ends.
const USED_LENGTH: f64 = 0.85;
/// Beyond the common band neighbours are digits and dirt: marks must look cleaner there.
const MAX_FAR_MISFIT: f64 = 0.3;

impl Marks {
    /// Adds points on the long marks beyond the band that all share: far apart across the ruler,
    /// they show its tilt best. `tips` gives each mark's index and its inner end.
    pub(crate) fn with_long_marks(mut self, planes: &[Plane], tips: &[(i32, f64)]) -> Marks {
        let pitch = self.grid().pitch(self.grid().middle);
        let bench = Bench::new(planes, self.axis, self.half_band_px, self.dark, pitch);
        let mut usual: Vec<f64> = self.spots.iter().map(|s| s.sigma).collect();
        let sigma = median(&mut usual);
        let least = (4.0 * bench.plane.step_px).max(0.5 * pitch);
        let mut far: Vec<Spot> = Vec::new();
        for &(index, tip) in tips {
            let from = 1.2 * self.half_band_px;
            let length = USED_LENGTH * tip.abs() - from;
            if length < least || !self.spots.iter().any(|s| s.index == index) {
                continue;
            }
            let parts = if length > 2.0 * least { 2 } else { 1 };
            let height = length / f64::from(parts);
            far.extend((0..parts).filter_map(|part| {
                let v = tip.signum() * (from + height * (f64::from(part) + 0.5));
                self.far_spot(&bench, index, v, height, sigma)
            }));
        }
        let off: Vec<f64> = far
            .iter()
            .map(|s| self.grid().residual(s) / s.sigma)
            .collect();
        let scatter = robust_deviation(&off).max(1.0);
        for (mut spot, off) in far.into_iter().zip(off) {
            if off.abs() < 3.5 * scatter {
                spot.sigma *= scatter;
                self.spots.push(spot);
            }
        }
        self
    }

    fn far_spot(&self, bench: &Bench, index: i32, v: f64, height: f64, sigma: f64) -> Option<Spot> {
        let (grid, i) = (self.grid(), f64::from(index));
        let profile = bench.profile_at(grid, index, v, height)?;
        let fitted = self.template.fit(&profile)?;
        let (relative, shift) = (fitted.contrast / self.contrast, fitted.shift_pitches);
        let clean = fitted.misfit < MAX_FAR_MISFIT
            && (0.5..2.0).contains(&relative)
            && shift.abs() < MAX_SHIFT_PITCHES;
        clean.then(|| Spot {
            index,
            t: grid.place(i) + grid.lean_at(i) * v + shift * grid.pitch(i),
            v,
            sigma: sigma / relative.min(1.5),
        })
    }
}

/// Whether the marks are the flanks of marks twice as far apart: brightness then falls across one
/// and rises across the next.
fn are_flanks(matches: &[Match]) -> bool {
    const MAX_SLOPE: f64 = 0.5;
    let usual = |odd: i32| {
        let of_parity = matches.iter().filter(|m| m.index.rem_euclid(2) == odd);
        median(&mut of_parity.map(|m| m.slope).collect::<Vec<f64>>())
    };
    (usual(1) - usual(0)).abs() > 2.0 * MAX_SLOPE
}

/// Robust standard deviation of the marks from where they were expected, beside what they share,
/// in pitches. By chance they would lie anywhere.
fn scatter<'a>(matches: impl Iterator<Item = &'a Match>) -> f64 {
    let mut shifts: Vec<f64> = matches.map(|m| m.shift_pitches).collect();
    let shared = median(&mut shifts);
    robust_deviation(&shifts.iter().map(|s| s - shared).collect::<Vec<f64>>())
}

/// A projective grid that agrees with the row's parabola.
fn grid_of(row: &Row) -> Option<Grid> {
    let (from, to) = (row.count_at(row.range.0), row.count_at(row.range.1));
    let spots: Vec<Spot> = (0..=20)
        .map(|k| from + (to - from) * f64::from(k) / 20.0)
        .map(f64::round)
        .map(|i| (i, row.place_of(i)))
        .flat_map(|(i, t)| {
            [-1.0, 1.0].map(|v| Spot {
                index: i as i32,
                t: t + v * row.lean_at(t),
                v,
                sigma: 1.0,
            })
        })
        .collect();
    let freedom = grid::Freedom {
        projective: true,
        fan: true,
    };
    Some(grid::fit(&spots, freedom)?.grid)
}

struct Bench<'a> {
    plane: &'a Plane,
    axis: Axis,
    half_band_px: f64,
    sign: f64,
    bands: usize,
    rows_per_band: usize,
}

struct BenchFit {
    fit: GridFit,
    spots: Vec<Spot>,
    contrast: f64,
}

impl BenchFit {
    fn located_range(&self) -> Option<(i32, i32)> {
        let indices = self.spots.iter().map(|s| s.index);
        Some((indices.clone().min()?, indices.max()?))
    }

    fn into_marks(self, bench: &Bench, template: Template) -> Option<Marks> {
        Some(Marks {
            axis: bench.axis,
            half_band_px: bench.half_band_px,
            dark: bench.sign < 0.0,
            template,
            unevenness: self.unevenness(),
            range: self.located_range()?,
            contrast: self.contrast,
            spots: self.spots,
            fit: self.fit,
        })
    }

    /// Robust standard deviation of a mark from the middle of its neighbours, in pitches: what a
    /// bent ruler or a bending lens leaves in the grid does not count.
    fn unevenness(&self) -> f64 {
        let of_mark = slips::residuals_of_marks(&self.spots, &self.fit.grid);
        let bends: Vec<f64> = of_mark
            .windows(3)
            .filter(|w| w[2].0 - w[0].0 == 2)
            .map(|w| w[1].1 - 0.5 * (w[0].1 + w[2].1))
            .collect();
        // The difference from a mean of two has 1.5 times the variance of one.
        if bends.len() < 5 {
            f64::INFINITY
        } else {
            robust_deviation(&bends) / 1.5f64.sqrt()
        }
    }
}

impl<'a> Bench<'a> {
    fn new(planes: &'a [Plane], axis: Axis, half_band_px: f64, dark: bool, pitch_px: f64) -> Self {
        let plane = plane_for(planes, pitch_px, 22.0);
        let rows = (2.0 * USED_BAND * half_band_px / plane.step_px)
            .round()
            .max(1.0) as usize;
        let bands = (rows / 3).clamp(1, MAX_BANDS);
        let sign = if dark { -1.0 } else { 1.0 };
        let rows_per_band = (rows / bands).clamp(1, 24);
        Self {
            plane,
            axis,
            half_band_px,
            sign,
            bands,
            rows_per_band,
        }
    }

    /// The same with few samples.
    fn quick(self) -> Self {
        Self {
            bands: self.bands.min(2),
            rows_per_band: self.rows_per_band.min(5),
            ..self
        }
    }

    fn band_height(&self) -> f64 {
        2.0 * USED_BAND * self.half_band_px / self.bands as f64
    }

    fn band_middle(&self, band: usize) -> f64 {
        -USED_BAND * self.half_band_px + (band as f64 + 0.5) * self.band_height()
    }

    /// Mean profile of one mark in one band, bright marks up; `None` when it leaves the photo.
    fn profile(&self, grid: &Grid, index: i32, band: usize) -> Option<Vec<f64>> {
        self.profile_at(grid, index, self.band_middle(band), self.band_height())
    }

    /// The same over any stretch of the mark.
    fn profile_at(&self, grid: &Grid, index: i32, middle: f64, height: f64) -> Option<Vec<f64>> {
        let i = f64::from(index);
        let (t, pitch, lean) = (grid.place(i), grid.pitch(i), grid.lean_at(i));
        let mut sums = vec![0.0; PROFILE];
        for r in 0..self.rows_per_band {
            let v = middle + height * ((r as f64 + 0.5) / self.rows_per_band as f64 - 0.5);
            for (k, sum) in sums.iter_mut().enumerate() {
                let (x, y) = self.axis.at(t + offset(k) * pitch + lean * v, v);
                *sum += f64::from(self.plane.cubic(x, y)?);
            }
        }
        let scale = self.sign / self.rows_per_band as f64;
        for sum in &mut sums {
            *sum *= scale;
        }
        Some(sums)
    }

    fn template(&self, grid: &Grid, range: (i32, i32)) -> Option<Template> {
        // Enough marks for a good mean; more only cost time.
        let stride = ((range.1 - range.0) / 60).max(1) as usize;
        let indices: Vec<i32> = (range.0..=range.1).step_by(stride).collect();
        let profiles: Vec<Vec<f64>> = indices
            .into_par_iter()
            .flat_map_iter(|i| (0..self.bands).filter_map(move |b| self.profile(grid, i, b)))
            .map(flattened)
            .collect();
        Template::of(&profiles)
    }

    fn matches(&self, grid: &Grid, range: (i32, i32), template: &Template) -> Vec<Match> {
        (range.0..=range.1)
            .into_par_iter()
            .flat_map_iter(|i| (0..self.bands).map(move |b| (i, b)))
            .filter_map(|(index, band)| {
                let profile = self.profile(grid, index, band)?;
                let fitted = template.fit(&profile)?;
                let i = f64::from(index);
                let v = self.band_middle(band);
                let shift = fitted.shift_pitches * grid.pitch(i);
                Some(Match {
                    index,
                    band,
                    t: grid.place(i) + grid.lean_at(i) * v + shift,
                    v,
                    contrast: fitted.contrast,
                    misfit: fitted.misfit,
                    shift_pitches: fitted.shift_pitches,
                    slope: fitted.slope,
                })
            })
            .collect()
    }

    /// Locates the marks of `range` near `grid` and fits the grid to them.
    fn fit(&self, grid: &Grid, range: (i32, i32), template: &Template) -> Option<BenchFit> {
        self.fit_matches(&self.matches(grid, range, template))
    }

    /// A first glance at a part of the row, to drop most of the false candidates early. Returns the
    /// grid, a better one where the pitch was a little wrong, so that only marks near the middle
    /// were met.
    fn first_glance(&self, grid: Grid, range: (i32, i32)) -> Option<Grid> {
        const GLANCES: usize = 3;
        let middle = range.0.midpoint(range.1);
        let part = (range.0.max(middle - 20), range.1.min(middle + 20));
        let all = (part.1 - part.0 + 1) as usize * self.bands;
        let mut grid = grid;
        for _ in 0..GLANCES {
            let template = self.template(&grid, part)?;
            let fit = self.fit_matches(&self.matches(&grid, part, &template))?;
            let (met, unevenness) = (fit.spots.len(), fit.unevenness());
            if 2 * met > all {
                return (unevenness < 1.5 * MAX_UNEVENNESS).then_some(grid);
            }
            if 4 * met < all || unevenness > MAX_UNEVENNESS {
                return None;
            }
            grid = fit.fit.grid;
        }
        None
    }

    fn fit_matches(&self, all: &[Match]) -> Option<BenchFit> {
        let mut contrasts: Vec<f64> = all
            .iter()
            .filter(|m| m.misfit < MAX_MISFIT)
            .map(|m| m.contrast)
            .collect();
        let contrast = median(&mut contrasts);
        let mut spots: Vec<(usize, Spot)> = all
            .iter()
            .filter(|m| {
                m.contrast > MIN_CONTRAST * contrast
                    && m.contrast < MAX_CONTRAST * contrast
                    && m.misfit < MAX_MISFIT
                    && m.shift_pitches.abs() < MAX_SHIFT_PITCHES
            })
            .map(|m| {
                // Fainter marks are located less well, in proportion.
                let sigma = contrast / m.contrast.min(1.5 * contrast);
                (
                    m.band,
                    Spot {
                        index: m.index,
                        t: m.t,
                        v: m.v,
                        sigma,
                    },
                )
            })
            .collect();
        let rough: Vec<Spot> = spots.iter().map(|s| s.1).collect();
        let first = grid::fit_by_evidence_scaled(&rough)?;
        for band in 0..self.bands {
            let off: Vec<f64> = spots
                .iter()
                .filter(|s| s.0 == band)
                .map(|s| first.grid.residual(&s.1) / s.1.sigma)
                .collect();
            let scale = robust_deviation(&off).max(2e-3);
            spots
                .iter_mut()
                .filter(|s| s.0 == band)
                .for_each(|s| s.1.sigma *= scale);
        }
        let spots: Vec<Spot> = spots.into_iter().map(|s| s.1).collect();
        let fit = grid::fit_by_evidence(&spots)?;
        let spots = spots
            .into_iter()
            .filter(|s| fit.grid.residual(s).abs() < 4.5 * s.sigma.max(fit.spread * s.sigma))
            .collect();
        Some(BenchFit {
            fit,
            spots,
            contrast,
        })
    }

    /// Walks on beyond one end of the located marks, over a gap (glare, a thumb) if need be;
    /// `None` when there are no more.
    fn extended(
        &self,
        matches: &mut Vec<Match>,
        fit: &BenchFit,
        range: (i32, i32),
        direction: i32,
        template: &Template,
    ) -> Option<(BenchFit, (i32, i32))> {
        const STEP: i32 = 8;
        let good = |m: &&Match| {
            m.contrast > MIN_CONTRAST * fit.contrast
                && m.misfit < MAX_MISFIT
                && m.shift_pitches.abs() < 0.15
        };
        let widest_gap = ((range.1 - range.0) / 2).min(64);
        let new = (0..=widest_gap).step_by(STEP as usize).find_map(|gap| {
            let beyond = if direction < 0 {
                (range.0 - gap - STEP, range.0 - gap - 1)
            } else {
                (range.1 + gap + 1, range.1 + gap + STEP)
            };
            let new = self.matches(&fit.fit.grid, beyond, template);
            let mut reached: Vec<i32> = new.iter().filter(good).map(|m| m.index).collect();
            reached.dedup();
            // Beyond a gap the marks must be beyond doubt.
            let goes_on = if gap == 0 {
                reached.len() >= 3
            } else {
                reached.len() >= 6 && scatter(new.iter().filter(good)) < MAX_UNEVENNESS
            };
            goes_on.then_some(new)
        })?;
        matches.extend(new);
        let longer = self.fit_matches(matches)?;
        let found = longer.located_range()?;
        let gained = if direction < 0 {
            found.0 < range.0
        } else {
            found.1 > range.1
        };
        gained.then_some((longer, found))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn brightness_falls_and_rises_in_turn_across_flanks() {
        let matches = |slope: fn(i32) -> f64| -> Vec<Match> {
            (0..40)
                .map(|index| Match {
                    index,
                    band: 0,
                    t: 0.0,
                    v: 0.0,
                    contrast: 20.0,
                    misfit: 0.2,
                    shift_pitches: 0.0,
                    slope: slope(index),
                })
                .collect()
        };
        assert!(are_flanks(&matches(|i| if i % 2 == 0 {
            1.3
        } else {
            -1.3
        })));
        assert!(!are_flanks(&matches(|i| 0.4 + 0.01 * f64::from(i % 2))));
    }
}
