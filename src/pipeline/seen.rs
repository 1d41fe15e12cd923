//! What is seen of the cloth besides the fit: its own lines, the residue's outline, and pictures.

use measures::{Mm, Outline, Photo, Point, Verdict};

use super::{Bench, Measured};
use crate::job::Emblem;
use crate::outcome::Worked;
use crate::report::pictures::{self, Pictures, Plain, Scene};
use crate::report::{Error, FabricLines, OutlineSize};
use crate::residue_svg;

impl Bench<'_> {
    /// What people look at, the residue's own outline and pictures; and meanwhile the cloth's own
    /// lines, the residue left out, and `other` work, which is returned.
    pub(super) fn look<T: Send>(
        &self,
        emblem: &Emblem,
        photo: &Photo,
        plain: Result<Plain, Error>,
        measured: Option<&Measured>,
        other: impl FnOnce(&Worked) -> T + Send,
        worked: &mut Worked,
    ) -> T {
        self.step(emblem, "drawing the pictures");
        let fitted = worked.report.fitted.as_ref();
        let expected = fitted.map(|f| f.artwork.outline.mapped(&f.fit.art_to_cloth));
        let draw = || {
            let view = measured.and_then(|m| view(m, expected.as_ref()));
            let seen = view.as_ref().and_then(residue::outline);
            let picture = view.as_ref().map(residue::picture);
            let scene = Scene {
                photo,
                rulers: &worked.report.rulers,
                plane: worked.report.plane.as_ref(),
                fitted: fitted.map(|f| (&f.artwork, &f.fit)),
                rival: worked.report.rival.as_ref().map(|f| (&f.artwork, &f.fit)),
                suspicions: &worked.report.suspicions,
                residue: picture.as_ref().map(|p| (&p.image, &p.grid)),
            };
            (seen, plain.and_then(|plain| pictures::draw(&scene, plain)))
        };
        let lines = || {
            let Measured { field, plane } = measured?;
            let settings = &self.config.settings.lines;
            let lines = residue::lines(field, plane, expected.as_ref(), settings)?;
            Some(FabricLines::new(lines, plane, fitted))
        };
        let other = || other(worked);
        let (drawing, (lines, other)) = rayon::join(draw, || rayon::join(lines, other));
        let (seen, drawn) = drawing;
        worked.report.fabric_lines = lines;
        match drawn {
            Ok(drawn) => {
                publish(&drawn, worked);
                worked.report.pictures = drawn;
            }
            Err(error) => worked.worsen(Verdict::Look, error.to_string()),
        }
        if let (Some(measured), Ok(task)) = (measured, &emblem.task) {
            let outline = seen.as_ref();
            let outline = outline.and_then(|seen| OutlineSize::new(seen, &measured.plane));
            worked.outlined(outline, task);
        }
        if let Some(seen) = seen {
            let svg = residue_svg::write(&seen.outline, self.name.as_str(), &emblem.name);
            worked.publish(
                "residue.svg",
                "the residue as measured, true size",
                svg.into_bytes(),
            );
        }
        other
    }
}

/// The pictures that are files of their own.
fn publish(drawn: &Pictures, worked: &mut Worked) {
    let overlay = drawn.overlay_jpg.clone();
    worked.publish("overlay.jpg", "the photo with the fitted outline", overlay);
    worked.publish("thumbnail.jpg", "", drawn.thumbnail_jpg.clone());
    for (k, closeup) in drawn.closeups.iter().enumerate() {
        let what = format!("close up, place {}: {}", k + 1, closeup.words);
        worked.publish(
            &format!("closeup-{}.jpg", k + 1),
            &what,
            closeup.jpg.clone(),
        );
    }
    let residue = drawn.residue_jpg.clone();
    worked.publish("residue.jpg", "the residue as the program sees it", residue);
    if let Some(difference) = &drawn.difference {
        let what = format!("where {} would differ", difference.rival);
        worked.publish("difference.jpg", &what, difference.jpg.clone());
    }
}

/// The cloth about the fitted artwork, or else where the job says, or else everywhere.
fn view<'a>(measured: &Measured, expected: Option<&'a Outline<Mm>>) -> Option<residue::View<'a>> {
    let [low, high] = frame(measured, expected);
    let focus = residue::Focus {
        low,
        high,
        expected,
    };
    residue::View::new(&measured.field, &focus)
}

fn frame(measured: &Measured, expected: Option<&Outline<Mm>>) -> [Point<Mm>; 2] {
    const MARGIN_MM: f64 = 10.0;
    let grid = &measured.field.grid;
    let everywhere = [
        grid.place(0.0, 0.0),
        grid.place(grid.width as f64, grid.height as f64),
    ];
    let shown = match (expected, measured.field.look_in) {
        (Some(outline), _) => outline.bounding_box(),
        (None, Some([low, high])) => kurbo::Rect::new(low.x, low.y, high.x, high.y),
        (None, None) => return everywhere,
    };
    let frame = shown.inflate(MARGIN_MM, MARGIN_MM);
    [
        Point::new(frame.x0, frame.y0),
        Point::new(frame.x1, frame.y1),
    ]
}
