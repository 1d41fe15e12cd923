//! Where the residue lies when no artwork tells: the part of the cloth whose colour differs from
//! the cloth about it by one and the same amount, parted from it by a border that is seen.
//!
//! Region and colour are found in turn, as GrabCut does (Rother, Kolmogorov & Blake 2004): a region
//! tells how residue differs from cloth, and that tells where the residue is. The light was taken
//! off as a wide mean, residue included, so that a large residue stands in a halo of its own; the
//! region tells the halo, too, and it is given back, as in segmentation under uneven light (Li,
//! Kao, Gore & Ding 2008). From several beginnings, light and dark in each channel, the region is
//! kept whose border stands out most.

mod border;

use std::borrow::Cow;

use kurbo::Rect;
use measures::{Grid, ResidueField};
use nalgebra::{Matrix3, Vector3};

use crate::flatten::{bilinear, box_blurred};
use crate::stripes;

use border::Border;

/// Samples at least so far apart tell the region.
const PITCH_MM: f64 = 0.35;
/// Fewer of them along a side show nothing.
const SIDE_MIN: usize = 16;
/// Width of the boxes, two in a row, that make texture into area.
const BLUR_MM: f64 = 0.9;
/// A region begins with what stands out by so many standard deviations of the channel.
const BEGINNING_DEVIATIONS: f32 = 0.7;
/// Smaller parts are specks, and smaller openings wear.
const PART_MIN_MM2: f64 = 4.0;
/// Less than this is no residue.
const AREA_MIN_MM2: f64 = 25.0;
/// Cloth about the area looked in that the residue is compared with.
const AROUND_MM: f64 = 10.0;
/// Residue keeps off the photo's rim.
const RIM_MM: f64 = 2.0;
/// Rounds in which region and colour settle.
const ROUNDS: usize = 25;
/// A region is looked at again so far about its parts.
const REACH_MM: f64 = 3.0;
/// What has more of its border than this on the rim of the part looked at is cloth.
const AT_RIM_MAX: f64 = 0.1;
/// Parts so near, or nearer than this share of the whole's diagonal, belong together.
const GAP_MM: f64 = 6.0;
const GAP_SHARE: f64 = 0.25;
/// Tips and scraps narrower than this at the region's ends may have been longer or others.
const NARROW_MM: f64 = 2.0;
/// Residue without artwork.
#[derive(Clone, Debug)]
pub(crate) struct Region {
    grid: Grid,
    inside: Vec<bool>,
    /// How its channels differ from the cloth's.
    contrast: [f32; 3],
    /// What of itself was taken off with the light, as a share of that.
    halo: Vec<f32>,
    /// Share of the border that stands out of the cloth's unevenness.
    pub(crate) border_seen: f64,
    /// The next best region elsewhere, as a share of this one's evidence.
    pub(crate) rival_share: f64,
    /// How far it reaches left, up, right and down beyond its parts that are wider than
    /// `NARROW_MM`.
    pub(crate) loose_mm: [f64; 4],
}

impl Region {
    /// Whether the samples of another grid lie in it.
    pub(crate) fn on(&self, grid: &Grid) -> Vec<bool> {
        let mask: Vec<f32> = self.inside.iter().map(|&i| f32::from(i)).collect();
        self.sampled(&mask, grid).map(|m| m > 0.5).collect()
    }

    /// Undoes what taking off the light did to the residue and the cloth about it.
    pub(crate) fn give_halo_back(&self, channels: &mut [Vec<f32>; 3], grid: &Grid) {
        for (channel, contrast) in channels.iter_mut().zip(self.contrast) {
            let halo = self.sampled(&self.halo, grid);
            channel
                .iter_mut()
                .zip(halo)
                .for_each(|(v, h)| *v += contrast * h);
        }
    }

    fn sampled<'b>(&'b self, plane: &'b [f32], grid: &'b Grid) -> impl Iterator<Item = f32> + 'b {
        let (w, h) = (self.grid.width, self.grid.height);
        (0..grid.len()).map(move |k| {
            let place = grid.place((k % grid.width) as f64, (k / grid.width) as f64);
            let (u, v) = self.grid.index(place);
            let u = u.clamp(0.0, (w - 1) as f64) as f32;
            let v = v.clamp(0.0, (h - 1) as f64) as f32;
            bilinear(plane, w, h, u, v)
        })
    }
}

