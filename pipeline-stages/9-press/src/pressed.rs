//! The finished article compared with the plan.

use measures::{Art, Artwork, ClothLines, Fit, Map, Mm, Point, SameCloth, Vector};
use serde::Deserialize;

use crate::marks::two_digits;

/// What the finished article may be off before a person is told; section `[pressed]`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PressedSettings {
    /// Greatest shift.
    pub shift_max_mm: f64,
    /// Greatest turn.
    pub turn_max_deg: f64,
    /// Greatest error of the size.
    pub size_max_percent: f64,
    /// An edge this far from where it should be has come loose, or was never there,
    pub edge_off_max_mm: f64,
    /// if it does so over this length.
    pub loose_edge_max_mm: f64,
    /// Standard uncertainty (k = 1) with which people point at a landmark.
    pub u_landmark_mm: f64,
    /// How far a pressed edge reaches past the cut one, and how surely (k = 1).
    pub bleed_mm: f64,
    /// The latter.
    pub u_bleed_mm: f64,
    /// Blur of its edge in the photo (standard deviation).
    pub blur_mm: f64,
}

/// How the garment in the two photos was laid over each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PlacedBy {
    /// By what the cloth itself shows.
    Cloth,
    /// By the landmarks that the job names in both.
    Landmarks,
}

/// Where the scale of the finished article's photo is from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ScaledBy {
    /// A ruler in it.
    Ruler,
    /// The emblem's own planned width; by the ruler in it, if one was read, the emblem would be so
    /// much larger that either is wrong.
    Emblem {
        /// By how much.
        ruler_says_percent: Option<f64>,
    },
}

/// What is known of the finished article.
#[derive(Clone, Copy, Debug)]
pub struct Finished<'a> {
    /// The version that was cut.
    pub artwork: &'a Artwork,
    /// How it was to lie: the fit to the residue.
    pub plan: &'a Fit,
    /// How it lies, in the photo of the finished article.
    pub pressed: &'a Fit,
    /// Where the artwork lies on the cloth as each photo's plane lays it flat: as planned, and as
    /// pressed.
    pub lies: [Map<Art, Mm>; 2],
    /// Where that photo's scale is from.
    pub scaled_by: ScaledBy,
    /// The cloth's lines in both photos.
    pub lines: [Option<ClothLines>; 2],
    /// One photo's cloth laid over the other's.
    pub same_cloth: Option<(SameCloth, PlacedBy)>,
}

/// A stretch of edge that is not where it should be.
#[derive(Clone, Debug, PartialEq)]
pub struct LooseEdge {
    /// Where on the emblem, as worn, in words.
    pub place: &'static str,
    /// Its length.
    pub length_mm: f64,
}

/// The finished article against the plan.
#[derive(Clone, Debug, PartialEq)]
pub struct Pressed {
    /// From the planned place of the emblem's centre to the pressed one, to the right and down as
    /// worn, in mm.
    pub shift_mm: Option<[f64; 2]>,
    /// Expanded uncertainty (k = 2) of the shift.
    pub u_shift_mm: Option<f64>,
    /// Clockwise from the planned turn.
    pub turn_deg: Option<f64>,
    /// Expanded uncertainty (k = 2) of the turn.
    pub u_turn_deg: Option<f64>,
    /// Turn against the cloth's lines, or square to them, as pressed.
    pub to_lines_deg: Option<f64>,
    /// The same as planned.
    pub planned_to_lines_deg: Option<f64>,
    /// Its width, where the photo has a scale of its own.
    pub width_mm: Option<f64>,
    /// By how much it is larger than planned.
    pub size_percent: Option<f64>,
    /// Expanded uncertainty (k = 2) of that.
    pub u_size_percent: Option<f64>,
    /// How the photos were laid over each other.
    pub placed_by: Option<PlacedBy>,
    /// Edges lifted, and detail missing.
    pub loose: Vec<LooseEdge>,
    /// What a person should look at, in plain words.
    pub findings: Vec<String>,
    /// What could not be told, and what would tell it.
    pub untold: Vec<String>,
}

