//! Rulers drawn with known ticks: are they found, located and read, and is everything else
//! refused?

#![expect(
    clippy::unwrap_used,
    reason = "a test that cannot set up its scene should fail"
)]

use image::{Rgb, RgbImage};
use measures::photo::FocalSource;
use measures::ruler::{RulerHint, RulerSearch, RulerUnit};
use measures::{Camera, Photo, Point};
use ruler::Settings;

fn settings() -> Settings {
    let table: toml::Table = toml::from_str(include_str!("../../../config/default.toml")).unwrap();
    table["ruler"].clone().try_into().unwrap()
}

/// Uniform numbers in 0..1 (linear congruential generator, constants of Knuth's MMIX).
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.roll()
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.roll()).sum::<f64>() - 6.0
    }
}

const SIDE: u32 = 900;

/// A grey picture: each pixel the mean of 3 × 3 points, blurred by the pixel alone, with noise.
fn picture(grey: impl Fn(f64, f64) -> f64, noise: f64, dice: &mut Dice) -> Photo {
    let rgb = RgbImage::from_fn(SIDE, SIDE, |x, y| {
        let mut sum = 0.0;
        for k in 0..9 {
            let (dx, dy) = (
                f64::from(k % 3 * 2 + 1) / 6.0,
                f64::from(k / 3 * 2 + 1) / 6.0,
            );
            sum += grey(f64::from(x) + dx, f64::from(y) + dy);
        }
        let g = (sum / 9.0 + noise * dice.normal())
            .clamp(0.0, 255.0)
            .round() as u8;
        Rgb([g, g, g])
    });
    let middle = f64::from(SIDE) / 2.0;
    let camera = Camera {
        focal_px: 1000.0,
        u_focal_percent: 15.0,
        focal_source: FocalSource::Assumed,
        principal: Point::new(middle, middle),
    };
    Photo { rgb, camera }
}

#[derive(Clone, Copy)]
struct Print {
    unit: RulerUnit,
    pitch_mm: f64,
    lengths_mm: &'static [(i32, f64)],
    line_mm: f64,
    /// Ticks are drawn as two lines with a light middle, as strong sharpening leaves them.
    double: bool,
    light_on_dark: bool,
}

const MM: Print = Print {
    unit: RulerUnit::Mm,
    pitch_mm: 1.0,
    lengths_mm: &[(1, 3.2), (5, 4.8), (10, 6.5)],
    line_mm: 0.22,
    double: false,
    light_on_dark: false,
};
const HALF_MM: Print = Print {
    pitch_mm: 0.5,
    lengths_mm: &[(1, 2.4), (2, 3.4), (10, 4.8), (20, 6.5)],
    line_mm: 0.14,
    ..MM
};
const SIXTEENTHS: Print = Print {
    unit: RulerUnit::Inch,
    pitch_mm: 25.4 / 16.0,
    lengths_mm: &[(1, 2.8), (2, 4.0), (4, 5.2), (8, 6.6), (16, 8.2)],
    ..MM
};

/// The planted ruler's pose: `px_per_mm` along a line through (x, y) at an angle.
#[derive(Clone, Copy, Debug)]
struct Pose {
    px_per_mm: f64,
    angle: f64,
    origin: (f64, f64),
}

impl Pose {
    fn random(px_per_mm: f64, dice: &mut Dice) -> Self {
        let angle = dice.between(0.0, std::f64::consts::TAU);
        let reach = 380.0;
        let middle = f64::from(SIDE) / 2.0;
        let origin = (middle - reach * angle.cos(), middle - reach * angle.sin());
        Self {
            px_per_mm,
            angle,
            origin,
        }
    }

    /// Millimetres along the ruler and from its edge.
    fn on_ruler(&self, x: f64, y: f64) -> (f64, f64) {
        let (dx, dy) = (x - self.origin.0, y - self.origin.1);
        let (sin, cos) = self.angle.sin_cos();
        (
            (dx * cos + dy * sin) / self.px_per_mm,
            (dy * cos - dx * sin) / self.px_per_mm,
        )
    }
}

