//! An emblem that has no mirror symmetry, followed through the stage.

use kurbo::{BezPath, ParamCurveMoments, Shape};
use measures::{AsCut, CutFrom, Mm, Outline};

/// A flag on a pole: the cloth points right as worn, with a hole near its free end.
fn flag() -> Outline<Mm> {
    let contours = [
        "M10 20 L50 26 L16 32 L16 60 L10 60 Z",
        "M34 25.5 C36 25.5 36 27.5 34 27.5 C32 27.5 32 25.5 34 25.5 Z",
    ];
    let contours = contours
        .map(|d| BezPath::from_svg(d).expect("valid path"))
        .to_vec();
    Outline::from_contours(contours, &[false, true])
}

/// Middle of the filled area, from the left edge of the bounding box, as a share of the width.
fn balance<H>(outline: &Outline<Mm, H>) -> f64 {
    let path = outline.to_path();
    let moments = path.moments();
    let frame = outline.bounding_box();
    (moments.moment_x / path.area() - frame.x0) / frame.width()
}

fn close(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-9
}

#[test]
fn cut_from_the_back_is_mirrored_left_to_right_once() {
    let worn = flag();
    let cut = mirror::for_cutting(worn.clone(), CutFrom::Back);
    assert!(close(balance(&cut), 1.0 - balance(&worn)));
    assert!(
        (balance(&worn) - 0.5).abs() > 0.05,
        "the flag must tell left from right"
    );
    // Top stays top: the pole's foot, the lowest edge, is now on the right.
    let foot = cut.contours()[0].segments().map(|s| s.reverse()).find(|s| {
        let b = s.bounding_box();
        close(b.y0, 40.0) && close(b.y1, 40.0)
    });
    assert!(foot.is_some_and(|f| close(f.bounding_box().x1, 40.0)));
}

#[test]
fn cut_from_the_face_stays_as_worn() {
    let worn = flag();
    let cut = mirror::for_cutting(worn.clone(), CutFrom::Face);
    assert!(close(balance(&cut), balance(&worn)));
}

#[test]
fn size_area_and_holes_survive() {
    for from in [CutFrom::Back, CutFrom::Face] {
        let worn = flag();
        let cut: Outline<Mm, AsCut> = mirror::for_cutting(worn.clone(), from);
        let (a, b) = (worn.bounding_box(), cut.bounding_box());
        assert!(close(a.width(), b.width()) && close(a.height(), b.height()));
        assert!(
            close(b.x0, 0.0) && close(b.y0, 0.0),
            "the outline begins at the origin"
        );
        assert!(close(worn.area(), cut.area()));
        assert!(cut.contours()[0].area() > 0.0 && cut.contours()[1].area() < 0.0);
    }
}
