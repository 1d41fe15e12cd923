//! The order of cutting: inside before outside, so that no piece comes loose while something
//! inside it is still to be cut; among those allowed, the nearest next.

use kurbo::{BezPath, ParamCurve, Point, Rect, Shape};

use crate::sheet::Part;

/// Indices of `contours` in the order to cut them, the knife starting at `home`.
///
/// The contours must neither cross nor overlap.
pub(crate) fn cutting_order(contours: &[BezPath], home: Point) -> Vec<usize> {
    let outside = directly_or_indirectly_outside(contours);
    let mut waiting_inside = vec![0usize; contours.len()];
    for enclosing in outside.iter().flatten() {
        waiting_inside[*enclosing] += 1;
    }
    let starts: Vec<Point> = contours
        .iter()
        .map(|c| start_of(c).unwrap_or(home))
        .collect();
    let mut done = vec![false; contours.len()];
    let mut order = Vec::with_capacity(contours.len());
    let mut knife = home;
    while let Some(next) = (0..contours.len())
        .filter(|&i| !done[i] && waiting_inside[i] == 0)
        .min_by(|&a, &b| {
            knife
                .distance(starts[a])
                .total_cmp(&knife.distance(starts[b]))
        })
    {
        done[next] = true;
        knife = starts[next];
        order.push(next);
        for &enclosing in &outside[next] {
            waiting_inside[enclosing] -= 1;
        }
    }
    order
}

/// Indices of the parts in the order to cut them: one that lies in another's hole before it, and
/// else the nearest next; each is finished before the next begins.
pub(crate) fn piece_order(parts: &[Part], home: Point) -> Vec<usize> {
    // A part's largest contour stands for it.
    let outer: Vec<BezPath> = parts
        .iter()
        .map(|p| {
            let largest = p
                .contours
                .iter()
                .max_by(|a, b| a.area().total_cmp(&b.area()));
            largest.cloned().unwrap_or_default()
        })
        .collect();
    cutting_order(&outer, home)
}

/// For each contour, all contours that enclose it.
fn directly_or_indirectly_outside(contours: &[BezPath]) -> Vec<Vec<usize>> {
    let boxes: Vec<Rect> = contours.iter().map(Shape::bounding_box).collect();
    let encloses = |outer: usize, inner: usize| {
        outer != inner
            && boxes[outer].contains_rect(boxes[inner])
            && on_contour(&contours[inner]).is_some_and(|p| contours[outer].winding(p) != 0)
    };
    (0..contours.len())
        .map(|inner| {
            (0..contours.len())
                .filter(|&outer| encloses(outer, inner))
                .collect()
        })
        .collect()
}

pub(crate) fn start_of(contour: &BezPath) -> Option<Point> {
    contour.segments().next().map(|s| s.start())
}

/// A point in the middle of a segment: corners are where two contours may touch.
fn on_contour(contour: &BezPath) -> Option<Point> {
    contour.segments().next().map(|s| s.eval(0.5))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(x: f64, y: f64, side: f64) -> BezPath {
        Rect::new(x, y, x + side, y + side).to_path(0.1)
    }

    #[test]
    fn inside_comes_before_outside_at_any_depth() {
        let nest: Vec<_> = [0.0, 1.0, 2.0, 3.0]
            .iter()
            .map(|&i| square(i, i, 20.0 - 2.0 * i))
            .collect();
        assert_eq!(cutting_order(&nest, Point::ORIGIN), [3, 2, 1, 0]);
    }

    #[test]
    fn the_nearest_comes_next() {
        let row: Vec<_> = [30.0, 10.0, 20.0, 0.0]
            .iter()
            .map(|&x| square(x, 0.0, 5.0))
            .collect();
        let order = cutting_order(&row, Point::ORIGIN);
        assert_eq!(order, [3, 1, 2, 0]);
    }

    #[test]
    fn every_contour_is_cut_once() {
        let mut contours: Vec<_> = (0..30)
            .map(|i| square(f64::from(i * 7 % 30) * 10.0, 0.0, 8.0))
            .collect();
        contours.push(square(-1.0, -1.0, 400.0));
        let mut order = cutting_order(&contours, Point::ORIGIN);
        assert_eq!(order.last(), Some(&30));
        order.sort_unstable();
        assert!(order.iter().copied().eq(0..31));
    }
}
