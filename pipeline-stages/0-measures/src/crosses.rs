//! Placement crosses: marks outside an emblem that lie in the same place in the cut file of every
//! layer and on the press sheet, so that layers can be lined up.

use kurbo::{BezPath, Point, Rect};

/// How many crosses an emblem has.
pub const COUNT: usize = 3;
/// From the emblem's box to a cross's middle, in mm.
const DISTANCE_MM: f64 = 7.0;
/// From a cross's middle to the end of its arms, in mm.
const ARM_MM: f64 = 3.0;
/// Width of the arms, in mm.
const WIDTH_MM: f64 = 1.0;

/// The crosses' middles round an emblem's upright box, as worn: to the left, to the right, and the
/// one without a partner above, which shows the way up.
pub fn centres(frame: Rect) -> [Point; COUNT] {
    let middle = frame.center();
    [
        Point::new(frame.x0 - DISTANCE_MM, middle.y),
        Point::new(frame.x1 + DISTANCE_MM, middle.y),
        Point::new(middle.x, frame.y0 - DISTANCE_MM),
    ]
}

/// A cross as a closed contour of positive area.
pub fn outline(centre: Point) -> BezPath {
    let (a, w) = (ARM_MM, WIDTH_MM / 2.0);
    let corners = [
        (-w, -a),
        (w, -a),
        (w, -w),
        (a, -w),
        (a, w),
        (w, w),
        (w, a),
        (-w, a),
        (-w, w),
        (-a, w),
        (-a, -w),
        (-w, -w),
    ];
    let mut path = BezPath::new();
    for (i, (x, y)) in corners.into_iter().enumerate() {
        let p = centre + kurbo::Vec2::new(x, y);
        if i == 0 {
            path.move_to(p);
        } else {
            path.line_to(p);
        }
    }
    path.close_path();
    path
}

#[cfg(test)]
mod tests {
    use kurbo::Shape;

    use super::*;

    #[test]
    fn crosses_are_closed_areas_outside_the_emblem() {
        let frame = Rect::new(10.0, 20.0, 60.0, 90.0);
        for centre in centres(frame) {
            let cross = outline(centre);
            assert!((cross.area() - 11.0).abs() < 1e-9, "{}", cross.area());
            assert!(frame.intersect(cross.bounding_box()).area() <= 0.0);
        }
    }
}
