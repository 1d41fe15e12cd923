//! Drawings whose groups are cut from different materials.

use kurbo::BezPath;
use measures::{Art, Artwork, Mm, Outline};

use crate::layers::{self, Layer, Shape};
use crate::{Error, built, region};

/// A drawing and the areas of its groups.
#[derive(Clone, Debug, PartialEq)]
pub struct Grouped {
    /// The whole emblem: all areas together.
    pub artwork: Artwork,
    /// The groups asked for, from the lowest to the topmost, each with its index among the ids.
    pub groups: Vec<(usize, Outline<Art>)>,
    /// What is drawn in none of them.
    pub rest: Option<Outline<Art>>,
}

/// Reads the SVG drawing `bytes` that the job calls `file`, and the area of each group (or single
/// shape) of these ids by itself: white within a group takes away, unless the group is all white.
/// One group does not take away from another: they are pressed one over the other.
///
/// # Errors
/// As [`crate::read_svg`]; also when an id is unknown, or its group has no area.
pub fn read_groups(bytes: &[u8], file: &str, ids: &[&str]) -> Result<Grouped, Error> {
    if crate::is_picture(bytes) {
        return Err(Error::PictureInLayers {
            file: file.to_owned(),
        });
    }
    let (mut drawing, notes) = built(bytes, file, ids)?;
    for (i, id) in ids.iter().enumerate() {
        if !drawing.ids.iter().any(|known| known == id) {
            return Err(unknown(file, id, &drawing.ids));
        }
        // White that is to be cut is material.
        let own = || drawing.layers.iter().filter(|l| l.group == Some(i));
        if own().all(|l| l.white) {
            let own = drawing.layers.iter_mut().filter(|l| l.group == Some(i));
            own.for_each(|l| l.white = false);
        }
    }
    let mut lowest: Vec<(usize, usize)> = (0..ids.len())
        .map(|i| {
            let first = drawing.layers.iter().position(|l| l.group == Some(i));
            (first.unwrap_or(usize::MAX), i)
        })
        .collect();
    lowest.sort_unstable();
    let mut groups = Vec::with_capacity(ids.len());
    for (_, i) in lowest {
        let outline = part(&drawing, Some(i), file).map_err(|_| Error::EmptyGroup {
            file: file.to_owned(),
            id: ids[i].to_owned(),
        })?;
        groups.push((i, outline));
    }
    let rest = part(&drawing, None, file).ok();
    let together: Vec<Layer> = groups
        .iter()
        .map(|(_, outline)| outline)
        .chain(&rest)
        .map(|outline| filled(outline.to_path(), false))
        .collect();
    let area = region::fill(&together, file)?;
    Ok(Grouped {
        artwork: Artwork {
            file: file.to_owned(),
            outline: Outline::from_contours(area.contours, &area.holes),
            notes,
        },
        groups,
        rest,
    })
}

fn part(
    drawing: &layers::Drawing,
    group: Option<usize>,
    file: &str,
) -> Result<Outline<Art>, Error> {
    let own = drawing.layers.iter().filter(|l| l.group == group);
    let own: Vec<Layer> = own.cloned().collect();
    // White alone, outside all groups, is the paper.
    if group.is_none() && own.iter().all(|l| l.white) {
        return Err(Error::NoArea {
            file: file.to_owned(),
            hint: "",
        });
    }
    let area = region::fill(&own, file)?;
    Ok(Outline::from_contours(area.contours, &area.holes))
}

fn filled(path: BezPath, white: bool) -> Layer {
    Layer {
        shape: Shape {
            path,
            even_odd: false,
        },
        white,
        clips: Vec::new(),
        group: None,
    }
}

fn unknown(file: &str, id: &str, known: &[String]) -> Error {
    let alike = |k: &&String| strsim::jaro_winkler(k, id);
    let nearest = known.iter().max_by(|a, b| alike(a).total_cmp(&alike(b)));
    let meant = nearest
        .filter(|k| alike(k) > 0.7)
        .map_or(String::new(), |k| format!("Did you mean \"{k}\"? "));
    Error::UnknownGroup {
        file: file.to_owned(),
        id: id.to_owned(),
        known: if known.is_empty() {
            "no group in it has an id".to_owned()
        } else {
            format!("its ids are: {}", known.join(", "))
        },
        meant,
    }
}

/// An outline with areas added to it and then others taken away; curves stay curves.
///
/// # Errors
/// When nothing is left.
pub fn with_areas(
    outline: &Outline<Mm>,
    add: &[BezPath],
    take: &[BezPath],
    file: &str,
) -> Result<Outline<Mm>, Error> {
    let layers: Vec<Layer> = std::iter::once(filled(outline.to_path(), false))
        .chain(add.iter().map(|p| filled(p.clone(), false)))
        .chain(take.iter().map(|p| filled(p.clone(), true)))
        .collect();
    let area = region::fill(&layers, file)?;
    Ok(Outline::from_contours(area.contours, &area.holes))
}
