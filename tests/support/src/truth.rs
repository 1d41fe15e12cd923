//! What is known of a painted picture, for measuring errors against.

use kurbo::Point as Spot;
use measures::outline::Worn;
use measures::ruler::RulerUnit;
use measures::{Art, Map, Mm, Outline, Point, Px, Vector};
use serde_json::{Value, json};

use crate::drawing::flattened;
use crate::family::Trap;
use crate::ruler::Edge;
use crate::scene::{Scene, View};

/// One row of a ruler's ticks as the photo shows it.
#[derive(Clone, Debug)]
pub struct TickRowTruth {
    /// What it is divided in.
    pub unit: RulerUnit,
    /// What the distance between neighbouring ticks claims to be, in millimetres.
    pub nominal_pitch_mm: f64,
    /// Where the outer ends of the ticks' centre lines are seen.
    pub at_edge_px: Vec<Point<Px>>,
    /// Where the inner ends are seen.
    pub tips_px: Vec<Point<Px>>,
    /// Which of them lie in the picture.
    pub in_picture: Vec<bool>,
    /// Photo pixels for one nominal millimetre: the mean between the first and the last tick in
    /// the picture; `None` with fewer than two there.
    pub px_per_mm: Option<f64>,
}

/// One ruler as the photo shows it.
#[derive(Clone, Debug)]
pub struct RulerTruth {
    /// Height of its face.
    pub thickness_mm: f64,
    /// By how much its divisions are too long, in per cent.
    pub misprint_percent: f64,
    /// Its rows of ticks.
    pub rows: Vec<TickRowTruth>,
    /// The corners of its face, in order round it.
    pub body_px: [Point<Px>; 4],
}

/// The emblem as the photo shows it.
#[derive(Clone, Debug)]
pub struct EmblemTruth {
    /// Artwork units to cloth millimetres.
    pub art_to_cloth: Map<Art, Mm>,
    /// Artwork units to photo pixels (without the lens's distortion).
    pub emblem_to_photo: Map<Art, Px>,
    /// The outline.
    pub outline: Outline<Art, Worn>,
    /// Bounding box of the filled outline as worn, unrotated.
    pub width_mm: f64,
    /// The same.
    pub height_mm: f64,
    /// Clockwise as seen, from the photo's x axis.
    pub rotation_deg: f64,
    /// Photo pixels for one millimetre of cloth at the middle of the emblem.
    pub px_per_mm: f64,
    /// Where the middle of the emblem's box is seen.
    pub centre_px: Point<Px>,
    /// How far the residue reaches past the emblem's edge.
    pub bleed_mm: f64,
    /// Change of the cloth's sRGB values, in per cent.
    pub contrast_percent: [f64; 3],
    /// Share of the residue that has gone.
    pub missing: f64,
    /// Whether the emblem looks the same after some turn, so that a turn is no error.
    pub symmetric: bool,
}

/// What is known of a painted picture.
#[derive(Clone, Debug)]
pub struct Truth {
    /// The family.
    pub family: String,
    /// The seed.
    pub seed: u64,
    /// The emblem, if the picture shows a residue.
    pub emblem: Option<EmblemTruth>,
    /// The rulers.
    pub rulers: Vec<RulerTruth>,
    /// Camera and plane of the **cloth**.
    pub view: View,
    /// Angle between cloth and sensor.
    pub tilt_deg: f64,
    /// Which of the job's versions is the true one; `None` when none is.
    pub version: Option<usize>,
    /// The trap, if the scene sets one: never to be cut.
    pub trap: Option<Trap>,
}

impl Truth {
    pub(crate) fn of(scene: &Scene) -> Self {
        let view = scene.view();
        Self {
            family: scene.family.clone(),
            seed: scene.seed,
            emblem: scene.residues.first().map(|r| {
                let outline = r.emblem.outline();
                let b = outline.bounding_box();
                let scale = r.mm_per_art();
                let turn = r.rotation_deg.to_radians();
                let turned = Map::<Art, Mm>::similarity(scale, turn, Vector::new(0.0, 0.0));
                let middle = turned.apply(Point::new(b.center().x, b.center().y));
                let centre = Point::new(r.centre_mm[0], r.centre_mm[1]);
                let art_to_cloth = Map::similarity(scale, turn, centre - middle);
                let emblem_to_photo = art_to_cloth.then(&view.pose.to_photo(&view.camera));
                let j = emblem_to_photo.jacobian(Point::new(b.center().x, b.center().y));
                EmblemTruth {
                    art_to_cloth,
                    emblem_to_photo,
                    width_mm: b.width() * scale,
                    height_mm: b.height() * scale,
                    // The rotation nearest to the local map.
                    rotation_deg: (j[(1, 0)] - j[(0, 1)])
                        .atan2(j[(0, 0)] + j[(1, 1)])
                        .to_degrees(),
                    px_per_mm: view.px_per_mm_at(centre),
                    centre_px: view.to_photo(centre),
                    bleed_mm: r.bleed_mm,
                    contrast_percent: r.contrast_percent,
                    missing: r.missing,
                    symmetric: r.emblem.design.is_symmetric(),
                    outline,
                }
            }),
            rulers: scene
                .rulers
                .iter()
                .map(|placed| ruler_truth(scene, &view, placed))
                .collect(),
            tilt_deg: view.pose.tilt_deg(),
            view,
            version: scene.true_version,
            trap: scene.trap,
        }
    }

