//! Pictures of several colours: a region for each, their borders shared.

use std::collections::BTreeSet;
use std::io::Cursor;

use artwork::{Tracing, coloured_drawing, read_groups, trace_colours};
use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageEncoder, ImageFormat, RgbImage};
use kurbo::{Affine, BezPath, Circle, Rect, Shape};

const PAPER: [f64; 3] = [250.0, 248.0, 240.0];

/// A navy disc, its lower half red, a gold bar across both, and a gold square within the navy.
fn shapes() -> Vec<(BezPath, [f64; 3])> {
    let disc = Circle::new((150.0, 140.0), 110.0);
    let half = |y0, y1| {
        let angle = if y0 < y1 { 0.0 } else { std::f64::consts::PI };
        disc.segment(0.0, angle, std::f64::consts::PI).to_path(1e-6)
    };
    let bar = Affine::rotate_about(0.2, (150.0, 140.0))
        * Rect::new(20.0, 125.0, 280.0, 155.0).to_path(0.1);
    vec![
        (half(1.0, 0.0), [20.0, 30.0, 90.0]),
        (half(0.0, 1.0), [190.0, 30.0, 40.0]),
        (bar, [240.0, 190.0, 50.0]),
        (
            Rect::new(130.0, 60.0, 170.0, 90.0).to_path(0.1),
            [240.0, 190.0, 50.0],
        ),
    ]
}

/// Painted with 16 samples a pixel.
fn painted(jpeg: Option<u8>) -> Vec<u8> {
    let shapes = shapes();
    let image = RgbImage::from_fn(300, 280, |x, y| {
        let mut sum = [0.0; 3];
        for i in 0..16 {
            let at = kurbo::Point::new(
                f64::from(x) + (f64::from(i % 4) + 0.5) / 4.0,
                f64::from(y) + (f64::from(i / 4) + 0.5) / 4.0,
            );
            let top = shapes.iter().rev().find(|(path, _)| path.winding(at) != 0);
            let colour = top.map_or(PAPER, |(_, c)| *c);
            (0..3).for_each(|c| sum[c] += colour[c] / 16.0);
        }
        image::Rgb(sum.map(|v| v.round() as u8))
    });
    let mut bytes = Vec::new();
    match jpeg {
        Some(quality) => JpegEncoder::new_with_quality(&mut bytes, quality)
            .write_image(&image, 300, 280, ExtendedColorType::Rgb8)
            .expect("encodes"),
        None => image
            .write_to(&mut Cursor::new(&mut bytes), ImageFormat::Png)
            .expect("encodes"),
    }
    bytes
}

fn area(tracing: &Tracing) -> f64 {
    tracing.regions.iter().map(|r| r.outline.area()).sum()
}

#[test]
fn each_colour_is_a_region_and_none_is_made_of_mixtures() {
    for jpeg in [None, Some(92), Some(78)] {
        let tracing = trace_colours(&painted(jpeg), "crest", 0.0).expect("a picture");
        let colours: Vec<[u8; 3]> = tracing.regions.iter().map(|r| r.colour).collect();
        assert_eq!(colours.len(), 3, "{jpeg:?}: {colours:?}");
        let disc = std::f64::consts::PI * 110.0f64.powi(2);
        // The bar reaches beyond the disc on both sides.
        let whole = tracing.artwork.outline.area();
        assert!(whole > disc && whole < disc + 2.0 * 30.0 * 30.0, "{whole}");
        for region in &tracing.regions {
            let near = shapes()
                .iter()
                .any(|(_, c)| (0..3).all(|i| (c[i] - f64::from(region.colour[i])).abs() < 12.0));
            assert!(near, "{jpeg:?}: {:?} is not in the picture", region.colour);
        }
        let gold = &tracing
            .regions
            .iter()
            .find(|r| r.colour[1] > 150)
            .expect("gold")
            .outline;
        assert!(
            (gold.area() - (260.0 * 30.0 + 40.0 * 30.0)).abs() < 130.0,
            "{}",
            gold.area()
        );
        assert_eq!(gold.contours().len(), 2);
    }
}

#[test]
fn neighbours_share_their_border_exactly() {
    let tracing = trace_colours(&painted(Some(85)), "crest", 0.0).expect("a picture");
    let whole = tracing.artwork.outline.area();
    assert!(
        (area(&tracing) / whole - 1.0).abs() < 1e-5,
        "{} {whole}",
        area(&tracing)
    );
    // Every curve bounds one region and the paper, or two regions, once each way.
    let ends = |s: kurbo::PathSeg| {
        use kurbo::ParamCurve;
        [s.start(), s.eval(0.5), s.end()].map(|p| [p.x, p.y].map(|v| (v * 1e6).round() as i64))
    };
    let mut seen: BTreeSet<[[i64; 2]; 3]> = BTreeSet::new();
    for region in &tracing.regions {
        for segment in region.outline.contours().iter().flat_map(BezPath::segments) {
            assert!(
                seen.insert(ends(segment)),
                "two regions on one side of a border"
            );
        }
    }
    let shared = seen
        .iter()
        .filter(|[a, m, b]| seen.contains(&[*b, *m, *a]))
        .count();
    assert!(shared >= 8, "{shared} of {}", seen.len());
}

#[test]
fn an_overlap_reaches_under_what_comes_after() {
    let plain = trace_colours(&painted(None), "crest", 0.0).expect("a picture");
    let layered = trace_colours(&painted(None), "crest", 3.0).expect("a picture");
    let areas = |t: &Tracing| {
        t.regions
            .iter()
            .map(|r| r.outline.area())
            .collect::<Vec<_>>()
    };
    let (before, after) = (areas(&plain), areas(&layered));
    assert!(after[0] > before[0] + 300.0, "{before:?} {after:?}");
    assert!(
        (after[2] - before[2]).abs() < 1.0,
        "the topmost stays as it is"
    );
    assert!((layered.artwork.outline.area() - plain.artwork.outline.area()).abs() < 1e-6);
    let grown = layered.regions[0].outline.bounding_box();
    let whole = layered.artwork.outline.bounding_box();
    assert!(
        grown.x0 >= whole.x0 - 0.01 && grown.x1 <= whole.x1 + 0.01,
        "not into the paper"
    );
}

#[test]
fn the_drawing_has_a_group_for_each_colour() {
    let tracing = trace_colours(&painted(None), "crest", 0.0).expect("a picture");
    let svg = coloured_drawing(&tracing);
    let ids: Vec<&str> = svg
        .split("id=\"")
        .skip(1)
        .filter_map(|s| s.split('"').next())
        .collect();
    assert_eq!(ids.len(), 3, "{ids:?}");
    let read = read_groups(svg.as_bytes(), "crest.svg", &ids).expect("its own drawing");
    for ((_, outline), region) in read.groups.iter().zip(&tracing.regions) {
        assert!((outline.area() / region.outline.area() - 1.0).abs() < 1e-4);
    }
}