/// Compares the finished article with the plan.
pub fn compare(finished: &Finished<'_>, settings: &PressedSettings) -> Pressed {
    let Finished {
        artwork,
        plan,
        pressed,
        lies,
        ..
    } = *finished;
    let middle = artwork.outline.bounding_box().center().into();
    let to_lines = |i: usize| {
        let lines: Option<ClothLines> = finished.lines[i];
        lines.map(|l| l.turn_of_deg(turn_deg(&lies[i], middle)))
    };
    let mut out = Pressed {
        shift_mm: None,
        u_shift_mm: None,
        turn_deg: None,
        u_turn_deg: None,
        to_lines_deg: to_lines(1),
        planned_to_lines_deg: to_lines(0),
        width_mm: None,
        size_percent: None,
        u_size_percent: None,
        placed_by: finished.same_cloth.map(|(_, by)| by),
        loose: loose_edges(artwork, pressed, settings),
        findings: Vec::new(),
        untold: Vec::new(),
    };
    if let Some((same, _)) = &finished.same_cloth {
        let (shift, turn) = from_plan(middle, lies, &same.before_to_after);
        out.shift_mm = Some(shift);
        out.turn_deg = Some(turn);
        let root = |a: f64, b: f64, c: f64| (4.0 * a * a + b * b + c * c).sqrt();
        out.u_shift_mm = Some(root(same.u_place_mm, plan.u_middle_mm, pressed.u_middle_mm));
        out.u_turn_deg = Some(root(
            same.u_turn_deg,
            plan.u_rotation_deg,
            pressed.u_rotation_deg,
        ));
    }
    match finished.scaled_by {
        ScaledBy::Ruler => {
            let width = artwork.outline.bounding_box().width();
            out.width_mm = Some(width * pressed.mm_per_art);
            out.size_percent = Some(100.0 * (pressed.mm_per_art / plan.mm_per_art - 1.0));
            out.u_size_percent = Some(pressed.u_size_percent);
        }
        ScaledBy::Emblem { ruler_says_percent } => {
            let ruler = match ruler_says_percent {
                Some(_) => "the ruler in the photo of the finished article does not fit the plan",
                None => "no ruler was read in the photo of the finished article",
            };
            out.untold.push(format!(
                "{ruler}: it was scaled by the emblem's planned width, so its size is not checked"
            ));
        }
    }
    out.findings = findings(&out, settings);
    if let ScaledBy::Emblem {
        ruler_says_percent: Some(percent),
    } = finished.scaled_by
    {
        out.findings.push(format!(
            "by the ruler in this photo the pressed emblem is {:.0} % {} than planned: measure its \
             width with a ruler; either the ruler was misread, or another size was pressed",
            percent.abs(),
            larger(percent)
        ));
    }
    out
}

fn larger(percent: f64) -> &'static str {
    if percent > 0.0 { "larger" } else { "smaller" }
}

/// What is said when the shift cannot be told.
const UNPLACED: &str = "the two photos could not be laid over each other by the cloth, so whether \
    the emblem sits where it was planned is not known: photograph the same piece of shirt in the \
    same light, or name two landmarks in both photos (landmarks, after_landmarks)";

fn findings(p: &Pressed, settings: &PressedSettings) -> Vec<String> {
    let mut all = Vec::new();
    if let (Some([x, y]), Some(u)) = (p.shift_mm, p.u_shift_mm)
        && x.hypot(y) > settings.shift_max_mm
    {
        all.push(format!(
            "the pressed emblem lies {:.1} mm from its planned place, {} (± {} mm)",
            x.hypot(y),
            way(x, y),
            two_digits(u)
        ));
    }
    if let (Some(turn), Some(u)) = (p.turn_deg, p.u_turn_deg)
        && turn.abs() > settings.turn_max_deg
    {
        let side = if turn > 0.0 {
            "clockwise"
        } else {
            "anticlockwise"
        };
        all.push(format!(
            "the pressed emblem is turned {:.1}° {side} from the plan (± {}°)",
            turn.abs(),
            two_digits(u)
        ));
    }
    // Where the photos cannot be laid over each other, the cloth's lines still tell the turn.
    if let (None, Some(now), Some(planned)) = (p.turn_deg, p.to_lines_deg, p.planned_to_lines_deg)
        && (now - planned).abs() > settings.turn_max_deg
    {
        all.push(format!(
            "against the cloth's lines the pressed emblem is turned {now:+.1}°, planned {planned:+.1}°"
        ));
    }
    if let (Some(percent), Some(u)) = (p.size_percent, p.u_size_percent)
        && percent.abs() > settings.size_max_percent.max(u)
    {
        all.push(format!(
            "the pressed emblem is {:.1} % {} than planned (± {} %)",
            percent.abs(),
            larger(percent),
            two_digits(u)
        ));
    }
    if !p.loose.is_empty() {
        let length: f64 = p.loose.iter().map(|edge| edge.length_mm).sum();
        let mut places: Vec<&str> = p.loose.iter().map(|edge| edge.place).collect();
        places.sort_unstable();
        places.dedup();
        all.push(format!(
            "{length:.0} mm of edge are not where they should be ({}): lifted, folded over, or \
             detail missing",
            places.join(", ")
        ));
    }
    if p.shift_mm.is_none() {
        all.push(UNPLACED.to_owned());
    }
    all.extend(too_unsure(p, settings));
    all
}

