//! Drawings as drawing programs write them.

use artwork::{Error, read_svg};
use kurbo::{Circle, Point, Rect, Shape};
use measures::{Art, Artwork, Outline};

fn read(svg: &str) -> Artwork {
    read_svg(svg.as_bytes(), "a.svg").unwrap_or_else(|e| panic!("{e}\n{svg}"))
}

fn area(svg: &str) -> Outline<Art> {
    read(svg).outline
}

/// A drawing of 100 × 100 user units.
fn square_page(content: &str) -> String {
    format!("<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 100 100'>{content}</svg>")
}

fn near(a: f64, b: f64, within: f64) -> bool {
    (a - b).abs() <= within
}

fn same_box(outline: &Outline<Art>, x0: f64, y0: f64, x1: f64, y1: f64) {
    let b = outline.bounding_box();
    let all = [(b.x0, x0), (b.y0, y0), (b.x1, x1), (b.y1, y1)];
    assert!(
        all.iter().all(|&(a, b)| near(a, b, 2e-4)),
        "{b:?}, not {:?}",
        Rect::new(x0, y0, x1, y1)
    );
}

const LEAF: &str = "M20 10 C40 0 60 0 80 10 C100 40 70 80 50 90 C30 80 0 40 20 10 Z";

#[test]
fn curves_stay_the_curves_they_were() {
    let outline = area(&square_page(&format!("<path d='{LEAF}'/>")));
    assert_eq!(outline.contours().len(), 1);
    let drawn = kurbo::BezPath::from_svg(LEAF).expect("valid");
    let segments: Vec<_> = outline.contours()[0].segments().collect();
    assert_eq!(segments.len(), 3, "not one node more");
    for segment in drawn.segments() {
        let same = |s: &kurbo::PathSeg| {
            let (a, b) = (s.to_cubic(), segment.to_cubic());
            [(a.p0, b.p0), (a.p1, b.p1), (a.p2, b.p2), (a.p3, b.p3)]
                .iter()
                .all(|(p, q)| p.distance(*q) < 1e-5)
        };
        assert!(segments.iter().any(|s| same(s) || same(&s.reverse())));
    }
}

#[test]
fn coordinates_are_those_of_the_view_box_whatever_the_page_size() {
    let shape = "<rect x='30' y='40' width='20' height='10'/>";
    let sizes = [
        "",
        "width='78mm' height='78mm'",
        "width='3in' height='3in'",
        "width='1000' height='500'",
        "width='50%' height='50%'",
        "width='200px' height='400px' preserveAspectRatio='none'",
        "width='200px' height='400px' preserveAspectRatio='xMinYMax slice'",
        "width='600' height='200' preserveAspectRatio='xMaxYMid meet'",
    ];
    for size in sizes {
        for origin in ["0 0", "-10 20"] {
            let svg = format!(
                "<svg xmlns='http://www.w3.org/2000/svg' {size} viewBox='{origin} 100 100'>{shape}</svg>"
            );
            same_box(&area(&svg), 30.0, 40.0, 50.0, 50.0);
        }
    }
}

#[test]
fn without_a_view_box_units_are_pixels() {
    for size in ["", "width='78mm' height='91mm'", "width='300' height='300'"] {
        let svg = format!(
            "<svg xmlns='http://www.w3.org/2000/svg' {size}><rect x='30' y='40' width='20' height='10'/></svg>"
        );
        same_box(&area(&svg), 30.0, 40.0, 50.0, 50.0);
    }
}

/// CSS Values and Units 3, section 6.2: 1 in = 2.54 cm = 25.4 mm = 72 pt = 6 pc = 96 px.
#[test]
fn lengths_with_units() {
    for inch in ["1in", "2.54cm", "25.4mm", "72pt", "6pc", "96px", "96"] {
        let svg = format!(
            "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 300 300'><rect width='{inch}' height='{inch}'/></svg>"
        );
        same_box(&area(&svg), 0.0, 0.0, 96.0, 96.0);
    }
}

#[test]
fn groups_transforms_and_repeats() {
    let outline = area(&square_page(
        "<defs><rect id='r' width='10' height='5'/></defs>
         <g transform='translate(20 30)'><g transform='scale(2)'><use href='#r' x='5'/></g></g>
         <use href='#r' transform='rotate(90 50 50)' x='50' y='50'/>",
    ));
    assert_eq!(outline.contours().len(), 2);
    same_box(&outline, 30.0, 30.0, 50.0, 60.0);
    assert!(near(outline.area(), 200.0 + 50.0, 0.01));
}

