//! What has gone besides a hole.

use super::Presence;
use crate::structure::connected;

/// The patches that have gone, and the two largest of them.
pub(super) struct Elsewhere {
    patch_of: Vec<usize>,
    largest: [(usize, f64); 2],
}

impl Elsewhere {
    pub(super) fn of(seen: &Presence) -> Self {
        let patches = connected(seen.width, seen.height, &|k| seen.gone[k]);
        let mut patch_of = vec![usize::MAX; seen.gone.len()];
        let mut largest = [(usize::MAX, 0.0); 2];
        for (i, patch) in patches.iter().enumerate() {
            for &k in patch {
                patch_of[k] = i;
            }
            let area = patch.len() as f64 * seen.pitch_mm * seen.pitch_mm;
            if area > largest[0].1 {
                largest = [(i, area), largest[0]];
            } else if area > largest[1].1 {
                largest[1] = (i, area);
            }
        }
        Self { patch_of, largest }
    }

    /// Area of the largest patch but the one that `k` is in; specks count as one.
    pub(super) fn largest_mm2(&self, k: usize) -> f64 {
        const SPECK_MM2: f64 = 1.0;
        let [first, second] = self.largest;
        let other = if first.0 == self.patch_of[k] {
            second
        } else {
            first
        };
        other.1.max(SPECK_MM2)
    }
}
