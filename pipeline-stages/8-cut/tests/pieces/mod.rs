//! Mixed irregular pieces, and how much of the material plain rows of their boxes use.

use std::f64::consts::TAU;

use cut::Settings;
use kurbo::{BezPath, Point, Rect, Shape, Vec2};
use measures::{AsCut, CutFrom, Mm, Outline};

/// Share of the material in pieces that stand in rows by their boxes, highest first.
pub(crate) fn use_in_rows(shapes: &[Outline<Mm, AsCut>], settings: &Settings) -> f64 {
    let mut boxes: Vec<kurbo::Size> = shapes.iter().map(|s| s.bounding_box().size()).collect();
    boxes.sort_by(|a, b| b.height.total_cmp(&a.height));
    let usable = settings.sheet_width_mm - 2.0 * settings.margin_mm;
    let (mut x, mut height) = (f64::INFINITY, -settings.spacing_mm);
    for size in boxes {
        if x + size.width > usable {
            x = 0.0;
            height += size.height + settings.spacing_mm;
        }
        x += size.width + settings.spacing_mm;
    }
    let area: f64 = shapes.iter().map(Outline::area).sum();
    area / (settings.sheet_width_mm * (height + 2.0 * settings.margin_mm))
}

/// Emblem-like pieces of 20 to 120 mm: crescents, anchors' hooks, triangles, stars, angles, rings,
/// wings.
pub(crate) fn mixed(seed: u64, count: usize) -> Vec<Outline<Mm, AsCut>> {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let mut uniform = |low: f64, high: f64| {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        low + (high - low) * (state >> 40) as f64 / f64::from(1 << 24)
    };
    (0..count)
        .map(|i| {
            let size = uniform(20.0, 120.0);
            let slender = uniform(0.4, 0.9);
            let turn = uniform(0.0, TAU);
            let contours = match i % 7 {
                0 => vec![crescent(size, slender)],
                1 => vec![polygon(&[
                    (0.0, 0.0),
                    (size, 0.0),
                    (size * slender, size * 0.8),
                ])],
                2 => vec![star(size / 2.0, slender, 5)],
                3 => vec![angle(size, size * 0.35 * slender)],
                4 => ring(size / 2.0, slender),
                5 => vec![wing(size, slender)],
                _ => vec![star(size / 2.0, 0.5 * slender, 3)],
            };
            let place = kurbo::Affine::rotate(turn);
            let holes: Vec<bool> = (0..contours.len()).map(|i| i > 0).collect();
            let contours = contours.into_iter().map(|c| place * c).collect();
            Outline::from_contours(contours, &holes).into_cut(CutFrom::Back)
        })
        .collect()
}

fn polygon(points: &[(f64, f64)]) -> BezPath {
    let mut path = BezPath::new();
    path.move_to(points[0]);
    points[1..].iter().for_each(|p| path.line_to(*p));
    path.close_path();
    path
}

fn star(radius: f64, inner: f64, points: u32) -> BezPath {
    let corners: Vec<(f64, f64)> = (0..2 * points)
        .map(|i| {
            let r = if i % 2 == 0 { radius } else { radius * inner };
            let at =
                Point::ORIGIN + r * Vec2::from_angle(TAU * f64::from(i) / f64::from(2 * points));
            (at.x, at.y)
        })
        .collect();
    polygon(&corners)
}

fn angle(size: f64, width: f64) -> BezPath {
    polygon(&[
        (0.0, 0.0),
        (size, 0.0),
        (size, width),
        (width, width),
        (width, size),
        (0.0, size),
    ])
}

fn ring(radius: f64, inner: f64) -> Vec<BezPath> {
    [radius, radius * inner]
        .map(|r| kurbo::Circle::new((0.0, 0.0), r).to_path(1e-4))
        .into()
}

fn crescent(size: f64, slender: f64) -> BezPath {
    let mut path = BezPath::new();
    path.move_to((0.0, 0.0));
    path.curve_to((size * 0.9, 0.0), (size * 0.9, size), (0.0, size));
    path.curve_to(
        (size * 0.9 * slender, size * 0.8),
        (size * 0.9 * slender, size * 0.2),
        (0.0, 0.0),
    );
    path.close_path();
    path
}

fn wing(size: f64, slender: f64) -> BezPath {
    let frame = Rect::new(0.0, 0.0, size, size * slender * 0.6);
    let mut path = BezPath::new();
    path.move_to((frame.x0, frame.y1));
    path.quad_to((frame.x0 + size * 0.2, frame.y0), (frame.x1, frame.y0));
    path.quad_to(
        (frame.x0 + size * 0.7, frame.y1 * 0.6),
        (frame.x0, frame.y1),
    );
    path.close_path();
    path
}
