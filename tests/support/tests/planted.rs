//! The painted pixels agree with the planted truth.

use measures::{Point, Px};
use scene_painter::family::Rulers;
use scene_painter::jpeg::{Exif, encode};
use scene_painter::{Design, Emblem, EmblemTruth, Family, Scene};

/// A scene of evenly lit, smooth, noiseless grey cloth with one strong, sharp residue.
fn bare(design: Design) -> Scene {
    let family = Family {
        rulers: Rulers::None,
        ..Family::QUICK
    };
    let mut scene = Scene::random(3, &family);
    scene.lens.blur_px = 0.0;
    scene.lens.vignetting = 0.0;
    scene.pose.slope_x = 0.05;
    scene.pose.slope_y = -0.08;
    scene.light.gradient_percent = 0.0;
    scene.light.shadows_percent = 0.0;
    scene.light.exposure = 1.0;
    scene.light.colour = [1.0; 3];
    scene.sensor.full_well = 1e9;
    scene.sensor.read_noise = 0.0;
    scene.sensor.sharpening = 0.0;
    scene.sensor.smoothing_px = 0.0;
    scene.cloth.colour = [90; 3];
    scene.cloth.texture = 0.0;
    scene.cloth.mottle_percent = 0.0;
    scene.cloth.stripes.clear();
    scene.cloth.folds.clear();
    scene.cloth.stains.clear();
    scene.cloth.lint = 0;
    scene.marks.clear();
    let residue = &mut scene.residues[0];
    residue.emblem = Emblem::new(design);
    residue.width_mm = 60.0;
    residue.centre_mm = [4.0, -3.0];
    residue.bleed_mm = 0.3;
    residue.softness_mm = 0.05;
    residue.roughness_mm = 0.0;
    residue.missing = 0.0;
    residue.rim = 0.0;
    residue.unevenness = 0.0;
    residue.flatness = 0.0;
    residue.contrast_percent = [100.0; 3];
    scene
}

/// How much residue a pixel shows, 0 to 1, from its light between bare cloth and full residue.
fn cover(value: u8) -> f64 {
    let linear = |v: u8| ((f64::from(v) / 255.0 + 0.055) / 1.055).powf(2.4);
    let (low, high) = (linear(90), linear(FULL));
    ((linear(value) - low) / (high - low)).clamp(0.0, 1.0)
}

/// The value of a pixel that shows nothing but residue.
const FULL: u8 = 182;

/// A disc's edge lies one bleed outside the planted outline, all the way round.
#[test]
fn edge_lies_where_it_was_planted() {
    let scene = bare(Design::Disc);
    let painting = scene.paint();
    let view = scene.view();
    let middle = view.to_photo(Point::new(4.0, -3.0));
    assert_eq!(
        painting.rgb.get_pixel(middle.x as u32, middle.y as u32).0,
        [FULL; 3]
    );
    let pixel = |i: f64, j: f64| cover(painting.rgb.get_pixel(i as u32, j as u32).0[1]);
    let covered = |p: Point<Px>| {
        let (x, y) = (p.x - 0.5, p.y - 0.5);
        let (i, j) = (x.floor(), y.floor());
        let (a, b) = (x - i, y - j);
        let top = pixel(i, j) * (1.0 - a) + pixel(i + 1.0, j) * a;
        let bottom = pixel(i, j + 1.0) * (1.0 - a) + pixel(i + 1.0, j + 1.0) * a;
        top * (1.0 - b) + bottom * b
    };
    let (from, length, steps) = (28.0, 5.0, 2000);
    let radii: Vec<f64> = (0..360)
        .map(|k| {
            let (sin, cos) = f64::from(k).to_radians().sin_cos();
            let share = |s| {
                let r = from + length * (f64::from(s) + 0.5) / f64::from(steps);
                covered(view.to_photo(Point::new(4.0 + r * cos, -3.0 + r * sin)))
            };
            from + length * (0..steps).map(share).sum::<f64>() / f64::from(steps)
        })
        .collect();
    let mean = radii.iter().sum::<f64>() / 360.0;
    let worst = radii.iter().map(|r| (r - 30.3).abs()).fold(0.0, f64::max);
    assert!(
        (mean - 30.3).abs() < 0.005 && worst < 0.03,
        "mean {mean} mm, worst off by {worst} mm"
    );
}

