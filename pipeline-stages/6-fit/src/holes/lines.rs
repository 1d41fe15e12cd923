//! Thin lines without residue inside the emblem: an inline, an outline within a number. Wear leaves
//! patches; its cracks are short.

use super::presence::disc;
use super::{CLEARANCE_MM, Drawn, Presence};
use crate::structure::connected;

/// Pieces of a line shorter than this are cracks,
const PIECE_MIN_MM: f64 = 20.0;
/// and so are lines whose pieces are shorter together. Measured on painted scenes: 127 mm in a number
/// with an inline, 22 at most where residue is worn.
const LENGTH_MIN_MM: f64 = 40.0;
/// Half the width of the widest line, and how wide the fringe of a wider patch is.
pub(super) const NECK_MM: f64 = 0.6;
const FRINGE_MM: f64 = 0.3;

/// Lines too thin to have a `core`: samples about which everything has gone as far as [`NECK_MM`].
pub(super) fn drawn(seen: &Presence, core: &[bool]) -> Option<Drawn> {
    let about = disc((NECK_MM + FRINGE_MM) / seen.pitch_mm);
    let is_thin = |k: usize| {
        seen.gone[k]
            && f64::from(seen.depth[k]) > CLEARANCE_MM
            && !seen.around(k, &about).flatten().any(|n| core[n])
    };
    let mut pieces: Vec<(f64, Vec<usize>)> = connected(seen.width, seen.height, &is_thin)
        .into_iter()
        .map(|piece| (seen.extent_mm(&piece), piece))
        .filter(|(extent_mm, _)| *extent_mm >= PIECE_MIN_MM)
        .collect();
    pieces.sort_by(|a, b| b.0.total_cmp(&a.0));
    let length_mm: f64 = pieces.iter().map(|p| p.0).sum();
    let samples: usize = pieces.iter().map(|p| p.1.len()).sum();
    let longest = &pieces.first()?.1;
    (length_mm >= LENGTH_MIN_MM).then(|| Drawn {
        area_mm2: samples as f64 * seen.pitch_mm * seen.pitch_mm,
        sample: longest[longest.len() / 2],
    })
}

impl Presence {
    /// Diagonal of the box about samples.
    fn extent_mm(&self, samples: &[usize]) -> f64 {
        let span = |of: &dyn Fn(usize) -> usize| {
            let values = || samples.iter().map(|&k| of(k));
            (values().max().unwrap_or(0) - values().min().unwrap_or(0)) as f64
        };
        span(&|k| k % self.width).hypot(span(&|k| k / self.width)) * self.pitch_mm
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WIDTH: usize = 300;
    const PITCH_MM: f64 = 0.15;

    /// Deep inside an emblem, gone where `gone` says so, by the distance from the middle in mm.
    fn lines(gone: impl Fn(f64) -> bool) -> Option<Drawn> {
        let from_middle = |k: usize| {
            let [x, y] = [k % WIDTH, k / WIDTH].map(|v| v as f64 - 149.5);
            x.hypot(y) * PITCH_MM
        };
        let all = WIDTH * WIDTH;
        let seen = Presence {
            width: WIDTH,
            height: WIDTH,
            pitch_mm: PITCH_MM,
            finer: 1,
            gone: (0..all).map(|k| gone(from_middle(k))).collect(),
            share: vec![1.0; all],
            depth: vec![5.0; all],
            cloth: vec![1.0; all],
        };
        drawn(&seen, &seen.core(&disc(NECK_MM / PITCH_MM)))
    }

    #[test]
    fn a_thin_ring_is_a_line_and_a_broad_one_a_small_one_or_a_patch_is_none() {
        let thin = lines(|r| (19.7..20.3).contains(&r)).expect("a line");
        let area_mm2 = std::f64::consts::PI * (20.3 * 20.3 - 19.7 * 19.7);
        assert!((thin.area_mm2 / area_mm2 - 1.0).abs() < 0.05);
        assert_eq!(lines(|r| (18.0..20.0).contains(&r)), None);
        assert_eq!(lines(|r| (5.7..6.3).contains(&r)), None);
        assert_eq!(lines(|r| r < 20.0), None);
    }
}
