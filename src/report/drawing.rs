//! Anti-aliased lines and words on pictures.

use ab_glyph::{Font, FontRef, Glyph, ScaleFont, point};
use image::{Rgb, RgbImage};
use measures::{Point, Px};

/// A colour, sRGB.
pub(super) type Colour = [u8; 3];

pub(super) const DARK: Colour = [12, 12, 16];
pub(super) const LIGHT: Colour = [250, 250, 250];
/// Outline where no edge of the residue is seen.
pub(super) const UNSEEN: Colour = [176, 176, 184];

/// A side of a tile, in pixels.
const TILE: usize = 32;

/// Colour, and how much of what is below it covers.
#[derive(Clone, Copy, Default)]
struct Ink {
    colour: Colour,
    cover: u8,
}

/// Ink that lies above a picture until it is laid down: where strokes meet or overlap, the
/// stronger counts once, so that joints do not show.
pub(super) struct Layer {
    width: u32,
    height: u32,
    /// Row by row; `None` where there is no ink, which is nearly everywhere.
    tiles: Vec<Option<Box<[Ink; TILE * TILE]>>>,
}

impl Layer {
    pub(super) fn over(picture: &RgbImage) -> Self {
        let (width, height) = picture.dimensions();
        let [across, down] = [width, height].map(|side| (side as usize).div_ceil(TILE));
        Self {
            width,
            height,
            tiles: vec![None; across * down],
        }
    }

    /// A straight stroke with round ends, `width` pixels wide.
    pub(super) fn stroke(&mut self, a: Point<Px>, b: Point<Px>, width: f64, colour: Colour) {
        let reach = 0.5 * width + 1.0;
        let (x0, x1) = range(a.x.min(b.x) - reach, a.x.max(b.x) + reach, self.width);
        let (y0, y1) = range(a.y.min(b.y) - reach, a.y.max(b.y) + reach, self.height);
        for y in y0..y1 {
            for x in x0..x1 {
                // Pieces of a line overlap widely.
                if self.cover(x, y) == u8::MAX {
                    continue;
                }
                let centre = Point::new(f64::from(x) + 0.5, f64::from(y) + 0.5);
                let square = square_distance(centre, a, b);
                if square < (0.5 * width + 0.5).powi(2) {
                    self.mark(x, y, 0.5 * width + 0.5 - square.sqrt(), colour);
                }
            }
        }
    }

    /// A line of strokes.
    pub(super) fn polyline(&mut self, points: &[Point<Px>], width: f64, colour: Colour) {
        for pair in points.windows(2) {
            self.stroke(pair[0], pair[1], width, colour);
        }
    }

    /// A line of words, its baseline beginning at `at`; returns its width in pixels.
    pub(super) fn words(&mut self, at: Point<Px>, size: f64, colour: Colour, words: &str) -> f64 {
        let Ok(font) = FontRef::try_from_slice(notosans::BOLD_TTF) else {
            return 0.0;
        };
        let scaled = font.as_scaled(size as f32);
        let mut x = at.x as f32;
        for c in words.chars() {
            let id = font.glyph_id(c);
            let glyph: Glyph = id.with_scale_and_position(size as f32, point(x, at.y as f32));
            if let Some(outlined) = font.outline_glyph(glyph) {
                let bounds = outlined.px_bounds();
                outlined.draw(|gx, gy, cover| {
                    let (px, py) = (bounds.min.x + gx as f32, bounds.min.y + gy as f32);
                    if px >= 0.0 && py >= 0.0 {
                        self.mark(px as u32, py as u32, f64::from(cover), colour);
                    }
                });
            }
            x += scaled.h_advance(id);
        }
        f64::from(x) - at.x
    }

    fn mark(&mut self, x: u32, y: u32, cover: f64, colour: Colour) {
        if x >= self.width || y >= self.height {
            return;
        }
        let cover = (255.0 * cover.clamp(0.0, 1.0) + 0.5) as u8;
        let (tile, place) = self.place(x, y);
        let tile = &mut self.tiles[tile];
        let tile = tile.get_or_insert_with(|| Box::new([Ink::default(); TILE * TILE]));
        let ink = &mut tile[place];
        if cover > ink.cover {
            *ink = Ink { colour, cover };
        }
    }

    fn cover(&self, x: u32, y: u32) -> u8 {
        let (tile, place) = self.place(x, y);
        self.tiles[tile]
            .as_ref()
            .map_or(0, |tile| tile[place].cover)
    }

    /// The tile in which a pixel lies, and where.
    fn place(&self, x: u32, y: u32) -> (usize, usize) {
        let (x, y) = (x as usize, y as usize);
        let across = (self.width as usize).div_ceil(TILE);
        (y / TILE * across + x / TILE, y % TILE * TILE + x % TILE)
    }

