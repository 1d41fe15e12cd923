//! Pictures of outlines that nobody here drew: glyphs of Noto Sans (SIL Open Font License), and how
//! well they were traced.

use std::io::Cursor;

use i_overlay::core::fill_rule::FillRule;
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::float::single::SingleFloatOverlay;
use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, GrayImage, ImageEncoder, ImageFormat, Luma};
use kurbo::{
    Affine, BezPath, ParamCurve, ParamCurveArclen, ParamCurveDeriv, ParamCurveNearest, PathSeg,
    Point, Shape,
};

/// How a picture is made.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Making {
    /// Longer side of the outline.
    pub(crate) size_px: f64,
    /// Standard deviation of the noise, of 255 grey levels.
    pub(crate) noise: f64,
    /// JPEG quality; PNG without.
    pub(crate) jpeg: Option<u8>,
}

/// How far a tracing lies from the truth.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Score {
    pub(crate) mean_px: f64,
    pub(crate) p99_px: f64,
    pub(crate) corner_px: f64,
    pub(crate) node_ratio: f64,
    pub(crate) iou: f64,
}

pub(crate) const GLYPHS: &str =
    "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789&@?!%$#";

/// The outline of a glyph, its longer side `size_px`, 8 px from the picture's corner.
pub(crate) fn glyph(letter: char, bold: bool, size_px: f64) -> BezPath {
    let data = if bold {
        notosans::BOLD_TTF
    } else {
        notosans::REGULAR_TTF
    };
    let face = ttf_parser::Face::parse(data, 0).expect("a font");
    let mut pen = Pen(BezPath::new());
    let glyph = face.glyph_index(letter).expect("in the font");
    face.outline_glyph(glyph, &mut pen).expect("has an outline");
    let frame = pen.0.bounding_box();
    let scale = size_px / frame.width().max(frame.height());
    let place = Affine::translate((8.0, 8.0))
        * Affine::scale_non_uniform(scale, -scale)
        * Affine::translate((-frame.x0, -frame.y1));
    place * pen.0
}

struct Pen(BezPath);

impl ttf_parser::OutlineBuilder for Pen {
    fn move_to(&mut self, x: f32, y: f32) {
        self.0.move_to((f64::from(x), f64::from(y)));
    }
    fn line_to(&mut self, x: f32, y: f32) {
        self.0.line_to((f64::from(x), f64::from(y)));
    }
    fn quad_to(&mut self, a: f32, b: f32, x: f32, y: f32) {
        self.0
            .quad_to((f64::from(a), f64::from(b)), (f64::from(x), f64::from(y)));
    }
    fn curve_to(&mut self, a: f32, b: f32, c: f32, d: f32, x: f32, y: f32) {
        let p = |x, y| Point::new(f64::from(x), f64::from(y));
        self.0.curve_to(p(a, b), p(c, d), p(x, y));
    }
    fn close(&mut self) {
        self.0.close_path();
    }
}

/// The outline as a dark shape on white, in a file.
pub(crate) fn paint(outline: &BezPath, making: &Making, seed: u64) -> Vec<u8> {
    let frame = outline.bounding_box();
    let (w, h) = (
        (frame.x1 + 8.0).ceil() as u32,
        (frame.y1 + 8.0).ceil() as u32,
    );
    let share = coverage(outline, w as usize, h as usize);
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let mut uniform = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f64 / f64::from(1 << 24)
    };
    let image = GrayImage::from_fn(w, h, |x, y| {
        let clean = 245.0 - 210.0 * share[(y * w + x) as usize];
        // The sum of twelve is normal enough.
        let normal: f64 = (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
        Luma([(clean + making.noise * normal).round().clamp(0.0, 255.0) as u8])
    });
    let mut bytes = Vec::new();
    match making.jpeg {
        Some(quality) => JpegEncoder::new_with_quality(&mut bytes, quality)
            .write_image(&image, w, h, ExtendedColorType::L8)
            .expect("encodes"),
        None => image
            .write_to(&mut Cursor::new(&mut bytes), ImageFormat::Png)
            .expect("encodes"),
    }
    bytes
}

