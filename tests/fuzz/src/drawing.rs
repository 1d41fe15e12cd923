//! Drawings that the fuzzer's bytes choose: contours that cross, touch, double back and lie over
//! one another, written as an SVG and read by the artwork stage.

use std::fmt::Write;

use arbitrary::Arbitrary;
use kurbo::BezPath;
use measures::{Map, Mm, Outline, Vector};

/// Contours on a page of 256 by 256 units, the grid fine enough for near misses.
#[derive(Arbitrary, Debug)]
pub struct Drawing {
    contours: Vec<Contour>,
}

#[derive(Arbitrary, Debug)]
struct Contour {
    white: bool,
    even_odd: bool,
    stroke_quarters: u8,
    start: Spot,
    steps: Vec<Step>,
}

#[derive(Arbitrary, Debug)]
enum Step {
    Line(Spot),
    Curve(Spot, Spot, Spot),
    /// From here by little: slivers and double points.
    Nudge(i8, i8),
}

#[derive(Arbitrary, Clone, Copy, Debug)]
struct Spot(u16, u16);

impl Spot {
    fn words(self) -> String {
        format!(
            "{} {}",
            f64::from(self.0) / 256.0,
            f64::from(self.1) / 256.0
        )
    }
}

const MOST_CONTOURS: usize = 12;
const MOST_STEPS: usize = 24;

impl Drawing {
    /// The drawing as a file.
    pub fn svg(&self) -> String {
        let mut out =
            String::from(r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 256 256">"#);
        for contour in self.contours.iter().take(MOST_CONTOURS) {
            let paint = if contour.white { "#fff" } else { "#000" };
            let rule = if contour.even_odd {
                "evenodd"
            } else {
                "nonzero"
            };
            let _ = write!(
                out,
                r#"<path fill="{paint}" stroke="{paint}" stroke-width="{}" fill-rule="{rule}" d="M{}"#,
                f64::from(contour.stroke_quarters % 16) / 4.0,
                contour.start.words()
            );
            for step in contour.steps.iter().take(MOST_STEPS) {
                let _ = match step {
                    Step::Line(to) => write!(out, "L{}", to.words()),
                    Step::Curve(a, b, to) => {
                        write!(out, "C{} {} {}", a.words(), b.words(), to.words())
                    }
                    Step::Nudge(x, y) => {
                        write!(out, "l{} {}", f64::from(*x) / 512.0, f64::from(*y) / 512.0)
                    }
                };
            }
            out.push_str(r#"Z"/>"#);
        }
        out + "</svg>"
    }

    /// The outline in millimetres; `None` where the drawing has no area.
    pub fn outline(&self) -> Option<Outline<Mm>> {
        let artwork = artwork::read_svg(self.svg().as_bytes(), "crest.svg").ok()?;
        let to_mm = Map::similarity(0.5, 0.0, Vector::new(0.0, 0.0));
        Some(artwork.outline.mapped(&to_mm))
    }
}

/// Whether every contour lies in the page.
pub fn is_on_page(contours: &[BezPath], spare_mm: f64) -> bool {
    use kurbo::Shape;
    let page = kurbo::Rect::new(0.0, 0.0, 128.0, 128.0).inflate(spare_mm, spare_mm);
    contours.iter().all(|c| {
        let b = c.bounding_box();
        b.is_finite() && b.union(page) == page
    })
}
