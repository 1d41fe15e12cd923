//! Rulers planted on a known plane, seen through a known camera: is the plane found again, and
//! does the stated uncertainty tell the truth?

#![expect(
    clippy::unwrap_used,
    reason = "a test that cannot set up its scene should fail"
)]

use measures::cloth::PlanePose;
use measures::photo::FocalSource;
use measures::ruler::{Reading, RulerHint, RulerUnit, Shadow, Tick, TickPoint};
use measures::{Camera, Lens, Mm, Point, Ruler};
use scale::{Error, Settings, cloth_plane};

#[derive(serde::Deserialize)]
struct Config {
    scale: Settings,
}

fn settings() -> Settings {
    let text = include_str!("../../../config/default.toml");
    let table: toml::Table = toml::from_str(text).unwrap();
    let only_scale = toml::Table::from_iter([("scale".to_string(), table["scale"].clone())]);
    only_scale.try_into::<Config>().unwrap().scale
}

fn camera() -> Camera {
    Camera {
        focal_px: 3000.0,
        u_focal_percent: 2.0,
        focal_source: FocalSource::Equivalent35Mm,
        principal: Point::new(2000.0, 1500.0),
    }
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
    /// Normal with variance 1: sum of twelve uniforms.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.roll()).sum::<f64>() - 6.0
    }
}

struct Planted {
    cloth: PlanePose,
    ruler: Ruler,
    thickness_mm: f64,
}

/// A ruler of `ticks` millimetres on a plane of random tilt up to `tilt_deg`.
fn plant(dice: &mut Dice, tilt_deg: f64, ticks: i32, sigma_px: f64, stretch: f64) -> Planted {
    let (tilt, towards) = (
        dice.between(0.0, tilt_deg).to_radians(),
        dice.between(0.0, std::f64::consts::TAU),
    );
    let thickness_mm = dice.between(0.3, 2.0);
    let face = PlanePose {
        slope_x: tilt.tan() * towards.cos(),
        slope_y: tilt.tan() * towards.sin(),
        depth_mm: dice.between(180.0, 350.0),
        anchor: Point::new(2000.0, 1500.0),
    };
    let to_photo = face.to_photo(&camera());
    let (turn, y) = (dice.between(-3.1, 3.1), dice.between(-40.0, 40.0));
    let see = |along: f64, across: f64| {
        let (sin, cos) = turn.sin_cos();
        let (along, across) = (along - f64::from(ticks) / 2.0, across + y);
        to_photo.apply(Point::<Mm>::new(
            along * cos - across * sin,
            along * sin + across * cos,
        ))
    };
    let mut ruler_ticks = Vec::new();
    for index in 0..=ticks {
        let along = f64::from(index) * stretch;
        let direction = (see(along + 1.0, 0.0) - see(along, 0.0)).unit().unwrap();
        let mut seen = |across: f64| TickPoint {
            at: see(along, across) + direction * (sigma_px * dice.normal()),
            sigma_px,
        };
        ruler_ticks.push(Tick {
            index,
            points: vec![seen(0.5), seen(4.5)],
            length_px: 50.0,
        });
    }
    let ends = [see(0.0, 2.5), see(f64::from(ticks) * stretch, 2.5)];
    let ruler = Ruler {
        reading: Reading {
            unit: RulerUnit::Mm,
            pitch_mm: 1.0,
            probability: 1.0,
        },
        other_readings: Vec::new(),
        ticks: ruler_ticks,
        body: [ends[0], ends[1], ends[1], ends[0]],
        px_per_mm: ends[0].distance(ends[1]) / f64::from(ticks),
        u_px_per_mm: 0.001,
        shadow: None,
        ends,
    };
    let normal = (1.0 + face.slope_x.powi(2) + face.slope_y.powi(2)).sqrt();
    let cloth = PlanePose {
        depth_mm: face.depth_mm + thickness_mm * normal,
        ..face
    };
    Planted {
        cloth,
        ruler,
        thickness_mm,
    }
}