/// `None` when nothing stands out.
pub(crate) fn find(field: &ResidueField) -> Option<Region> {
    let cloth = Cloth::new(field)?;
    let mut found: Vec<Found> = cloth
        .beginnings()
        .into_iter()
        .filter_map(|inside| cloth.settled(inside))
        .collect();
    found.sort_by(|a, b| b.border.evidence.total_cmp(&a.border.evidence));
    let mut found = found.into_iter();
    let best = found.next().filter(|f| f.border.evidence > 0.0)?;
    let elsewhere = found.find(|other| other.is_elsewhere(&best));
    let rival = elsewhere
        .map_or(0.0, |f| f.border.evidence)
        .max(best.left_out);
    let contrast = cloth.contrast(&best.inside)?;
    Some(Region {
        contrast: contrast.channels,
        halo: contrast.halo,
        grid: cloth.grid,
        border_seen: best.border.seen,
        rival_share: rival / best.border.evidence,
        loose_mm: cloth.loose_mm(&best.inside),
        inside: best.inside,
    })
}

/// A region that has settled.
struct Found {
    inside: Vec<bool>,
    border: Border,
    /// Evidence of the strongest part that was left out since it lies far off.
    left_out: f64,
}

impl Found {
    /// Whether most of it is no part of another.
    fn is_elsewhere(&self, other: &Found) -> bool {
        let pairs = self.inside.iter().zip(&other.inside);
        let both = pairs.filter(|(a, b)| **a && **b).count();
        5 * both < self.inside.iter().filter(|i| **i).count()
    }
}

/// The cloth at the distance between samples at which regions are told.
struct Cloth {
    grid: Grid,
    /// All that the photo shows.
    whole: Rect,
    channels: [Vec<f32>; 3],
    /// 1 where a sample shows cloth.
    shown: Vec<f32>,
    /// Where there may be residue.
    allowed: Vec<bool>,
    /// Beyond the rim of the part looked at.
    rim: Vec<bool>,
    /// What it is compared with.
    near: Vec<bool>,
    light_radius: usize,
    light_weight: Vec<f32>,
}

/// How the residue of a region differs from cloth.
struct Contrast {
    channels: [f32; 3],
    halo: Vec<f32>,
    /// 0 on cloth, 1 on residue.
    surface: Vec<f32>,
}

impl Cloth {
    /// `None` when there is hardly any.
    fn new(field: &ResidueField) -> Option<Self> {
        let mut field = Cow::Borrowed(field);
        while field.grid.pitch_mm < PITCH_MM {
            field = Cow::Owned(field.halved());
        }
        let grid = field.grid;
        let (w, h) = (grid.width, grid.height);
        if w.min(h) < SIDE_MIN {
            return None;
        }
        let radius = ((0.5 * BLUR_MM / grid.pitch_mm).round() as usize).max(1);
        let blurred = |plane: &[f32], radius: usize, times: usize| {
            (0..times).fold(plane.to_vec(), |p, _| box_blurred(&p, w, h, radius))
        };
        let weight = blurred(&field.cloth, radius, 2);
        let mut channels = field.channels.each_ref().map(|channel| {
            let sums = blurred(channel, radius, 2).into_iter();
            sums.zip(&weight).map(|(s, w)| s / w.max(0.1)).collect()
        });
        stripes::take_off(&mut channels, &field.cloth, &grid);
        let is_cloth = |k: usize| field.cloth[k] > 0.0;
        let place = |i: usize, j: usize| kurbo::Point::from(grid.place(i as f64, j as f64));
        let place_of = |k: usize| place(k % w, k / w);
        let whole = Rect::from_points(place(0, 0), place(w, h));
        let looked_in = field
            .look_in
            .map_or(whole, |[a, b]| Rect::from_points(a, b));
        let around = looked_in.inflate(AROUND_MM, AROUND_MM);
        let inner = whole.inflate(-RIM_MM, -RIM_MM).intersect(looked_in);
        let rim: Vec<bool> = (0..w * h).map(|k| !inner.contains(place_of(k))).collect();
        let beside_rulers = (RIM_MM / grid.pitch_mm).round() as usize;
        let surrounded = box_blurred(&field.cloth, w, h, beside_rulers);
        let light_radius = ((field.light_spread_mm / grid.pitch_mm).round() as usize).max(1);
        Some(Self {
            allowed: (0..w * h)
                .map(|k| !rim[k] && surrounded[k] > 0.999)
                .collect(),
            rim,
            near: (0..w * h)
                .map(|k| is_cloth(k) && around.contains(place_of(k)))
                .collect(),
            light_weight: blurred(&field.cloth, light_radius, 3),
            light_radius,
            shown: field.cloth.clone(),
            channels,
            whole,
            grid,
        })
    }

