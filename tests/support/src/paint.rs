//! From scene to picture: light on the cloth, through the lens, onto the sensor.

use image::RgbImage;
use measures::{Map, Mm, Px};
use nalgebra::Matrix3;
use rayon::prelude::*;

use crate::cloth::{Fabric, light_factor, linear};
use crate::jpeg::{self, Exif};
use crate::marks::Overlay;
use crate::random::{Noise, Rng, ramp};
use crate::residue::{Residue, Trace};
use crate::ruler::Face;
use crate::scene::{Light, PlacedRuler, Pressed, Scene, View};
use crate::sensor;
use crate::truth::Truth;

/// A painted photograph and what is known of it.
#[derive(Clone, Debug)]
pub struct Painting {
    /// The upright picture.
    pub rgb: RgbImage,
    /// What is known of it.
    pub truth: Truth,
    /// What its file says of the camera.
    pub exif: Exif,
    half_colour: bool,
}

impl Painting {
    /// The picture as a camera's file, EXIF included.
    pub fn jpeg(&self, quality: u8) -> Vec<u8> {
        jpeg::encode(&self.rgb, &self.exif, quality, self.half_colour)
    }
}

impl Scene {
    /// Mean direction of the cloth's columns and of its rows over the picture away from the
    /// first emblem, in degrees clockwise from upright and from level: the cloth's angle, and what
    /// its bends add to it.
    pub fn cloth_directions_deg(&self) -> [f64; 2] {
        let fabric = Fabric::new(&self.cloth, &mut self.paints());
        let to_cloth = Back::of(&self.view().pose.to_photo(&self.camera()));
        let size = [f64::from(self.width_px), f64::from(self.height_px)];
        let share = |k: usize| (0.5 + k as f64) / 60.0;
        let spots =
            (0..60 * 60).map(|k| to_cloth.at(share(k % 60) * size[0], share(k / 60) * size[1]));
        let emblem = self
            .residues
            .first()
            .map(|r| (r.centre_mm, 0.55 * r.width_mm));
        let outside = |spot: &(f32, f32)| {
            emblem.is_none_or(|(c, reach)| {
                (f64::from(spot.0) - c[0]).hypot(f64::from(spot.1) - c[1]) > reach
            })
        };
        fabric.mean_directions_deg(&spots.filter(outside).collect::<Vec<_>>())
    }

    /// What differs from one photograph of the scene to the next.
    pub(crate) fn own_seed(&self) -> u64 {
        self.seed ^ self.exposure.wrapping_mul(0xD6E8_FEB8_6659_FD93)
    }

    fn paints(&self) -> Rng {
        Rng::new(self.seed ^ 0x70_6169_6E74)
    }

    /// Paints the photograph.
    pub fn paint(&self) -> Painting {
        let mut light = Studio::new(self).expose();
        sensor::develop(&mut light, self);
        let rgb = RgbImage::from_raw(self.width_px, self.height_px, sensor::encode(&light));
        let focal = self.lens.focal_35mm;
        // A phone's main sensor has a diagonal of about 9.6 mm.
        let real_mm = focal * 9.6 / crate::scene::FULL_FRAME_DIAGONAL_MM;
        let told = self.lens.tells_focal;
        Painting {
            rgb: rgb.unwrap_or_default(),
            truth: Truth::of(self),
            exif: Exif {
                focal_35mm: told.then_some(focal.round() as u16),
                focal_centi_mm: told.then_some((100.0 * real_mm).round() as u32),
                orientation: None,
            },
            half_colour: self.sensor.half_colour,
        }
    }
}

/// A map from pixels to a plane, quick to ask along a row.
struct Back(Matrix3<f64>);

impl Back {
    fn of(to_photo: &Map<Mm, Px>) -> Self {
        Self(
            to_photo
                .inverse()
                .map_or_else(Matrix3::identity, |m| *m.matrix()),
        )
    }

    fn at(&self, x: f64, y: f64) -> (f32, f32) {
        let m = &self.0;
        let w = 1.0 / (m[(2, 0)] * x + m[(2, 1)] * y + m[(2, 2)]);
        let u = (m[(0, 0)] * x + m[(0, 1)] * y + m[(0, 2)]) * w;
        let v = (m[(1, 0)] * x + m[(1, 1)] * y + m[(1, 2)]) * w;
        (u as f32, v as f32)
    }
}

