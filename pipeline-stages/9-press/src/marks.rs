//! Bars, crosses, arrows and figures that several pages draw.

use kurbo::{BezPath, Point, Rect, Shape, Vec2};

use crate::canvas::{BLACK, Faces, Mark, Page, Style, block, line, text, upright_text};

/// Length of the bars that check the printer, in mm.
pub(crate) const BAR_MM: f64 = 100.0;

/// Two crossing lines.
pub(crate) fn cross(at: Point, arm: f64, width_mm: f64) -> [Mark; 2] {
    let (across, down) = (Vec2::new(arm, 0.0), Vec2::new(0.0, arm));
    [
        line(at - across, at + across, width_mm, BLACK),
        line(at - down, at + down, width_mm, BLACK),
    ]
}

/// A ring for the first tick used, a square for the last, as in the overlay picture.
pub(crate) fn end_marks(first: Point, last: Point, aside: Vec2, radius: f64) -> [Mark; 2] {
    let ring = kurbo::Circle::new(first + aside, radius).to_path(1e-3);
    let square = Rect::from_center_size(last + aside, (2.0 * radius, 2.0 * radius)).to_path(1e-3);
    [ring, square].map(|path| Mark::Stroke {
        path,
        width_mm: 0.35,
        ink: BLACK,
        dash_mm: None,
    })
}

/// A bar of 100 mm to the right, with its tenths and its label.
pub(crate) fn check_bar_across(page: &mut Page, from: Point, faces: &Faces) {
    let to = from + Vec2::new(BAR_MM, 0.0);
    page.push(line(from, to, 0.4, BLACK));
    bar_tenths(page, from, Vec2::new(BAR_MM, 0.0), Vec2::new(0.0, -1.0));
    let label = "100 mm";
    let style = Style::bold(9.0);
    let at = from + Vec2::new(BAR_MM + 2.0, 1.1);
    page.push(text(at, style, label));
    let note = "check across";
    let beside = at + Vec2::new(faces.width_mm(label, style) + 2.0, 0.0);
    page.push(text(beside, Style::plain(8.0), note));
}

/// A bar of 100 mm down the page.
pub(crate) fn check_bar_down(page: &mut Page, from: Point) {
    let to = from + Vec2::new(0.0, BAR_MM);
    page.push(line(from, to, 0.4, BLACK));
    bar_tenths(page, from, Vec2::new(0.0, BAR_MM), Vec2::new(-1.0, 0.0));
    page.push(upright_text(
        from + Vec2::new(3.6, 62.0),
        Style::bold(9.0),
        "100 mm",
    ));
    page.push(upright_text(
        from + Vec2::new(3.4, 46.0),
        Style::plain(8.0),
        "check down",
    ));
}

fn bar_tenths(page: &mut Page, from: Point, way: Vec2, aside: Vec2) {
    for i in 0..=10 {
        let at = from + way * (f64::from(i) / 10.0);
        let length = if i % 10 == 0 {
            3.0
        } else if i == 5 {
            2.2
        } else {
            1.4
        };
        page.push(line(at, at + aside * length, 0.15, BLACK));
    }
}

/// Which edge is up.
pub(crate) fn up_arrow(page: &mut Page, tip: Point) {
    let mut head = BezPath::new();
    head.move_to(tip);
    head.line_to(tip + Vec2::new(3.0, 5.0));
    head.line_to(tip + Vec2::new(-3.0, 5.0));
    head.close_path();
    page.push(Mark::Fill {
        path: head,
        ink: BLACK,
    });
    let shaft = Rect::new(tip.x - 0.9, tip.y + 4.0, tip.x + 0.9, tip.y + 10.0);
    page.push(block(shaft, BLACK));
    page.push(text(tip + Vec2::new(4.5, 5.0), Style::bold(11.0), "UP"));
    page.push(text(
        tip + Vec2::new(4.5, 9.0),
        Style::plain(7.5),
        "as worn",
    ));
}

/// A figure with two significant digits (GUM, JCGM 100:2008, 7.2.6).
pub(crate) fn two_digits(x: f64) -> String {
    if !(x.is_finite() && x.abs() > 0.0) {
        return format!("{x:.1}");
    }
    let places = 1 - x.abs().log10().floor() as i32;
    format!("{x:.*}", places.clamp(0, 6) as usize)
}

/// An uncertainty to a hundredth, rounded up.
pub(crate) fn hundredths(u: f64) -> String {
    format!("{:.2}", ((u * 100.0).ceil() / 100.0).max(0.01))
}

pub(crate) fn two_places(x: f64) -> f64 {
    let rounded = (x * 100.0).round() / 100.0;
    if rounded == 0.0 { 0.0 } else { rounded }
}
