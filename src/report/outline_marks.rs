//! The fitted outline as it is drawn on pictures.

use image::RgbImage;
use kurbo::PathEl;
use measures::fit::EdgeSample;
use measures::{Art, Artwork, Fit, Point, Px};

use super::drawing::{Colour, DARK, LIGHT, Layer, UNSEEN, viridis};
use super::view::View;

/// A residual of this size, and more, has the palette's last colour, in mm.
pub(super) const RESIDUAL_FULL_MM: f64 = 0.5;
/// Longest straight piece, as a share of the emblem's longer side and in mm.
const PIECE_SHARE: f64 = 0.008;
const PIECE_MM: f64 = 1.0;
/// How far such a piece may lie off the curve, as a share of its length.
const OFF_SHARE: f64 = 0.02;

/// The fitted outline in the photo, in short straight pieces.
#[derive(Clone, Debug)]
pub(super) struct Traced {
    /// Corners, contour by contour; the last one is the first again.
    pub(super) lines: Vec<Vec<Point<Px>>>,
    /// By how far the residue's edge lies from each piece.
    colours: Vec<Vec<Colour>>,
}

impl Traced {
    pub(super) fn new(artwork: &Artwork, fit: &Fit) -> Self {
        let lines = lines(artwork, fit);
        let colours = lines.iter().map(|line| {
            let pairs = line.windows(2);
            let middles = pairs.map(|pair| pair[0].lerp(pair[1], 0.5));
            middles.map(|p| residual_colour(p, &fit.samples)).collect()
        });
        Self {
            colours: colours.collect(),
            lines,
        }
    }

    /// Draws it, coloured by how far the residue's edge lies from it, on a casing that shows on
    /// dark and on light cloth.
    pub(super) fn mark(&self, picture: &mut RgbImage, view: &View) {
        self.mark_cased(picture, view, view.pen(), [5.8, 4.6, 3.4]);
    }

    /// The same with strokes of these widths: of the casing's dark and light rims and of the
    /// line itself.
    pub(super) fn mark_cased(
        &self,
        picture: &mut RgbImage,
        view: &View,
        pen: f64,
        widths: [f64; 3],
    ) {
        for (width, casing) in widths.into_iter().zip([Some(DARK), Some(LIGHT), None]) {
            let mut layer = Layer::over(picture);
            for (line, colours) in self.lines.iter().zip(&self.colours) {
                for (pair, colour) in line.windows(2).zip(colours) {
                    let [from, to] = [pair[0], pair[1]].map(|p| view.place(p));
                    layer.stroke(from, to, width * pen, casing.unwrap_or(*colour));
                }
            }
            layer.onto(picture);
        }
    }

    /// The outline moved outwards by so many pixels of the photo.
    pub(super) fn outwards(&self, by_px: f64) -> Vec<Vec<Point<Px>>> {
        let moved = |line: &Vec<Point<Px>>| {
            // The first corner comes again at the end.
            let n = line.len().saturating_sub(1).max(1);
            let corner = |k: usize| {
                let (before, here, after) = (line[(k + n - 1) % n], line[k % n], line[(k + 1) % n]);
                let way = (here - before).unit().unwrap_or(after - here);
                let way = way + (after - here).unit().unwrap_or(way);
                // The filled area lies on the right of every contour as it is walked (y down).
                let out = way.unit().map(|w| -w.quarter_turn());
                out.map_or(here, |out| here + out * by_px)
            };
            (0..line.len()).map(corner).collect()
        };
        self.lines.iter().map(moved).collect()
    }
}

fn lines(artwork: &Artwork, fit: &Fit) -> Vec<Vec<Point<Px>>> {
    let bounds = artwork.outline.bounding_box();
    let side = bounds.width().max(bounds.height());
    let piece = (PIECE_SHARE * side).min(PIECE_MM / fit.mm_per_art.max(1e-9));
    let piece = piece.max(1e-4 * side).max(1e-9);
    artwork
        .outline
        .contours()
        .iter()
        .map(|contour| {
            let mut flat: Vec<kurbo::Point> = Vec::new();
            kurbo::flatten(contour, OFF_SHARE * piece, |element| match element {
                PathEl::MoveTo(p) | PathEl::LineTo(p) => divide(&mut flat, p, piece),
                PathEl::ClosePath => {
                    if let Some(&first) = flat.first() {
                        divide(&mut flat, first, piece);
                    }
                }
                PathEl::QuadTo(..) | PathEl::CurveTo(..) => {}
            });
            flat.into_iter()
                .map(|p| fit.art_to_photo.apply(p.into()))
                .collect()
        })
        .collect()
}

fn divide(line: &mut Vec<kurbo::Point>, to: kurbo::Point, piece: f64) {
    if let Some(&from) = line.last() {
        let pieces = (from.distance(to) / piece).ceil().clamp(1.0, 1e4);
        for i in 1..pieces as usize {
            line.push(from.lerp(to, i as f64 / pieces));
        }
    }
    line.push(to);
}

fn residual_colour(at: Point<Px>, samples: &[EdgeSample]) -> Colour {
    let nearest = samples.iter().min_by(|a, b| {
        let (a, b) = (at - a.at, at - b.at);
        a.dot(a).total_cmp(&b.dot(b))
    });
    match nearest.and_then(|s| s.offset_mm) {
        Some(offset) => viridis(offset.abs() / RESIDUAL_FULL_MM),
        None => UNSEEN,
    }
}

/// The corners of an artwork's bounding box, in order round it.
pub(super) fn corners(artwork: &Artwork) -> [Point<Art>; 4] {
    let b = artwork.outline.bounding_box();
    [(b.x0, b.y0), (b.x1, b.y0), (b.x1, b.y1), (b.x0, b.y1)].map(|(x, y)| Point::new(x, y))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A filled square with a hole, walked as outlines are: clockwise as seen, the hole against it.
    #[test]
    fn outwards_is_away_from_the_filled_area() {
        let square = |low: f64, high: f64, order: [usize; 5]| {
            let corners = [(low, low), (high, low), (high, high), (low, high)];
            order
                .map(|k| Point::new(corners[k].0, corners[k].1))
                .to_vec()
        };
        let traced = Traced {
            lines: vec![
                square(0.0, 90.0, [0, 1, 2, 3, 0]),
                square(30.0, 60.0, [0, 3, 2, 1, 0]),
            ],
            colours: vec![],
        };
        let moved = traced.outwards(2.0);
        let inside = |p: &Point<Px>, low: f64, high: f64| {
            (low..high).contains(&p.x) && (low..high).contains(&p.y)
        };
        assert!(moved[0].iter().all(|p| !inside(p, 0.0, 90.0)));
        assert!(moved[1].iter().all(|p| inside(p, 30.0, 60.0)));
    }
}