struct Slab {
    face: Face,
    to_face: Back,
    to_foot: Back,
    height: f32,
    softness: f32,
    /// Where its shadow falls, in its own directions.
    shade: [f32; 2],
    wall: [f32; 3],
}

impl Slab {
    fn new(placed: &PlacedRuler, view: &View, lit: &Light, rng: &mut Rng) -> Self {
        let lifted = placed.lift_mm[0].max(placed.lift_mm[1]);
        let height = placed.ruler.thickness_mm + lifted;
        let from = (lit.angle_deg - placed.angle_deg).to_radians();
        let reach = lit.reach * height;
        let face = Face::new(&placed.ruler, rng);
        let wall = face
            .spot(0.5 * face.length, 0.5 * face.width, 1.0)
            .colour
            .map(|v| 0.55 * v);
        Self {
            to_face: Back::of(&view.face_to_photo(placed)),
            to_foot: Back::of(&view.foot_to_photo(placed)),
            height: height as f32,
            softness: lit.softness as f32,
            shade: [(-reach * from.cos()) as f32, (-reach * from.sin()) as f32],
            face,
            wall,
        }
    }

    /// Distance outside (+) or inside (−) the ruler's rectangle.
    fn outside(&self, s: f32, t: f32) -> f32 {
        let (ds, dt) = (
            (s - 0.5 * self.face.length).abs() - 0.5 * self.face.length,
            (t - 0.5 * self.face.width).abs() - 0.5 * self.face.width,
        );
        if ds > 0.0 && dt > 0.0 {
            ds.hypot(dt)
        } else {
            ds.max(dt)
        }
    }

    /// Lays ruler and shadow over `light`.
    fn cover(&self, x: f64, y: f64, blur: f32, light: &mut [f32; 3]) {
        let (s0, t0) = self.to_foot.at(x, y);
        let ground = self.outside(s0, t0);
        if ground > 3.0 * self.height + 2.0 {
            return;
        }
        let soft = self.softness * self.height + 0.1;
        let shaded = self.outside(s0 - self.shade[0], t0 - self.shade[1]);
        let shadow = 0.42 * ramp(soft, -soft, shaded)
            + 0.3 * (-ground.max(0.0) / (0.6 * self.height + 0.05)).exp();
        let beneath = *light;
        for l in light.iter_mut() {
            *l *= 1.0 - shadow.min(0.75);
        }
        let (s1, t1) = self.to_face.at(x, y);
        let top = self.outside(s1, t1);
        let wall = (0.5 - ground.min(top) / blur).clamp(0.0, 1.0);
        if wall <= 0.0 {
            return;
        }
        blend(light, self.wall, wall);
        let cover = (0.5 - top / blur).clamp(0.0, 1.0);
        if cover > 0.0 {
            let spot = self.face.spot(s1, t1, blur);
            // A worn, rounded edge catches the light.
            let edge = 0.12 * ramp(-0.5, 0.0, top);
            let seen = [0, 1, 2].map(|c| {
                let through = spot.clear * 0.9 * beneath[c] + (1.0 - spot.clear) * spot.colour[c];
                through + edge * (1.0 - through)
            });
            blend(light, seen, cover);
        }
    }
}

/// Lays a colour over another with this much cover.
pub(crate) fn blend(under: &mut [f32; 3], over: [f32; 3], cover: f32) {
    for (u, o) in under.iter_mut().zip(over) {
        *u += cover * (o - *u);
    }
}

/// The finished article, prepared for asking.
struct Cover {
    shape: Trace,
    light: [f32; 3],
    lost: Option<([f32; 2], f32)>,
    noise: Noise,
}

impl Cover {
    fn new(pressed: &Pressed, rng: &mut Rng) -> Self {
        let shape = Residue {
            emblem: pressed.emblem,
            width_mm: pressed.width_mm,
            centre_mm: pressed.centre_mm,
            rotation_deg: pressed.rotation_deg,
            bleed_mm: 0.0,
            softness_mm: 0.05,
            contrast_percent: [0.0; 3],
            roughness_mm: 0.0,
            missing: 0.0,
            patch_mm: 1.0,
            rim: 0.0,
            unevenness: 0.0,
            flatness: 0.0,
        };
        Self {
            shape: Trace::new(&shape, rng),
            light: pressed.colour.map(linear),
            lost: pressed
                .lost_mm
                .map(|(at, r)| (at.map(|v| v as f32), r as f32)),
            noise: Noise::new(rng),
        }
    }

