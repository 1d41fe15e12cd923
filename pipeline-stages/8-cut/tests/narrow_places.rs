//! Necks and gaps of known width, planted and looked for.

use cut::{Narrow, NarrowPlace, narrow_places, thickening};
use kurbo::{Affine, BezPath, Point, Rect, Shape, Vec2};
use measures::{Mm, Outline};

const WIDTHS_MM: [f64; 9] = [0.2, 0.3, 0.5, 0.8, 1.0, 1.5, 2.0, 2.5, 3.0];
const LIMIT_MM: f64 = 3.2;

fn outline(contours: &[&str], holes: &[bool], turn_deg: f64) -> Outline<Mm> {
    let turn = Affine::rotate(turn_deg.to_radians());
    let contours = contours
        .iter()
        .map(|d| turn * BezPath::from_svg(d).expect("valid"))
        .collect();
    Outline::from_contours(contours, holes)
}

fn only(places: &[NarrowPlace], kind: Narrow) -> NarrowPlace {
    assert_eq!(places.len(), 1, "{places:?}");
    assert_eq!(places[0].kind, kind);
    places[0]
}

/// Two squares joined by a bar.
fn dumbbell(width: f64, turn_deg: f64) -> Outline<Mm> {
    let (a, b) = (10.0 - width / 2.0, 10.0 + width / 2.0);
    let d = format!("M0 0 H20 V{a} H30 V0 H50 V20 H30 V{b} H20 V20 H0 Z");
    outline(&[&d], &[false], turn_deg)
}

#[test]
fn straight_necks_are_found_with_their_width() {
    for width in WIDTHS_MM {
        for turn_deg in [0.0, 17.0, 45.0] {
            let place = only(
                &narrow_places(&dumbbell(width, turn_deg), LIMIT_MM, 0.0),
                Narrow::Stroke,
            );
            assert!(
                (place.width_mm - width).abs() < 0.05,
                "{width} {turn_deg}: {place:?}"
            );
            let middle = Affine::rotate(f64::to_radians(turn_deg)) * Point::new(25.0, 10.0);
            assert!(middle.distance(place.at.into()) < 8.0, "{place:?}");
            assert!(place.length_mm > 5.0 && place.length_mm < 14.0, "{place:?}");
        }
    }
}

/// An hourglass: the narrowest spot has no straight piece.
#[test]
fn round_necks_are_found_where_they_are_narrowest() {
    for width in WIDTHS_MM {
        let (a, b) = (20.0 - width / 2.0, 20.0 + width / 2.0);
        let d = format!(
            "M0 0 H10 C18 0 18 {a} 25 {a} C32 {a} 32 0 40 0 H50 V40 H40 C32 40 32 {b} 25 {b} C18 {b} 18 40 10 40 H0 Z"
        );
        let place = only(
            &narrow_places(&outline(&[&d], &[false], 31.0), LIMIT_MM, 0.0),
            Narrow::Stroke,
        );
        assert!((place.width_mm - width).abs() < 0.05, "{width}: {place:?}");
        let middle = Affine::rotate(31f64.to_radians()) * Point::new(25.0, 20.0);
        assert!(middle.distance(place.at.into()) < 0.3, "{width}: {place:?}");
    }
}

#[test]
fn gaps_are_found_with_their_width() {
    for width in WIDTHS_MM {
        let right = format!("M{} 0 h20 v20 h-20 Z", 20.0 + width);
        let pair = outline(&["M0 0 H20 V20 H0 Z", &right], &[false, false], 12.0);
        let place = only(&narrow_places(&pair, 0.0, LIMIT_MM), Narrow::Gap);
        assert!((place.width_mm - width).abs() < 0.05, "{width}: {place:?}");
        assert!(narrow_places(&pair, LIMIT_MM, 0.0).is_empty());
        let slot = format!("M10 10 h{width} v30 h-{width} Z");
        let slotted = outline(&["M0 0 H50 V50 H0 Z", &slot], &[false, true], 12.0);
        let place = only(&narrow_places(&slotted, 0.0, LIMIT_MM), Narrow::Gap);
        assert!((place.width_mm - width).abs() < 0.05, "{width}: {place:?}");
    }
}