fn ruler_grey(print: &Print, pose: &Pose, x: f64, y: f64) -> f64 {
    let (along, from_edge) = pose.on_ruler(x, y);
    let length_mm = 760.0 / pose.px_per_mm;
    let cloth = 95.0;
    if !(0.0..24.0).contains(&from_edge) || !(-4.0..length_mm + 4.0).contains(&along) {
        return cloth;
    }
    let index = (along / print.pitch_mm).round();
    let off_mm = (along - index * print.pitch_mm).abs();
    let exists = index >= 0.0 && index * print.pitch_mm <= length_mm;
    let dividing = print
        .lengths_mm
        .iter()
        .rfind(|(every, _)| index as i32 % every == 0);
    let on_tick = exists && dividing.is_some_and(|d| (0.5..d.1 + 0.5).contains(&from_edge));
    let inked = if print.double {
        (0.5..1.0).contains(&(off_mm / print.line_mm))
    } else {
        off_mm < print.line_mm / 2.0
    };
    let ink = on_tick && inked;
    if ink == print.light_on_dark {
        205.0
    } else {
        60.0
    }
}

fn search(photo: &Photo) -> RulerSearch {
    ruler::find(photo, &RulerHint::default(), &settings())
}

/// Finds a planted ruler; returns (scale error in per cent, the same in stated k = 2 bounds,
/// root mean square tick error in px).
fn measure(print: &Print, px_per_mm: f64, seed: u64) -> (f64, f64, f64) {
    let mut dice = Dice(seed);
    let pose = Pose::random(px_per_mm, &mut dice);
    let photo = picture(|x, y| ruler_grey(print, &pose, x, y), 3.0, &mut dice);
    let found = search(&photo);
    let ruler = found
        .rulers
        .first()
        .unwrap_or_else(|| panic!("seed {seed}: {:?}", found.reasons));
    assert_eq!(
        ruler.reading.unit, print.unit,
        "seed {seed}: {:?}",
        ruler.reading
    );
    assert!(
        (ruler.reading.pitch_mm - print.pitch_mm).abs() < 1e-9,
        "seed {seed}: {:?}",
        ruler.reading
    );
    assert!(
        ruler.reading.probability > 0.98,
        "seed {seed}: {:?}",
        ruler.reading
    );
    let squares: Vec<f64> = ruler
        .ticks
        .iter()
        .flat_map(|t| &t.points)
        .map(|p| {
            let (along, _) = pose.on_ruler(p.at.x, p.at.y);
            let pitches = along / print.pitch_mm;
            ((pitches - pitches.round()) * print.pitch_mm * px_per_mm).powi(2)
        })
        .collect();
    let rms = (squares.iter().sum::<f64>() / squares.len() as f64).sqrt();
    let error = ruler.px_per_mm - px_per_mm;
    (100.0 * error / px_per_mm, error / ruler.u_px_per_mm, rms)
}

fn check(print: &Print, px_per_mm: f64, seeds: std::ops::Range<u64>) {
    let results: Vec<_> = seeds.map(|seed| measure(print, px_per_mm, seed)).collect();
    let worst = |f: fn(&(f64, f64, f64)) -> f64| results.iter().map(f).fold(0.0, f64::max);
    assert!(worst(|r| r.0.abs()) < 0.03, "scale off: {results:?}");
    assert!(
        worst(|r| r.1.abs()) < 2.5,
        "outside the bounds: {results:?}"
    );
    assert!(worst(|r| r.2) < 0.12, "ticks off: {results:?}");
}

#[test]
fn millimetres_at_any_angle() {
    check(&MM, 11.0, 1..4);
}

#[test]
fn half_millimetres_are_not_taken_for_millimetres() {
    check(&HALF_MM, 16.0, 11..13);
}

#[test]
fn sixteenths_of_an_inch() {
    check(&SIXTEENTHS, 8.0, 21..23);
}

#[test]
fn light_ticks_on_a_dark_ruler() {
    check(
        &Print {
            light_on_dark: true,
            ..MM
        },
        9.0,
        31..33,
    );
}

#[test]
fn ticks_with_two_edges_count_once() {
    check(
        &Print {
            double: true,
            line_mm: 0.16,
            ..MM
        },
        16.0,
        41..43,
    );
}

#[test]
fn coarse_millimetres_far_away() {
    check(&MM, 5.0, 51..53);
}