    fn lay_on(&self, x: f32, y: f32, blur: f32, light: &mut [f32; 3]) {
        let mut cover = self.shape.strength(x, y, blur);
        if let Some(([lx, ly], radius)) = self.lost {
            cover *= ((x - lx).hypot(y - ly) - radius + 0.5).clamp(0.0, 1.0);
        }
        // The pile of flock, the grain of film.
        let grain = 1.0 + 0.04 * self.noise.at(9.0 * x, 9.0 * y);
        blend(light, self.light.map(|l| l * grain), cover);
    }
}

struct Studio<'a> {
    scene: &'a Scene,
    view: View,
    fabric: Fabric,
    traces: Vec<Trace>,
    overlays: Vec<Overlay>,
    slabs: Vec<Slab>,
    to_cloth: Back,
    noise: Noise,
    pressed: Option<Cover>,
    rng: Rng,
}

impl<'a> Studio<'a> {
    fn new(scene: &'a Scene) -> Self {
        let mut rng = scene.paints();
        let view = scene.view();
        Self {
            fabric: Fabric::new(&scene.cloth, &mut rng),
            traces: scene
                .residues
                .iter()
                .map(|r| Trace::new(r, &mut rng))
                .collect(),
            overlays: scene
                .marks
                .iter()
                .map(|m| Overlay::new(m, &mut rng))
                .collect(),
            slabs: scene
                .rulers
                .iter()
                .map(|r| Slab::new(r, &view, &scene.light, &mut rng))
                .collect(),
            to_cloth: Back::of(&view.pose.to_photo(&view.camera)),
            noise: Noise::new(&mut rng),
            pressed: scene.pressed.as_ref().map(|p| Cover::new(p, &mut rng)),
            rng: if scene.exposure == 0 {
                rng
            } else {
                Rng::new(scene.own_seed())
            },
            scene,
            view,
        }
    }

    /// Linear light on every pixel, red, green and blue in turn.
    fn expose(mut self) -> Vec<f32> {
        let (w, h) = (self.scene.width_px as usize, self.scene.height_px as usize);
        let mut light = vec![0.0f32; 3 * w * h];
        light
            .par_chunks_exact_mut(3 * w)
            .enumerate()
            .for_each(|(j, row)| self.row(j, row));
        self.lint(&mut light);
        light
    }

    fn row(&self, j: usize, row: &mut [f32]) {
        let y = j as f64 + 0.5;
        let width = f64::from(self.scene.width_px);
        let blur_at = |x: f64| {
            let (a, b) = (self.to_cloth.at(x, y), self.to_cloth.at(x + 1.0, y));
            let c = self.to_cloth.at(x, y + 1.0);
            ((b.0 - a.0) * (c.1 - a.1) - (b.1 - a.1) * (c.0 - a.0))
                .abs()
                .sqrt()
        };
        let (left, right) = (blur_at(0.0), blur_at(width));
        for (i, out) in row.chunks_exact_mut(3).enumerate() {
            let (mut x, mut y) = (i as f64 + 0.5, y);
            if self.view.k1 != 0.0 {
                let p = self.view.straightened(measures::Point::new(x, y));
                (x, y) = (p.x, p.y);
            }
            let blur = left + (right - left) * (x / width) as f32;
            out.copy_from_slice(&self.spot(x, y, blur));
        }
    }