/// What is known less surely than it has to be is no all-clear.
fn too_unsure(p: &Pressed, settings: &PressedSettings) -> Vec<String> {
    let figures = [
        ("place", p.u_shift_mm, settings.shift_max_mm, " mm"),
        ("turn", p.u_turn_deg, settings.turn_max_deg, "°"),
    ];
    let unsure = figures
        .into_iter()
        .filter_map(|(what, u, most, unit)| Some((what, u.filter(|&u| u > most)?, most, unit)));
    let words = unsure.map(|(what, u, most, unit)| {
        format!(
            "the pressed emblem's {what} is known to ± {}{unit} only, {most}{unit} are wanted: \
             check it by hand",
            two_digits(u)
        )
    });
    words.collect()
}

/// "0.8 mm to the right and 0.3 mm too high".
fn way(x: f64, y: f64) -> String {
    let across = if x < 0.0 { "left" } else { "right" };
    let down = if y < 0.0 { "high" } else { "low" };
    format!(
        "{:.1} mm to the {across} and {:.1} mm too {down} as worn",
        x.abs(),
        y.abs()
    )
}

/// Turn at a place, clockwise as seen.
fn turn_deg(map: &Map<Art, Mm>, at: Point<Art>) -> f64 {
    let j = map.jacobian(at);
    (j[(1, 0)] - j[(0, 1)])
        .atan2(j[(0, 0)] + j[(1, 1)])
        .to_degrees()
}

/// Shift of the middle, as worn, and turn, from the plan carried over to the second photo's cloth.
fn from_plan(
    middle: Point<Art>,
    [planned, pressed]: [Map<Art, Mm>; 2],
    before_to_after: &Map<Mm, Mm>,
) -> ([f64; 2], f64) {
    let planned = planned.then(before_to_after);
    let planned_deg = turn_deg(&planned, middle);
    let off: Vector<Mm> = pressed.apply(middle) - planned.apply(middle);
    let (sin, cos) = planned_deg.to_radians().sin_cos();
    let shift = [cos * off.x + sin * off.y, cos * off.y - sin * off.x];
    let turn = turn_deg(&pressed, middle) - planned_deg;
    (shift, turn - 360.0 * (turn / 360.0).round())
}

/// Stretches of the outline whose edge is not seen, or not where it should be.
fn loose_edges(artwork: &Artwork, pressed: &Fit, settings: &PressedSettings) -> Vec<LooseEdge> {
    let Some(to_art) = pressed.art_to_photo.inverse() else {
        return Vec::new();
    };
    let centre = artwork.outline.bounding_box().center();
    let mut all = Vec::new();
    let mut run: Option<(f64, Vec<kurbo::Vec2>)> = None;
    let mut last: Option<kurbo::Point> = None;
    let mut end = |run: &mut Option<(f64, Vec<kurbo::Vec2>)>| {
        if let Some((length_mm, spots)) = run.take()
            && length_mm >= settings.loose_edge_max_mm
        {
            let middle = spots[spots.len() / 2];
            let half = artwork.outline.bounding_box().size() * 0.5;
            all.push(LooseEdge {
                place: sector(middle.x / half.width, middle.y / half.height),
                length_mm,
            });
        }
    };
    for sample in &pressed.samples {
        let at: kurbo::Point = to_art.apply(sample.at).into();
        let near = last.is_some_and(|l| {
            (at - l).hypot() * pressed.mm_per_art < 4.0 * sample.length_mm.max(0.25)
        });
        if !near {
            end(&mut run);
        }
        last = Some(at);
        if sample
            .offset_mm
            .is_some_and(|mm| mm.abs() <= settings.edge_off_max_mm)
        {
            end(&mut run);
            continue;
        }
        let (length, spots) = run.get_or_insert_with(|| (0.0, Vec::new()));
        *length += sample.length_mm;
        spots.push(at - centre);
    }
    end(&mut run);
    all
}

