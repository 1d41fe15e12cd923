//! Where two versions differ, on the residue: so that a person knows where to look on the shirt.

use image::{Rgb, RgbImage};
use kurbo::PathEl;
use measures::{Art, Map, Mm, Outline, Point, Px};

use super::drawing::{Colour, DARK, LIGHT, Layer};

/// Two of the colours that are told apart with any kind of colour vision (Okabe & Ito 2008, "Color
/// Universal Design").
const ORANGE: Colour = [230, 159, 0];
const SKY_BLUE: Colour = [86, 180, 233];
/// How far a tint lets light and dark through: the rest is plain colour, which shows on dark cloth.
const THROUGH: f32 = 0.75;
/// Rows of a pixel that are looked at.
const SUBROWS: usize = 4;
const LETTERS_PX: f64 = 19.0;
/// Letters of a file's name that are shown.
const NAME_MAX: usize = 34;

/// One version as it would lie.
pub(super) struct Lying<'a> {
    pub(super) file: &'a str,
    pub(super) outline: &'a Outline<Art>,
    pub(super) to_cloth: Map<Art, Mm>,
}

/// Tints what only the first version covers and what only the second does, names them below, and
/// returns both areas, in pixels. `None` where the two have nothing in common, so that there is
/// nothing to compare.
pub(super) fn mark(
    picture: &mut RgbImage,
    versions: [&Lying<'_>; 2],
    place: &dyn Fn(Point<Mm>) -> Point<Px>,
) -> Option<[f64; 2]> {
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    let [first, second] = versions.map(|v| covered(v, place, width, height));
    let mut only = [0.0f64; 2];
    let mut common = 0.0f64;
    for (Rgb(pixel), (a, b)) in picture.pixels_mut().zip(first.iter().zip(&second)) {
        common += f64::from(a.min(*b));
        for (i, (more, colour)) in [(a - b, ORANGE), (b - a, SKY_BLUE)].into_iter().enumerate() {
            let share = more.max(0.0);
            only[i] += f64::from(share);
            for (p, c) in pixel.iter_mut().zip(colour) {
                let (under, ink) = (f32::from(*p), f32::from(c));
                let tinted = ink * (THROUGH * under / 255.0 + 1.0 - THROUGH);
                *p = (under + share * (tinted - under)).round() as u8;
            }
        }
    }
    (common > 0.0).then(|| {
        *picture = with_names(picture, versions.map(|v| v.file));
        only
    })
}

/// The picture with a bar below that says which colour is whose.
fn with_names(picture: &RgbImage, names: [&str; 2]) -> RgbImage {
    let row = 1.6 * LETTERS_PX;
    let bar = (2.0 * row + 0.6 * LETTERS_PX) as u32;
    let (width, height) = picture.dimensions();
    let mut whole = RgbImage::from_pixel(width, height + bar, Rgb(DARK));
    image::imageops::replace(&mut whole, picture, 0, 0);
    let mut layer = Layer::over(&whole);
    for (i, (name, colour)) in names.into_iter().zip([ORANGE, SKY_BLUE]).enumerate() {
        let middle = f64::from(height) + 0.3 * LETTERS_PX + row * (i as f64 + 0.5);
        let swatch = [14.0, 34.0].map(|x| Point::new(x, middle));
        layer.stroke(swatch[0], swatch[1], 0.8 * LETTERS_PX, colour);
        let words = format!("only in {}", shortened(name));
        let at = Point::new(54.0, middle + 0.36 * LETTERS_PX);
        layer.words(at, LETTERS_PX, LIGHT, &words);
    }
    layer.onto(&mut whole);
    whole
}

fn shortened(name: &str) -> String {
    if name.chars().count() <= NAME_MAX {
        return name.to_owned();
    }
    let end: Vec<char> = name.chars().rev().take(NAME_MAX - 1).collect();
    std::iter::once('…').chain(end.into_iter().rev()).collect()
}

/// The share of each pixel that an outline covers.
fn covered(
    version: &Lying<'_>,
    place: &dyn Fn(Point<Mm>) -> Point<Px>,
    width: usize,
    height: usize,
) -> Vec<f32> {
    let polygons = polygons(version, place);
    let mut cover = vec![0.0f32; width * height];
    for (k, line) in rows_of(&polygons, height).into_iter().enumerate() {
        let row = &mut cover[k / SUBROWS * width..][..width];
        for pair in line.chunks_exact(2) {
            add_span(row, pair[0], pair[1]);
        }
    }
    cover
}

fn polygons(version: &Lying<'_>, place: &dyn Fn(Point<Mm>) -> Point<Px>) -> Vec<Vec<Point<Px>>> {
    let at = |p: kurbo::Point| place(version.to_cloth.apply(p.into()));
    let bounds = version.outline.bounding_box();
    let accuracy = 2e-4 * bounds.width().max(bounds.height()).max(1e-9);
    let mut polygons: Vec<Vec<Point<Px>>> = Vec::new();
    kurbo::flatten(
        version.outline.to_path(),
        accuracy,
        |element| match element {
            PathEl::MoveTo(p) => polygons.push(vec![at(p)]),
            PathEl::LineTo(p) => {
                if let Some(polygon) = polygons.last_mut() {
                    polygon.push(at(p));
                }
            }
            _ => {}
        },
    );
    polygons
}

/// Where polygons cross the middle of each subrow, from left to right.
fn rows_of(polygons: &[Vec<Point<Px>>], height: usize) -> Vec<Vec<f64>> {
    let n = SUBROWS as f64;
    let mut rows: Vec<Vec<f64>> = vec![Vec::new(); height * SUBROWS];
    for polygon in polygons {
        for (a, b) in polygon.iter().zip(polygon.iter().cycle().skip(1)) {
            let (low, high) = (a.y.min(b.y), a.y.max(b.y));
            let row = |y: f64| (n * y - 0.5).ceil().clamp(0.0, rows.len() as f64) as usize;
            let reached = row(low)..row(high);
            for k in reached {
                let y = (k as f64 + 0.5) / n;
                rows[k].push(a.x + (y - a.y) / (b.y - a.y) * (b.x - a.x));
            }
        }
    }
    for row in &mut rows {
        row.sort_by(f64::total_cmp);
    }
    rows
}

/// Adds a subrow's share between two columns.
fn add_span(row: &mut [f32], from: f64, to: f64) {
    let width = row.len() as f64;
    let (from, to) = (from.clamp(0.0, width), to.clamp(0.0, width));
    let share = 1.0 / SUBROWS as f32;
    for (i, cover) in row.iter_mut().enumerate().skip(from as usize) {
        let x = i as f64;
        if x >= to {
            break;
        }
        *cover += share * (to.min(x + 1.0) - from.max(x)) as f32;
    }
}

#[cfg(test)]
mod tests {
    use kurbo::{Circle, Rect, Shape};

    use super::*;

    fn lying(outline: &Outline<Art>) -> Lying<'_> {
        Lying {
            file: "v.svg",
            outline,
            to_cloth: Map::similarity(1.0, 0.0, measures::Vector::new(0.0, 0.0)),
        }
    }

    fn place(p: Point<Mm>) -> Point<Px> {
        Point::new(p.x, p.y)
    }

    #[test]
    fn tints_and_areas_are_those_of_what_differs() {
        let square = Rect::new(10.0, 10.0, 90.0, 90.0).to_path(1e-6);
        let disc = Circle::new((50.0, 50.0), 12.0).to_path(1e-6);
        let holed = Outline::from_contours(vec![square.clone(), disc], &[false, true]);
        let wider = Outline::from_contours(
            vec![Rect::new(10.0, 10.0, 95.5, 90.0).to_path(1e-6)],
            &[false],
        );
        let mut picture = RgbImage::from_pixel(120, 100, Rgb([128; 3]));
        let only = mark(&mut picture, [&lying(&holed), &lying(&wider)], &place);
        let [first, second] = only.unwrap();
        assert!(first < 0.5, "{first}");
        let wanted = 5.5 * 80.0 + std::f64::consts::PI * 144.0;
        assert!(
            (second - wanted).abs() < 0.01 * wanted,
            "{second} of {wanted}"
        );
        // Blue in the hole and on the added edge, grey where both are or neither is.
        let blue = |x, y| picture.get_pixel(x, y).0[2] > picture.get_pixel(x, y).0[0] + 40;
        assert!(blue(50, 50) && blue(93, 30));
        assert!(!blue(30, 30) && !blue(110, 50));
        assert!(picture.height() > 100, "the names stand below");
    }

    /// Whether there is residue must be told under the tint, too.
    #[test]
    fn light_and_dark_show_through_the_tint() {
        let with = Outline::from_contours(
            vec![Rect::new(0.0, 0.0, 100.0, 100.0).to_path(1e-6)],
            &[false],
        );
        let without = Outline::from_contours(
            vec![Rect::new(0.0, 0.0, 100.0, 10.0).to_path(1e-6)],
            &[false],
        );
        let mut picture =
            RgbImage::from_fn(100, 100, |x, _| Rgb([if x < 50 { 220 } else { 90 }; 3]));
        mark(&mut picture, [&lying(&with), &lying(&without)], &place).unwrap();
        let light = |x: u32| {
            picture
                .get_pixel(x, 60)
                .0
                .iter()
                .map(|&c| u32::from(c))
                .sum::<u32>()
        };
        assert!(
            10 * light(20) > 16 * light(80),
            "{} {}",
            light(20),
            light(80)
        );
    }

    #[test]
    fn versions_far_from_each_other_are_not_compared() {
        let square = |x: f64| {
            let path = Rect::new(x, 10.0, x + 20.0, 30.0).to_path(1e-6);
            Outline::from_contours(vec![path], &[false])
        };
        let (near, far) = (square(10.0), square(60.0));
        let mut picture = RgbImage::from_pixel(120, 100, Rgb([128; 3]));
        let only = mark(&mut picture, [&lying(&near), &lying(&far)], &place);
        assert_eq!(only, None);
    }

    #[test]
    fn long_names_keep_their_end() {
        let name = format!("{}-fine.svg", "x".repeat(60));
        assert!(shortened(&name).starts_with('…') && shortened(&name).ends_with("-fine.svg"));
        assert_eq!(shortened(&name).chars().count(), NAME_MAX);
    }
}
