//! Pieces on a roll or sheet, in the order to cut them.

use kurbo::{BezPath, Point, Rect, Size};
use measures::{AsCut, Mm, Outline};

use crate::extras::{self, Extra};
use crate::order::{cutting_order, piece_order, start_of};
use crate::packing::{Room, Turns, Wanted, pack};
use crate::{Error, Settings};

/// A piece to be cut.
#[derive(Clone, Debug)]
pub struct Piece<'a> {
    /// What it is called on plans and in files.
    pub name: String,
    /// Its outline.
    pub outline: &'a Outline<Mm, AsCut>,
    /// How many of it.
    pub copies: u32,
    /// How it may be laid on the material.
    pub turns: Turns,
}

/// What is cut together: a piece, or something that helps to lift the waste or to check the
/// machine.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// Which of the pieces asked for; `None` for what is no piece.
    pub piece: Option<usize>,
    /// Which copy of it, from 1.
    pub copy: u32,
    /// Its number on the sheet, from 1; 0 for what is no piece.
    pub number: usize,
    /// What it is called.
    pub name: String,
    /// By how much it is turned against the piece asked for, in degrees.
    pub turn_deg: f64,
    /// Its closed contours, in the order to cut them.
    pub contours: Vec<BezPath>,
}

/// A sheet, x to the right, y down, from its upper left corner.
#[derive(Clone, Debug)]
pub struct Sheet {
    /// Its parts in the order to cut them.
    pub parts: Vec<Part>,
    /// The material used, margins included, in millimetres.
    pub size: Size,
    /// The knife's way between contours, from the lower left corner and back, in millimetres.
    pub travel_mm: f64,
    /// Share of the material's width, over the length used, that ends up in pieces.
    pub used_share: f64,
}

impl Sheet {
    /// All contours in cutting order.
    pub fn contours(&self) -> impl Iterator<Item = &BezPath> {
        self.parts.iter().flat_map(|part| &part.contours)
    }

    /// The sheet as an SVG file, as [`crate::svg`] writes it.
    pub fn to_svg(&self, note: &crate::CutNote) -> String {
        crate::svg(self, note)
    }

    /// The pieces, without what is only cut along with them.
    pub fn pieces(&self) -> impl Iterator<Item = &Part> {
        self.parts.iter().filter(|part| part.piece.is_some())
    }
}

/// One piece with its copies on one endless roll.
///
/// # Errors
/// When there is no outline, or it is larger than the roll is wide.
pub fn lay_out(piece: &Piece<'_>, extras: &[Extra], settings: &Settings) -> Result<Sheet, Error> {
    let mut sheets = lay_out_all(std::slice::from_ref(piece), None, extras, settings)?;
    sheets.pop().ok_or_else(|| Error::Nothing {
        title: piece.name.clone(),
    })
}

/// All pieces packed by their true shapes on sheets of the settings' width and this length, or on
/// one endless roll.
///
/// # Errors
/// When a piece has no outline, or is larger than the sheet.
pub fn lay_out_all(
    pieces: &[Piece<'_>],
    length_mm: Option<f64>,
    extras: &[Extra],
    settings: &Settings,
) -> Result<Vec<Sheet>, Error> {
    if let Some(piece) = pieces.iter().find(|p| p.outline.contours().is_empty()) {
        return Err(Error::Nothing {
            title: piece.name.clone(),
        });
    }
    let wanted: Vec<Wanted<'_>> = pieces.iter().map(wanted).collect();
    let room = Room {
        width_mm: settings.sheet_width_mm,
        length_mm,
        margin_mm: settings.margin_mm,
        spacing_mm: settings.spacing_mm,
    };
    let placed = pack(&wanted, &room).map_err(|large| Error::WiderThanSheet {
        title: pieces[large.wanted].name.clone(),
        needed_mm: large.width_mm + 2.0 * settings.margin_mm,
        height_mm: large.height_mm + 2.0 * settings.margin_mm,
        sheet_mm: settings.sheet_width_mm,
    })?;
    let count = placed.iter().map(|p| p.sheet + 1).max().unwrap_or(0);
    let sheets = (0..count).map(|number| {
        let mut here: Vec<_> = placed.iter().filter(|p| p.sheet == number).collect();
        here.sort_by_key(|p| (p.wanted, p.copy));
        let parts: Vec<Part> = here
            .iter()
            .enumerate()
            .map(|(i, p)| Part {
                piece: Some(p.wanted),
                copy: p.copy,
                number: i + 1,
                name: copy_name(&pieces[p.wanted], p.copy),
                turn_deg: p.turn_deg,
                contours: p.outline(&wanted).contours().to_vec(),
            })
            .collect();
        finished(&parts, extras, settings)
    });
    Ok(sheets.collect())
}

fn wanted<'a>(piece: &Piece<'a>) -> Wanted<'a> {
    Wanted {
        outline: piece.outline,
        copies: piece.copies.max(1),
        turns: piece.turns,
    }
}

fn copy_name(piece: &Piece<'_>, copy: u32) -> String {
    match piece.copies {
        0 | 1 => piece.name.clone(),
        copies => format!("{}, {copy} of {copies}", piece.name),
    }
}

/// The parts put in cutting order, with what was asked for besides.
fn finished(parts: &[Part], extras: &[Extra], settings: &Settings) -> Sheet {
    let frame = parts
        .iter()
        .map(Part::frame)
        .reduce(|a, b| a.union(b))
        .unwrap_or(Rect::ZERO);
    let area: f64 = parts.iter().map(Part::area).sum();
    let (before, after, frame) = extras::around(parts, frame, extras, settings);
    let size = Size::new(frame.x1 + settings.margin_mm, frame.y1 + settings.margin_mm);
    let home = Point::new(0.0, size.height);
    let mut way = Way {
        knife: home,
        travel_mm: 0.0,
        parts: Vec::new(),
    };
    for part in before {
        way.add(part);
    }
    for i in piece_order(parts, way.knife) {
        way.add(parts[i].clone());
    }
    for part in after {
        way.add(part);
    }
    Sheet {
        travel_mm: way.travel_mm + way.knife.distance(home),
        parts: way.parts,
        size,
        used_share: area / (settings.sheet_width_mm * size.height),
    }
}

impl Part {
    pub(crate) fn frame(&self) -> Rect {
        use kurbo::Shape;
        let boxes = self.contours.iter().map(Shape::bounding_box);
        boxes.reduce(|a, b| a.union(b)).unwrap_or(Rect::ZERO)
    }

    /// The upper left corner of its box on the sheet.
    pub fn corner(&self) -> Point {
        self.frame().origin()
    }

    /// Width and height as asked for, before it was turned.
    pub(crate) fn upright_size(&self) -> Size {
        let size = self.frame().size();
        if (self.turn_deg.rem_euclid(180.0) - 90.0).abs() < 1.0 {
            Size::new(size.height, size.width)
        } else {
            size
        }
    }

    fn area(&self) -> f64 {
        use kurbo::Shape;
        self.contours.iter().map(Shape::area).sum()
    }
}

/// The knife's way so far.
struct Way {
    knife: Point,
    travel_mm: f64,
    parts: Vec<Part>,
}

impl Way {
    fn add(&mut self, mut part: Part) {
        let order = cutting_order(&part.contours, self.knife);
        part.contours = order.iter().map(|&i| part.contours[i].clone()).collect();
        for start in part.contours.iter().filter_map(start_of) {
            self.travel_mm += self.knife.distance(start);
            self.knife = start;
        }
        self.parts.push(part);
    }
}
