//! The photo along a ruler, laid level, with the lengths that were read from it: printed figures
//! and read ones must agree, which a person sees at a glance.

use image::{Rgb, RgbImage};
use measures::ruler::RulerUnit;
use measures::unit::MM_PER_INCH;
use measures::{Point, Px, Ruler, Vector};

use super::drawing::{Colour, Layer};

/// Size of the picture, in pixels; it is lower where the ticks are short.
const WIDTH: f64 = 1400.0;
const BAR_HEIGHT: f64 = 34.0;
const HEIGHT_MAX: f64 = 260.0;
/// What is shown before the first tick and behind the last, as a share of the length.
const MARGIN: f64 = 0.03;
/// Samples for a pixel, each way: as many as there are pixels of the photo, within these.
const SUBSAMPLES: [f64; 2] = [2.0, 4.0];
/// Least distance of two lengths that are written, in pixels.
const APART_PX: f64 = 34.0;
const BAR: Colour = [12, 12, 16];
const INK: Colour = [253, 231, 37];

/// The strip; `None` where the ruler has no length.
pub(super) fn strip(photo: &RgbImage, ruler: &Ruler) -> Option<RgbImage> {
    let frame = Frame::of(ruler)?;
    let mut picture = frame.cut(photo);
    let mut layer = Layer::over(&picture);
    for tick in &ruler.ticks {
        let n = tick.points.len().max(1) as f64;
        let along = tick.points.iter().map(|p| frame.x_of(p.at)).sum::<f64>() / n;
        let (from, to) = (
            Point::new(along, BAR_HEIGHT - 9.0),
            Point::new(along, BAR_HEIGHT - 1.0),
        );
        layer.stroke(from, to, 1.4, INK);
    }
    for (x, words) in lengths(ruler, &frame) {
        let half = 5.0 * words.chars().count() as f64;
        layer.words(Point::new(x - half, BAR_HEIGHT - 13.0), 17.0, INK, &words);
    }
    layer.onto(&mut picture);
    Some(picture)
}

/// Where lengths from the first tick on are written: at whole centimetres or inches, or at
/// multiples of them where these would stand too close.
fn lengths(ruler: &Ruler, frame: &Frame) -> Vec<(f64, String)> {
    let (whole_mm, per_whole, unit) = match ruler.reading.unit {
        RulerUnit::Mm => (10.0, 10, "mm"),
        RulerUnit::Inch => (MM_PER_INCH, 1, "in"),
    };
    let [a, b] = ruler.ends.map(|p| frame.x_of(p));
    let px_per_whole = (b - a) / ruler.base_mm() * whole_mm;
    let every = [1, 2, 5, 10, 20, 50]
        .into_iter()
        .find(|n| f64::from(*n) * px_per_whole.abs() >= APART_PX)
        .unwrap_or(100);
    let count = (ruler.base_mm() / whole_mm + 1e-6) as i32;
    (0..=count)
        .step_by(every as usize)
        .map(|n| {
            let share = f64::from(n) * whole_mm / ruler.base_mm();
            let words = if n == 0 {
                format!("0 {unit}")
            } else {
                (n * per_whole).to_string()
            };
            (place_of(ruler, frame, share), words)
        })
        .collect()
}

/// Where a share of the ruler's length lies: between the ticks next to it, as perspective has it.
fn place_of(ruler: &Ruler, frame: &Frame, share: f64) -> f64 {
    let at = |tick: &measures::ruler::Tick| {
        let n = tick.points.len().max(1) as f64;
        tick.points.iter().map(|p| frame.x_of(p.at)).sum::<f64>() / n
    };
    let [a, b] = ruler.ends.map(|p| frame.x_of(p));
    let wanted = share * ruler.base_mm() / ruler.reading.pitch_mm;
    let off = |tick: &&measures::ruler::Tick| (f64::from(tick.index) - wanted).abs();
    let nearest = ruler
        .ticks
        .iter()
        .filter(|t| !t.points.is_empty())
        .min_by(|s, t| off(s).total_cmp(&off(t)));
    let pitch_px = (b - a) * ruler.reading.pitch_mm / ruler.base_mm();
    nearest.map_or(a + share * (b - a), |tick| {
        at(tick) + (wanted - f64::from(tick.index)) * pitch_px
    })
}