/// Things with a rhythm, at 10 pixels for a millimetre.
fn impostor(kind: usize, x: f64, y: f64) -> f64 {
    let (x, y) = (x / 10.0, y / 10.0);
    let wave = |v: f64| (std::f64::consts::TAU * v).sin();
    match kind {
        // Rib knit: 1 mm pitch that wanders.
        0 => {
            120.0
                + 45.0 * wave(x + 0.12 * wave(x / 7.3) + 0.2 * wave(y / 11.0))
                + 8.0 * wave(y / 0.7)
        }
        // Square mesh of wires.
        1 => {
            if x.rem_euclid(2.0) < 0.4 || y.rem_euclid(2.0) < 0.4 {
                210.0
            } else {
                60.0
            }
        }
        // Zip: teeth all of one length on either side.
        2 => {
            let tooth = (x / 1.5).rem_euclid(1.0) < 0.5;
            if (y - 45.0).abs() < 2.5 && tooth {
                200.0
            } else {
                90.0
            }
        }
        // Blinds: even slats across the picture.
        3 => 100.0 + 80.0 * (x / 2.5).rem_euclid(1.0),
        // Barcode: bars of one to four modules.
        4 => {
            let module = (x / 0.5).floor() as u64;
            let bar = module.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 63 == 1;
            if (30.0..60.0).contains(&y) && (10.0..80.0).contains(&x) && bar {
                30.0
            } else {
                220.0
            }
        }
        // A row of stitches, each a dash.
        _ => {
            if (y - 45.0).abs() < 0.4 && x.rem_euclid(2.5) < 1.6 {
                40.0
            } else {
                130.0
            }
        }
    }
}

#[test]
fn things_with_a_rhythm_are_no_rulers() {
    for kind in 0..6 {
        let angle: f64 = if kind % 2 == 0 { 0.0 } else { 0.35 };
        let (sin, cos) = angle.sin_cos();
        let grey = |x: f64, y: f64| {
            let (dx, dy) = (x - 450.0, y - 450.0);
            impostor(
                kind,
                450.0 + dx * cos + dy * sin,
                450.0 + dy * cos - dx * sin,
            )
        };
        let found = search(&picture(grey, 3.0, &mut Dice(kind as u64)));
        assert!(
            found.rulers.is_empty(),
            "kind {kind}: {:?}",
            found.rulers[0].reading
        );
        assert!(!found.reasons.is_empty());
    }
}

#[test]
fn plain_cloth_has_no_ruler() {
    let found = search(&picture(|_, _| 120.0, 4.0, &mut Dice(3)));
    assert!(found.rulers.is_empty() && !found.reasons.is_empty());
}

/// A card of seven dark and light blocks, `divided` of which has ten divisions below it.
fn blocks_grey(px_per_block: f64, divided: Option<i32>, (x, y): (f64, f64)) -> f64 {
    let (s, t) = ((x - 80.0) / px_per_block, (y - 380.0) / px_per_block);
    if !(-0.3..7.3).contains(&s) || !(-0.3..1.7).contains(&t) {
        return 120.0;
    }
    let is_dark = (0.0..7.0).contains(&s) && (0.0..0.5).contains(&t) && (s as i32) % 2 == 0;
    let off_division = (s * 10.0 - (s * 10.0).round()).abs() / 10.0;
    let in_divided = divided
        .is_some_and(|d| (-0.02..1.02).contains(&(s - f64::from(d))) && (0.9..1.3).contains(&t));
    if is_dark || (in_divided && off_division * px_per_block < 1.2) {
        40.0
    } else {
        220.0
    }
}

fn blocks(divided: Option<i32>, seed: u64) -> RulerSearch {
    let (sin, cos) = 0.12f64.sin_cos();
    let grey = |x: f64, y: f64| {
        let (dx, dy) = (x - 450.0, y - 450.0);
        let turned = (450.0 + dx * cos + dy * sin, 450.0 + dy * cos - dx * sin);
        blocks_grey(97.3, divided, turned)
    };
    search(&picture(grey, 3.0, &mut Dice(seed)))
}

#[test]
fn blocks_are_centimetres_where_one_of_them_has_ten_divisions() {
    for (seed, divided) in [(1, 0), (2, 6), (3, 3)] {
        let found = blocks(Some(divided), seed);
        let ruler = &found.rulers[0];
        assert_eq!(ruler.reading.unit, RulerUnit::Mm);
        assert!((ruler.reading.pitch_mm - 10.0).abs() < 1e-9);
        let off = ruler.px_per_mm / 9.73 - 1.0;
        assert!(off.abs() < 2e-4, "off by {off}");
        assert!(ruler.ticks.len() >= 7, "{} borders", ruler.ticks.len());
    }
}

#[test]
fn blocks_without_divisions_tell_no_length() {
    assert!(blocks(None, 4).rulers.is_empty());
}

#[test]
fn stripes_that_are_divided_alike_are_cloth() {
    let ribbed = |x: f64, _: f64| {
        let rib = if (x / 9.73).fract() < 0.3 { -25.0 } else { 0.0 };
        rib + if (x / 97.3).fract() < 0.5 {
            90.0
        } else {
            190.0
        }
    };
    let found = search(&picture(ribbed, 3.0, &mut Dice(5)));
    assert!(found.rulers.is_empty(), "{:?}", found.rulers[0].reading);
}