/// Where on the emblem, from its middle (0, 0) to its edges (±1).
fn sector(x: f64, y: f64) -> &'static str {
    let side = |v: f64| usize::from(v > -0.4) + usize::from(v > 0.4);
    [
        ["upper left", "top", "upper right"],
        ["left", "middle", "right"],
        ["lower left", "bottom", "lower right"],
    ][side(y)][side(x)]
}

/// The garment in both photos laid over each other by landmarks of the same name; `None` with
/// fewer than two. A rigid motion with least squares (Umeyama, IEEE PAMI 13(4), 1991).
pub fn by_landmarks(
    before: &[(String, Point<Mm>)],
    after: &[(String, Point<Mm>)],
    u_landmark_mm: f64,
) -> Option<SameCloth> {
    let pairs: Vec<(Point<Mm>, Point<Mm>)> = before
        .iter()
        .filter_map(|(name, b)| {
            let found = after.iter().find(|(other, _)| other == name);
            found.map(|(_, a)| (*b, *a))
        })
        .collect();
    let n = pairs.len() as f64;
    let mean = |sum: Vector<Mm>, p: &Point<Mm>| sum + Vector::new(p.x, p.y) * (1.0 / n);
    let none = Vector::<Mm>::new(0.0, 0.0);
    let from = pairs.iter().map(|(b, _)| b).fold(none, mean);
    let to = pairs.iter().map(|(_, a)| a).fold(none, mean);
    let (mut dot, mut cross, mut own) = (0.0, 0.0, 0.0);
    for (b, a) in &pairs {
        let b: Vector<Mm> = Vector::new(b.x - from.x, b.y - from.y);
        let a: Vector<Mm> = Vector::new(a.x - to.x, a.y - to.y);
        dot += b.dot(a);
        cross += b.cross(a);
        own += b.dot(b);
    }
    // Two landmarks nearer together than a finger is wide say nothing of the turn.
    if pairs.len() < 2 || own < 100.0 {
        return None;
    }
    let origin: Map<Mm, Mm> = Map::similarity(1.0, 0.0, -from);
    let u_turn = u_landmark_mm * 2.0_f64.sqrt() / own.sqrt();
    Some(SameCloth {
        before_to_after: origin.then(&Map::similarity(1.0, cross.atan2(dot), to)),
        u_place_mm: u_landmark_mm * 2.0_f64.sqrt() * (1.0 / n + 1.0).sqrt(),
        u_turn_deg: u_turn.to_degrees(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn landmarks_give_a_rigid_motion() {
        let truth: Map<Mm, Mm> = Map::similarity(1.0, 0.1, Vector::new(7.0, -3.0));
        let spots = [(0.0, 0.0), (120.0, 10.0), (40.0, 90.0)];
        let before: Vec<_> = spots
            .iter()
            .enumerate()
            .map(|(i, &(x, y))| (format!("seam-{i}"), Point::new(x, y)))
            .collect();
        let after: Vec<_> = before
            .iter()
            .rev()
            .map(|(name, p)| (name.clone(), truth.apply(*p)))
            .collect();
        let found = by_landmarks(&before, &after, 0.5).expect("three landmarks");
        let place = Point::new(50.0, 40.0);
        assert!(
            found
                .before_to_after
                .apply(place)
                .distance(truth.apply(place))
                < 1e-9
        );
        assert_eq!(by_landmarks(&before[..1], &after, 0.5), None);
    }

    #[test]
    fn places_on_the_emblem_have_names() {
        assert_eq!(sector(-0.9, -0.9), "upper left");
        assert_eq!(sector(0.1, 0.95), "bottom");
        assert_eq!(sector(0.9, 0.0), "right");
    }
}