/// The residue's area and centre of gravity, weighed over the whole picture, are the outline's.
#[test]
fn whole_residue_is_true_to_its_outline() {
    let mut scene = bare(Design::TernShield);
    scene.residues[0].bleed_mm = 0.0;
    scene.residues[0].rotation_deg = 31.0;
    let painting = scene.paint();
    let view = scene.view();
    let mut weighed = [0.0; 3];
    for (i, j, pixel) in painting.rgb.enumerate_pixels() {
        let share = cover(pixel.0[1]);
        if share > 0.0 {
            let seen = Point::new(f64::from(i) + 0.5, f64::from(j) + 0.5);
            let spot = view.to_cloth(seen).expect("not edge-on");
            let area = share / view.px_per_mm_at(spot).powi(2);
            for (sum, v) in weighed.iter_mut().zip([1.0, spot.x, spot.y]) {
                *sum += area * v;
            }
        }
    }
    let [area, x, y] = area_and_centre(painting.truth.emblem.as_ref().expect("planted"));
    assert!(
        (weighed[0] / area - 1.0).abs() < 0.002,
        "area {} of {area}",
        weighed[0]
    );
    let off = (weighed[1] / weighed[0] - x).hypot(weighed[2] / weighed[0] - y);
    assert!(off < 0.01, "centre off by {off} mm");
}

/// Area and centre of gravity of the planted outline on the cloth, by Green's theorem.
fn area_and_centre(truth: &EmblemTruth) -> [f64; 3] {
    let (mut area, mut x, mut y) = (0.0, 0.0, 0.0);
    for contour in truth.outline.contours() {
        let mut points = Vec::new();
        kurbo::flatten(contour.iter(), 1e-3, |element| match element {
            kurbo::PathEl::MoveTo(p) | kurbo::PathEl::LineTo(p) => {
                points.push(truth.art_to_cloth.apply(p.into()));
            }
            _ => {}
        });
        for (i, a) in points.iter().enumerate() {
            let b = points[(i + 1) % points.len()];
            let cross = a.x * b.y - b.x * a.y;
            area += cross / 2.0;
            x += (a.x + b.x) * cross / 6.0;
            y += (a.y + b.y) * cross / 6.0;
        }
    }
    [area, x / area, y / area]
}

#[test]
fn same_seed_same_picture() {
    let family = Family {
        size_px: [500, 375],
        px_per_mm: [3.0, 4.0],
        ..Family::MAIN
    };
    let paint = |seed| Scene::random(seed, &family).paint().rgb.into_raw();
    assert!(paint(5) == paint(5));
    assert!(paint(5) != paint(6));
}

#[test]
fn perfect_estimate_has_no_error() {
    let family = Family {
        tilt_deg: [5.0, 9.0],
        size_px: [400, 300],
        px_per_mm: [2.0, 3.0],
        ..Family::MAIN
    };
    let truth = Scene::random(11, &family).paint().truth;
    let emblem = truth.emblem.as_ref().expect("planted");
    let (rms, worst) = truth
        .outline_error_mm(&emblem.emblem_to_photo)
        .expect("planted");
    assert!(rms < 1e-9 && worst < 1e-9, "{rms} {worst}");
    let percent = truth
        .size_error_percent(1.002 * emblem.width_mm)
        .expect("planted");
    assert!((percent - 0.2).abs() < 1e-9);
}

/// Orientation of the file and turning of its pixels cancel (values after the Exif standard,
/// JEITA CP-3451, tag 0x0112: row 0 and column 0 are the visual top and left for 1, … left and
/// bottom for 8).
#[test]
fn stored_pixels_follow_the_orientation() {
    // Light corner top left, dark elsewhere, 16 px blocks so that JPEG keeps them.
    let upright = image::RgbImage::from_fn(64, 32, |x, y| {
        image::Rgb(if x < 16 && y < 16 { [250; 3] } else { [10; 3] })
    });
    // For each orientation, where the upright picture's top-left corner is stored.
    let corners = [
        (1, 0, 0),
        (2, 1, 0),
        (3, 1, 1),
        (4, 0, 1),
        (5, 0, 0),
        (6, 0, 1),
        (7, 1, 1),
        (8, 1, 0),
    ];
    for (orientation, right, bottom) in corners {
        let exif = Exif {
            orientation: Some(orientation),
            focal_35mm: Some(26),
            ..Exif::default()
        };
        let bytes = encode(&upright, &exif, 95, false);
        let stored = image::load_from_memory(&bytes)
            .expect("a JPEG file")
            .into_rgb8();
        let (w, h) = stored.dimensions();
        assert_eq!((w, h), if orientation < 5 { (64, 32) } else { (32, 64) });
        let (x, y) = (
            if right == 1 { w - 8 } else { 8 },
            if bottom == 1 { h - 8 } else { 8 },
        );
        assert!(
            stored.get_pixel(x, y).0[0] > 200,
            "orientation {orientation}"
        );
    }
}
