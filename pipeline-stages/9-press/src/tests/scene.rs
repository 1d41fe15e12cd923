//! An invented crest on an invented cloth beneath an invented ruler, placed exactly.

use kurbo::{BezPath, Circle, Shape};
use measures::cloth::PlanePose;
use measures::photo::FocalSource;
use measures::ruler::{Reading, RulerUnit, Tick, TickPoint};
use measures::{
    Art, Artwork, Camera, ClothLines, ClothPlane, Fit, Map, Mm, Outline, Point, Px, Ruler, Vector,
};
use press::{Fabric, Landmark, Material, Settings, SheetContent};
use serde::Deserialize;
use std::collections::BTreeMap;

const CONFIG: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../config");

pub(crate) fn read<T: for<'de> Deserialize<'de>>(file: &str) -> T {
    let text = std::fs::read_to_string(format!("{CONFIG}/{file}")).expect("a settings file");
    toml::from_str(&text).expect("settings that parse")
}

pub(crate) fn settings() -> Settings {
    #[derive(Deserialize)]
    struct Whole {
        press: Settings,
    }
    read::<Whole>("default.toml").press
}

pub(crate) fn material(name: &str) -> Material {
    read::<BTreeMap<String, Material>>("materials.toml")
        .remove(name)
        .expect("a material")
}

pub(crate) fn fabric(name: &str) -> Fabric {
    read::<BTreeMap<String, Fabric>>("fabrics.toml")
        .remove(name)
        .expect("a fabric")
}

/// The plane's 3D frame: origin, right, down, towards the camera.
fn frame(pose: &PlanePose, camera: &Camera) -> [[f64; 3]; 4] {
    let unit = |v: [f64; 3]| {
        let l = v.iter().map(|c| c * c).sum::<f64>().sqrt();
        v.map(|c| c / l)
    };
    let f = camera.focal_px;
    let origin = [
        (pose.anchor.x - camera.principal.x) / f * pose.depth_mm,
        (pose.anchor.y - camera.principal.y) / f * pose.depth_mm,
        pose.depth_mm,
    ];
    let right = unit([1.0, 0.0, pose.slope_x]);
    let away = unit([-pose.slope_x, -pose.slope_y, 1.0]);
    let down = [
        away[1] * right[2] - away[2] * right[1],
        away[2] * right[0] - away[0] * right[2],
        away[0] * right[1] - away[1] * right[0],
    ];
    [origin, right, down, away.map(|c| -c)]
}

/// The photo point of a place `height` mm above cloth point (x, y).
pub(crate) fn photographed(plane: &ClothPlane, x: f64, y: f64, height: f64) -> Point<Px> {
    let [origin, right, down, up] = frame(&plane.pose, &plane.camera);
    let p = [0, 1, 2].map(|i| origin[i] + right[i] * x + down[i] * y + up[i] * height);
    let c = &plane.camera;
    Point::new(
        c.principal.x + c.focal_px * p[0] / p[2],
        c.principal.y + c.focal_px * p[1] / p[2],
    )
}

pub(crate) struct Scene {
    pub(crate) artwork: Artwork,
    pub(crate) fit: Fit,
    pub(crate) plane: ClothPlane,
    pub(crate) ruler: Ruler,
    pub(crate) material: Material,
    pub(crate) fabric: Fabric,
    pub(crate) reasons: Vec<String>,
    pub(crate) lines: Option<ClothLines>,
    pub(crate) landmarks: Vec<Landmark>,
}

pub(crate) const THICKNESS_MM: f64 = 0.8;
pub(crate) const TURN_DEG: f64 = 1.5;
/// Cloth place where the artwork's coordinates begin.
pub(crate) const CORNER_MM: [f64; 2] = [-20.0, -50.0];
/// Cloth place of the ruler's first tick, and its direction in degrees.
pub(crate) const FIRST_TICK_MM: [f64; 2] = [-45.0, 62.0];
pub(crate) const RULER_DEG: f64 = -0.7;