/// Error of the scale on the cloth 60 mm from the ruler's middle, in per cent, and its stated
/// expanded uncertainty.
fn measure(planted: &Planted, thickness_mm: Option<f64>) -> (f64, f64) {
    measure_with(&camera(), planted, thickness_mm)
}

/// The same when the photo tells of this camera, not of the one that took it.
fn measure_with(told: &Camera, planted: &Planted, thickness_mm: Option<f64>) -> (f64, f64) {
    let hint = RulerHint {
        thickness_mm,
        ..RulerHint::default()
    };
    let plane = cloth_plane(
        std::slice::from_ref(&planted.ruler),
        told,
        &hint,
        &settings(),
    )
    .unwrap();
    let [a, b] = planted.ruler.ends;
    let away = (b - a).unit().unwrap().quarter_turn() * (60.0 * planted.ruler.px_per_mm);
    let spot = a.lerp(b, 0.5) + away;
    let truth = 1.0
        / planted
            .cloth
            .to_photo(&camera())
            .inverse()
            .unwrap()
            .scale_at(spot);
    let error = 100.0 * (plane.px_per_mm_at(spot) / truth - 1.0);
    (error, 2.0 * plane.u_scale_percent_at(spot))
}

fn percentile(mut values: Vec<f64>, share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values[((values.len() - 1) as f64 * share).round() as usize]
}

#[test]
fn scale_60_mm_away_is_right_to_a_tenth_of_a_per_cent() {
    let mut dice = Dice(7);
    let errors: Vec<f64> = (0..60)
        .map(|_| {
            let planted = plant(&mut dice, 12.0, 100, 0.05, 1.0);
            measure(&planted, Some(planted.thickness_mm)).0.abs()
        })
        .collect();
    let (median, p95) = (percentile(errors.clone(), 0.5), percentile(errors, 0.95));
    assert!(
        median < 0.05 && p95 < 0.15,
        "median {median:.3} %, 95th percentile {p95:.3} %"
    );
}

#[test]
fn stated_uncertainty_covers_a_ruler_too_short_to_show_its_tilt() {
    let mut dice = Dice(11);
    let scenes = 60;
    let mut covered = 0;
    for _ in 0..scenes {
        let planted = plant(&mut dice, 10.0, 15, 0.3, 1.0);
        let (error, u) = measure(&planted, Some(planted.thickness_mm));
        covered += i32::from(error.abs() <= u);
    }
    assert!(
        covered >= scenes * 9 / 10,
        "{covered} of {scenes} within the stated uncertainty"
    );
}

#[test]
fn unknown_thickness_widens_the_uncertainty_by_its_parallax() {
    let planted = plant(&mut Dice(3), 0.1, 120, 0.05, 1.0);
    let (_, given) = measure(&planted, Some(planted.thickness_mm));
    let (error, assumed) = measure(&planted, None);
    let parallax = 2.0 * 100.0 * settings().u_assumed_thickness_mm / planted.cloth.depth_mm;
    assert!(
        (assumed - given.hypot(parallax)).abs() < 0.02,
        "{given} → {assumed}"
    );
    assert!(error.abs() <= assumed);
}

#[test]
fn a_camera_that_tells_no_lens_is_allowed_for() {
    let told = Camera {
        focal_px: camera().focal_px / 1.5,
        u_focal_percent: 40.0,
        focal_source: FocalSource::Assumed,
        ..camera()
    };
    let mut dice = Dice(17);
    let scenes = 60;
    let (mut covered, mut worst) = (0, 0.0f64);
    for _ in 0..scenes {
        let planted = plant(&mut dice, 3.0, 100, 0.05, 1.0);
        let (error, u) = measure_with(&told, &planted, Some(planted.thickness_mm));
        covered += i32::from(error.abs() <= u);
        worst = worst.max(error.abs());
    }
    assert!(worst > 0.3, "{worst:.2} %: a wrong lens matters here");
    assert!(covered >= scenes * 19 / 20, "{covered} of {scenes} within");
}

