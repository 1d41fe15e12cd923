//! Copies in rows on a roll or sheet.

use kurbo::{BezPath, Point, Size, Vec2};
use measures::{AsCut, Mm, Outline, Vector};

use crate::order::{cutting_order, travel};
use crate::{CutNote, Error, Settings};

/// All contours of a cut file in the order to cut them, x to the right, y down, from the sheet's
/// upper left corner.
#[derive(Clone, Debug)]
pub struct Sheet {
    /// The contours, in millimetres.
    pub contours: Vec<BezPath>,
    /// The sheet used, margins included, in millimetres.
    pub size: Size,
    /// The knife's way between contours, from the lower left corner and back, in millimetres.
    pub travel_mm: f64,
}

/// Lays `note.copies` of the outline out in rows and puts the contours in cutting order.
///
/// # Errors
/// When there is no outline, or one piece is wider than the sheet.
pub fn lay_out(
    outline: &Outline<Mm, AsCut>,
    note: &CutNote,
    settings: &Settings,
) -> Result<Sheet, Error> {
    if outline.contours().is_empty() {
        return Err(Error::Nothing {
            title: note.title.clone(),
        });
    }
    let frame = outline.bounding_box();
    let (margin, spacing) = (settings.margin_mm, settings.spacing_mm);
    let usable = settings.sheet_width_mm - 2.0 * margin;
    // A hair of slack: a piece as wide as the sheet must not fail on a rounding error.
    if frame.width() > usable + 1e-9 {
        return Err(Error::WiderThanSheet {
            title: note.title.clone(),
            needed_mm: frame.width() + 2.0 * margin,
            sheet_mm: settings.sheet_width_mm,
        });
    }
    let copies = note.copies.max(1);
    let pitch = Vec2::new(frame.width() + spacing, frame.height() + spacing);
    let columns = (((usable + spacing + 1e-9) / pitch.x) as u32).clamp(1, copies);
    let rows = copies.div_ceil(columns);
    let size = Size::new(
        f64::from(columns) * pitch.x - spacing + 2.0 * margin,
        f64::from(rows) * pitch.y - spacing + 2.0 * margin,
    );
    let contours: Vec<BezPath> = (0..copies)
        .flat_map(|i| {
            let place = Vector::new(
                margin - frame.x0 + f64::from(i % columns) * pitch.x,
                margin - frame.y0 + f64::from(i / columns) * pitch.y,
            );
            outline.shifted(place).contours().to_vec()
        })
        .collect();
    let home = Point::new(0.0, size.height);
    let order = cutting_order(&contours, home);
    let travel_mm = travel(&contours, &order, home);
    let contours = order.into_iter().map(|i| contours[i].clone()).collect();
    Ok(Sheet {
        contours,
        size,
        travel_mm,
    })
}