    /// What is lighter and what is darker than the mean of each channel.
    fn beginnings(&self) -> Vec<Vec<bool>> {
        let (w, h) = (self.grid.width, self.grid.height);
        let radius = (BLUR_MM / self.grid.pitch_mm).round() as usize;
        let allowed: Vec<usize> = (0..w * h).filter(|&k| self.allowed[k]).collect();
        let count = allowed.len().max(1) as f32;
        let mut all = Vec::new();
        for channel in &self.channels {
            let broad = box_blurred(channel, w, h, radius);
            let mean = allowed.iter().map(|&k| broad[k]).sum::<f32>() / count;
            let off = |k: usize| broad[k] - mean;
            let square = allowed.iter().map(|&k| off(k).powi(2)).sum::<f32>();
            let level = BEGINNING_DEVIATIONS * (square / count).sqrt();
            for sign in [-1.0, 1.0] {
                let mut inside = vec![false; w * h];
                for &k in allowed.iter().filter(|&&k| sign * off(k) > level) {
                    inside[k] = true;
                }
                all.push(inside);
            }
        }
        all
    }

    /// Region and contrast in turn until the region stays; then once more about those of its parts
    /// that are the residue's.
    fn settled(&self, beginning: Vec<bool>) -> Option<Found> {
        let rough = self.alternated(beginning, &self.allowed)?;
        let (kept, left_out) = self.without_strays(&rough)?;
        let near = self.widened(&kept, REACH_MM);
        let allowed: Vec<bool> = near
            .iter()
            .zip(&self.allowed)
            .map(|(n, a)| *n && *a)
            .collect();
        let inside = self.alternated(kept, &allowed)?;
        let (inside, _) = self.without_strays(&inside)?;
        Some(Found {
            border: self.border(&inside)?.whole(),
            inside,
            left_out,
        })
    }

    fn alternated(&self, mut inside: Vec<bool>, allowed: &[bool]) -> Option<Vec<bool>> {
        for _ in 0..ROUNDS {
            let surface = self.contrast(&inside)?.surface;
            let next = (0..inside.len())
                .map(|k| allowed[k] && surface[k] > 0.5)
                .collect();
            let next = self.without_specks(next);
            let changed = next.iter().zip(&inside).filter(|(a, b)| a != b).count();
            let size = next.iter().filter(|i| **i).count();
            inside = next;
            if 500 * changed < size {
                break;
            }
        }
        let area = inside.iter().filter(|i| **i).count() as f64 * self.grid.pitch_mm.powi(2);
        (area > AREA_MIN_MM2).then_some(inside)
    }

    fn widened(&self, inside: &[bool], mm: f64) -> Vec<bool> {
        let mask: Vec<f32> = inside.iter().map(|&i| f32::from(i)).collect();
        let reach = (mm / self.grid.pitch_mm).ceil() as usize;
        let near = box_blurred(&mask, self.grid.width, self.grid.height, reach);
        near.iter().map(|&m| m > 1e-6).collect()
    }

