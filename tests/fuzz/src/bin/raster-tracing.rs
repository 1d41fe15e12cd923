//! Small pictures traced: discs, bars and noise on a ground, in a few colours.
#![no_main]

use arbitrary::Arbitrary;
use image::{ExtendedColorType, ImageEncoder, Rgba, RgbaImage, codecs::png::PngEncoder};
use kurbo::Shape as _;
use libfuzzer_sys::fuzz_target;

#[derive(Arbitrary, Debug)]
struct Picture {
    width: u8,
    height: u8,
    ground: [u8; 4],
    shapes: Vec<Shape>,
    noise: u8,
    seed: u32,
}

#[derive(Arbitrary, Debug)]
struct Shape {
    colour: [u8; 4],
    round: bool,
    x: u8,
    y: u8,
    width: u8,
    height: u8,
}

const MOST_SHAPES: usize = 10;
/// A tip that pixels have blunted is carried on by no more, beyond the picture's edge as well.
const FURTHEST_TIP_PX: f64 = 9.0;

impl Picture {
    fn painted(&self) -> RgbaImage {
        let (width, height) = (
            16 + u32::from(self.width) / 2,
            16 + u32::from(self.height) / 2,
        );
        let mut seed = self.seed | 1;
        RgbaImage::from_fn(width, height, |x, y| {
            let over = self
                .shapes
                .iter()
                .take(MOST_SHAPES)
                .rev()
                .find(|s| s.covers(x, y));
            // Marsaglia 2003, "Xorshift RNGs".
            seed ^= seed << 13;
            seed ^= seed >> 17;
            seed ^= seed << 5;
            let mut colour = over.map_or(self.ground, |s| s.colour);
            for (channel, noise) in colour.iter_mut().take(3).zip(seed.to_le_bytes()) {
                *channel =
                    channel.saturating_add((u32::from(noise) * u32::from(self.noise) >> 10) as u8);
            }
            Rgba(colour)
        })
    }
}

impl Shape {
    fn covers(&self, x: u32, y: u32) -> bool {
        let off = |at: u32, middle: u8, size: u8| {
            (f64::from(at) - f64::from(middle)) / (f64::from(size) / 2.0 + 0.1)
        };
        let (u, v) = (off(x, self.x, self.width), off(y, self.y, self.height));
        if self.round {
            u.hypot(v) < 1.0
        } else {
            u.abs().max(v.abs()) < 1.0
        }
    }
}

fuzz_target!(|picture: Picture| {
    let painted = picture.painted();
    let (width, height) = painted.dimensions();
    let mut png = Vec::new();
    PngEncoder::new(&mut png)
        .write_image(&painted, width, height, ExtendedColorType::Rgba8)
        .expect("a picture in memory");
    let picture = kurbo::Rect::new(0.0, 0.0, width.into(), height.into());
    let frame = picture.inflate(FURTHEST_TIP_PX, FURTHEST_TIP_PX);
    if let Ok(tracing) = artwork::trace_colours(&png, "crest.png", 0.5) {
        let area = tracing.artwork.outline.area();
        assert!(area > 0.0 && area <= frame.area(), "{area}");
        assert!(tracing.deviation_px.is_finite());
        for contour in tracing.artwork.outline.contours() {
            assert_eq!(contour.bounding_box().union(frame), frame);
        }
    }
});
