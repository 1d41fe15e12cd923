//! The cloth's own lines: the direction of stripes, ribs and columns of a knit.
//!
//! A line of the cloth is straight and runs on, so brightness summed along its direction keeps it,
//! and summed along any other direction loses it (the Radon transform; Deans 1983). Parts of the
//! cloth vote on the direction, which keeps out whatever is one line only: a ruler's edge, a seam,
//! a fold. The coarsest lines win, since people square an emblem by what they see.

mod angle;
mod texture;
mod vote;

use measures::{ClothLines, ClothPlane, Mm, Outline, Point, ResidueField, Vector};
use nalgebra::{Vector2, Vector3};
use serde::Deserialize;

pub(crate) use texture::{Levels, Texture};

/// Section `[lines]` of the settings.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LineSettings {
    /// Cloth this near to the emblem is left out.
    pub emblem_margin_mm: f64,
    /// Cloth this near to whatever is no cloth is left out.
    pub edge_margin_mm: f64,
    /// By how many standard deviations a direction must stand out of all others in a part.
    pub part_min_sigmas: f32,
    /// In what share of the cloth's parts.
    pub parts_min_share: f64,
    /// Share of the best direction's strength at which another makes both doubtful.
    pub rival_share: f64,
    /// Standard uncertainty (k = 1) of any direction on cloth that was smoothed by hand.
    pub u_cloth_deg: f64,
    /// Directions less certain than this (k = 2) are not given.
    pub u_angle_max_deg: f64,
}

/// Finest and coarsest changes looked at together, in mm: broad and narrow stripes, ribs and
/// cords, columns of a knit.
const BANDS_MM: [[f64; 2]; 3] = [[5.0, 24.0], [1.7, 7.0], [0.6, 2.4]];

/// Measures the cloth's lines; `None` when none are seen, or several directions are alike.
/// `emblem` is where the residue, or the pressed emblem, lies.
pub fn lines(
    field: &ResidueField,
    plane: &ClothPlane,
    emblem: Option<&Outline<Mm>>,
    settings: &LineSettings,
) -> Option<ClothLines> {
    let mut levels = Levels::new(field);
    BANDS_MM.iter().find_map(|band| {
        let texture = Texture::new(&mut levels, emblem, *band, settings)?;
        let found = vote::direction(&texture, settings)?;
        let measured = angle::measure(&texture, &found)?;
        let at = crate::middle(&texture.grid);
        let of_plane = u_from_plane_rad(plane, at, measured.angle_rad);
        let of_cloth = settings.u_cloth_deg.to_radians();
        let u = 2.0 * measured.u_rad.hypot(of_plane).hypot(of_cloth);
        let lines = ClothLines {
            angle_deg: half_turn(measured.angle_rad.to_degrees()),
            u_angle_deg: u.to_degrees(),
            strength: f64::from(found.strength),
            fineness_mm: band[0],
        };
        (lines.u_angle_deg <= settings.u_angle_max_deg).then_some(lines)
    })
}

/// A direction of lines, from −90 (not included) to 90 degrees.
fn half_turn(deg: f64) -> f64 {
    deg - 180.0 * ((deg - 90.0) / 180.0).ceil()
}

/// How far a direction on the cloth is uncertain (k = 1) because the plane's tilt is (GUM, JCGM
/// 100:2008, equation 13).
fn u_from_plane_rad(plane: &ClothPlane, at: Point<Mm>, angle_rad: f64) -> f64 {
    const STEP: f64 = 1e-3;
    let place = plane.to_photo().apply(at);
    let seen = plane.to_photo().jacobian(at) * Vector2::new(angle_rad.cos(), angle_rad.sin());
    let turned = |i: usize, step: f64| {
        let to_cloth = plane.nudged(i, step).to_photo(&plane.camera).inverse();
        let way = to_cloth.map(|m| m.jacobian(place) * seen);
        way.map_or(angle_rad, |w| Vector::<Mm>::new(w.x, w.y).angle_rad())
    };
    let gradient = Vector3::from_fn(|i, _| {
        let change = turned(i, STEP) - turned(i, -STEP);
        // Angles jump by a whole turn at ±π.
        change.sin() / (2.0 * STEP)
    });
    gradient.dot(&(plane.covariance * gradient)).max(0.0).sqrt()
}
