//! A scene: everything that a photograph shows, every knob in the open.

use measures::cloth::PlanePose;
use measures::photo::{Camera, FocalSource};
use measures::ruler::RulerUnit;
use measures::{Map, Mm, Point, Px};
use nalgebra::{Matrix3, Vector3};

use crate::cloth::Cloth;
use crate::emblem::Emblem;
use crate::family::Trap;
use crate::residue::Residue;
use crate::ruler::Ruler;

/// Length of the diagonal of a 36 mm × 24 mm frame, which the 35 mm equivalent refers to.
pub const FULL_FRAME_DIAGONAL_MM: f64 = 43.266_615_305_567_87;

/// The lens.
#[derive(Clone, Debug, PartialEq)]
pub struct Lens {
    /// Focal length as the 35 mm equivalent by the diagonal (CIPA DCG-001).
    pub focal_35mm: f64,
    /// Radial distortion: a point at radius r (in focal lengths) is seen at r·(1 + k1·r²).
    pub k1: f64,
    /// Standard deviation of the blur.
    pub blur_px: f64,
    /// Loss of light in the corners, 0 to 1.
    pub vignetting: f64,
    /// Whether the file tells the focal length.
    pub tells_focal: bool,
}

/// The light on the cloth.
#[derive(Clone, Debug, PartialEq)]
pub struct Light {
    /// Where it comes from, clockwise from the photo's right.
    pub angle_deg: f64,
    /// How much brighter the near side of the picture is than the far one, in per cent.
    pub gradient_percent: f64,
    /// Overall exposure against a well-exposed picture (1).
    pub exposure: f64,
    /// Colour of the light, red, green and blue.
    pub colour: [f64; 3],
    /// Soft large shadows, in per cent.
    pub shadows_percent: f64,
    /// How far the shadow of a thing's edge falls, in its height above the cloth: 0 in light from
    /// straight above.
    pub reach: f64,
    /// Half the breadth over which that shadow fades, in the same.
    pub softness: f64,
}

/// The sensor and what the camera does with its values.
#[derive(Clone, Debug, PartialEq)]
pub struct Sensor {
    /// Electrons at full white; fewer make more shot noise.
    pub full_well: f64,
    /// Read noise, in electrons.
    pub read_noise: f64,
    /// Blur of the camera's own smoothing, in pixels.
    pub smoothing_px: f64,
    /// Strength of sharpening, 0 to 1.5.
    pub sharpening: f64,
    /// Whether the file keeps colour at half resolution.
    pub half_colour: bool,
    /// Quality of the JPEG file, 1 to 100.
    pub jpeg_quality: u8,
}

/// A ruler on the cloth.
#[derive(Clone, Debug, PartialEq)]
pub struct PlacedRuler {
    /// The ruler.
    pub ruler: Ruler,
    /// Where the corner of its near edge's beginning lies, in cloth millimetres from the anchor.
    pub corner_mm: [f64; 2],
    /// Direction of its edge, clockwise from the cloth's x axis.
    pub angle_deg: f64,
    /// Height of its underside above the cloth at its beginning and at its end.
    pub lift_mm: [f64; 2],
}

/// Other things to be seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MarkKind {
    /// Slats of a blind.
    Blinds,
    /// A line of stitches.
    Stitching,
    /// A zip.
    Zip,
    /// A keyboard.
    Keyboard,
    /// A barcode.
    Barcode,
    /// Lines of printed text.
    Print,
    /// A seam: a groove with stitches on both sides.
    Seam,
    /// A sheet of white paper or card.
    Card,
    /// A tailor's chalk line.
    Chalk,
    /// A cutting mat's grid: lines every 5 mm, stronger ones every 10 mm.
    Grid,
    /// Fine woven stripes, 2 mm apart.
    FineStripes,
    /// A comb.
    Comb,
}

/// Something else on the cloth.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// What it is.
    pub kind: MarkKind,
    /// Its middle, in cloth millimetres from the anchor.
    pub centre_mm: [f64; 2],
    /// Its direction.
    pub angle_deg: f64,
    /// Its size along and across.
    pub size_mm: [f64; 2],
}

/// The finished article: an opaque emblem pressed onto the cloth.
#[derive(Clone, Debug, PartialEq)]
pub struct Pressed {
    /// The emblem.
    pub emblem: Emblem,
    /// Width of its filled outline's bounding box, as worn, unrotated.
    pub width_mm: f64,
    /// Middle of that box, in cloth millimetres from the anchor.
    pub centre_mm: [f64; 2],
    /// Clockwise from the cloth's x axis.
    pub rotation_deg: f64,
    /// Its colour in sRGB.
    pub colour: [u8; 3],
    /// A round part that has come off: its middle on the cloth, and its radius.
    pub lost_mm: Option<([f64; 2], f64)>,
}