    fn contrast(&self, inside: &[bool]) -> Option<Contrast> {
        let (w, h) = (self.grid.width, self.grid.height);
        let mask: Vec<f32> = inside.iter().map(|&i| f32::from(i)).collect();
        let halo: Vec<f32> = (0..3)
            .fold(mask.clone(), |p, _| {
                box_blurred(&p, w, h, self.light_radius)
            })
            .iter()
            .zip(&self.light_weight)
            .map(|(m, w)| m / w.max(1e-6))
            .collect();
        let near = || (0..w * h).filter(|&k| self.near[k]);
        let value = |k: usize| Vector3::from_fn(|c, _| f64::from(self.channels[c][k]));
        let step = |k: usize| f64::from(mask[k] - halo[k]);
        let squares: f64 = near().map(|k| step(k).powi(2)).sum();
        if squares < 1.0 {
            return None;
        }
        let contrast = near().map(|k| value(k) * step(k)).sum::<Vector3<f64>>() / squares;
        let count = near().count() as f64;
        let left = |k: usize| value(k) - contrast * step(k);
        let spread = near()
            .map(|k| left(k) * left(k).transpose())
            .sum::<Matrix3<f64>>()
            / count;
        let ridge = Matrix3::identity() * (1e-3 * spread.trace().max(1e-9));
        let direction = (spread + ridge).try_inverse()? * contrast;
        let square = direction.dot(&contrast);
        if square <= 0.0 {
            return None;
        }
        let surface = (0..w * h)
            .map(|k| (direction.dot(&value(k)) / square) as f32 + halo[k])
            .collect();
        Some(Contrast {
            channels: [0, 1, 2].map(|c| contrast[c] as f32),
            halo,
            surface,
        })
    }

    fn without_specks(&self, mut inside: Vec<bool>) -> Vec<bool> {
        let least = (PART_MIN_MM2 / self.grid.pitch_mm.powi(2)).ceil() as usize;
        for filled in [true, false] {
            for part in parts(&inside, self.grid.width, filled) {
                if part.len() < least {
                    for k in part {
                        inside[k] = !filled;
                    }
                }
            }
        }
        inside
    }

    /// The parts whose border is seen and that lie near one another, and the evidence of the
    /// strongest that does not; what keeps to the rim of the part looked at, or crosses the photo, is cloth.
    fn without_strays(&self, inside: &[bool]) -> Option<(Vec<bool>, f64)> {
        let border = self.border(inside)?;
        let mut left: Vec<(Vec<usize>, f64, Rect)> = parts(inside, self.grid.width, true)
            .into_iter()
            .filter_map(|part| {
                let of_part = border.of(&part);
                let about = self.box_about(&part);
                let is_cloth = of_part.at_rim > AT_RIM_MAX || self.is_crossed_by(about);
                (of_part.evidence > 0.0 && !is_cloth).then_some((part, of_part.evidence, about))
            })
            .collect();
        left.sort_by(|a, b| b.1.total_cmp(&a.1));
        let mut kept = vec![false; inside.len()];
        let mut about = left.first()?.2;
        let near = |about: Rect, other: Rect| {
            let gap = (GAP_SHARE * about.width().hypot(about.height())).max(GAP_MM);
            about.inflate(gap, gap).overlaps(other)
        };
        while let Some(next) = left.iter().position(|(_, _, other)| near(about, *other)) {
            let (part, _, other) = left.remove(next);
            for k in part {
                kept[k] = true;
            }
            about = about.union(other);
        }
        Some((kept, left.first().map_or(0.0, |(_, evidence, _)| *evidence)))
    }

    /// Whether a part reaches from one rim of the photo to the opposite one.
    fn is_crossed_by(&self, part: Rect) -> bool {
        let inner = self.whole.inflate(-2.0 * RIM_MM, -2.0 * RIM_MM);
        let level = part.x0 < inner.x0 && part.x1 > inner.x1;
        let upright = part.y0 < inner.y0 && part.y1 > inner.y1;
        level || upright
    }