    /// Lays the ink down.
    pub(super) fn onto(self, picture: &mut RgbImage) {
        let width = self.width as usize;
        let pixels = picture.as_chunks_mut::<3>().0;
        let bands = pixels.chunks_mut(TILE * width.max(1));
        for (band, tiles) in bands.zip(self.tiles.chunks(width.div_ceil(TILE).max(1))) {
            for (k, tile) in tiles.iter().enumerate() {
                let Some(tile) = tile else { continue };
                for (row, inks) in band.chunks_exact_mut(width).zip(tile.chunks_exact(TILE)) {
                    let inked = row[k * TILE..].iter_mut().zip(inks);
                    for (pixel, ink) in inked.filter(|(_, ink)| ink.cover > 0) {
                        ink.over(pixel);
                    }
                }
            }
        }
    }
}

impl Ink {
    fn over(self, pixel: &mut Colour) {
        let cover = u32::from(self.cover);
        for (p, ink) in pixel.iter_mut().zip(self.colour) {
            let (under, ink) = (u32::from(*p), u32::from(ink));
            *p = ((under * (255 - cover) + ink * cover + 127) / 255) as u8;
        }
    }
}

/// Darkens a rectangle, so that words can be read on it.
pub(super) fn darken(picture: &mut RgbImage, x: f64, y: f64, width: f64, height: f64) {
    let (x0, x1) = range(x, x + width, picture.width());
    let (y0, y1) = range(y, y + height, picture.height());
    for py in y0..y1 {
        for px in x0..x1 {
            let Rgb(pixel) = picture.get_pixel_mut(px, py);
            *pixel = pixel.map(|c| c / 5);
        }
    }
}

fn range(low: f64, high: f64, limit: u32) -> (u32, u32) {
    let clamp = |v: f64| v.clamp(0.0, f64::from(limit)) as u32;
    (clamp(low.floor()), clamp(high.ceil()))
}

fn square_distance(p: Point<Px>, a: Point<Px>, b: Point<Px>) -> f64 {
    let (way, to) = (b - a, p - a);
    let length = way.dot(way);
    let t = if length > 0.0 {
        (to.dot(way) / length).clamp(0.0, 1.0)
    } else {
        0.0
    };
    let off = to - way * t;
    off.dot(off)
}

/// The palette viridis (van der Walt and Smith, 2015): rises evenly in lightness and is told
/// apart by colour-blind people. `t` from 0 to 1.
pub(super) fn viridis(t: f64) -> Colour {
    const STOPS: [[f64; 3]; 9] = [
        [68.0, 1.0, 84.0],
        [71.0, 44.0, 122.0],
        [59.0, 81.0, 139.0],
        [44.0, 113.0, 142.0],
        [33.0, 144.0, 141.0],
        [39.0, 173.0, 129.0],
        [92.0, 200.0, 99.0],
        [170.0, 220.0, 50.0],
        [253.0, 231.0, 37.0],
    ];
    let place = t.clamp(0.0, 1.0) * (STOPS.len() - 1) as f64;
    let low = (place.floor() as usize).min(STOPS.len() - 2);
    let part = place - low as f64;
    [0, 1, 2].map(|c| (STOPS[low][c] * (1.0 - part) + STOPS[low + 1][c] * part).round() as u8)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_palette_gets_lighter_all_the_way() {
        let light = |[r, g, b]: Colour| {
            0.2126 * f64::from(r) + 0.7152 * f64::from(g) + 0.0722 * f64::from(b)
        };
        let steps: Vec<f64> = (0..=40)
            .map(|i| light(viridis(f64::from(i) / 40.0)))
            .collect();
        assert!(steps.windows(2).all(|p| p[1] > p[0]));
    }

    #[test]
    fn a_stroke_covers_its_own_area_and_joints_count_once() {
        let mut picture = RgbImage::new(60, 40);
        let mut layer = Layer::over(&picture);
        let at = Point::new;
        layer.polyline(
            &[at(10.0, 20.0), at(30.0, 20.0), at(50.0, 20.0)],
            4.0,
            [255; 3],
        );
        layer.onto(&mut picture);
        let area: f64 = picture.pixels().map(|p| f64::from(p.0[0]) / 255.0).sum();
        let wanted = 40.0 * 4.0 + std::f64::consts::PI * 4.0;
        assert!(
            (area - wanted).abs() < 0.03 * wanted,
            "{area} instead of {wanted}"
        );
    }

    #[test]
    fn strokes_and_words_outside_the_picture_do_no_harm() {
        let mut picture = RgbImage::new(8, 8);
        let mut layer = Layer::over(&picture);
        layer.stroke(Point::new(-1e9, -5.0), Point::new(1e9, 1e9), 3.0, [255; 3]);
        layer.words(Point::new(-20.0, 4.0), 30.0, [255; 3], "far out");
        layer.onto(&mut picture);
    }
}
