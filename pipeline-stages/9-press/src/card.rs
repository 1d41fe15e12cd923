//! The scale card: a frame of millimetre divisions to lay around a residue, so that one photo
//! shows the cloth's plane from four sides.

use kurbo::{Point, Rect, Vec2};

use crate::canvas::{self, BLACK, Faces, GREY, Mark, Page, Style, block, dashed, text};
use crate::marks::{BAR_MM, check_bar_across, check_bar_down};
use crate::{Error, Paper, Settings};

/// Width of the frame, in mm.
const BAND_MM: f64 = 17.0;
/// The divisions of a side end so far before the window's corners, in mm.
const CORNER_MM: f64 = 3.0;
/// From the cut line to the divisions, in mm.
const INSET_MM: f64 = 0.8;
/// Width of a division; lengths of those at every 1, 5 and 10 mm.
const TICK_MM: f64 = 0.2;
const LENGTHS_MM: [f64; 3] = [3.2, 4.8, 6.8];

/// Number of millimetres along the short and along the long side.
///
/// They differ, so that a photo tells which side is which.
pub fn card_sides_mm(paper: Paper) -> [u32; 2] {
    match paper {
        Paper::A4 => [150, 230],
        Paper::Letter => [150, 210],
    }
}

/// Draws the scale card as a PDF of one page. The same settings give the same bytes.
///
/// # Errors
/// When the margin leaves no room for the card on the paper.
pub fn card(settings: &Settings) -> Result<Vec<u8>, Error> {
    let faces = Faces::load()?;
    let page = laid_out(settings, &faces)?;
    canvas::write(&[page], settings.paper.size_mm(), "Scale card", &faces)
}

fn laid_out(settings: &Settings, faces: &Faces) -> Result<Page, Error> {
    let paper_mm = settings.paper.size_mm();
    let sides = card_sides_mm(settings.paper).map(f64::from);
    let frame_mm = sides.map(|s| s + 2.0 * (CORNER_MM + BAND_MM));
    if [0, 1]
        .iter()
        .any(|&i| frame_mm[i] + 2.0 * settings.margin_mm > paper_mm[i])
    {
        return Err(Error::Card);
    }
    let middle = Point::new(0.5 * paper_mm[0], 0.5 * paper_mm[1]);
    let window = Rect::from_center_size(
        middle,
        (sides[0] + 2.0 * CORNER_MM, sides[1] + 2.0 * CORNER_MM),
    );
    let mut page = Page::new();
    for side in Side::all(window, sides) {
        side.draw(&mut page, faces);
    }
    cut_lines(&mut page, window);
    cut_lines(&mut page, window.inset(BAND_MM));
    words(&mut page, window, faces, settings.paper);
    Ok(page)
}

/// One side's row of divisions.
struct Side {
    start: Point,
    along: Vec2,
    /// Away from the window.
    outwards: Vec2,
    divisions: u32,
}

impl Side {
    /// Each side counts up clockwise, as seen from the window.
    fn all(window: Rect, sides: [f64; 2]) -> [Self; 4] {
        let (right, down) = (Vec2::new(1.0, 0.0), Vec2::new(0.0, 1.0));
        let side = |corner: Point, along: Vec2, outwards: Vec2, length: f64| Self {
            start: corner + along * CORNER_MM,
            along,
            outwards,
            divisions: length as u32,
        };
        [
            side(Point::new(window.x0, window.y0), right, -down, sides[0]),
            side(Point::new(window.x1, window.y0), down, right, sides[1]),
            side(Point::new(window.x1, window.y1), -right, down, sides[0]),
            side(Point::new(window.x0, window.y1), -down, -right, sides[1]),
        ]
    }

    fn draw(&self, page: &mut Page, faces: &Faces) {
        for i in 0..=self.divisions {
            let length = match i {
                i if i.is_multiple_of(10) => LENGTHS_MM[2],
                i if i.is_multiple_of(5) => LENGTHS_MM[1],
                _ => LENGTHS_MM[0],
            };
            let foot = self.start + self.along * f64::from(i) + self.outwards * INSET_MM;
            let half = self.along * (0.5 * TICK_MM);
            let corners = [foot - half, foot + half + self.outwards * length];
            page.push(block(Rect::from_points(corners[0], corners[1]), BLACK));
            if i.is_multiple_of(10) {
                page.push(self.figure(i, faces));
            }
        }
    }

    /// The number beyond a long division, upright on the page.
    fn figure(&self, i: u32, faces: &Faces) -> Mark {
        let style = Style::plain(8.0);
        let words = (i / 10).to_string();
        let (width, height) = (faces.width_mm(&words, style), 2.0);
        let at = self.start
            + self.along * f64::from(i)
            + self.outwards * (INSET_MM + LENGTHS_MM[2] + 2.6);
        text(at + Vec2::new(-0.5 * width, 0.5 * height), style, words)
    }
}

fn cut_lines(page: &mut Page, rect: Rect) {
    let corners = [
        Point::new(rect.x0, rect.y0),
        Point::new(rect.x1, rect.y0),
        Point::new(rect.x1, rect.y1),
        Point::new(rect.x0, rect.y1),
    ];
    for k in 0..4 {
        page.push(dashed(corners[k], corners[(k + 1) % 4], 0.1, GREY, 2.5));
    }
}

