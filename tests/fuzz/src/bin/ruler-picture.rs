//! Rulers sought in small pictures of stripes, ticks, digits and noise.
#![no_main]

use std::sync::LazyLock;

use arbitrary::Arbitrary;
use image::{Rgb, RgbImage};
use libfuzzer_sys::fuzz_target;
use measures::photo::FocalSource;
use measures::ruler::{Ruler, RulerHint, RulerUnit};
use measures::{Camera, Photo, Point};

use fuzz::settings;

static SETTINGS: LazyLock<ruler::Settings> = LazyLock::new(|| settings::section("ruler"));

#[derive(Arbitrary, Debug)]
struct Picture {
    width: u8,
    height: u8,
    rows: [Row; 2],
    ground: u8,
    noise: u8,
    seed: u32,
    unit: Option<bool>,
}

/// A row of ticks, some longer than others: a ruler, a rib knit or neither.
#[derive(Arbitrary, Debug)]
struct Row {
    angle: u8,
    pitch_64ths_px: u16,
    drift: i8,
    duty: u8,
    edge: u8,
    lengths: [u8; 5],
    every: [u8; 2],
    ink: u8,
    paper: Option<u8>,
}

impl Row {
    fn shade(&self, x: f64, y: f64) -> Option<u8> {
        let (sin, cos) = (f64::from(self.angle) / 256.0 * std::f64::consts::TAU).sin_cos();
        let (u, v) = (x * cos + y * sin, y * cos - x * sin - f64::from(self.edge));
        let pitch = 1.5 + f64::from(self.pitch_64ths_px % 2048) / 64.0;
        let at = u / pitch * (1.0 + f64::from(self.drift) * u * 1e-6);
        let tick = at.round();
        let rank = self
            .every
            .iter()
            .filter(|e| tick as i64 % (2 + i64::from(**e % 16)) == 0)
            .count();
        let long = f64::from(self.lengths[rank] % 64);
        let inked = (at - tick).abs() < 0.05 + f64::from(self.duty) / 640.0;
        match v {
            v if v < 0.0 || v > 90.0 => None,
            v if inked && v < long => Some(self.ink),
            _ => self.paper,
        }
    }
}

impl Picture {
    fn painted(&self) -> RgbImage {
        let (width, height) = (120 + u32::from(self.width), 120 + u32::from(self.height));
        let mut seed = self.seed | 1;
        RgbImage::from_fn(width, height, |x, y| {
            let here = (f64::from(x), f64::from(y));
            let shade = self.rows.iter().find_map(|row| row.shade(here.0, here.1));
            // Marsaglia 2003, "Xorshift RNGs".
            seed ^= seed << 13;
            seed ^= seed >> 17;
            seed ^= seed << 5;
            let noise = ((seed >> 24) * u32::from(self.noise) >> 9) as u8;
            Rgb([shade.unwrap_or(self.ground).saturating_add(noise); 3])
        })
    }
}

fuzz_target!(|picture: Picture| {
    let rgb = picture.painted();
    let (width, height) = (f64::from(rgb.width()), f64::from(rgb.height()));
    let camera = Camera {
        focal_px: 1.2 * width,
        u_focal_percent: 2.0,
        focal_source: FocalSource::Assumed,
        principal: Point::new(width / 2.0, height / 2.0),
    };
    let unit = picture
        .unit
        .map(|mm| if mm { RulerUnit::Mm } else { RulerUnit::Inch });
    let hint = RulerHint {
        unit,
        ..RulerHint::default()
    };
    let found = ruler::find(&Photo { rgb, camera }, &hint, &SETTINGS);
    assert!(
        !found.rulers.is_empty() || !found.reasons.is_empty(),
        "nothing found, nothing said"
    );
    for ruler in &found.rulers {
        check(ruler, width, height);
    }
});

fn check(ruler: &Ruler, width: f64, height: f64) {
    assert!(
        ruler.px_per_mm.is_finite() && ruler.px_per_mm > 0.0,
        "{}",
        ruler.px_per_mm
    );
    assert!(
        ruler.u_px_per_mm.is_finite() && ruler.u_px_per_mm >= 0.0,
        "{}",
        ruler.u_px_per_mm
    );
    assert!((0.0..=1.0).contains(&ruler.reading.probability));
    assert!(ruler.ticks.len() >= SETTINGS.min_ticks);
    assert!(ruler.ticks.windows(2).all(|t| t[0].index < t[1].index));
    for point in ruler.ticks.iter().flat_map(|t| &t.points) {
        assert!(
            point.sigma_px.is_finite() && point.sigma_px > 0.0,
            "{point:?}"
        );
        let inside = |at: f64, side: f64| at > -20.0 && at < side + 20.0;
        assert!(
            inside(point.at.x, width) && inside(point.at.y, height),
            "{point:?}"
        );
    }
}