#[test]
fn both_fill_rules() {
    let star = "M50 5 L76 86 L7 36 L93 36 L24 86 Z";
    let whole = area(&square_page(&format!(
        "<path d='{star}' fill-rule='nonzero'/>"
    )));
    let holed = area(&square_page(&format!(
        "<path d='{star}' fill-rule='evenodd'/>"
    )));
    assert_eq!(whole.contours().len(), 1);
    assert_eq!(
        holed.contours().len(),
        5,
        "five points, touching at corners"
    );
    assert!(whole.area() > holed.area() * 1.3);
    let nested = "M0 0 H100 V100 H0 Z M20 20 H80 V80 H20 Z";
    assert!(near(
        area(&square_page(&format!("<path d='{nested}'/>"))).area(),
        10_000.0,
        0.01
    ));
    let ring = area(&square_page(&format!(
        "<path d='{nested}' fill-rule='evenodd'/>"
    )));
    assert!(near(ring.area(), 6400.0, 0.01));
    assert!(ring.contours()[0].area() > 0.0 && ring.contours()[1].area() < 0.0);
}

#[test]
fn overlaps_are_united_with_their_curves() {
    let outline = area(&square_page(
        "<circle cx='40' cy='50' r='30'/><circle cx='60' cy='50' r='30' fill='red'/>",
    ));
    assert_eq!(outline.contours().len(), 1);
    // Two circles of radius r at distance d overlap by 2r²acos(d/2r) − (d/2)√(4r² − d²).
    let (r, d) = (30.0f64, 20.0f64);
    let lens = 2.0 * r * r * (d / (2.0 * r)).acos() - d / 2.0 * (4.0 * r * r - d * d).sqrt();
    let united = 2.0 * std::f64::consts::PI * r * r - lens;
    assert!(
        near(outline.area() / united, 1.0, 1e-4),
        "{} {united}",
        outline.area()
    );
    let segments = outline.contours()[0].segments().count();
    assert!(segments <= 16, "{segments} segments");
    for s in outline.contours()[0].segments() {
        assert!(
            matches!(s, kurbo::PathSeg::Cubic(_)),
            "no straight line in it"
        );
    }
}

#[test]
fn white_takes_away_and_says_so() {
    let artwork = read(&square_page(
        "<rect width='100' height='100' fill='#fff'/>
         <circle cx='50' cy='50' r='40' fill='navy'/>
         <circle cx='50' cy='50' r='20' fill='white'/>
         <rect x='45' y='45' width='10' height='10' fill='gold'/>",
    ));
    assert_eq!(artwork.outline.contours().len(), 3);
    let expected = std::f64::consts::PI * (1600.0 - 400.0) + 100.0;
    assert!(near(artwork.outline.area() / expected, 1.0, 1e-5));
    assert!(
        artwork.notes.iter().any(|n| n.contains("white")),
        "{:?}",
        artwork.notes
    );
}

#[test]
fn an_all_white_drawing_is_material() {
    let artwork = read(&square_page(
        "<path fill='#ffffff' d='M10 10 H90 V90 H10 Z'/>",
    ));
    assert!(near(artwork.outline.area(), 6400.0, 0.01));
    assert!(artwork.notes.iter().any(|n| n.contains("white")));
}

#[test]
fn lines_become_areas_of_their_width() {
    let artwork = read(&square_page(
        "<path d='M10 50 H90' fill='none' stroke='black' stroke-width='6'/>",
    ));
    same_box(&artwork.outline, 10.0, 47.0, 90.0, 53.0);
    assert!(artwork.notes.iter().any(|n| n.contains("line")));
    let ring = area(&square_page(
        "<circle cx='50' cy='50' r='30' fill='none' stroke='red' stroke-width='10'/>",
    ));
    assert_eq!(ring.contours().len(), 2);
    let expected = std::f64::consts::PI * (35.0 * 35.0 - 25.0 * 25.0);
    assert!(
        near(ring.area() / expected, 1.0, 5e-5),
        "{}",
        ring.area() / expected
    );
    // A line round a filled shape belongs to what is seen.
    let fat = area(&square_page(
        "<rect x='20' y='20' width='60' height='60' stroke='black' stroke-width='4'/>",
    ));
    same_box(&fat, 18.0, 18.0, 82.0, 82.0);
    assert_eq!(fat.contours().len(), 1);
}

