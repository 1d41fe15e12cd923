//! The emblem as worn and as cut, side by side.

use kurbo::Affine;
use measures::CutFrom;

use super::figures::path_data;
use super::{CutPiece, EmblemReport};

/// The emblem as worn, and what is cut for it.
pub(super) struct Shapes {
    pub(super) view_box: String,
    pub(super) path: String,
    pub(super) cut: Vec<CutShape>,
    /// Places too fine for the material.
    pub(super) marks: Vec<[String; 2]>,
}

/// One piece as cut.
pub(super) struct CutShape {
    pub(super) label: String,
    /// Of its own; else those of the emblem as worn.
    pub(super) view_box: Option<String>,
    pub(super) path: Option<String>,
    pub(super) flip: Option<String>,
}

pub(super) fn shapes(e: &EmblemReport) -> Option<Shapes> {
    let f = e.fitted.as_ref()?;
    let b = f.artwork.outline.bounding_box();
    let k = 100.0 / b.width().max(b.height());
    if !k.is_finite() {
        return None;
    }
    let (w, h) = (b.width() * k, b.height() * k);
    let place = Affine::scale(k) * Affine::translate((-b.x0, -b.y0));
    let mut path = String::new();
    for contour in f.artwork.outline.contours() {
        path.push_str(&path_data(&(place * contour)));
    }
    let expected = e.material.iter().map(|m| CutShape {
        label: cut_label("", &m.title, m.cut_from),
        view_box: None,
        path: None,
        flip: (m.cut_from == CutFrom::Back).then(|| format!("matrix(-1 0 0 1 {w:.3} 0)")),
    });
    let made = e.pieces.iter().map(CutShape::made);
    // What was written is shown as it was written; before that, what is to be expected.
    let cut = if e.pieces.is_empty() {
        expected.collect()
    } else {
        made.collect()
    };
    let too_fine = e.pieces.iter().flat_map(|p| &p.too_fine);
    let marks = too_fine
        .map(|t| {
            let at = place * kurbo::Point::from(t.at);
            [at.x, at.y].map(|v| format!("{v:.2}"))
        })
        .collect();
    let view_box = view_box(w, h);
    Some(Shapes {
        view_box,
        path,
        cut,
        marks,
    })
}

fn cut_label(layer: &str, title: &str, from: CutFrom) -> String {
    let start = if layer.is_empty() {
        "As cut".to_owned()
    } else {
        format!("Layer {layer}, as cut")
    };
    match from {
        CutFrom::Back => format!("{start} from {title}: mirrored."),
        CutFrom::Face => format!("{start} from {title}: not mirrored."),
    }
}

impl CutShape {
    /// A piece as it stands in its cut file.
    fn made(piece: &CutPiece) -> Self {
        let b = piece.outline.bounding_box();
        let k = 100.0 / b.width().max(b.height()).max(f64::MIN_POSITIVE);
        let place = Affine::scale(k) * Affine::translate((-b.x0, -b.y0));
        let contours = piece.outline.contours().iter();
        let path = contours.map(|c| path_data(&(place * c))).collect();
        Self {
            label: cut_label(&piece.layer, &piece.title, piece.cut_from),
            view_box: Some(view_box(b.width() * k, b.height() * k)),
            path: Some(path),
            flip: None,
        }
    }
}

/// A square with some room round a shape of this size.
fn view_box(w: f64, h: f64) -> String {
    let side = w.max(h) + 16.0;
    format!(
        "{:.3} {:.3} {side:.3} {side:.3}",
        (w - side) / 2.0,
        (h - side) / 2.0
    )
}
