//! The emblem's place against the cloth's own lines and against landmarks.

use measures::ClothLines;
use measures::ruler::RulerUnit;

use crate::{Landmark, laid_out};

use super::scene::{CORNER_MM, Scene, TURN_DEG, photographed, settings};
use super::sheet::words;

fn first_page(scene: &Scene) -> String {
    words(&laid_out(&scene.content(), &settings()).expect("a sheet").0[0])
}

fn lines(angle_deg: f64) -> ClothLines {
    ClothLines {
        angle_deg,
        u_angle_deg: 0.1,
        strength: 0.4,
        fineness_mm: 5.0,
    }
}

#[test]
fn the_turn_against_the_stripes_is_told_with_its_way() {
    let mut scene = Scene::new(0.8, RulerUnit::Mm);
    // Upright stripes that lean to the right at their upper end.
    scene.lines = Some(lines(90.0 + TURN_DEG + 1.1 - 180.0));
    let told = first_page(&scene);
    assert!(
        told.contains("Turn it 1.10° anticlockwise from the stripes"),
        "{told}"
    );
    assert!(
        told.contains("it would be 1.10° off the old mark"),
        "{told}"
    );
    scene.lines = Some(lines(TURN_DEG - 0.6));
    let told = first_page(&scene);
    assert!(
        told.contains("Turn it 0.60° clockwise from the stripes"),
        "{told}"
    );
    scene.lines = Some(lines(TURN_DEG + 0.05));
    assert!(first_page(&scene).contains("sat square to the stripes"));
    scene.lines = None;
    assert!(first_page(&scene).contains("No lines of the cloth are seen"));
}

#[test]
fn landmarks_are_told_as_seen_along_the_upright_emblem() {
    let mut scene = Scene::new(0.8, RulerUnit::Mm);
    // The crest is 80 mm wide and 96 mm high; its centre from its corner, turned with it.
    let (sin, cos) = TURN_DEG.to_radians().sin_cos();
    let from_corner = |x: f64, y: f64| {
        let (x, y) = (
            CORNER_MM[0] + cos * x - sin * y,
            CORNER_MM[1] + sin * x + cos * y,
        );
        photographed(&scene.plane, x, y, 0.0)
    };
    scene.landmarks = vec![Landmark {
        name: "collar-seam".into(),
        at: from_corner(40.0 + 12.0, 48.0 - 85.0),
    }];
    let told = first_page(&scene);
    let wanted = "From the collar seam: the centre is 85.0 mm below and 12.0 mm to the left";
    assert!(told.contains(wanted), "{told}");
}

#[test]
fn the_record_says_that_the_emblem_is_a_replacement_and_where_it_comes_from() {
    let scene = Scene::new(0.8, RulerUnit::Mm);
    let emblems = [crate::RecordEmblem {
        name: "crest",
        artwork: &scene.artwork,
        fit: &scene.fit,
        u_scale_percent: 0.2,
        rulers: 1,
        material: &scene.material,
        pressed: None,
        before_jpg: &[],
        after_jpg: &[],
    }];
    let content = crate::RecordContent {
        job: "tern-bay-1991",
        garment: "Tern Bay Wanderers, home, 1991",
        fabric: None,
        restored_on: Some("4 May 2026"),
        emblems: &emblems,
        sources_sha256: "0123abc",
        program: "emblemend",
    };
    let shop = crate::RecordSettings {
        shop: "The Mending Room, Tern Bay".into(),
        text: String::new(),
    };
    let page = &crate::record::laid_out(&content, &shop, &settings())
        .expect("a record")
        .0[0];
    let told = words(page);
    for wanted in [
        "The Mending Room, Tern Bay",
        "are replacements",
        "nothing about the age, maker or authenticity",
        "4 May 2026",
        "80.0 × 96.0 mm",
        "To be replaced by",
        "0123abc",
    ] {
        assert!(told.contains(wanted), "{wanted} is not in: {told}");
    }
}
