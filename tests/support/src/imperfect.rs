//! Rulers as wrong as a budget of uncertainty says they are.

use measures::{Point, Px};

use crate::random::Rng;
use crate::ruler::RulerKind;
use crate::scene::{PlacedRuler, Scene};

/// Standard deviations of what is wrong with a ruler.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RulerErrors {
    /// The length between the outermost divisions in the picture.
    pub length_mm: f64,
    /// The thickness, where the job gives it.
    pub thickness_mm: f64,
}

impl Scene {
    /// The same scene with every ruler's divisions too far apart or too near, and its thickness
    /// other than the job says, by normally distributed errors. A bound is true when such errors
    /// stay within it as often as it says. Scales of blocks stay as they are: only their one divided
    /// block has divisions.
    #[must_use]
    pub fn with_ruler_errors(mut self, errors: RulerErrors) -> Self {
        let mut rng = Rng::of_family(self.seed ^ 0x0065_7272_6f72, &self.family);
        let given = self.thickness_given_mm.is_some();
        for i in 0..self.rulers.len() {
            if matches!(
                self.rulers[i].ruler.kind,
                RulerKind::Blocks | RulerKind::Boxes
            ) {
                continue;
            }
            let Some([from, to]) = self.seen_along_mm(&self.rulers[i]) else {
                continue;
            };
            let percent = 100.0 * errors.length_mm * rng.normal() / (to - from).max(1.0);
            let ruler = &mut self.rulers[i].ruler;
            *ruler = ruler.clone().misprinted(percent);
            if given {
                let off = errors.thickness_mm * rng.normal();
                ruler.thickness_mm = (ruler.thickness_mm + off).max(0.05);
            }
        }
        self
    }

    /// Where along a ruler its first row's divisions enter and leave the picture, from its left
    /// end; `None` when none of them is in it.
    pub fn seen_along_mm(&self, placed: &PlacedRuler) -> Option<[f64; 2]> {
        let row = placed.ruler.rows.first()?;
        let face = self.view().face_to_photo(placed);
        let (w, h) = (f64::from(self.width_px), f64::from(self.height_px));
        let in_picture = |s: &f64| {
            let p: Point<Px> = face.apply(Point::new(*s, 0.0));
            (0.0..w).contains(&p.x) && (0.0..h).contains(&p.y)
        };
        let mut seen = (0..row.count)
            .map(|i| row.start_mm + i as f64 * row.pitch_mm)
            .filter(in_picture);
        let first = seen.next()?;
        Some([first, seen.next_back().unwrap_or(first)])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Family;

    #[test]
    fn errors_have_their_standard_deviations() {
        const PLANTED: RulerErrors = RulerErrors {
            length_mm: 0.1,
            thickness_mm: 0.02,
        };
        let (mut length, mut thickness, mut n) = (0.0, 0.0, 0.0);
        for seed in 1..=200 {
            let perfect = Scene::random(seed, &Family::CLEAN);
            let wrong = perfect.clone().with_ruler_errors(PLANTED);
            let (before, after) = (&perfect.rulers[0], &wrong.rulers[0]);
            let seen = perfect.seen_along_mm(before).unwrap();
            let longer = after.ruler.rows[0].pitch_mm / before.ruler.rows[0].pitch_mm - 1.0;
            length += (longer * (seen[1] - seen[0])).powi(2);
            thickness += (after.ruler.thickness_mm - before.ruler.thickness_mm).powi(2);
            n += 1.0;
        }
        // A variance of 200 normal values is off by 10 % (standard deviation).
        let ratio = |squares: f64, sigma: f64| squares / n / (sigma * sigma);
        assert!((ratio(length, PLANTED.length_mm) - 1.0).abs() < 0.3);
        assert!((ratio(thickness, PLANTED.thickness_mm) - 1.0).abs() < 0.3);
    }
}