    /// How far tips and scraps reach out of what is left where they are worn away.
    fn loose_mm(&self, inside: &[bool]) -> [f64; 4] {
        let inverse = |mask: &[bool]| mask.iter().map(|m| !m).collect::<Vec<bool>>();
        let worn = inverse(&self.widened(&inverse(inside), 0.5 * NARROW_MM));
        let wide = self.widened(&worn, 0.5 * NARROW_MM);
        let about = |mask: &[bool]| {
            let part: Vec<usize> = (0..mask.len()).filter(|&k| mask[k]).collect();
            self.box_about(&part)
        };
        let (all, wide) = (about(inside), about(&wide));
        if wide.area() == 0.0 {
            let [w, h] = [all.width(), all.height()];
            return [w, h, w, h];
        }
        [
            wide.x0 - all.x0,
            wide.y0 - all.y0,
            all.x1 - wide.x1,
            all.y1 - wide.y1,
        ]
    }

    fn box_about(&self, part: &[usize]) -> Rect {
        let places = part.iter().map(|&k| {
            let (i, j) = (k % self.grid.width, k / self.grid.width);
            let place = self.grid.place(i as f64, j as f64);
            Rect::new(place.x, place.y, place.x, place.y)
        });
        places.reduce(|a, b| a.union(b)).unwrap_or(Rect::ZERO)
    }
}

/// Connected parts of what is inside, or of what is not.
fn parts(inside: &[bool], w: usize, filled: bool) -> Vec<Vec<usize>> {
    let mut seen = vec![false; inside.len()];
    let mut all = Vec::new();
    for seed in 0..inside.len() {
        if inside[seed] != filled || seen[seed] {
            continue;
        }
        seen[seed] = true;
        let mut part = vec![seed];
        let mut next = 0;
        while let Some(&k) = part.get(next) {
            next += 1;
            let i = k % w;
            let around = [
                (i > 0).then(|| k - 1),
                (i + 1 < w).then_some(k + 1),
                k.checked_sub(w),
                (k + w < inside.len()).then_some(k + w),
            ];
            for n in around.into_iter().flatten() {
                if inside[n] == filled && !seen[n] {
                    seen[n] = true;
                    part.push(n);
                }
            }
        }
        all.push(part);
    }
    all
}

#[cfg(test)]
pub(crate) mod tests {
    use measures::Point;

    use super::*;

