//! The pieces of a cut file, read from the file itself: what was published is what is cut.

use kurbo::BezPath;
use svg::node::element::tag::Type;
use svg::parser::Event;

use crate::Error;
use crate::svg_file::PIECE_ID;

/// The contours of each piece in a cut file that [`crate::svg`] wrote, in millimetres on its sheet.
///
/// # Errors
/// When the text is no such file.
pub fn pieces(text: &str, file: &str) -> Result<Vec<Vec<BezPath>>, Error> {
    let broken = |seen: String| Error::CutFile {
        file: file.to_owned(),
        seen,
    };
    let mut pieces: Vec<Vec<BezPath>> = Vec::new();
    let mut inside = false;
    for event in svg::parser::Parser::new(text) {
        match event {
            Event::Error(error) => return Err(broken(error.to_string())),
            Event::Tag("g", Type::Start, attributes) => {
                inside = attributes
                    .get("id")
                    .is_some_and(|id| id.starts_with(PIECE_ID));
                if inside {
                    pieces.push(Vec::new());
                }
            }
            Event::Tag("g", Type::End, _) => inside = false,
            Event::Tag("path", _, attributes) if inside => {
                let data = attributes.get("d").map_or("", |d| d);
                let path = BezPath::from_svg(data).map_err(|e| broken(e.to_string()))?;
                if let Some(piece) = pieces.last_mut() {
                    piece.push(path);
                }
            }
            _ => {}
        }
    }
    if pieces.iter().all(Vec::is_empty) {
        return Err(broken("it holds no piece".to_owned()));
    }
    Ok(pieces)
}
