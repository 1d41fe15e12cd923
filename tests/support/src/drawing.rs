//! Parts that emblems are drawn from: closed Bézier contours.

use kurbo::{BezPath, Circle, Ellipse, ParamCurve, ParamCurveArclen, Point, Shape, Vec2};

/// A polygon.
pub(crate) fn polygon(points: &[(f64, f64)]) -> BezPath {
    let mut path = BezPath::new();
    for (i, &p) in points.iter().enumerate() {
        if i == 0 {
            path.move_to(p);
        } else {
            path.line_to(p);
        }
    }
    path.close_path();
    path
}

/// A polygon whose corners are rounded, each with tangent points at most `radius` from it.
pub(crate) fn rounded(points: &[(f64, f64)], radius: f64) -> BezPath {
    if radius <= 0.0 {
        return polygon(points);
    }
    let p: Vec<Point> = points.iter().map(|&p| p.into()).collect();
    let n = p.len();
    let mut path = BezPath::new();
    for i in 0..n {
        let (before, here, after) = (p[(i + n - 1) % n], p[i], p[(i + 1) % n]);
        let cut = |other: Point| {
            let to = other - here;
            here + to * (radius.min(0.45 * to.hypot()) / to.hypot())
        };
        let (a, b) = (cut(before), cut(after));
        if i == 0 {
            path.move_to(a);
        } else {
            path.line_to(a);
        }
        // Control points 0.552 of the way: a circle's quarter where the corner is square.
        path.curve_to(a.lerp(here, 0.552), b.lerp(here, 0.552), b);
    }
    path.close_path();
    path
}

/// A closed smooth curve through the points (Catmull & Rom 1974), with sharp corners where marked.
pub(crate) fn smooth(points: &[(f64, f64, bool)]) -> BezPath {
    let p: Vec<Point> = points.iter().map(|&(x, y, _)| Point::new(x, y)).collect();
    let n = p.len();
    let tangent = |i: usize| -> Vec2 {
        if points[i].2 {
            Vec2::ZERO
        } else {
            (p[(i + 1) % n] - p[(i + n - 1) % n]) / 6.0
        }
    };
    let mut path = BezPath::new();
    path.move_to(p[0]);
    for i in 0..n {
        let j = (i + 1) % n;
        path.curve_to(p[i] + tangent(i), p[j] - tangent(j), p[j]);
    }
    path.close_path();
    path
}

/// A circle.
pub(crate) fn circle(x: f64, y: f64, r: f64) -> BezPath {
    Circle::new((x, y), r).to_path(1e-5 * r)
}

/// An ellipse.
pub(crate) fn ellipse(x: f64, y: f64, rx: f64, ry: f64) -> BezPath {
    Ellipse::new((x, y), (rx, ry), 0.0).to_path(1e-5 * rx)
}

/// A rectangle with rounded corners.
pub(crate) fn bar(x0: f64, y0: f64, x1: f64, y1: f64, radius: f64) -> BezPath {
    rounded(&[(x0, y0), (x1, y0), (x1, y1), (x0, y1)], radius)
}

/// A star with `n` points.
pub(crate) fn star(x: f64, y: f64, n: usize, outer: f64, inner: f64, radius: f64) -> BezPath {
    let points: Vec<(f64, f64)> = (0..2 * n)
        .map(|k| {
            let r = if k % 2 == 0 { outer } else { inner };
            let (sin, cos) = (std::f64::consts::PI * k as f64 / n as f64).sin_cos();
            (x + r * sin, y - r * cos)
        })
        .collect();
    rounded(&points, radius)
}

/// A sector of a ring, from angle `a0` to `a1` (degrees, clockwise from the right).
pub(crate) fn ring_sector(x: f64, y: f64, r0: f64, r1: f64, a0: f64, a1: f64) -> BezPath {
    let arc = |r: f64, from: f64, to: f64| {
        kurbo::Arc::new(
            (x, y),
            (r, r),
            from.to_radians(),
            (to - from).to_radians(),
            0.0,
        )
    };
    let mut path: BezPath = arc(r1, a0, a1).path_elements(1e-5 * r1).collect();
    let back: BezPath = arc(r0, a1, a0).path_elements(1e-5 * r1).collect();
    for element in back {
        match element {
            kurbo::PathEl::MoveTo(p) => path.line_to(p),
            other => path.push(other),
        }
    }
    path.close_path();
    path
}

/// A wavy band: `waves` whole waves between x0 and x1.
pub(crate) fn wavy(x0: f64, x1: f64, y: f64, height: f64, thickness: f64, waves: usize) -> BezPath {
    let half = (x1 - x0) / (2 * waves) as f64;
    let mut path = BezPath::new();
    path.move_to((x0, y));
    for k in 0..2 * waves {
        let up = if k % 2 == 0 { -height } else { height };
        let x = x0 + half * k as f64;
        path.curve_to(
            (x + half / 3.0, y + up),
            (x + 2.0 * half / 3.0, y + up),
            (x + half, y),
        );
    }
    path.line_to((x1, y + thickness));
    for k in (0..2 * waves).rev() {
        let up = if k % 2 == 0 { -height } else { height };
        let x = x0 + half * k as f64;
        let y = y + thickness;
        path.curve_to(
            (x + 2.0 * half / 3.0, y + up),
            (x + half / 3.0, y + up),
            (x, y),
        );
    }
    path.close_path();
    path
}

/// A heater shield: straight top, sides that curve to a point below.
pub(crate) fn shield(x: f64, top: f64, half_width: f64, height: f64, corner: f64) -> BezPath {
    let (l, r, w, c) = (x - half_width, x + half_width, half_width, corner);
    let side = top + 0.42 * height;
    let mut path = BezPath::new();
    path.move_to((l + c, top));
    path.line_to((r - c, top));
    path.curve_to((r - 0.45 * c, top), (r, top + 0.45 * c), (r, top + c));
    path.line_to((r, side));
    path.curve_to(
        (r, side + 0.3 * height),
        (x + 0.45 * w, top + 0.88 * height),
        (x, top + height),
    );
    path.curve_to(
        (x - 0.45 * w, top + 0.88 * height),
        (l, side + 0.3 * height),
        (l, side),
    );
    path.line_to((l, top + c));
    path.curve_to((l, top + 0.45 * c), (l + 0.45 * c, top), (l + c, top));
    path.close_path();
    path
}

/// Points along a path, about `step` apart, each with the contour's closing segment included.
pub(crate) fn flattened(path: &BezPath, step: f64) -> Vec<Point> {
    let mut points = Vec::new();
    for segment in path.segments() {
        let length = segment.arclen(1e-3 * step);
        let n = (length / step).ceil().max(1.0) as usize;
        points.extend((0..n).map(|k| segment.eval(k as f64 / n as f64)));
    }
    points
}
