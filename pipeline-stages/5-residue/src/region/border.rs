//! How well a region's border is seen: what parts residue from cloth, piece by piece.

use super::Cloth;
use crate::flatten::box_blurred;

/// Across the border, cloth and residue are compared so far on either side of it.
const ACROSS_MM: f64 = 1.2;
/// A piece of border is seen where it stands out by so many standard deviations.
const SEEN_SIGMAS: f32 = 2.0;
/// And counts for no more than this, so that a single bold edge is no residue.
const SIGMAS_MAX: f32 = 6.0;

/// A piece of a region's border, one sample long.
#[derive(Clone, Copy)]
struct Piece {
    /// By how many standard deviations of the cloth residue and cloth differ across it.
    sigmas: f32,
    /// It is where the search ends, not the residue.
    at_rim: bool,
}

pub(super) struct Pieces {
    pieces: Vec<Option<Piece>>,
    pitch_mm: f64,
}

impl Pieces {
    pub(super) fn of(&self, part: &[usize]) -> Border {
        Border::of(part.iter().filter_map(|&k| self.pieces[k]), self.pitch_mm)
    }

    pub(super) fn whole(&self) -> Border {
        Border::of(self.pieces.iter().copied().flatten(), self.pitch_mm)
    }
}

/// What the pieces of a border say together.
pub(super) struct Border {
    /// How far it stands out beyond what counts as seen, along its length in mm.
    pub(super) evidence: f64,
    /// Share of it that is seen.
    pub(super) seen: f64,
    /// Share of it that is the rim of the part looked at.
    pub(super) at_rim: f64,
}

impl Border {
    fn of(pieces: impl Iterator<Item = Piece>, pitch_mm: f64) -> Self {
        let (mut count, mut seen, mut at_rim, mut evidence) = (0.0f64, 0.0, 0.0, 0.0);
        for piece in pieces {
            count += 1.0;
            at_rim += f64::from(u8::from(piece.at_rim));
            if piece.at_rim {
                evidence -= f64::from(SEEN_SIGMAS);
            } else {
                seen += f64::from(u8::from(piece.sigmas > SEEN_SIGMAS));
                evidence += f64::from(piece.sigmas.min(SIGMAS_MAX) - SEEN_SIGMAS);
            }
        }
        Self {
            evidence: evidence * pitch_mm,
            seen: seen / count.max(1.0),
            at_rim: at_rim / count.max(1.0),
        }
    }
}

impl Cloth {
    /// How every piece of a region's border is seen.
    pub(super) fn border(&self, inside: &[bool]) -> Option<Pieces> {
        let surface = self.contrast(inside)?.surface;
        let noise = self.unevenness(&surface, inside);
        let (w, h) = (self.grid.width, self.grid.height);
        let radius = ((0.5 / self.grid.pitch_mm).round() as usize).max(1);
        let mask: Vec<f32> = inside.iter().map(|&i| f32::from(i)).collect();
        let soft = (0..2).fold(mask, |p, _| box_blurred(&p, w, h, radius));
        let across = ACROSS_MM / self.grid.pitch_mm;
        let mut pieces = vec![None; inside.len()];
        for k in (w + 1..inside.len() - w - 1).filter(|&k| inside[k]) {
            let around = [k - 1, k + 1, k - w, k + w];
            if around.iter().all(|&n| inside[n]) {
                continue;
            }
            let slope = [soft[k + 1] - soft[k - 1], soft[k + w] - soft[k - w]].map(f64::from);
            let steep = slope[0].hypot(slope[1]).max(1e-6);
            let beside = |side: f64| {
                let step = side * across / steep;
                let i = (k % w) as f64 + step * slope[0];
                let j = (k / w) as f64 + step * slope[1];
                let i = i.round().clamp(0.0, (w - 1) as f64) as usize;
                let j = j.round().clamp(0.0, (h - 1) as f64) as usize;
                j * w + i
            };
            let (residue, cloth) = (beside(1.0), beside(-1.0));
            let shown = self.shown[residue] * self.shown[cloth];
            pieces[k] = Some(Piece {
                sigmas: shown * (surface[residue] - surface[cloth]) / noise,
                at_rim: around.iter().any(|&n| self.rim[n]),
            });
        }
        Some(Pieces {
            pieces,
            pitch_mm: self.grid.pitch_mm,
        })
    }

    /// Standard deviation of the difference between cloth and cloth as far apart as the two sides
    /// of the border are compared.
    fn unevenness(&self, surface: &[f32], inside: &[bool]) -> f32 {
        let w = self.grid.width;
        let apart = (2.0 * ACROSS_MM / self.grid.pitch_mm).round() as usize;
        let bare = |k: usize| self.near[k] && !inside[k];
        let mut squares = (0.0, 0usize);
        for k in 0..surface.len().saturating_sub(apart * w) {
            for n in [k + apart, k + apart * w] {
                if bare(k) && bare(n) {
                    squares.0 += f64::from(surface[n] - surface[k]).powi(2);
                    squares.1 += 1;
                }
            }
        }
        (squares.0 / squares.1.max(1) as f64).sqrt().max(1e-6) as f32
    }
}
