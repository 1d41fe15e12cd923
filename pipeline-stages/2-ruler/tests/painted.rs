//! Painted photographs through photo and ruler stage: unit, scale and silence.

#![expect(
    clippy::unwrap_used,
    reason = "a test that cannot set up its scene should fail"
)]

use measures::ruler::{RulerHint, RulerSearch};
use scene_painter::cloth::Stripes;
use scene_painter::family::Impostor;
use scene_painter::scene::MarkKind;
use scene_painter::{Family, Scene};

fn search(scene: &Scene) -> (RulerSearch, scene_painter::Truth) {
    let table: toml::Table = toml::from_str(include_str!("../../../config/default.toml")).unwrap();
    let painting = scene.paint();
    let jpeg = painting.jpeg(scene.sensor.jpeg_quality);
    let photo = photo::read(
        &jpeg,
        "photo.jpg",
        &table["photo"].clone().try_into().unwrap(),
    )
    .unwrap();
    let settings = table["ruler"].clone().try_into().unwrap();
    (
        ruler::find(&photo, &RulerHint::default(), &settings),
        painting.truth,
    )
}

#[test]
fn rulers_on_cloth_are_read_right() {
    for seed in [1, 5, 7] {
        let (found, truth) = search(&Scene::random(seed, &Family::QUICK));
        let first = found
            .rulers
            .first()
            .unwrap_or_else(|| panic!("seed {seed}: none"));
        let rows = truth.rulers.iter().flat_map(|r| &r.rows);
        let off_percent = rows
            .filter(|row| {
                row.unit == first.reading.unit
                    && (row.nominal_pitch_mm - first.reading.pitch_mm).abs() < 1e-9
            })
            .filter_map(|row| Some(100.0 * (first.px_per_mm / row.px_per_mm? - 1.0)))
            .fold(f64::INFINITY, |a, b| if b.abs() < a.abs() { b } else { a });
        // Truth and finding average over slightly different stretches of a tilted ruler.
        assert!(
            off_percent.abs() < 0.15,
            "seed {seed}: {off_percent} %, {:?}",
            first.reading
        );
    }
}

/// Of all rulers found.
fn widest_and_softest_mm(scene: &Scene) -> [f64; 2] {
    let (found, _) = search(scene);
    let shadows = found.rulers.iter().filter_map(|r| r.shadow);
    shadows.fold([0.0, 0.0], |[width, fading], s| {
        [s.width_mm.max(width), s.fading_mm.max(fading)]
    })
}

fn widest_shadow_mm(scene: &Scene) -> f64 {
    widest_and_softest_mm(scene)[0]
}

#[test]
fn a_ruler_that_stands_off_the_cloth_casts_a_wider_shadow() {
    let mut scene = Scene::random(5, &Family::QUICK);
    let lying = widest_shadow_mm(&scene);
    assert!(lying < 3.5, "{lying} mm");
    for ruler in &mut scene.rulers {
        ruler.lift_mm = [14.0, 14.0];
    }
    let raised = widest_shadow_mm(&scene);
    assert!(raised > 6.0, "{raised} mm");
}

#[test]
fn in_light_from_above_the_shadow_of_a_ruler_that_stands_off_the_cloth_fades_slowly() {
    let mut scene = Scene::random(5, &Family::QUICK);
    scene.light.reach = 0.0;
    let [_, lying] = widest_and_softest_mm(&scene);
    assert!(lying < 1.0, "{lying} mm");
    for ruler in &mut scene.rulers {
        ruler.lift_mm = [14.0, 14.0];
    }
    let [width, raised] = widest_and_softest_mm(&scene);
    assert!(width < 6.0, "{width} mm");
    assert!(raised > 2.5, "{raised} mm");
}

/// Stripes along the ruler, one of them beside it, that go on where the ruler ends.
#[test]
fn a_dark_stripe_of_the_cloth_is_no_shadow() {
    const ALONG_DEG: f64 = 4.0;
    let mut scene = Scene::random(5, &Family::QUICK);
    scene.cloth.angle_deg = ALONG_DEG - 90.0;
    for ruler in &mut scene.rulers {
        (ruler.angle_deg, ruler.corner_mm) = (ALONG_DEG - 1.0, [-20.0, -30.0]);
    }
    let dark = [-25.0; 3];
    let mut with_stripes = |phase_mm: f64, lift_mm: f64| {
        scene.cloth.stripes = vec![Stripes {
            period_mm: 42.0,
            width_mm: 20.0,
            phase_mm,
            contrast_percent: dark,
            softness_mm: 0.5,
            crosswise: false,
        }];
        for ruler in &mut scene.rulers {
            ruler.lift_mm = [lift_mm; 2];
        }
        widest_shadow_mm(&scene)
    };
    let phases = [0.0, 10.5, 21.0, 31.5];
    let lying = phases.map(|phase| with_stripes(phase, 0.0));
    assert!(lying.iter().all(|mm| *mm < 3.5), "{lying:?} mm");
    let raised = phases.map(|phase| with_stripes(phase, 14.0));
    let wider = lying.iter().zip(&raised).all(|(l, r)| *r > l + 2.0);
    assert!(wider, "{lying:?} and {raised:?} mm");
}

#[test]
fn a_zip_is_no_ruler() {
    let family = Family {
        size_px: [2000, 1500],
        impostor: Some(Impostor::Thing(MarkKind::Zip)),
        ..Family::NO_RULER
    };
    let (found, _) = search(&Scene::random(3, &family));
    assert!(found.rulers.is_empty() && !found.reasons.is_empty());
}