    /// Repeatable noise of about unit variance.
    fn noise(n: usize, seed: u64) -> Vec<f32> {
        let mut state = seed;
        let mut next = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (state >> 40) as f32 / (1u64 << 24) as f32
        };
        (0..n)
            .map(|_| (0..12).map(|_| next()).sum::<f32>() - 6.0)
            .collect()
    }

    /// Cloth of 120 mm by 100 mm whose first two channels show `seen` at each place, twice the
    /// texture's standard deviation, the light taken off.
    pub(crate) fn field(seen: impl Fn(f64, f64) -> f32) -> ResidueField {
        let grid = Grid {
            origin: Point::new(-60.0, -50.0),
            pitch_mm: 0.4,
            width: 300,
            height: 250,
        };
        let light_spread_mm = 15.0;
        let radius = (light_spread_mm / grid.pitch_mm) as usize;
        let blurred =
            |plane: &[f32]| (0..3).fold(plane.to_vec(), |p, _| box_blurred(&p, 300, 250, radius));
        let weight = blurred(&vec![1.0; grid.len()]);
        let channel = |share: f32, seed: u64| {
            let mut plane = noise(grid.len(), seed);
            for (k, v) in plane.iter_mut().enumerate() {
                let p = grid.place((k % 300) as f64, (k / 300) as f64);
                *v += 2.0 * share * seen(p.x, p.y);
            }
            let light = blurred(&plane);
            for ((v, l), w) in plane.iter_mut().zip(light).zip(&weight) {
                *v -= l / w;
            }
            plane
        };
        ResidueField {
            cloth: vec![1.0; grid.len()],
            channels: [channel(1.0, 1), channel(-0.5, 2), channel(0.0, 3)],
            grid,
            px_per_mm: 5.0,
            light_spread_mm,
            look_in: None,
        }
    }

    fn disc(x: f64, y: f64, radius: f64) -> impl Fn(f64, f64) -> f32 {
        move |u, v| f32::from((u - x).hypot(v - y) < radius)
    }

    fn area_mm2(region: &Region) -> f64 {
        region.inside.iter().filter(|i| **i).count() as f64 * region.grid.pitch_mm.powi(2)
    }

    fn holds(region: &Region, x: f64, y: f64) -> bool {
        let (u, v) = region.grid.index(Point::new(x, y));
        region.inside[v.round() as usize * region.grid.width + u.round() as usize]
    }

    #[test]
    fn light_and_dark_residue_is_found_alike_however_large() {
        for (radius, contrast) in [(10.0, 0.8), (10.0, -0.8), (34.0, 0.8), (34.0, -0.8)] {
            let one = disc(5.0, -3.0, radius);
            let region = find(&field(|x, y| contrast * one(x, y))).expect("it stands out");
            let true_mm2 = std::f64::consts::PI * radius * radius;
            let share = area_mm2(&region) / true_mm2;
            assert!(
                (share - 1.0).abs() < 0.08,
                "{radius} mm, {contrast}: {share}"
            );
            assert!(region.border_seen > 0.9, "{}", region.border_seen);
        }
    }

    #[test]
    fn parts_near_one_another_are_one_residue_and_openings_stay_open() {
        let (outer, opening, inner) = (
            disc(0.0, 0.0, 25.0),
            disc(0.0, 0.0, 20.0),
            disc(0.0, 0.0, 8.0),
        );
        let region = find(&field(|x, y| outer(x, y) - opening(x, y) + inner(x, y)));
        let region = region.expect("it stands out");
        assert!(holds(&region, 22.5, 0.0) && holds(&region, 0.0, 0.0));
        assert!(!holds(&region, 14.0, 0.0));
        // Its openings are a dark residue, nearly.
        assert!(region.rival_share < 0.25, "{}", region.rival_share);
    }

    #[test]
    fn another_place_as_good_is_told() {
        let (one, other) = (disc(-35.0, 0.0, 12.0), disc(35.0, 0.0, 11.0));
        let region = find(&field(|x, y| one(x, y) + other(x, y))).expect("both stand out");
        assert!(holds(&region, -35.0, 0.0) && !holds(&region, 35.0, 0.0));
        assert!(region.rival_share > 0.7, "{}", region.rival_share);
    }

    #[test]
    fn where_to_look_settles_it() {
        let (one, other) = (disc(-35.0, 0.0, 12.0), disc(35.0, 0.0, 11.0));
        let mut field = field(|x, y| one(x, y) + other(x, y));
        field.look_in = Some([Point::new(15.0, -20.0), Point::new(55.0, 20.0)]);
        let region = find(&field).expect("it stands out");
        assert!(!holds(&region, -35.0, 0.0) && holds(&region, 35.0, 0.0));
        assert!(region.rival_share < 0.1, "{}", region.rival_share);
    }

    #[test]
    fn bare_cloth_shows_nothing() {
        assert!(find(&field(|_, _| 0.0)).is_none());
    }

    #[test]
    fn bold_stripes_do_not_hide_residue() {
        let one = disc(4.0, 6.0, 14.0);
        let striped = |x: f64, y: f64| {
            let across = x + 0.05 * y;
            one(x, y) + 1.5 * f32::from(across.rem_euclid(17.0) < 6.0)
        };
        let region = find(&field(striped)).expect("it stands out");
        let share = area_mm2(&region) / (std::f64::consts::PI * 14.0 * 14.0);
        assert!((share - 1.0).abs() < 0.1, "{share}");
    }

    #[test]
    fn tips_are_loose_and_straight_ends_are_not() {
        let wide = |x: f64, y: f64| x.abs() < 15.0 && y.abs() < 10.0;
        let tip = |x: f64, y: f64| (15.0..25.0).contains(&x) && y.abs() < 0.09 * (25.0 - x) + 0.5;
        let region = find(&field(|x, y| 1.5 * f32::from(wide(x, y) || tip(x, y))));
        let [left, up, right, down] = region.expect("it stands out").loose_mm;
        assert!(right > 4.0, "{right}");
        assert!(left.max(up).max(down) < 0.9, "{left} {up} {down}");
    }
}