#[test]
fn small_dots_and_holes_count() {
    let dot = |r: f64| kurbo::Circle::new((10.0, 10.0), r).to_path(1e-6).to_svg();
    let island = outline(&[&dot(0.6)], &[false], 0.0);
    let place = only(&narrow_places(&island, 2.0, 0.0), Narrow::Stroke);
    assert!((place.width_mm - 1.2).abs() < 0.05, "{place:?}");
    let pierced = outline(&["M0 0 H20 V20 H0 Z", &dot(0.4)], &[false, true], 0.0);
    let place = only(&narrow_places(&pierced, 2.0, 2.0), Narrow::Gap);
    assert!((place.width_mm - 0.8).abs() < 0.05, "{place:?}");
}

/// Whatever is a tenth above the limit must not be reported, corners or no corners.
#[test]
fn no_false_alarm_a_tenth_above_the_limit() {
    for width in WIDTHS_MM {
        let limit = width / 1.1;
        assert!(
            narrow_places(&dumbbell(width, 23.0), limit, limit).is_empty(),
            "{width}"
        );
        let ring = [
            kurbo::Circle::new((0.0, 0.0), 15.0).to_path(1e-6).to_svg(),
            kurbo::Circle::new((0.0, 0.0), 15.0 - width)
                .to_path(1e-6)
                .to_svg(),
        ];
        let ring = outline(&[&ring[0], &ring[1]], &[false, true], 0.0);
        assert!(narrow_places(&ring, limit, limit).is_empty(), "{width}");
    }
    let corners = [
        "M0 0 H40 V40 H0 Z",
        "M0 0 L40 0 L20 34.6 Z",
        "M0 0 L40 0 L40 40 L30 28 L20 40 L10 28 L0 40 Z",
        "M20 0 C20 0 40 20 40 30 C40 45 0 45 0 30 C0 20 20 0 20 0 Z",
    ];
    for d in corners {
        let places = narrow_places(&outline(&[d], &[false], 8.0), 1.5, 1.0);
        assert!(places.is_empty(), "{d}: {places:?}");
    }
    let mut star = BezPath::new();
    for i in 0..10 {
        let at = Point::ORIGIN
            + if i % 2 == 0 { 30.0 } else { 12.0 } * Vec2::from_angle(f64::from(i) * 0.628_318_5);
        star.push(if i == 0 {
            kurbo::PathEl::MoveTo(at)
        } else {
            kurbo::PathEl::LineTo(at)
        });
    }
    star.close_path();
    assert!(
        narrow_places(
            &Outline::<Mm>::from_contours(vec![star], &[false]),
            1.5,
            1.0
        )
        .is_empty()
    );
}

/// A point of 20° is narrower than 1.5 mm over its last 4 mm: it will not hold.
#[test]
fn needle_points_are_narrow_places() {
    let needle = outline(&["M0 0 H40 L20 113.4 Z"], &[false], 0.0);
    let place = only(&narrow_places(&needle, 1.5, 1.0), Narrow::Stroke);
    assert!(place.at.y > 112.0 && place.width_mm < 0.2, "{place:?}");
    assert!((place.length_mm - 4.2).abs() < 0.5, "{place:?}");
}

#[test]
fn a_place_is_described_for_a_shop() {
    let neck = dumbbell(0.8, 0.0);
    let place = only(&narrow_places(&neck, 1.5, 0.0), Narrow::Stroke);
    let words = place.words(neck.bounding_box(), 1.5);
    assert!(
        words.starts_with("Material only 0.8 mm wide over 10 mm"),
        "{words}"
    );
    assert!(
        words.contains("10 mm from the top") && words.contains("needs 1.5 mm"),
        "{words}"
    );
}

