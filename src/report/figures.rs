//! Figures for people: values with their uncertainties, sizes, links, outlines.

use kurbo::{BezPath, PathEl};

/// An uncertainty on its own, to a hundredth of a millimetre.
pub(super) fn uncertainty_mm(u: f64) -> String {
    format!("± {:.2} mm", u.max(0.01))
}

/// A figure with two significant digits, the usual form of an uncertainty (GUM, JCGM 100:2008,
/// 7.2.6).
pub(super) fn two_digits(x: f64) -> String {
    format!("{x:.*}", places(x))
}

/// A value rounded to the last digit of its expanded uncertainty.
pub(super) fn measured(value: f64, u: f64, unit: &str) -> String {
    // Nobody works finer than a hundredth of a millimetre or a degree.
    let finest = if unit == "mm" || unit == "°" { 2 } else { 4 };
    let places = places(u).min(finest);
    let space = if unit == "°" { "" } else { " " };
    // A rounded zero has no sign; an uncertainty is never rounded to nothing.
    let scale = 10_f64.powi(places as i32);
    let value = (value * scale).round() / scale + 0.0;
    let u = u.max(1.0 / scale);
    format!("{value:.places$} ± {u:.places$}{space}{unit}")
}

fn places(u: f64) -> usize {
    if u.is_finite() && u > 0.0 {
        (1 - u.log10().floor() as i32).clamp(0, 4) as usize
    } else {
        2
    }
}

/// A share of 0 to 1 in per cent; nothing but certainty is printed as 100 %.
pub(super) fn per_cent(share: f64) -> String {
    let percent = 100.0 * share;
    if percent > 99.0 && percent < 100.0 {
        return if percent >= 99.9 {
            "> 99.9 %".to_owned()
        } else {
            format!("{percent:.1} %")
        };
    }
    format!("{percent:.0} %")
}

/// Width × height.
pub(super) fn size([width, height]: [f64; 2]) -> String {
    format!("{width:.1} × {height:.1} mm")
}

/// A relative link to a file: everything but unreserved characters and slashes is escaped (RFC
/// 3986, section 2.3).
pub(super) fn href(path: &str) -> String {
    path.bytes()
        .map(|byte| match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' | b'/' => {
                char::from(byte).to_string()
            }
            _ => format!("%{byte:02X}"),
        })
        .collect()
}

/// SVG path data to a thousandth of a unit.
pub(super) fn path_data(path: &BezPath) -> String {
    let p = |p: kurbo::Point| format!("{} {}", short(p.x), short(p.y));
    path.elements()
        .iter()
        .map(|element| match *element {
            PathEl::MoveTo(a) => format!("M{}", p(a)),
            PathEl::LineTo(a) => format!("L{}", p(a)),
            PathEl::QuadTo(a, b) => format!("Q{} {}", p(a), p(b)),
            PathEl::CurveTo(a, b, c) => format!("C{} {} {}", p(a), p(b), p(c)),
            PathEl::ClosePath => "Z".to_owned(),
        })
        .collect()
}

fn short(x: f64) -> String {
    let text = format!("{x:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".to_owned()
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn uncertainties_have_two_digits_and_values_end_with_them() {
        assert_eq!(two_digits(0.2346), "0.23");
        assert_eq!(two_digits(1.26), "1.3");
        assert_eq!(two_digits(0.001_26), "0.0013");
        assert_eq!(measured(78.4123, 0.2346, "mm"), "78.41 ± 0.23 mm");
        assert_eq!(measured(-0.001, 0.08, "°"), "0.00 ± 0.08°");
        assert_eq!(measured(91.4, 12.0, "mm"), "91 ± 12 mm");
        assert_eq!(measured(64.5486, 0.0922, "mm"), "64.55 ± 0.09 mm");
        assert_eq!(measured(1.5, 0.001, "°"), "1.50 ± 0.01°");
    }

    #[test]
    fn only_certainty_is_a_hundred_per_cent() {
        assert_eq!(per_cent(0.9999), "> 99.9 %");
        assert_eq!(per_cent(0.994), "99.4 %");
        assert_eq!(per_cent(1.0), "100 %");
        assert_eq!(per_cent(0.413), "41 %");
    }

    #[test]
    fn links_cannot_leave_their_attribute_or_become_a_scheme() {
        assert_eq!(href("a b/\"x\".svg"), "a%20b/%22x%22.svg");
        assert_eq!(href("javascript:alert(1)"), "javascript%3Aalert%281%29");
        assert_eq!(href("écu.svg"), "%C3%A9cu.svg");
    }

    #[test]
    fn path_data_is_short() {
        let mut path = BezPath::new();
        path.move_to((0.0, -0.0001));
        path.line_to((12.5, 3.0));
        path.close_path();
        assert_eq!(path_data(&path), "M0 0L12.5 3Z");
    }
}