    /// Distances between the true and an estimated place of the outline's points, in millimetres
    /// on the true cloth: root mean square and greatest. `None` without an emblem.
    ///
    /// `outline` must be that of the artwork estimated, in its file's user units; for the true
    /// version it is the planted one. For an emblem that looks the same after a turn, distances are
    /// to the nearest point of the true outline.
    pub fn outline_error_mm(&self, art_to_photo: &Map<Art, Px>) -> Option<(f64, f64)> {
        let emblem = self.emblem.as_ref()?;
        let mut squares = 0.0;
        let (mut greatest, mut count) = (0.0_f64, 0.0_f64);
        let points = emblem.outline_points();
        let placed: Vec<Point<Mm>> = points
            .iter()
            .map(|&p| emblem.art_to_cloth.apply(p))
            .collect();
        for (&p, &truth) in points.iter().zip(&placed) {
            let estimated = self.view.to_cloth(art_to_photo.apply(p))?;
            let error = if emblem.symmetric {
                nearest_mm(estimated, &placed)
            } else {
                estimated.distance(truth)
            };
            squares += error * error;
            greatest = greatest.max(error);
            count += 1.0;
        }
        Some(((squares / count.max(1.0)).sqrt(), greatest))
    }

    /// How much too large (+) or too small (−) a width is, in per cent. `None` without an emblem.
    pub fn size_error_percent(&self, width_mm: f64) -> Option<f64> {
        Some(100.0 * (width_mm / self.emblem.as_ref()?.width_mm - 1.0))
    }

    /// How much too large (+) or too small (−) the emblem is seen in the photo, in per cent, whatever
    /// the scale: the mean over its outline. `None` without an emblem.
    pub fn seen_size_error_percent(&self, art_to_photo: &Map<Art, Px>) -> Option<f64> {
        let emblem = self.emblem.as_ref()?;
        let points = emblem.outline_points();
        let ratio = |&p: &Point<Art>| art_to_photo.scale_at(p) / emblem.emblem_to_photo.scale_at(p);
        let mean = points.iter().map(ratio).sum::<f64>() / points.len().max(1) as f64;
        Some(100.0 * (mean - 1.0))
    }

    /// Greatest distance between the true outline and one cut at `width_mm`, laid middle on
    /// middle and unturned, in millimetres: what a wrong scale does to the piece itself, even when
    /// the outline lies right in the photo. `None` without an emblem.
    pub fn cut_error_mm(&self, width_mm: f64) -> Option<f64> {
        let emblem = self.emblem.as_ref()?;
        let middle = emblem.outline.bounding_box().center();
        let from_middle = |p: Point<Art>| p.distance(Point::new(middle.x, middle.y));
        let reach = emblem
            .outline_points()
            .into_iter()
            .map(from_middle)
            .fold(0.0, f64::max);
        let art_width = emblem.outline.bounding_box().width();
        Some((width_mm - emblem.width_mm).abs() / art_width * reach)
    }

    /// Distance on the cloth between the true and an estimated middle of the emblem's box, in
    /// millimetres. `None` without an emblem.
    pub fn position_error_mm(&self, art_to_photo: &Map<Art, Px>) -> Option<f64> {
        let emblem = self.emblem.as_ref()?;
        let middle = emblem.outline.bounding_box().center();
        let middle = Point::new(middle.x, middle.y);
        let estimated = self.view.to_cloth(art_to_photo.apply(middle))?;
        Some(estimated.distance(emblem.art_to_cloth.apply(middle)))
    }