/// How the strip lies in the photo.
struct Frame {
    origin: Point<Px>,
    along: Vector<Px>,
    inward: Vector<Px>,
    /// Pixels of the strip for one of the photo.
    scale: f64,
    subsamples: i32,
    height: f64,
}

impl Frame {
    fn of(ruler: &Ruler) -> Option<Self> {
        let [mut a, mut b] = ruler.ends;
        let [edge, _, _, far] = ruler.body;
        // The graduated edge on top, and nothing mirrored: some rulers then run to the left.
        if (b - a).cross(far - edge) < 0.0 {
            (a, b) = (b, a);
        }
        let along = (b - a).unit()?;
        let side = along.cross(far - edge);
        let inward = along.quarter_turn();
        let scale = WIDTH / ((1.0 + 2.0 * MARGIN) * a.distance(b));
        let depth_px = side.abs() * scale;
        // The body begins at the graduated edge; the ends lie somewhere on the ticks.
        let outwards = inward.dot(edge - a);
        let origin = a + inward * outwards - along * (MARGIN * a.distance(b));
        Some(Self {
            origin,
            along,
            inward,
            scale,
            subsamples: (1.0 / scale).round().clamp(SUBSAMPLES[0], SUBSAMPLES[1]) as i32,
            height: (BAR_HEIGHT + depth_px).clamp(BAR_HEIGHT + 40.0, HEIGHT_MAX),
        })
    }

    fn x_of(&self, p: Point<Px>) -> f64 {
        self.along.dot(p - self.origin) * self.scale
    }

    fn cut(&self, photo: &RgbImage) -> RgbImage {
        let n = self.subsamples as usize;
        let part = |i: usize| (i as f64 + 0.5) / n as f64;
        let columns: Vec<Point<Px>> = (0..WIDTH as usize * n)
            .map(|k| ((k / n) as f64 + part(k % n)) / self.scale)
            .map(|u| self.origin + self.along * u)
            .collect();
        let mut picture = RgbImage::from_pixel(WIDTH as u32, self.height as u32, Rgb(BAR));
        for (y, row) in picture.rows_mut().enumerate().skip(BAR_HEIGHT as usize) {
            let downs: Vec<Vector<Px>> = (0..n)
                .map(|k| (y as f64 - BAR_HEIGHT + part(k)) / self.scale)
                .map(|v| self.inward * v)
                .collect();
            for (pixel, columns) in row.zip(columns.chunks_exact(n)) {
                *pixel = mean(photo, columns, &downs);
            }
        }
        picture
    }
}

/// Mean of the photo's pixels at these places, each moved in each of these ways.
fn mean(photo: &RgbImage, places: &[Point<Px>], ways: &[Vector<Px>]) -> Rgb<u8> {
    let mut sum = [0u32; 3];
    for &way in ways {
        for &place in places {
            let Rgb(colour) = nearest(photo, place + way);
            for (s, c) in sum.iter_mut().zip(colour) {
                *s += u32::from(c);
            }
        }
    }
    let count = (places.len() * ways.len()) as f32;
    Rgb(sum.map(|s| (s as f32 / count).round() as u8))
}

/// The photo's pixel at a place; the bar's colour outside.
fn nearest(photo: &RgbImage, p: Point<Px>) -> Rgb<u8> {
    let (w, h) = (f64::from(photo.width()), f64::from(photo.height()));
    let inside = p.x >= 0.0 && p.y >= 0.0 && p.x < w && p.y < h;
    if inside {
        *photo.get_pixel(p.x as u32, p.y as u32)
    } else {
        Rgb(BAR)
    }
}