/// What to do with the card, in the part that is cut away.
fn words(page: &mut Page, window: Rect, faces: &Faces, paper: Paper) {
    let left = window.x0 + 12.0;
    let width = window.width() - 36.0;
    let mut y = window.y0 + 16.0;
    let name = match paper {
        Paper::A4 => "A4",
        Paper::Letter => "Letter",
    };
    page.push(text(
        Point::new(left, y),
        Style::bold(18.0),
        format!("Scale card, {name}"),
    ));
    y += 9.0;
    let steps = [
        "1. Print at 100 %, no scaling, on stiff matt paper, with a laser printer if there is one.",
        "2. Measure the two bars below from end to end with a good steel rule, to a tenth of a \
         millimetre, and keep the figures: x is across this page, y is down it. Printers stretch \
         paper; the two are seldom the same.",
        "3. Cut along both dashed lines: outside, and this window. What is left is a frame whose \
         four inner edges carry millimetres.",
        "4. Lay the frame flat around the residue, no other ruler beside it, and photograph it \
         whole, square from above.",
        "5. Write into job.toml, with your own figures:",
    ];
    for step in steps {
        for line in faces.wrapped(step, Style::plain(10.0), width) {
            page.push(text(Point::new(left, y), Style::plain(10.0), line));
            y += Style::plain(10.0).line_mm();
        }
        y += 1.8;
    }
    let key = "ruler = { card_x_mm = 100.0, card_y_mm = 100.0 }";
    page.push(text(Point::new(left + 5.0, y), Style::bold(10.0), key));
    // Below the other bar, so that their labels do not meet.
    y = (y + 14.0).max(window.y0 + 14.0 + BAR_MM + 12.0);
    check_bar_across(page, Point::new(left, y), faces);
    page.push(text(Point::new(left, y + 5.0), Style::bold(10.0), "x"));
    let down = Point::new(window.x1 - 14.0, window.y0 + 14.0);
    check_bar_down(page, down);
    page.push(text(down + Vec2::new(2.0, 4.0), Style::bold(10.0), "y"));
    let care = "One division is one millimetre; figures are centimetres. A card that is bent, wet or \
                creased is not used again.";
    for (i, line) in faces
        .wrapped(care, Style::plain(8.5), width)
        .into_iter()
        .enumerate()
    {
        let at = Point::new(left, y + 16.0 + 4.2 * i as f64);
        page.push(text(at, Style::plain(8.5).ink(GREY), line));
    }
}

#[cfg(test)]
mod tests {
    use kurbo::Shape;

    use super::*;

    fn page(paper: Paper) -> Page {
        let settings = Settings {
            paper,
            margin_mm: 10.0,
            tile_overlap_mm: 15.0,
        };
        laid_out(&settings, &Faces::load().expect("the typeface")).expect("room for the card")
    }

    /// Middles of all blocks as narrow as a division, `across` the page or down it.
    fn divisions(page: &Page, across: bool) -> Vec<Point> {
        page.iter()
            .filter_map(|mark| match mark {
                Mark::Fill { path, .. } => Some(path.bounding_box()),
                _ => None,
            })
            .filter(|b| (if across { b.width() } else { b.height() }) < TICK_MM + 1e-9)
            .map(|b| b.center())
            .collect()
    }

    #[test]
    fn every_side_has_its_millimetres() {
        for paper in [Paper::A4, Paper::Letter] {
            let page = page(paper);
            for (across, side) in [true, false].into_iter().zip(card_sides_mm(paper)) {
                let mut places: Vec<f64> = divisions(&page, across)
                    .iter()
                    .map(|p| if across { p.x } else { p.y })
                    .collect();
                assert_eq!(places.len(), 2 * (side as usize + 1));
                places.sort_by(f64::total_cmp);
                // The two opposite sides stand exactly against each other.
                for (i, pair) in places.chunks_exact(2).enumerate() {
                    assert!((pair[0] - pair[1]).abs() < 1e-9);
                    assert!((pair[0] - places[0] - i as f64).abs() < 1e-9);
                }
            }
        }
    }

    #[test]
    fn nothing_lies_beyond_the_margin() {
        for paper in [Paper::A4, Paper::Letter] {
            let [w, h] = paper.size_mm();
            for mark in page(paper) {
                let b = match &mark {
                    Mark::Fill { path, .. } | Mark::Stroke { path, .. } => path.bounding_box(),
                    Mark::Text { at, .. } => Rect::from_points(*at, *at),
                    Mark::Clipped { window, .. } => *window,
                    Mark::Picture { room, .. } => *room,
                };
                let inside = b.x0 >= 9.9 && b.y0 >= 9.9 && b.x1 <= w - 9.9 && b.y1 <= h - 9.9;
                assert!(inside, "{mark:?}");
            }
        }
    }

    #[test]
    fn a_margin_too_wide_for_the_card_is_refused() {
        let settings = Settings {
            paper: Paper::A4,
            margin_mm: 20.0,
            tile_overlap_mm: 15.0,
        };
        assert!(matches!(card(&settings), Err(Error::Card)));
    }
}
