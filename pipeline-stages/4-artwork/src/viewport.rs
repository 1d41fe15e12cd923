//! The way back from the drawing library's pixels to the user units of the file's view box.

use std::str::FromStr;

use kurbo::Affine;
use svgtypes::{Align, AspectRatio, ViewBox};
use usvg::roxmltree::Document;

use crate::Error;

/// Maps CSS pixels of the built drawing to user units.
///
/// SVG 2, section 8.2 (equivalent transform of an SVG viewport) and 8.6 (`preserveAspectRatio`),
/// inverted. Without a view box, user units are CSS pixels already.
pub(crate) fn to_user_units(
    document: &Document,
    tree: &usvg::Tree,
    file: &str,
) -> Result<Affine, Error> {
    let root = document.root_element();
    let Some(stated) = root.attribute("viewBox") else {
        return Ok(Affine::IDENTITY);
    };
    let view_box = ViewBox::from_str(stated)
        .ok()
        .filter(|v| [v.x, v.y, v.w, v.h].iter().all(|n| n.is_finite()) && v.w > 0.0 && v.h > 0.0)
        .ok_or_else(|| Error::ViewBox {
            file: file.to_owned(),
            seen: stated.to_owned(),
        })?;
    let aspect = root
        .attribute("preserveAspectRatio")
        .and_then(|a| AspectRatio::from_str(a).ok())
        .unwrap_or_default();
    let size = (
        f64::from(tree.size().width()),
        f64::from(tree.size().height()),
    );
    Ok(to_pixels(view_box, aspect, size).inverse())
}

fn to_pixels(view_box: ViewBox, aspect: AspectRatio, (width, height): (f64, f64)) -> Affine {
    let (sx, sy) = (width / view_box.w, height / view_box.h);
    let (sx, sy) = match (aspect.align, aspect.slice) {
        (Align::None, _) => (sx, sy),
        (_, true) => (sx.max(sy), sx.max(sy)),
        (_, false) => (sx.min(sy), sx.min(sy)),
    };
    let (left, top) = free_space_before(aspect.align);
    let shift = (
        left * (width - view_box.w * sx) - view_box.x * sx,
        top * (height - view_box.h * sy) - view_box.y * sy,
    );
    Affine::translate(shift) * Affine::scale_non_uniform(sx, sy)
}

/// Share of the free space to the left and above.
fn free_space_before(align: Align) -> (f64, f64) {
    match align {
        Align::None | Align::XMinYMin => (0.0, 0.0),
        Align::XMidYMin => (0.5, 0.0),
        Align::XMaxYMin => (1.0, 0.0),
        Align::XMinYMid => (0.0, 0.5),
        Align::XMidYMid => (0.5, 0.5),
        Align::XMaxYMid => (1.0, 0.5),
        Align::XMinYMax => (0.0, 1.0),
        Align::XMidYMax => (0.5, 1.0),
        Align::XMaxYMax => (1.0, 1.0),
    }
}