    fn spot(&self, px: f64, py: f64, blur: f32) -> [f32; 3] {
        let (x, y) = self.on_bumps(self.to_cloth.at(px, py));
        let mut flatness = 0.0f32;
        let mut factor = [1.0f32; 3];
        for trace in &self.traces {
            let strength = trace.strength(x, y, blur);
            if strength > 0.0 {
                flatness = flatness.max(strength.min(1.0) * trace.flatness);
                for (f, change) in factor.iter_mut().zip(trace.change()) {
                    *f *= (1.0 + strength * change).max(0.0);
                }
            }
        }
        let mut light = self.fabric.light(x, y, blur, flatness);
        for (l, f) in light.iter_mut().zip(factor) {
            *l *= f;
        }
        if let Some(pressed) = &self.pressed {
            pressed.lay_on(x, y, blur, &mut light);
        }
        for overlay in &self.overlays {
            overlay.cover(x, y, blur, &mut light);
        }
        for slab in &self.slabs {
            slab.cover(px, py, blur, &mut light);
        }
        let fall = self.fall_of_light(px as f32, py as f32, x, y);
        let tint = &self.scene.light.colour;
        [0, 1, 2].map(|c| light[c] * fall * tint[c] as f32)
    }

    /// The spot of the cloth, as measured when it lies flat, that is seen where the plane's spot
    /// would be: a bulge towards the camera moves outwards from the optical axis.
    fn on_bumps(&self, (x, y): (f32, f32)) -> (f32, f32) {
        let bumps = self.scene.cloth.bumps_mm as f32;
        if bumps <= 0.0 {
            return (x, y);
        }
        // Two octaves of this noise have a standard deviation of about 0.45.
        let height = bumps / 0.45
            * self
                .noise
                .octaves(0.025 * x + 60.0, 0.025 * y + 20.0, 2, 0.4);
        let nearer = 1.0 - height / self.scene.pose.depth_mm as f32;
        (x * nearer, y * nearer)
    }

    fn fall_of_light(&self, px: f32, py: f32, x: f32, y: f32) -> f32 {
        let s = self.scene;
        let (w, h) = (s.width_px as f32, s.height_px as f32);
        let half = 0.5 * w.hypot(h);
        let (u, v) = ((px - 0.5 * w) / half, (py - 0.5 * h) / half);
        let (sin, cos) = (s.light.angle_deg as f32).to_radians().sin_cos();
        let gradient = 0.5 * s.light.gradient_percent as f32 / 100.0 * (cos * u + sin * v);
        let corner = 1.0 - s.lens.vignetting as f32 * (u * u + v * v);
        let shadows = s.light.shadows_percent as f32 / 100.0
            * self.noise.octaves(0.011 * x + 3.0, 0.011 * y + 8.0, 2, 0.5);
        (s.light.exposure as f32) * corner * (1.0 + gradient + shadows).max(0.05)
    }

    /// Stray fibres: thin bent lines, lighter or darker than the cloth.
    fn lint(&mut self, light: &mut [f32]) {
        let scene = self.scene;
        let (w, h) = (scene.width_px as usize, scene.height_px as usize);
        let scale = 1.0 / self.mm_per_px();
        for _ in 0..scene.cloth.lint {
            let rng = &mut self.rng;
            let (mut x, mut y) = (rng.range(0.0, w as f64), rng.range(0.0, h as f64));
            let mut heading = rng.range(0.0, std::f64::consts::TAU);
            let bend = 0.004 * rng.normal();
            let length = rng.range(1.5, 9.0) * scale;
            let radius = (0.02 * scale).max(0.5);
            let factor = light_factor(if rng.chance(0.7) { 45.0 } else { -35.0 });
            let alpha = rng.range(0.25, 0.8) as f32 * (0.04 * scale).min(1.0) as f32;
            for _ in 0..length as usize {
                heading += bend * 15.0 / scale + 0.02 * rng.normal();
                x += heading.cos();
                y += heading.sin();
                let reach = radius.ceil() as i64 + 1;
                for j in y as i64 - reach..=y as i64 + reach {
                    for i in x as i64 - reach..=x as i64 + reach {
                        if i < 0 || j < 0 || i >= w as i64 || j >= h as i64 {
                            continue;
                        }
                        let d = (i as f64 + 0.5 - x).hypot(j as f64 + 0.5 - y);
                        // One step a pixel: neighbouring dabs overlap, so each is made weak.
                        let cover = 0.5 * alpha * (radius - d + 0.5).clamp(0.0, 1.0) as f32;
                        let k = 3 * (j as usize * w + i as usize);
                        for v in &mut light[k..k + 3] {
                            *v += cover * (*v * factor - *v);
                        }
                    }
                }
            }
        }
    }

    fn mm_per_px(&self) -> f64 {
        self.view.pose.depth_mm / self.view.camera.focal_px
    }
}