#[test]
fn rulers_that_disagree_are_reported() {
    let mut dice = Dice(5);
    let one = plant(&mut dice, 0.0, 100, 0.1, 1.0);
    let mut dice = Dice(5);
    let two = plant(&mut dice, 0.0, 100, 0.1, 1.012);
    let rulers = [one.ruler, two.ruler];
    let plane = cloth_plane(&rulers, &camera(), &RulerHint::default(), &settings()).unwrap();
    assert!(
        plane
            .warnings
            .iter()
            .any(|w| w.contains("disagree by 1.2 %")),
        "{:?}",
        plane.warnings
    );
}

#[test]
fn a_wide_or_soft_shadow_beside_the_ruler_is_a_warning() {
    let mut dice = Dice(5);
    let mut ruler = plant(&mut dice, 0.0, 100, 0.1, 1.0).ruler;
    let hint = RulerHint {
        thickness_mm: Some(1.0),
        ..RulerHint::default()
    };
    let mut warned = |width_mm, fading_mm| {
        ruler.shadow = Some(Shadow {
            width_mm,
            fading_mm,
        });
        let rulers = std::slice::from_ref(&ruler);
        let plane = cloth_plane(rulers, &camera(), &hint, &settings()).unwrap();
        plane.warnings.iter().any(|w| w.contains("shadow"))
    };
    assert!(!warned(2.5, 1.0));
    assert!(warned(8.0, 1.0));
    assert!(warned(2.5, 2.5));
}

#[test]
fn a_unit_that_no_ruler_has_is_a_warning() {
    let planted = plant(&mut Dice(5), 2.0, 120, 0.05, 1.0);
    let warnings = |unit| {
        let hint = RulerHint {
            unit,
            thickness_mm: Some(planted.thickness_mm),
            ..RulerHint::default()
        };
        let rulers = std::slice::from_ref(&planted.ruler);
        cloth_plane(rulers, &camera(), &hint, &settings())
            .unwrap()
            .warnings
    };
    assert_eq!(warnings(Some(RulerUnit::Mm)), warnings(None));
    let wrong = warnings(Some(RulerUnit::Inch));
    assert!(wrong.iter().any(|w| w.contains("has inches")), "{wrong:?}");
}

#[test]
fn no_ruler_no_plane() {
    let answer = cloth_plane(&[], &camera(), &RulerHint::default(), &settings());
    assert_eq!(answer.unwrap_err(), Error::NoRuler);
}

#[test]
fn a_lens_that_bends_is_told_from_one_that_does_not() {
    let mut dice = Dice(11);
    let mut false_alarms = 0;
    for k1 in [0.0, 0.006, 0.0, -0.006, 0.0, 0.012, 0.0, -0.003, 0.0, 0.004] {
        let lens = Lens {
            k1,
            focal_px: camera().focal_px,
            principal: camera().principal,
        };
        let mut planted = plant(&mut dice, 3.0, 150, 0.05, 1.0);
        for point in planted.ruler.ticks.iter_mut().flat_map(|t| &mut t.points) {
            point.at = lens.bent(point.at);
        }
        planted.ruler.ends = planted.ruler.ends.map(|p| lens.bent(p));
        let hint = RulerHint {
            thickness_mm: Some(planted.thickness_mm),
            ..RulerHint::default()
        };
        let rulers = std::slice::from_ref(&planted.ruler);
        let plane = cloth_plane(rulers, &camera(), &hint, &settings()).unwrap();
        if k1 == 0.0 {
            false_alarms += usize::from(plane.lens.is_some());
            continue;
        }
        let found = plane.lens.unwrap_or_else(|| panic!("k1 {k1} is not seen"));
        assert!((found.k1 - k1).abs() < 0.001, "k1 {k1}: {}", found.k1);
        // A place of the cloth far from the middle, where bending shows.
        let straight = Point::new(2900.0, 700.0);
        let to_cloth = planted.cloth.to_photo(&camera()).inverse().unwrap();
        let truth = lens.magnification(straight) / to_cloth.scale_at(straight);
        let off = 100.0 * (plane.px_per_mm_at(lens.bent(straight)) / truth - 1.0);
        assert!(off.abs() < 0.25, "k1 {k1}: scale off by {off} %");
    }
    assert!(false_alarms <= 1, "{false_alarms} of 5 straight lenses");
}
