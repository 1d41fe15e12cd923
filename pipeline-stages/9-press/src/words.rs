//! Where the emblem lies against what is on the garment itself: the cloth's lines, and landmarks
//! that the job names. All in the frame of the upright emblem, in millimetres.

use kurbo::Point;
use measures::{ClothLines, Mm, Outline};

use crate::SheetContent;
use crate::marks::{hundredths, two_places};
use crate::placement::upright_from_cloth;

/// A seam, a placket, a corner of a pocket: what the job calls it and where the photo shows it.
#[derive(Clone, Debug, PartialEq)]
pub struct Landmark {
    /// Its name in the job file.
    pub name: String,
    /// Where it is seen in the upright photo.
    pub at: measures::Point<measures::Px>,
}

impl Landmark {
    /// The name as people write it.
    pub fn spoken(&self) -> String {
        self.name.replace(['-', '_'], " ")
    }
}

/// The emblem's turn on the cloth, in degrees.
fn emblem_deg(content: &SheetContent<'_>) -> f64 {
    let m = content.fit.art_to_cloth.rows();
    m[1][0].atan2(m[0][0]).to_degrees()
}

/// The cloth's lines, and their direction on the sheet.
pub(crate) fn lines_on_sheet(content: &SheetContent<'_>) -> Option<(ClothLines, f64)> {
    let lines = content.lines?;
    Some((lines, lines.angle_deg - emblem_deg(content)))
}

/// How the old emblem was turned against the cloth's lines.
pub(crate) fn against_lines(content: &SheetContent<'_>) -> String {
    let Some(lines) = content.lines else {
        return "No lines of the cloth are seen in the photo: square the emblem by the ruler, or by \
                hem and placket."
            .to_owned();
    };
    let turn = lines.turn_of_deg(emblem_deg(content));
    let u = lines.u_angle_deg.hypot(content.fit.u_rotation_deg);
    let name = lines.name();
    if turn.abs() <= u {
        return format!(
            "The old emblem sat square to the {name}, as far as can be measured (± {}°).",
            hundredths(u)
        );
    }
    let way = if turn > 0.0 {
        "clockwise"
    } else {
        "anticlockwise"
    };
    let by = two_places(turn.abs());
    format!(
        "Turn it {by:.2}° {way} from the {name} (± {}°) to sit on the residue. Set square to the \
         {name} it would be {by:.2}° off the old mark: decide which before you press.",
        hundredths(u)
    )
}

/// The landmarks with their places on the sheet.
pub(crate) fn landmarks_on_sheet(content: &SheetContent<'_>) -> Vec<(String, Point)> {
    let Some(upright) = upright_from_cloth(content.fit) else {
        return Vec::new();
    };
    let on_sheet = |l: &Landmark| {
        let on_cloth: measures::Point<Mm> = content.plane.on_cloth(l.at);
        (l.spoken(), upright * Point::from(on_cloth))
    };
    content.landmarks.iter().map(on_sheet).collect()
}

/// Where the emblem's centre lies from each landmark.
pub(crate) fn from_landmarks(content: &SheetContent<'_>, outline: &Outline<Mm>) -> Vec<String> {
    let centre = outline.bounding_box().center();
    landmarks_on_sheet(content)
        .into_iter()
        .map(|(name, at)| {
            let way = centre - at;
            let across = if way.x < 0.0 { "left" } else { "right" };
            let down = if way.y < 0.0 { "above" } else { "below" };
            format!(
                "From the {name}: the centre is {:.1} mm {down} and {:.1} mm to the {across}, seen \
                 along the upright emblem; {:.1} mm straight.",
                way.y.abs(),
                way.x.abs(),
                way.hypot()
            )
        })
        .collect()
}