#[test]
fn clips_cut_off() {
    let outline = area(&square_page(
        "<clipPath id='c'><rect x='0' y='0' width='50' height='100'/></clipPath>
         <g clip-path='url(#c)'><circle cx='50' cy='50' r='40'/></g>",
    ));
    same_box(&outline, 10.0, 10.0, 50.0, 90.0);
    assert!(near(
        outline.area() / (std::f64::consts::PI * 800.0),
        1.0,
        1e-4
    ));
    // A clip larger than the drawing leaves its curves alone.
    let whole = area(&square_page(&format!(
        "<clipPath id='c'><rect width='100' height='100'/></clipPath><path clip-path='url(#c)' d='{LEAF}'/>"
    )));
    assert_eq!(whole.contours()[0].segments().count(), 3);
}

#[test]
fn what_is_not_seen_is_not_cut() {
    let outline = area(&square_page(
        "<rect x='10' y='10' width='10' height='10'/>
         <rect x='60' width='40' height='40' display='none'/>
         <rect x='60' width='40' height='40' visibility='hidden'/>
         <rect x='60' width='40' height='40' opacity='0'/>
         <rect x='60' width='40' height='40' fill-opacity='0'/>
         <rect x='60' width='40' height='40' fill='none'/>
         <defs><rect x='60' width='40' height='40'/></defs>
         <g style='display:none'><text>hidden</text></g>",
    ));
    same_box(&outline, 10.0, 10.0, 20.0, 20.0);
}

#[test]
fn style_sheets_count() {
    let outline = area(&square_page(
        "<style>.off{display:none} path{fill-rule:evenodd}</style>
         <path d='M0 0 H100 V100 H0 Z M20 20 H80 V80 H20 Z'/>
         <rect class='off' x='30' y='30' width='10' height='10'/>",
    ));
    assert!(near(outline.area(), 6400.0, 0.01));
}

#[test]
fn open_shapes_are_closed_as_drawn() {
    let outline = area(&square_page("<path d='M10 10 L90 10 L50 80'/>"));
    assert!(near(outline.area(), 2800.0, 0.01));
    assert!(matches!(
        outline.contours()[0].elements().last(),
        Some(kurbo::PathEl::ClosePath)
    ));
}

#[test]
fn self_crossing_paths_become_simple() {
    let outline = area(&square_page(
        "<path d='M10 10 C90 90 90 90 90 50 C90 10 90 10 10 90 Z'/>",
    ));
    for contour in outline.contours() {
        assert!(contour.segments().count() < 12);
    }
    assert!(outline.area() > 0.0);
}

#[test]
fn the_result_lies_on_what_was_drawn() {
    let outline = area(&square_page(
        "<circle cx='40' cy='40' r='30'/><ellipse cx='60' cy='62' rx='35' ry='20'/><rect x='5' y='60' width='70' height='12'/>",
    ));
    let circle = Circle::new((40.0, 40.0), 30.0);
    let ellipse = kurbo::Ellipse::new((60.0, 62.0), (35.0, 20.0), 0.0);
    let inside = |p: Point| {
        circle.contains(p) || ellipse.contains(p) || Rect::new(5.0, 60.0, 75.0, 72.0).contains(p)
    };
    for s in outline.contours().iter().flat_map(kurbo::BezPath::segments) {
        for t in [0.1, 0.37, 0.5, 0.83] {
            use kurbo::{ParamCurve, ParamCurveDeriv};
            let (p, v) = (s.eval(t), s.to_cubic().deriv().eval(t).to_vec2());
            let normal = kurbo::Vec2::new(-v.y, v.x) * (0.03 / v.hypot());
            assert_ne!(
                inside(p + normal),
                inside(p - normal),
                "{p} lies on no edge"
            );
        }
    }
}

/// Handles of no length: the curve starts infinitely slowly.
#[test]
fn corners_with_retracted_handles_stay_curves() {
    let drop = "M4 44 C4 44 19 37 25 35 C31 33 91 4 91 4 C91 4 60 60 70 80 C70 80 30 70 4 44 Z";
    let outline = area(&square_page(&format!("<path d='{drop}'/>")));
    assert_eq!(outline.contours()[0].segments().count(), 4);
}

