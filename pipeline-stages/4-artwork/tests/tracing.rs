//! Pictures traced back to the outlines they show.

use std::io::Cursor;

use artwork::{Error, drawing, read, trace, trace_colours};
use image::{DynamicImage, ImageFormat, Rgb, RgbImage, Rgba, RgbaImage};
use kurbo::{Circle, PathSeg, Shape};

mod tracing_support;
use tracing_support::{GLYPHS, Making, glyph, paint, score};

fn png(image: &DynamicImage) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    image
        .write_to(&mut bytes, ImageFormat::Png)
        .expect("encodes");
    bytes.into_inner()
}

/// Two colours on a background, whole pixels only.
fn blocks(background: [u8; 3], ink: [u8; 3]) -> RgbImage {
    RgbImage::from_fn(80, 60, |x, y| {
        let inside = (10..50).contains(&x) && (20..45).contains(&y);
        Rgb(if inside { ink } else { background })
    })
}

#[test]
fn outlines_come_back_within_a_fraction_of_a_pixel() {
    let letters: Vec<char> = GLYPHS.chars().collect();
    for seed in 0..14u64 {
        let making = Making {
            size_px: 300.0 + (seed * 47) as f64,
            noise: (seed % 4) as f64 * 1.5,
            jpeg: (seed % 3 != 0).then_some(75 + (seed * 5 % 21) as u8),
        };
        let truth = glyph(
            letters[(seed * 5) as usize % letters.len()],
            seed % 2 == 0,
            making.size_px,
        );
        let traced = trace(&paint(&truth, &making, seed), "a.png").expect("a picture");
        let s = score(&truth, &traced.outline.to_path());
        assert!(
            s.mean_px <= 0.15 && s.p99_px <= 0.75,
            "{seed} {making:?}: {s:?}"
        );
        assert!(
            s.corner_px <= 1.0 && s.node_ratio <= 1.5,
            "{seed} {making:?}: {s:?}"
        );
        assert!(s.iou >= 0.995, "{seed} {making:?}: {s:?}");
    }
}

/// The sides of a thin stroke hardly meet: where noise makes them, its end stays where it is.
#[test]
fn ends_of_thin_strokes_are_not_carried_away() {
    for seed in 1..=200u32 {
        let mut state = seed;
        let picture = RgbImage::from_fn(101, 73, |x, y| {
            // Marsaglia 2003, "Xorshift RNGs".
            state ^= state << 13;
            state ^= state >> 17;
            state ^= state << 5;
            let inside = x == 40 && (12..60).contains(&y);
            let ink = if inside {
                [243, 190, 190]
            } else {
                [115, 115, 255]
            };
            let [a, b, ..] = state.to_le_bytes();
            Rgb([ink[0] + a % 3, ink[1] + b % 3, ink[2]])
        });
        let traced = trace_colours(&png(&picture.into()), "a.png", 0.5).expect("a picture");
        let frame = traced.artwork.outline.bounding_box();
        let seen = kurbo::Rect::new(40.0, 12.0, 41.0, 60.0);
        assert!(
            frame.union(seen.inflate(1.0, 1.0)) == seen.inflate(1.0, 1.0),
            "{seed}: {frame:?}"
        );
    }
}

/// A shape that the picture's edge cuts off ends there.
#[test]
fn shapes_at_the_pictures_edge_stay_within_it() {
    let frame = kurbo::Rect::new(0.0, 0.0, 101.0, 73.0);
    for seed in 1..=40u32 {
        let tall = 60.0 + f64::from(seed % 8);
        let picture = RgbImage::from_fn(101, 73, |x, y| {
            let (u, v) = ((f64::from(x) + 0.5) / 6.5, (f64::from(y) + 0.5) / tall);
            let grain = ((x * 7 + y * 13 + seed * 29) % 3) as u8;
            let inside = u.hypot(v) < 1.0;
            Rgb(if inside {
                [grain, 115, 115]
            } else {
                [115 + grain, 115, 115]
            })
        });
        let traced = trace_colours(&png(&picture.into()), "a.png", 0.5).expect("a picture");
        let seen = traced.artwork.outline.bounding_box();
        let near = frame.inflate(0.5, 0.5);
        assert!(near.union(seen) == near, "{seed}: {seen:?}");
    }
}

/// The top-left pixel covers (0, 0)–(1, 1).
#[test]
fn coordinates_are_pixels() {
    let traced = trace(&png(&blocks([255; 3], [20, 40, 90]).into()), "a.png").expect("a picture");
    let frame = traced.outline.bounding_box();
    for (a, b) in [
        (frame.x0, 10.0),
        (frame.y0, 20.0),
        (frame.x1, 50.0),
        (frame.y1, 45.0),
    ] {
        assert!((a - b).abs() < 0.05, "{frame:?}");
    }
}

#[test]
fn straight_edges_stay_straight_and_corners_sharp() {
    let traced = trace(&png(&blocks([255; 3], [20, 40, 90]).into()), "a.png").expect("a picture");
    let segments: Vec<PathSeg> = traced.outline.contours()[0].segments().collect();
    assert_eq!(segments.len(), 4);
    assert!(segments.iter().all(|s| matches!(s, PathSeg::Line(_))));
}

#[test]
fn circles_stay_round_with_few_nodes() {
    let circle = Circle::new((200.0, 200.0), 180.0);
    let making = Making {
        size_px: 0.0,
        noise: 0.0,
        jpeg: None,
    };
    let traced = trace(&paint(&circle.to_path(1e-6), &making, 1), "a.png").expect("a picture");
    let path = traced.outline.to_path();
    assert!(path.segments().count() <= 10, "{}", path.segments().count());
    assert!((path.area() / circle.area() - 1.0).abs() < 2e-3);
    let frame = path.bounding_box();
    assert!(
        (frame.width() / frame.height() - 1.0).abs() < 2e-3,
        "not distorted"
    );
}

