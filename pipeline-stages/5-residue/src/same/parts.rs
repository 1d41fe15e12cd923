//! The map between the two photos' cloth from small parts of it, matched one by one.

use measures::{Map, Mm, Point, SameCloth, Vector};

use super::sampled;
use crate::lines::Texture;

/// Side of a part, and how far parts stand apart.
const PART_MM: f64 = 16.0;
const APART_MM: f64 = 10.0;
/// Share of a part that must be cloth in both photos.
const CLOTH_MIN: f64 = 0.6;
/// Parts less alike than this (correlation coefficient) are passed over.
const ALIKE_MIN: f64 = 0.15;
/// Fewer parts do not make a map.
const PARTS_MIN: usize = 8;
/// Rounds, and how far parts are moved in each, in finest changes.
const WINDOWS: [f64; 3] = [0.7, 0.5, 0.5];
/// Parts that lie so many times farther off than usual are left out.
const OUTLIER: f64 = 3.0;

/// `None` when too few parts are found again.
pub(super) fn refined(
    first: &Texture,
    second: &Texture,
    rough: &Map<Mm, Mm>,
    about: Point<Mm>,
) -> Option<SameCloth> {
    let mut map = *rough;
    let mut last = None;
    for window in WINDOWS {
        let pairs = pairs(first, second, &map, window * first.finest_mm);
        let fitted = fit(&pairs)?;
        map = fitted.map;
        last = Some(fitted);
    }
    let Fitted {
        map,
        scatter_mm,
        kept,
    } = last?;
    let n = kept.len() as f64;
    let middle = kept
        .iter()
        .fold(Vector::new(0.0, 0.0), |m, p| m + (*p - about) * (1.0 / n));
    let squares: f64 = kept
        .iter()
        .map(|p| {
            let d = (*p - about) - middle;
            d.dot(d)
        })
        .sum();
    let u_turn = scatter_mm / squares.max(1.0).sqrt();
    Some(SameCloth {
        before_to_after: map,
        u_place_mm: (scatter_mm / n.sqrt()).hypot(u_turn * middle.length()),
        u_turn_deg: u_turn.to_degrees(),
    })
}

/// A part's place in both photos, and how alike they are.
struct Pair {
    before: Point<Mm>,
    after: Point<Mm>,
    alike: f64,
}

fn pairs(first: &Texture, second: &Texture, map: &Map<Mm, Mm>, window_mm: f64) -> Vec<Pair> {
    let grid = &first.grid;
    let step = (APART_MM / grid.pitch_mm).round().max(1.0) as usize;
    let half = (0.5 * PART_MM / grid.pitch_mm) as usize;
    let mut found = Vec::new();
    for j in (half..grid.height.saturating_sub(half)).step_by(step) {
        for i in (half..grid.width.saturating_sub(half)).step_by(step) {
            found.extend(matched(first, second, map, [i, j], half, window_mm));
        }
    }
    found
}

/// Moves a part about until it is most alike.
fn matched(
    first: &Texture,
    second: &Texture,
    map: &Map<Mm, Mm>,
    [i, j]: [usize; 2],
    half: usize,
    window_mm: f64,
) -> Option<Pair> {
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
    if alike[best] < ALIKE_MIN {
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

/// A map through pairs, how far they lie off it, and the places used.
struct Fitted {
    map: Map<Mm, Mm>,
    scatter_mm: f64,
    kept: Vec<Point<Mm>>,
}

/// The similarity that carries one set of places to the other with least squares (Umeyama, IEEE
/// PAMI 13(4), 1991, in two dimensions in closed form), places far off it left out.
fn fit(pairs: &[Pair]) -> Option<Fitted> {
    let mut used: Vec<&Pair> = pairs.iter().collect();
    for _ in 0..4 {
        if used.len() < PARTS_MIN {
            return None;
        }
        let map = similarity(&used)?;
        let off = |p: &Pair| map.apply(p.before).distance(p.after);
        let mut sorted: Vec<f64> = used.iter().map(|p| off(p)).collect();
        sorted.sort_by(f64::total_cmp);
        let limit = OUTLIER * sorted[sorted.len() / 2].max(0.01);
        used.retain(|p| off(p) <= limit);
    }
    if used.len() < PARTS_MIN {
        return None;
    }
    let map = similarity(&used)?;
    let squares: f64 = used
        .iter()
        .map(|p| map.apply(p.before).distance(p.after).powi(2))
        .sum();
    Some(Fitted {
        map,
        // Two coordinates a pair.
        scatter_mm: (0.5 * squares / used.len() as f64).sqrt(),
        kept: used.iter().map(|p| p.before).collect(),
    })
}

fn similarity(pairs: &[&Pair]) -> Option<Map<Mm, Mm>> {
    let total: f64 = pairs.iter().map(|p| p.alike).sum();
    let mean = |place: fn(&Pair) -> Point<Mm>| {
        pairs.iter().fold(Vector::<Mm>::new(0.0, 0.0), |m, p| {
            let at = place(p);
            m + Vector::new(at.x, at.y) * (p.alike / total)
        })
    };
    let (from, to) = (mean(|p| p.before), mean(|p| p.after));
    let (mut dot, mut cross, mut own) = (0.0, 0.0, 0.0);
    for p in pairs {
        let a = Vector::new(p.before.x - from.x, p.before.y - from.y);
        let b: Vector<Mm> = Vector::new(p.after.x - to.x, p.after.y - to.y);
        dot += p.alike * a.dot(b);
        cross += p.alike * a.cross(b);
        own += p.alike * a.dot(a);
    }
    if own <= 0.0 {
        return None;
    }
    let (scale, turn) = (dot.hypot(cross) / own, cross.atan2(dot));
    let origin: Map<Mm, Mm> = Map::similarity(1.0, 0.0, -from);
    Some(origin.then(&Map::similarity(scale, turn, to)))
}