fn refusal(svg: &str) -> Error {
    let error = read_svg(svg.as_bytes(), "a.svg").expect_err("must be refused");
    assert!(error.to_string().contains("a.svg"));
    error
}

#[test]
fn text_is_refused_with_its_line() {
    let error = refusal(&square_page(
        "\n<rect width='9' height='9'/>\n<text>Tern <tspan>Bay</tspan></text>",
    ));
    let Error::Text { line, seen, .. } = &error else {
        panic!("{error}")
    };
    assert_eq!((*line, seen.as_str()), (3, "Tern Bay"));
    assert!(error.to_string().contains("convert text to outlines"));
}

#[test]
fn broken_files_are_named_with_their_line() {
    assert!(matches!(refusal(""), Error::Empty { .. }));
    let cases = [
        "<svg xmlns='http://www.w3.org/2000/svg'>\n<path",
        "<svg>\n<g>\n</svg>",
    ];
    for (svg, wanted) in cases.iter().zip([2, 3]) {
        let error = refusal(svg);
        assert!(
            matches!(error, Error::Malformed { line, .. } if line == wanted),
            "{error}"
        );
    }
    let error = refusal(&square_page("\n<path d='M10 10 L20 20 L30 banana Z'/>"));
    assert!(matches!(error, Error::Malformed { line: 2, .. }), "{error}");
    assert!(matches!(
        refusal("<html><body/></html>"),
        Error::Malformed { .. }
    ));
    assert!(matches!(refusal("not a drawing"), Error::Malformed { .. }));
    let error = read_svg(b"\x1f\x8b\x08\0", "a.svgz").expect_err("compressed");
    assert!(matches!(error, Error::WrongFormat { .. }));
    let error = read_svg(b"<svg>\xff\xfe</svg>", "a.svg").expect_err("no UTF-8");
    assert!(matches!(error, Error::WrongFormat { .. }));
}

#[test]
fn nothing_to_cut_is_refused() {
    let empty = [
        "",
        "<path d='M10 10 L90 90' />",
        "<path d=''/>",
        "<rect width='0' height='10'/>",
        "<image href='data:image/png;base64,AAAA' width='10' height='10'/>",
        "<rect width='10' height='10' fill='black'/><rect width='20' height='20' fill='white'/>",
    ];
    for content in empty {
        let error = refusal(&square_page(content));
        assert!(matches!(error, Error::NoArea { .. }), "{content}: {error}");
    }
}

#[test]
fn sizes_without_sense_are_refused() {
    let shape = "<rect width='10' height='10'/>";
    for view_box in ["0 0 0 0", "0 0 -5 10", "0 0 NaN 10", "0 0 10"] {
        let svg =
            format!("<svg xmlns='http://www.w3.org/2000/svg' viewBox='{view_box}'>{shape}</svg>");
        assert!(matches!(refusal(&svg), Error::ViewBox { .. }), "{view_box}");
    }
    let zero =
        format!("<svg xmlns='http://www.w3.org/2000/svg' width='0' height='0'>{shape}</svg>");
    assert!(matches!(refusal(&zero), Error::Drawing { .. }));
    let far = square_page("<rect x='1e7' y='1e7' width='10' height='10'/>");
    assert!(matches!(refusal(&far), Error::FarAway { .. }));
    let beyond = square_page("<path d='M0 0 L1e300 0 L0 1e300 Z'/>");
    assert!(read_svg(beyond.as_bytes(), "a.svg").is_err());
}

#[test]
fn masks_are_refused() {
    let error = refusal(&square_page(
        "<mask id='m'><rect width='50' height='50' fill='white'/></mask><rect mask='url(#m)' width='90' height='90'/>",
    ));
    assert!(matches!(error, Error::NotAnOutline { .. }), "{error}");
}