/// Everything that a photograph shows.
#[derive(Clone, Debug, PartialEq)]
pub struct Scene {
    /// Fixes every random detail that has no knob.
    pub seed: u64,
    /// The family it was drawn from.
    pub family: String,
    /// Width of the picture.
    pub width_px: u32,
    /// Height of the picture.
    pub height_px: u32,
    /// The lens.
    pub lens: Lens,
    /// The cloth's plane; the anchor is the picture's middle.
    pub pose: PlanePose,
    /// The cloth.
    pub cloth: Cloth,
    /// The light.
    pub light: Light,
    /// The sensor.
    pub sensor: Sensor,
    /// What emblems left; the truth speaks of the first.
    pub residues: Vec<Residue>,
    /// The finished article.
    pub pressed: Option<Pressed>,
    /// Which of several photographs of the scene: noise and stray fibres differ.
    pub exposure: u64,
    /// The rulers; the truth lists them in this order.
    pub rulers: Vec<PlacedRuler>,
    /// Other things.
    pub marks: Vec<Mark>,
    /// The artwork that the job offers.
    pub versions: Vec<Emblem>,
    /// Which of them is the true one; `None` when none is.
    pub true_version: Option<usize>,
    /// The trap that the scene sets, if any.
    pub trap: Option<Trap>,
    /// The thickness that the job gives for the ruler.
    pub thickness_given_mm: Option<f64>,
    /// The ruler's unit as the job gives it.
    pub unit_given: Option<RulerUnit>,
}

impl Scene {
    /// The camera, in pixels of the upright picture.
    pub fn camera(&self) -> Camera {
        let (w, h) = (f64::from(self.width_px), f64::from(self.height_px));
        Camera {
            focal_px: self.lens.focal_35mm / FULL_FRAME_DIAGONAL_MM * w.hypot(h),
            u_focal_percent: 0.0,
            focal_source: FocalSource::Equivalent35Mm,
            principal: Point::new(0.5 * w, 0.5 * h),
        }
    }

    /// The camera's view of the cloth, in millimetres.
    pub fn view(&self) -> View {
        View {
            camera: self.camera(),
            pose: self.pose,
            k1: self.lens.k1,
        }
    }
}

/// Camera and plane together, lens distortion included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct View {
    /// The pinhole camera.
    pub camera: Camera,
    /// The cloth's plane.
    pub pose: PlanePose,
    /// Radial distortion.
    pub k1: f64,
}

impl View {
    /// Where a spot of the cloth is seen.
    pub fn to_photo(&self, p: Point<Mm>) -> Point<Px> {
        self.bent(self.pose.to_photo(&self.camera).apply(p))
    }

    /// The spot of the cloth seen at a photo point; `None` when the plane is seen edge-on.
    pub fn to_cloth(&self, p: Point<Px>) -> Option<Point<Mm>> {
        let back = self.pose.to_photo(&self.camera).inverse()?;
        Some(back.apply(self.straightened(p)))
    }

    /// Photo pixels for one millimetre of cloth at a spot (the mean of all directions).
    pub fn px_per_mm_at(&self, p: Point<Mm>) -> f64 {
        let step = 0.01;
        let at = |dx: f64, dy: f64| self.to_photo(Point::new(p.x + dx, p.y + dy));
        let (a, b) = (
            at(step, 0.0) - at(-step, 0.0),
            at(0.0, step) - at(0.0, -step),
        );
        a.cross(b).abs().sqrt() / (2.0 * step)
    }

    /// From where a perfect lens would show a point to where this one does.
    pub fn bent(&self, p: Point<Px>) -> Point<Px> {
        let from = (p - self.camera.principal) * (1.0 / self.camera.focal_px);
        self.camera.principal + (p - self.camera.principal) * (1.0 + self.k1 * from.dot(from))
    }

    /// From where this lens shows a point to where a perfect one would.
    pub fn straightened(&self, p: Point<Px>) -> Point<Px> {
        let mut guess = p;
        for _ in 0..4 {
            guess = guess + (p - self.bent(guess));
        }
        guess
    }

    /// Millimetres on a ruler's face (along, across) to where a perfect lens would show them.
    pub fn face_to_photo(&self, placed: &PlacedRuler) -> Map<Mm, Px> {
        let (start, along, across) = self.slab(placed);
        let height = placed.ruler.thickness_mm;
        let up = along.cross(&across).normalize() * -height;
        Map::from_matrix(self.intrinsics() * Matrix3::from_columns(&[along, across, start + up]))
    }

    /// The same for the underside.
    pub fn foot_to_photo(&self, placed: &PlacedRuler) -> Map<Mm, Px> {
        let (start, along, across) = self.slab(placed);
        Map::from_matrix(self.intrinsics() * Matrix3::from_columns(&[along, across, start]))
    }

    fn intrinsics(&self) -> Matrix3<f64> {
        let (f, c) = (self.camera.focal_px, self.camera.principal);
        Matrix3::new(f, 0.0, c.x, 0.0, f, c.y, 0.0, 0.0, 1.0)
    }

    /// Corner, direction along and direction across of a ruler's underside, in camera coordinates.
    fn slab(&self, placed: &PlacedRuler) -> (Vector3<f64>, Vector3<f64>, Vector3<f64>) {
        let pose = &self.pose;
        let ray = (pose.anchor - self.camera.principal) * (1.0 / self.camera.focal_px);
        let origin = Vector3::new(ray.x, ray.y, 1.0) * pose.depth_mm;
        let right = Vector3::new(1.0, 0.0, pose.slope_x).normalize();
        let away = Vector3::new(-pose.slope_x, -pose.slope_y, 1.0).normalize();
        let down = away.cross(&right);
        let (sin, cos) = placed.angle_deg.to_radians().sin_cos();
        let [from, to] = placed.lift_mm;
        let rise = ((to - from) / placed.ruler.length_mm).clamp(-1.0, 1.0);
        let flat = right * cos + down * sin;
        let along = flat * (1.0 - rise * rise).sqrt() - away * rise;
        let across = down * cos - right * sin;
        let start = origin + right * placed.corner_mm[0] + down * placed.corner_mm[1] - away * from;
        (start, along, across)
    }
}