/// Share of each pixel inside the outline: exact across on eight lines a pixel.
fn coverage(outline: &BezPath, w: usize, h: usize) -> Vec<f64> {
    const LINES: usize = 8;
    let mut edges: Vec<(Point, Point)> = Vec::new();
    let mut at = Point::ZERO;
    kurbo::flatten(outline, 0.01, |e| match e {
        kurbo::PathEl::MoveTo(p) => at = p,
        kurbo::PathEl::LineTo(p) => {
            edges.push((at, p));
            at = p;
        }
        _ => {}
    });
    let mut share = vec![0.0; w * h];
    let mut crossings: Vec<Vec<(f64, i32)>> = vec![Vec::new(); h * LINES];
    for (a, b) in edges {
        let (top, bottom, way) = if a.y < b.y { (a, b, 1) } else { (b, a, -1) };
        let line = |y: f64| (y * LINES as f64 - 0.5).ceil().max(0.0) as usize;
        let lines = line(top.y)..line(bottom.y).min(h * LINES);
        for (i, on_line) in crossings
            .iter_mut()
            .enumerate()
            .take(lines.end)
            .skip(lines.start)
        {
            let y = (i as f64 + 0.5) / LINES as f64;
            let x = top.x + (bottom.x - top.x) * (y - top.y) / (bottom.y - top.y);
            on_line.push((x, way));
        }
    }
    for (i, line) in crossings.iter_mut().enumerate() {
        line.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut turns = 0;
        for pair in line.windows(2) {
            turns += pair[0].1;
            if turns != 0 {
                let row = &mut share[(i / LINES) * w..(i / LINES + 1) * w];
                for (x, pixel) in row.iter_mut().enumerate() {
                    let inside = pair[1].0.min(x as f64 + 1.0) - pair[0].0.max(x as f64);
                    *pixel += inside.max(0.0) / LINES as f64;
                }
            }
        }
    }
    share
}

pub(crate) fn score(truth: &BezPath, traced: &BezPath) -> Score {
    let mut off: Vec<f64> = distances(traced, truth);
    off.extend(distances(truth, traced));
    off.sort_by(f64::total_cmp);
    let nodes = |p: &BezPath| p.segments().count() as f64;
    let ends: Vec<Point> = traced.segments().map(|s| s.start()).collect();
    let corner_px = true_corners(truth)
        .iter()
        .map(|c| ends.iter().map(|e| e.distance(*c)).fold(f64::MAX, f64::min))
        .fold(0.0, f64::max);
    Score {
        mean_px: off.iter().sum::<f64>() / off.len() as f64,
        p99_px: off[off.len() * 99 / 100],
        corner_px,
        node_ratio: nodes(traced) / nodes(truth),
        iou: overlap(truth, traced),
    }
}

fn distances(from: &BezPath, to: &BezPath) -> Vec<f64> {
    let segments: Vec<_> = to.segments().map(|s| (s, s.bounding_box())).collect();
    let distance = |p: Point| {
        let near = segments
            .iter()
            .filter(|(_, b)| b.inflate(5.0, 5.0).contains(p));
        near.map(|(s, _)| s.nearest(p, 1e-4).distance_sq)
            .fold(25.0, f64::min)
            .sqrt()
    };
    from.segments()
        .flat_map(|s| {
            let n = (s.arclen(0.1) / 2.0).ceil().max(1.0) as usize;
            (0..n).map(move |i| s.eval((i as f64 + 0.5) / n as f64))
        })
        .map(distance)
        .collect()
}

/// Places where the outline turns by more than 40° between sides of at least 6 px.
fn true_corners(path: &BezPath) -> Vec<Point> {
    let direction = |s: &PathSeg, t: f64| s.to_cubic().deriv().eval(t).to_vec2();
    let mut found = Vec::new();
    for contour in path
        .elements()
        .split_inclusive(|e| matches!(e, kurbo::PathEl::ClosePath))
    {
        let segments: Vec<PathSeg> = kurbo::segments(contour.iter().copied())
            .filter(|s| s.arclen(0.1) > 1e-6)
            .collect();
        for (a, b) in segments.iter().zip(segments.iter().cycle().skip(1)) {
            let (u, v) = (direction(a, 1.0 - 1e-6), direction(b, 1e-6));
            let turn = u.cross(v).atan2(u.dot(v)).abs().to_degrees();
            if turn > 40.0 && a.arclen(0.1) > 6.0 && b.arclen(0.1) > 6.0 {
                found.push(b.start());
            }
        }
    }
    found
}

fn overlap(a: &BezPath, b: &BezPath) -> f64 {
    let polygons = |path: &BezPath| {
        let mut rings: Vec<Vec<[f64; 2]>> = Vec::new();
        kurbo::flatten(path, 0.005, |e| match e {
            kurbo::PathEl::MoveTo(p) => rings.push(vec![[p.x, p.y]]),
            kurbo::PathEl::LineTo(p) => rings.last_mut().expect("moved").push([p.x, p.y]),
            _ => {}
        });
        rings
    };
    let (a, b) = (polygons(a), polygons(b));
    let area = |rule| {
        let shapes = a.overlay(&b, rule, FillRule::NonZero);
        let signed = |r: &Vec<[f64; 2]>| {
            let pairs = r.iter().zip(r.iter().cycle().skip(1));
            pairs.map(|(p, q)| p[0] * q[1] - q[0] * p[1]).sum::<f64>() / 2.0
        };
        shapes
            .iter()
            .map(|s| s.iter().map(signed).sum::<f64>().abs())
            .sum::<f64>()
    };
    area(OverlayRule::Intersect) / area(OverlayRule::Union)
}