#[test]
fn bombs_are_refused_quickly() {
    use std::fmt::Write;
    let start = std::time::Instant::now();
    let mut uses = "<rect id='u0' width='1' height='1'/>".to_owned();
    for i in 1..12 {
        let _ = write!(uses, "<g id='u{i}'>");
        for _ in 0..10 {
            let _ = write!(uses, "<use href='#u{}'/>", i - 1);
        }
        uses.push_str("</g>");
    }
    assert!(matches!(
        refusal(&square_page(&uses)),
        Error::TooComplex { .. }
    ));
    let mut chain = String::new();
    for i in 0..2000 {
        let _ = write!(chain, "<use id='c{}' href='#c{i}'/>", i + 1);
    }
    assert!(matches!(
        refusal(&square_page(&chain)),
        Error::TooComplex { .. }
    ));
    let deep = format!("{}{}", "<g>".repeat(5000), "</g>".repeat(5000));
    assert!(matches!(
        refusal(&square_page(&deep)),
        Error::TooComplex { .. }
    ));
    let circle = "<g id='a'><use href='#b'/></g><g id='b'><use href='#a'/></g>";
    assert!(matches!(
        refusal(&square_page(circle)),
        Error::TooComplex { .. }
    ));
    let mut laughs = "<!DOCTYPE svg [<!ENTITY e0 'ha'>".to_owned();
    for i in 1..15 {
        let _ = write!(
            laughs,
            "<!ENTITY e{i} '{}'>",
            format!("&e{};", i - 1).repeat(10)
        );
    }
    let laughs =
        format!("{laughs}]><svg xmlns='http://www.w3.org/2000/svg'><desc>&e14;</desc></svg>");
    assert!(matches!(refusal(&laughs), Error::Malformed { .. }));
    let many = "<rect width='1' height='1'/>".repeat(50_000);
    assert!(matches!(
        refusal(&square_page(&many)),
        Error::TooComplex { .. }
    ));
    let long = format!("<path d='M0 0{}'/>", " L1 1 L2 5".repeat(60_000));
    assert!(matches!(
        refusal(&square_page(&long)),
        Error::TooComplex { .. }
    ));
    assert!(start.elapsed().as_secs() < 10, "{:?}", start.elapsed());
}

#[test]
fn numbers_beyond_sense_are_refused_or_read_as_they_are() {
    for number in ["NaN", "1e308", "-1e308", "1e39", "1e999", "1e-320"] {
        for drawn in [
            format!("<path d='M0 0H{number}V9H0Z'/>"),
            format!("<rect width='9' height='{number}'/>"),
            format!("<circle cx='{number}' cy='5' r='4'/>"),
            format!("<ellipse cx='9' cy='5' rx='{number}' ry='4'/>"),
            format!("<g transform='scale({number})'><rect width='9' height='9'/></g>"),
            format!("<path fill='none' stroke='#000' stroke-width='{number}' d='M1 1H9'/>"),
            format!("<path d='M1 1A{number} 9 0 1 1 9 9Z'/>"),
        ] {
            let read = read_svg(square_page(&drawn).as_bytes(), "a.svg");
            let sound = |a: Artwork| a.outline.area() > 0.0 && a.outline.bounding_box().is_finite();
            assert!(read.is_err() || read.is_ok_and(sound), "{drawn}");
        }
        let page = format!(
            "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {number} 9'><rect width='9' height='9'/></svg>"
        );
        let read = read_svg(page.as_bytes(), "a.svg");
        assert!(
            read.is_err() || read.is_ok_and(|a| a.outline.area() > 0.0),
            "{page}"
        );
    }
}

/// Documents with an internal subset are what some drawing programs write.
#[test]
fn harmless_entities_are_read() {
    let svg = "<!DOCTYPE svg [<!ENTITY ns 'http://www.w3.org/2000/svg'>]><svg xmlns='&ns;' viewBox='0 0 9 9'><rect width='5' height='4'/></svg>";
    assert!(near(area(svg).area(), 20.0, 1e-4));
}

#[test]
fn same_bytes_same_outline() {
    let svg = square_page(
        "<circle cx='40' cy='40' r='30'/><circle cx='60' cy='60' r='30'/><path d='M1 1 L99 50 L1 99 Z'/>",
    );
    assert_eq!(read(&svg), read(&svg));
}

#[test]
fn open_outlines_are_closed_and_said() {
    let open = read(&square_page(
        "<path d='M10 10H90V90'/><path d='M1 1H9V9Z M1 20H9V29H1L1 20'/>",
    ));
    let said: Vec<&String> = open
        .notes
        .iter()
        .filter(|n| n.contains("open outline"))
        .collect();
    assert_eq!(said.len(), 1, "{:?}", open.notes);
    assert!(said[0].starts_with("1 open"), "{said:?}");
    let closed = read(&square_page("<path d='M10 10H90V90Z'/>"));
    assert!(closed.notes.iter().all(|n| !n.contains("open outline")));
}