impl Scene {
    /// A crest 100 by 120 artwork units, `mm_per_art` mm to the unit.
    pub(crate) fn new(mm_per_art: f64, unit: RulerUnit) -> Self {
        let camera = Camera {
            focal_px: 3000.0,
            u_focal_percent: 1.0,
            focal_source: FocalSource::Equivalent35Mm,
            principal: Point::new(2016.0, 1512.0),
        };
        let pose = PlanePose {
            slope_x: 0.03,
            slope_y: -0.02,
            depth_mm: 200.0,
            anchor: Point::new(2000.0, 1500.0),
        };
        let plane = ClothPlane::new(camera, pose, vec![]).expect("a plane seen from above");
        let shift = Vector::new(CORNER_MM[0], CORNER_MM[1]);
        let art_to_cloth: Map<Art, Mm> = Map::similarity(mm_per_art, TURN_DEG.to_radians(), shift);
        let fit = Fit {
            art_to_cloth,
            art_to_photo: art_to_cloth.then(plane.to_photo()),
            mm_per_art,
            rotation_deg: TURN_DEG,
            bleed_mm: 0.2,
            edge_mean_mm: 0.11,
            edge_p95_mm: 0.32,
            outline_seen: 0.93,
            u_size_percent: 0.3,
            u_shift_mm: 0.1,
            u_rotation_deg: 0.08,
            u_outline_mm: 0.2,
            u_middle_mm: 0.1,
            signal_to_noise: 20.0,
            samples: vec![],
        };
        let ruler = ruler(&plane, unit);
        Self {
            artwork: Artwork {
                file: "crest-fine.svg".into(),
                outline: crest(),
                notes: vec![],
            },
            fit,
            ruler,
            plane,
            material: material("film-low-heat"),
            fabric: fabric("cotton-jersey"),
            reasons: vec![],
            lines: None,
            landmarks: vec![],
        }
    }

    pub(crate) fn content(&self) -> SheetContent<'_> {
        SheetContent {
            job: "tern-bay-1991",
            garment: "Tern Bay Wanderers, home, 1991",
            emblem: "crest",
            verdict: measures::Verdict::Cut,
            reasons: &self.reasons,
            artwork: &self.artwork,
            fit: &self.fit,
            plane: &self.plane,
            rulers: std::slice::from_ref(&self.ruler),
            lines: self.lines,
            landmarks: &self.landmarks,
            ruler_thickness_mm: THICKNESS_MM,
            material: &self.material,
            layers: &[],
            fabric: Some(&self.fabric),
            iron_dots: Some(2),
            copies: 1,
        }
    }
}

/// A shield with a round hole: 100 wide, 120 high, from (0, 0).
fn crest() -> Outline<Art> {
    let mut shield = BezPath::new();
    shield.move_to((0.0, 0.0));
    shield.line_to((100.0, 0.0));
    shield.line_to((100.0, 60.0));
    shield.curve_to((100.0, 90.0), (75.0, 110.0), (50.0, 120.0));
    shield.curve_to((25.0, 110.0), (0.0, 90.0), (0.0, 60.0));
    shield.close_path();
    let ring = Circle::new((50.0, 45.0), 22.0).to_path(1e-6);
    let mut tern = BezPath::new();
    tern.move_to((38.0, 46.0));
    tern.quad_to((45.0, 36.0), (50.0, 44.0));
    tern.quad_to((55.0, 36.0), (62.0, 46.0));
    tern.quad_to((54.0, 44.0), (50.0, 52.0));
    tern.quad_to((46.0, 44.0), (38.0, 46.0));
    tern.close_path();
    Outline::from_contours(vec![shield, ring, tern], &[false, true, false])
}

fn ruler(plane: &ClothPlane, unit: RulerUnit) -> Ruler {
    let (pitch_mm, count) = match unit {
        RulerUnit::Mm => (1.0, 121),
        RulerUnit::Inch => (25.4 / 16.0, 81),
    };
    let (sin, cos) = RULER_DEG.to_radians().sin_cos();
    let at = |along: f64, into: f64| {
        let x = FIRST_TICK_MM[0] + cos * along - sin * into;
        let y = FIRST_TICK_MM[1] + sin * along + cos * into;
        photographed(plane, x, y, THICKNESS_MM)
    };
    let tick = |index: i32| {
        let along = f64::from(index) * pitch_mm;
        let points = [0.4, 1.5, 3.0].map(|into| TickPoint {
            at: at(along, into),
            sigma_px: 0.1,
        });
        Tick {
            index,
            points: points.to_vec(),
            length_px: 45.0,
        }
    };
    let ticks: Vec<Tick> = (0..count).map(tick).collect();
    let end = f64::from(count - 1) * pitch_mm;
    Ruler {
        reading: Reading {
            unit,
            pitch_mm,
            probability: 0.999,
        },
        other_readings: vec![],
        body: [
            at(-5.0, -pitch_mm),
            at(end + 5.0, -pitch_mm),
            at(end + 5.0, 25.0),
            at(-5.0, 25.0),
        ],
        px_per_mm: 15.0,
        u_px_per_mm: 0.01,
        shadow: None,
        ends: [at(0.0, 1.5), at(end, 1.5)],
        ticks,
    }
}
