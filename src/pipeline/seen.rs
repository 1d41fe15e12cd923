//! What is seen of the cloth besides the fit: its own lines, the residue's outline, and pictures.

use measures::{Mm, Outline, Photo, Point, Verdict};

use super::{Bench, Measured};
use crate::job::Emblem;
use crate::outcome::Worked;
use crate::report::FabricLines;
use crate::report::pictures::{self, Scene};
use crate::residue_svg;

impl Bench<'_> {
    /// The cloth's own lines, the residue left out.
    pub(super) fn lines(&self, measured: &Measured, worked: &mut Worked) {
        let (field, plane) = (&measured.field, &measured.plane);
        let fitted = worked.report.fitted.as_ref();
        let residue = fitted.map(|f| f.artwork.outline.mapped(&f.fit.art_to_cloth));
        let settings = &self.config.settings.lines;
        let lines = residue::lines(field, plane, residue.as_ref(), settings);
        worked.report.fabric_lines = lines.map(|l| FabricLines::new(l, plane, fitted));
    }

    /// What people look at: the residue's own outline, and pictures.
    pub(super) fn draw(
        &self,
        emblem: &Emblem,
        photo: &Photo,
        measured: Option<&Measured>,
        worked: &mut Worked,
    ) {
        self.step(emblem, "drawing the pictures");
        let fitted = worked.report.fitted.as_ref();
        let expected = fitted.map(|f| f.artwork.outline.mapped(&f.fit.art_to_cloth));
        let (mut seen, mut picture) = (None, None);
        if let Some(measured) = measured {
            let [low, high] = frame(measured, expected.as_ref());
            let focus = residue::Focus {
                low,
                high,
                expected: expected.as_ref(),
            };
            seen = residue::outline(&measured.field, &focus);
            picture = residue::picture(&measured.field, &focus);
        }
        let scene = Scene {
            photo,
            rulers: &worked.report.rulers,
            plane: worked.report.plane.as_ref(),
            fitted: fitted.map(|f| (&f.artwork, &f.fit)),
            residue: picture.as_ref().map(|p| (&p.image, &p.grid)),
        };
        match pictures::draw(&scene) {
            Ok(drawn) => {
                let (overlay, thumbnail) = (drawn.overlay_jpg.clone(), drawn.thumbnail_jpg.clone());
                worked.report.pictures = drawn;
                worked.publish("overlay.jpg", "the photo with the fitted outline", overlay);
                worked.publish("thumbnail.jpg", "", thumbnail);
            }
            Err(error) => worked.worsen(Verdict::Look, error.to_string()),
        }
        if let Some(seen) = seen {
            let svg = residue_svg::write(&seen.outline, self.name.as_str(), &emblem.name);
            worked.publish(
                "residue.svg",
                "the residue as measured, true size",
                svg.into_bytes(),
            );
        }
    }
}

/// Where on the cloth to look for the residue's own outline: about the fitted artwork, or else
/// where the job says, or else everywhere.
fn frame(measured: &Measured, expected: Option<&Outline<Mm>>) -> [Point<Mm>; 2] {
    const MARGIN_MM: f64 = 10.0;
    let grid = &measured.field.grid;
    let everywhere = || {
        [
            grid.place(0.0, 0.0),
            grid.place(grid.width as f64, grid.height as f64),
        ]
    };
    match expected {
        Some(outline) => {
            let frame = outline.bounding_box().inflate(MARGIN_MM, MARGIN_MM);
            [
                Point::new(frame.x0, frame.y0),
                Point::new(frame.x1, frame.y1),
            ]
        }
        None => measured.field.look_in.unwrap_or_else(everywhere),
    }
}
