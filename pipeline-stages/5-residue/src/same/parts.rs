//! The map between the two photos' cloth from small parts of it, matched one by one.

use measures::{Map, Mm, Point, SameCloth, Vector};

use super::sampled;
use super::warp::{self, Pair};
use crate::lines::Texture;

/// Sides of parts, and how far they stand apart, in mm: small ones follow the cloth closely,
/// large ones are found again where it shows little.
pub(super) const PARTS_MM: [(f64, f64); 2] = [(16.0, 10.0), (28.0, 14.0)];
/// Share of a part that must be cloth in both photos.
const CLOTH_MIN: f64 = 0.6;
/// How far two parts must be more alike than chance has it, in standard deviations.
const ALIKE_MIN_SIGMAS: f64 = 2.5;
/// How far from the emblem's edge parts are matched, round by round, and how far they are moved
/// about, in mm: what one photo's tilt is off adds up with the distance.
const ROUNDS_MM: [(f64, f64); 4] = [(25.0, 0.8), (60.0, 0.8), (200.0, 0.8), (200.0, 0.6)];

/// The map, through parts of one size; `None` when too few are found again.
pub(super) fn refined(
    [first, second]: [&Texture; 2],
    rough: &Map<Mm, Mm>,
    emblem: kurbo::Rect,
    (part_mm, apart_mm): (f64, f64),
) -> Option<SameCloth> {
    let about: Point<Mm> = emblem.center().into();
    let repeats = (part_mm / apart_mm).powi(2);
    let pitch_mm = first.grid.pitch_mm;
    let parts = Parts {
        first,
        second,
        half: (0.5 * part_mm / pitch_mm) as usize,
        step: (apart_mm / pitch_mm).round().max(1.0) as usize,
    };
    let mut map = *rough;
    let mut last = None;
    for (beyond_mm, window_mm) in ROUNDS_MM {
        let near = emblem.inflate(beyond_mm, beyond_mm);
        last = warp::through(&parts.pairs(&map, near, window_mm), rough, about, repeats);
        if let Some(warp) = &last {
            map = warp.map;
        }
    }
    last.map(|warp| SameCloth {
        before_to_after: warp.map,
        u_place_mm: warp.u_place_mm,
        u_turn_deg: warp.u_turn_rad.to_degrees(),
    })
}

/// Parts of one size, in samples of the first photo.
struct Parts<'a> {
    first: &'a Texture,
    second: &'a Texture,
    half: usize,
    step: usize,
}

impl Parts<'_> {
    fn pairs(&self, map: &Map<Mm, Mm>, near: kurbo::Rect, window_mm: f64) -> Vec<Pair> {
        let (grid, half) = (&self.first.grid, self.half);
        let places = |n: usize| (half..n.saturating_sub(half)).step_by(self.step);
        let mut found = Vec::new();
        for j in places(grid.height) {
            for i in places(grid.width) {
                if near.contains(grid.place(i as f64, j as f64)) {
                    found.extend(self.matched(map, [i, j], window_mm));
                }
            }
        }
        found
    }

    /// Moves a part about until it is most alike.
    fn matched(&self, map: &Map<Mm, Mm>, [i, j]: [usize; 2], window_mm: f64) -> Option<Pair> {
        let Self {
            first,
            second,
            half,
            ..
        } = *self;
        let grid = &first.grid;
        let pitch = grid.pitch_mm;
        let reach = (window_mm / pitch).ceil() as isize + 1;
        let side = 2 * reach as usize + 1;
        let spots: Vec<(Point<Mm>, f32)> = (j - half..j + half)
            .flat_map(|y| (i - half..i + half).map(move |x| (x, y)))
            .filter(|(x, y)| first.weight[y * grid.width + x] > 0.0)
            .map(|(x, y)| {
                (
                    grid.place(x as f64, y as f64),
                    first.channels[0][y * grid.width + x],
                )
            })
            .collect();
        let least = CLOTH_MIN * (4 * half * half) as f64;
        if (spots.len() as f64) < least {
            return None;
        }
        // The second photo's part with room around it, on the first one's grid.
        let wide = 2 * half + 2 * reach as usize;
        let corner = grid.place(
            (i - half) as f64 - reach as f64,
            (j - half) as f64 - reach as f64,
        );
        let other: Vec<(f32, f32)> = (0..wide * wide)
            .map(|k| {
                let p = corner + Vector::new((k % wide) as f64 * pitch, (k / wide) as f64 * pitch);
                sampled(second, map.apply(p))
            })
            .collect();
        let columns: Vec<(usize, f32)> = spots
            .iter()
            .map(|(p, v)| {
                let x = ((p.x - corner.x) / pitch).round() as usize - reach as usize;
                let y = ((p.y - corner.y) / pitch).round() as usize - reach as usize;
                (y * wide + x, *v)
            })
            .collect();
        let mut alike = vec![0.0f64; side * side];
        for (k, out) in alike.iter_mut().enumerate() {
            let from = (k / side) * wide + k % side;
            let (mut ab, mut aa, mut bb, mut n) = (0.0f64, 0.0f64, 0.0f64, 0.0f64);
            for &(at, a) in &columns {
                let (b, w) = other[at + from];
                if w > 0.99 {
                    ab += f64::from(a * b);
                    aa += f64::from(a * a);
                    bb += f64::from(b * b);
                    n += 1.0;
                }
            }
            if n > least {
                *out = ab / (aa * bb).sqrt().max(1e-9);
            }
        }
        let best = (0..side * side)
            .filter(|k| (1..side - 1).contains(&(k % side)) && (1..side - 1).contains(&(k / side)))
            .max_by(|&a, &b| alike[a].total_cmp(&alike[b]))?;
        // As many independent values as finest changes fit in.
        let cells = spots.len() as f64 * (pitch / first.finest_mm).powi(2);
        if alike[best] < ALIKE_MIN_SIGMAS / cells.sqrt() {
            return None;
        }
        let summit = |step: usize| {
            let (low, mid, high) = (alike[best - step], alike[best], alike[best + step]);
            let bend = low + high - 2.0 * mid;
            (bend < 0.0 && low > 0.0 && high > 0.0).then(|| 0.5 * (low - high) / bend)
        };
        let dx = (best % side) as f64 - reach as f64 + summit(1)?;
        let dy = (best / side) as f64 - reach as f64 + summit(side)?;
        let before = grid.place(i as f64 - 0.5, j as f64 - 0.5);
        Some(Pair {
            before,
            after: map.apply(before + Vector::new(dx * pitch, dy * pitch)),
            alike: alike[best],
        })
    }
}