    /// The truth as JSON, for reading by eye.
    pub fn json(&self) -> Value {
        let point = |p: &Point<Px>| json!([p.x, p.y]);
        let rulers: Vec<Value> = self
            .rulers
            .iter()
            .map(|r| {
                let rows: Vec<Value> = r
                    .rows
                    .iter()
                    .map(|row| {
                        let seen = |points: &[Point<Px>]| -> Vec<Value> {
                            let pairs = points.iter().zip(&row.in_picture);
                            pairs
                                .filter(|(_, inside)| **inside)
                                .map(|(p, _)| point(p))
                                .collect()
                        };
                        json!({ "unit": row.unit, "nominal_pitch_mm": row.nominal_pitch_mm,
                                "px_per_mm": row.px_per_mm, "at_edge_px": seen(&row.at_edge_px),
                                "tips_px": seen(&row.tips_px) })
                    })
                    .collect();
                json!({ "thickness_mm": r.thickness_mm, "misprint_percent": r.misprint_percent,
                        "body_px": r.body_px.iter().map(point).collect::<Vec<_>>(), "rows": rows })
            })
            .collect();
        let emblem = self.emblem.as_ref().map(|e| {
            json!({ "width_mm": e.width_mm, "height_mm": e.height_mm,
                    "rotation_deg": e.rotation_deg, "px_per_mm": e.px_per_mm,
                    "centre_px": point(&e.centre_px), "emblem_to_photo": e.emblem_to_photo.rows(),
                    "bleed_mm": e.bleed_mm, "contrast_percent": e.contrast_percent,
                    "missing": e.missing })
        });
        json!({ "family": self.family, "seed": self.seed, "emblem": emblem, "rulers": rulers,
                "version": self.version, "trap": self.trap.map(|t| format!("{t:?}")),
                "tilt_deg": self.tilt_deg, "slope_x": self.view.pose.slope_x,
                "slope_y": self.view.pose.slope_y, "depth_mm": self.view.pose.depth_mm,
                "focal_px": self.view.camera.focal_px, "k1": self.view.k1 })
    }
}

impl EmblemTruth {
    /// Points along the outline, about half a millimetre apart.
    pub fn outline_points(&self) -> Vec<Point<Art>> {
        let step = 0.5 * self.outline.bounding_box().width() / self.width_mm;
        let spots = self
            .outline
            .contours()
            .iter()
            .flat_map(|c| flattened(c, step));
        spots.map(|p: Spot| Point::from(p)).collect()
    }
}

/// Distance to the nearest of densely placed points, or to the line through the nearest two.
fn nearest_mm(p: Point<Mm>, placed: &[Point<Mm>]) -> f64 {
    let by_distance = |a: &&Point<Mm>, b: &&Point<Mm>| p.distance(**a).total_cmp(&p.distance(**b));
    let Some(a) = placed.iter().min_by(by_distance) else {
        return f64::INFINITY;
    };
    let Some(b) = placed.iter().filter(|q| *q != a).min_by(by_distance) else {
        return p.distance(*a);
    };
    let along = *b - *a;
    (p - *a).cross(along).abs() / along.length()
}

fn ruler_truth(scene: &Scene, view: &View, placed: &crate::scene::PlacedRuler) -> RulerTruth {
    let face = view.face_to_photo(placed);
    let seen = |s: f64, t: f64| view.bent(face.apply(Point::new(s, t)));
    let ruler = &placed.ruler;
    let (w, h) = (f64::from(scene.width_px), f64::from(scene.height_px));
    let inside = |p: &Point<Px>| (0.0..w).contains(&p.x) && (0.0..h).contains(&p.y);
    let rows = ruler.rows.iter().map(|row| {
        let place = |i: usize, from_edge: f64| {
            let t = match row.edge {
                Edge::Near => from_edge,
                Edge::Far => ruler.width_mm - from_edge,
            };
            seen(row.start_mm + i as f64 * row.pitch_mm, t)
        };
        let at_edge: Vec<Point<Px>> = (0..row.count).map(|i| place(i, row.inset_mm)).collect();
        let tips: Vec<Point<Px>> = (0..row.count)
            .map(|i| place(i, row.inset_mm + row.length_mm(i)))
            .collect();
        let in_picture: Vec<bool> = at_edge
            .iter()
            .zip(&tips)
            .map(|(a, b)| inside(a) && inside(b))
            .collect();
        let first = in_picture.iter().position(|&v| v);
        let last = in_picture.iter().rposition(|&v| v);
        let px_per_mm = first.zip(last).filter(|(a, b)| b > a).map(|(a, b)| {
            at_edge[a].distance(at_edge[b]) / ((b - a) as f64 * row.nominal_pitch_mm)
        });
        TickRowTruth {
            unit: row.unit,
            nominal_pitch_mm: row.nominal_pitch_mm,
            at_edge_px: at_edge,
            tips_px: tips,
            in_picture,
            px_per_mm,
        }
    });
    let first = ruler.rows.first();
    RulerTruth {
        thickness_mm: ruler.thickness_mm,
        misprint_percent: first.map_or(0.0, |r| 100.0 * (r.pitch_mm / r.nominal_pitch_mm - 1.0)),
        rows: rows.collect(),
        body_px: [
            seen(0.0, 0.0),
            seen(ruler.length_mm, 0.0),
            seen(ruler.length_mm, ruler.width_mm),
            seen(0.0, ruler.width_mm),
        ],
    }
}