#[test]
fn several_places_are_told_apart_and_sorted() {
    let comb = "M0 0 H60 V5 H54.5 V30 H53.5 V5 H36 V30 H35.2 V5 H15 V30 H14.4 V5 H0 Z";
    let places = narrow_places(&outline(&[comb], &[false], 0.0), 1.5, 0.0);
    let widths: Vec<f64> = places
        .iter()
        .map(|p| (p.width_mm * 10.0).round() / 10.0)
        .collect();
    assert_eq!(widths, [0.6, 0.8, 1.0], "{places:?}");
    assert!((places[0].at.x - 14.7).abs() < 0.1, "{places:?}");
}

#[test]
fn nothing_is_asked_nothing_is_found() {
    assert!(narrow_places(&dumbbell(0.2, 0.0), 0.0, 0.0).is_empty());
    let empty = Outline::<Mm>::from_contours(Vec::new(), &[]);
    assert!(narrow_places(&empty, 1.0, 1.0).is_empty());
    let big = Rect::new(0.0, 0.0, 400.0, 400.0).to_path(0.1);
    let start = std::time::Instant::now();
    assert!(narrow_places(&Outline::<Mm>::from_contours(vec![big], &[false]), 1.5, 1.0).is_empty());
    assert!(start.elapsed().as_secs() < 5);
}

/// Cubics whose handles lie on their ends crowd samples into the corners.
#[test]
fn unevenly_drawn_corners_are_no_narrow_places() {
    let arrow = "M20 0 C20 0 34 24 34 24 C34 24 26 22 26 22 C26 22 26 50 26 50 C26 50 14 50 14 50 \
                 C14 50 14 22 14 22 C14 22 6 24 6 24 C6 24 20 0 20 0 Z";
    let places = narrow_places(&outline(&[arrow], &[false], 3.0), 1.5, 1.0);
    assert!(places.is_empty(), "{places:?}");
}

fn thickened(width: f64, limit: f64) -> Outline<Mm> {
    let before = dumbbell(width, 0.0);
    let need = thickening(&before, Narrow::Stroke, limit);
    assert!(need.take.is_empty());
    assert!(
        (need.deviation_mm - (limit - width) / 2.0).abs() < 0.02,
        "{}",
        need.deviation_mm
    );
    // The bar by itself is what is added: no more than the limit's width, and only there.
    let added: Vec<BezPath> = need.add;
    for area in &added {
        let frame = area.bounding_box();
        assert!((frame.height() - limit).abs() < 0.05, "{frame:?}");
        assert!(frame.x0 > 18.0 && frame.x1 < 32.0, "{frame:?}");
    }
    Outline::from_contours(added.clone(), &vec![false; added.len()])
}

#[test]
fn thickening_brings_a_neck_to_the_limit_and_touches_nothing_else() {
    for (width, limit) in [(0.3, 1.5), (0.8, 1.5), (1.4, 1.5)] {
        assert!(!thickened(width, limit).contours().is_empty());
    }
    let wide = thickening(&dumbbell(2.0, 0.0), Narrow::Stroke, 1.5);
    assert!(wide.add.is_empty() && wide.take.is_empty());
}

/// A curve that leaves an edge at a narrow angle is too fine at its very tip, but a pen would leave
/// a knob there.
#[test]
fn points_are_left_as_drawn() {
    let tip = outline(&["M0 0 Q0.5 1.4 6 2 V8 H0 Z"], &[false], 0.0);
    let places = narrow_places(&tip, 1.5, 0.0);
    assert!(!places.is_empty() && places[0].width_mm < 0.2, "{places:?}");
    let need = thickening(&tip, Narrow::Stroke, 1.5);
    assert!(need.add.is_empty() && need.take.is_empty(), "{need:?}");
}