#[test]
fn holes_are_holes_and_islands_islands() {
    let image = RgbImage::from_fn(120, 120, |x, y| {
        let ring = (20..100).contains(&x) && (20..100).contains(&y);
        let hole = (40..80).contains(&x) && (40..80).contains(&y);
        let island = (52..68).contains(&x) && (52..68).contains(&y);
        Rgb(if (ring && !hole) || island {
            [0; 3]
        } else {
            [255; 3]
        })
    });
    let outline = trace(&png(&image.into()), "a.png")
        .expect("a picture")
        .outline;
    assert_eq!(outline.contours().len(), 3);
    assert!(
        (outline.area() - (6400.0 - 1600.0 + 256.0)).abs() < 10.0,
        "{}",
        outline.area()
    );
}

#[test]
fn any_background_and_transparency_will_do() {
    let wanted = 40.0 * 25.0;
    let pictures: [DynamicImage; 3] = [
        blocks([20, 60, 30], [240, 230, 90]).into(),
        blocks([0; 3], [255; 3]).into(),
        RgbaImage::from_fn(80, 60, |x, y| {
            let inside = (10..50).contains(&x) && (20..45).contains(&y);
            Rgba([255, 255, 255, if inside { 255 } else { 0 }])
        })
        .into(),
    ];
    for picture in pictures {
        let area = trace(&png(&picture), "a.png")
            .expect("a picture")
            .outline
            .area();
        assert!((area - wanted).abs() < 4.0, "{area}");
    }
}

/// Pale and dark parts of one emblem are material alike; the palest colour sets the level.
#[test]
fn several_colours_are_one_outline() {
    let image = RgbImage::from_fn(120, 80, |x, y| {
        Rgb(match (x, y) {
            (10..=59, 10..=69) => [30, 30, 120],
            (60..=109, 10..=69) => [250, 190, 120],
            _ => [255; 3],
        })
    });
    let outline = trace(&png(&image.into()), "a.png")
        .expect("a picture")
        .outline;
    assert_eq!(outline.contours().len(), 1);
    assert!(
        (outline.area() - 100.0 * 60.0).abs() < 40.0,
        "{}",
        outline.area()
    );
}

#[test]
fn a_shape_that_runs_out_of_the_picture_is_closed_at_its_edge() {
    let image = RgbImage::from_fn(80, 60, |x, y| {
        Rgb(if x < 30 && (20..40).contains(&y) {
            [0; 3]
        } else {
            [255; 3]
        })
    });
    let outline = trace(&png(&image.into()), "a.png")
        .expect("a picture")
        .outline;
    assert!((outline.area() - 600.0).abs() < 4.0, "{}", outline.area());
    assert!(outline.bounding_box().x0.abs() < 0.6);
}

#[test]
fn dust_is_left_out_and_said() {
    let mut image = blocks([255; 3], [0; 3]);
    image.put_pixel(70, 5, Rgb([0; 3]));
    let traced = trace(&png(&image.into()), "a.png").expect("a picture");
    assert_eq!(traced.outline.contours().len(), 1);
    assert!(
        traced.notes.iter().any(|n| n.contains("speck")),
        "{:?}",
        traced.notes
    );
    assert!(traced.notes[0].contains("4 nodes"), "{:?}", traced.notes);
}

#[test]
fn what_is_no_picture_is_refused() {
    let refused = |bytes: &[u8]| {
        let error = trace(bytes, "a.png").expect_err("refused");
        assert!(error.to_string().contains("a.png"), "{error}");
        error
    };
    assert!(matches!(refused(b""), Error::Empty { .. }));
    refused(b"no picture at all");
    let whole = png(&blocks([255; 3], [0; 3]).into());
    refused(&whole[..whole.len() / 2]);
    let blank = png(&RgbImage::from_pixel(60, 60, Rgb([200; 3])).into());
    assert!(matches!(refused(&blank), Error::NoArea { .. }));
    let mut huge = whole;
    huge[16..24].copy_from_slice(&[0, 0, 0x4e, 0x20, 0, 0, 0x4e, 0x20]);
    refused(&huge);
    refused(&png(&RgbImage::new(1, 1).into()));
}

#[test]
fn same_picture_same_outline() {
    let making = Making {
        size_px: 400.0,
        noise: 3.0,
        jpeg: Some(80),
    };
    let bytes = paint(&glyph('R', true, 400.0), &making, 5);
    assert_eq!(trace(&bytes, "a.jpg"), trace(&bytes, "a.jpg"));
}

/// Traced, written as a drawing, read as a drawing: the same outline in the same place.
#[test]
fn a_tracing_can_be_kept_as_a_drawing() {
    let making = Making {
        size_px: 400.0,
        noise: 1.5,
        jpeg: Some(90),
    };
    let bytes = paint(&glyph('R', true, 400.0), &making, 5);
    let traced = read(&bytes, "a.jpg").expect("a picture");
    let again = read(drawing(&traced).as_bytes(), "a.svg").expect("a drawing");
    let (a, b) = (traced.outline.bounding_box(), again.outline.bounding_box());
    for (a, b) in [(a.x0, b.x0), (a.y0, b.y0), (a.x1, b.x1), (a.y1, b.y1)] {
        assert!((a - b).abs() < 0.002, "{a} {b}");
    }
    assert!((traced.outline.area() / again.outline.area() - 1.0).abs() < 1e-5);
    let nodes = |a: &measures::Artwork| {
        a.outline
            .contours()
            .iter()
            .map(|c| c.segments().count())
            .sum::<usize>()
    };
    assert_eq!(nodes(&traced), nodes(&again));
}
