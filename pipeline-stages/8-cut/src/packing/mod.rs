//! Pieces laid close together by their true shapes on a roll or on sheets.
//!
//! Each piece goes to the first free place, row by row from the beginning (bottom-left, Baker,
//! Coffman, Rivest: "Orthogonal packings in two dimensions", SIAM J. Comput. 9, 1980; here with
//! shapes in place of boxes), turned the way that ends soonest. In which order the pieces come
//! decides how much is left over, so several orders are tried, and exchanges in the best of them.
//!
//! Shapes are cells of a fine grid, every cell that a piece touches, and what is placed takes the
//! cells round it too: the distance kept is never less than asked for, and at most about two cells
//! more.

mod board;
mod labels;
mod mask;

use kurbo::{BezPath, Rect};
use measures::{AsCut, Mm, Outline, Vector};

use board::Board;
pub(crate) use labels::{Label, labels};
use mask::{FLATNESS_CELLS, Mask, Span, frame_of};

/// Which turns a piece may be laid at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turns {
    /// As drawn only.
    None,
    /// As drawn or upside down: the material has a grain.
    Half,
    /// Any quarter turn.
    Quarter,
}

impl Turns {
    fn degrees(self) -> &'static [f64] {
        match self {
            Self::None => &[0.0],
            Self::Half => &[0.0, 180.0],
            Self::Quarter => &[0.0, 180.0, 90.0, 270.0],
        }
    }
}

/// A shape and how often it is wanted.
#[derive(Clone, Debug)]
pub struct Wanted<'a> {
    /// The piece as cut.
    pub outline: &'a Outline<Mm, AsCut>,
    /// How many of it.
    pub copies: u32,
    /// How it may be laid.
    pub turns: Turns,
}

/// The material to lay pieces on.
#[derive(Clone, Copy, Debug)]
pub struct Room {
    /// Width of the roll or sheet.
    pub width_mm: f64,
    /// Length of one sheet, or of what the machine cuts in one go; `None` for an endless roll.
    pub length_mm: Option<f64>,
    /// Kept free along every edge.
    pub margin_mm: f64,
    /// Kept free between two pieces.
    pub spacing_mm: f64,
}

/// Where a piece lies.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placed {
    /// Index of its shape among those wanted.
    pub wanted: usize,
    /// Which copy of it, from 1.
    pub copy: u32,
    /// Which sheet, from 0.
    pub sheet: usize,
    /// Its turn about the origin, before it is shifted.
    pub turn_deg: f64,
    /// Where its box's upper left corner lies on the sheet, in mm.
    pub corner_mm: [f64; 2],
}

impl Placed {
    /// The piece there.
    pub fn outline(&self, wanted: &[Wanted<'_>]) -> Outline<Mm, AsCut> {
        let turned = wanted[self.wanted].outline.turned(self.turn_deg);
        let frame = turned.bounding_box();
        let [x, y] = self.corner_mm;
        turned.shifted(Vector::new(x - frame.x0, y - frame.y0))
    }
}

/// Side of a cell.
const CELL_MM: f64 = 0.25;
/// Coarser cells on which orders are compared.
const COARSE: f64 = 4.0;
/// Bounds memory: a cell is larger where the board would have more cells.
const MOST_CELLS: f64 = 1e8;
/// Spans looked at while orders are compared: about two seconds.
const MOST_LOOKS: u64 = 250_000_000;
/// Exchanges without success after which nothing more is expected.
const MOST_FAILURES: usize = 400;

/// Lays all pieces out, the same way for the same input.
///
/// # Errors
/// The index of a shape that is larger than the room between the margins, with its box's sides.
pub fn pack(wanted: &[Wanted<'_>], room: &Room) -> Result<Vec<Placed>, TooLarge> {
    let pieces: Vec<(usize, u32)> = wanted
        .iter()
        .enumerate()
        .flat_map(|(i, w)| (1..=w.copies).map(move |copy| (i, copy)))
        .collect();
    let area: f64 = wanted
        .iter()
        .map(|w| {
            w.outline
                .bounding_box()
                .inflate(room.spacing_mm, room.spacing_mm)
                .area()
                * f64::from(w.copies)
        })
        .sum();
    let cell_mm = CELL_MM.max((2.0 * area / MOST_CELLS).sqrt());
    let fine = Table::new(wanted, room, cell_mm);
    for (i, shape) in fine.shapes.iter().enumerate() {
        if !shape.turned.iter().any(|t| fine.has_room_for(t)) {
            let size = wanted[i].outline.bounding_box().size();
            return Err(TooLarge {
                wanted: i,
                width_mm: size.width,
                height_mm: size.height,
            });
        }
    }
    let coarse = Table::new(wanted, room, cell_mm * COARSE);
    let order = best_order(&pieces, wanted, &coarse);
    let best = fine.lay(&order).into_iter();
    Ok(best.map(|at| fine.placed(at, room)).collect())
}

/// A piece larger than the room for it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TooLarge {
    /// Index of its shape among those wanted.
    pub wanted: usize,
    /// Its box's width.
    pub width_mm: f64,
    /// Its box's height.
    pub height_mm: f64,
}

/// A shape at one of its turns.
struct Turned {
    turn_deg: f64,
    mask: Mask,
    probes: Vec<(i32, Span)>,
    wide: Mask,
    before: i32,
}

struct CellShape {
    turned: Vec<Turned>,
}

/// All shapes in cells, and the board they go on.
struct Table {
    shapes: Vec<CellShape>,
    cell_mm: f64,
    columns: i32,
    sheet_rows: Option<i32>,
}

/// A piece on the board.
#[derive(Clone, Copy)]
struct Spot {
    piece: (usize, u32),
    turn: usize,
    at: (i32, i32),
}

impl Table {
    fn new(wanted: &[Wanted<'_>], room: &Room, cell_mm: f64) -> Self {
        let cells = |mm: f64| ((mm - 2.0 * room.margin_mm) / cell_mm + 1e-6) as i32;
        let reach = room.spacing_mm / cell_mm + 2.0 * FLATNESS_CELLS;
        let shapes = wanted.iter().map(|w| CellShape {
            turned: w
                .turns
                .degrees()
                .iter()
                .map(|&turn_deg| {
                    Turned::new(
                        w.outline.turned(turn_deg).contours(),
                        turn_deg,
                        cell_mm,
                        reach,
                    )
                })
                .collect(),
        });
        Self {
            shapes: shapes.collect(),
            cell_mm,
            columns: cells(room.width_mm),
            sheet_rows: room.length_mm.map(cells),
        }
    }

    fn has_room_for(&self, turned: &Turned) -> bool {
        let rows = turned.mask.rows.len() as i32;
        turned.mask.columns <= self.columns && self.sheet_rows.is_none_or(|most| rows <= most)
    }

    /// Lays the pieces in this order; those without room are left out.
    fn lay(&self, order: &[(usize, u32)]) -> Vec<Spot> {
        self.lay_counted(order).0
    }

    fn lay_counted(&self, order: &[(usize, u32)]) -> (Vec<Spot>, u64) {
        let mut board = Board::new(self.columns, self.sheet_rows);
        // Where a shape found its place, no equal one will find an earlier one.
        let mut from: Vec<Vec<(i32, i32)>> = self
            .shapes
            .iter()
            .map(|s| vec![(0, 0); s.turned.len()])
            .collect();
        let mut spots = Vec::with_capacity(order.len());
        for &piece in order {
            let shape = &self.shapes[piece.0];
            let mut best: Option<(i32, (i32, i32), usize)> = None;
            for (i, turned) in shape.turned.iter().enumerate() {
                let start = from[piece.0][i];
                let place = board.first_place(&turned.mask, &turned.probes, start);
                let Some(at) = place else { continue };
                from[piece.0][i] = at;
                let end = at.1 + turned.mask.rows.len() as i32;
                if best.is_none_or(|(e, (_, y), _)| (end, at.1) < (e, y)) {
                    best = Some((end, at, i));
                }
            }
            if let Some((_, at, turn)) = best {
                let turned = &shape.turned[turn];
                let corner = (at.0 - turned.before, at.1 - turned.before);
                board.take(&turned.wide, corner, at.1);
                spots.push(Spot { piece, turn, at });
            }
        }
        (spots, board.looks)
    }

    /// How far down the pieces reach, and how far on average: less is better.
    fn length(&self, spots: &[Spot]) -> (i32, i64) {
        let end = |s: &Spot| s.at.1 + self.mask(s).rows.len() as i32;
        let sum = spots.iter().map(|s| i64::from(end(s))).sum();
        (spots.iter().map(end).max().unwrap_or(0), sum)
    }

    fn mask(&self, spot: &Spot) -> &Mask {
        &self.shapes[spot.piece.0].turned[spot.turn].mask
    }

    fn placed(&self, spot: Spot, room: &Room) -> Placed {
        let sheet = self.sheet_rows.map_or(0, |rows| spot.at.1 / rows);
        let row = spot.at.1 - sheet * self.sheet_rows.unwrap_or(0);
        let mm = |cells: i32| room.margin_mm + f64::from(cells) * self.cell_mm;
        Placed {
            wanted: spot.piece.0,
            copy: spot.piece.1,
            sheet: sheet as usize,
            turn_deg: self.shapes[spot.piece.0].turned[spot.turn].turn_deg,
            corner_mm: [mm(spot.at.0), mm(row)],
        }
    }
}

impl Turned {
    fn new(contours: &[BezPath], turn_deg: f64, cell_mm: f64, reach: f64) -> Self {
        let mask = Mask::covering(contours, frame_of(contours), cell_mm);
        let (wide, before) = mask.spread(reach);
        Self {
            turn_deg,
            probes: mask.probes(),
            mask,
            wide,
            before,
        }
    }
}

type Order = Vec<(usize, u32)>;

/// The best order found: by size in several senses, then by exchanges.
fn best_order(pieces: &[(usize, u32)], wanted: &[Wanted<'_>], table: &Table) -> Order {
    let orders = by_size(pieces, wanted);
    if wanted.len() == 1 {
        return orders.into_iter().next().unwrap_or_default();
    }
    let mut looks = 0;
    let mut length_of = |order: &[(usize, u32)]| {
        let (spots, cost) = table.lay_counted(order);
        looks += cost;
        (table.length(&spots), looks)
    };
    let tried = orders.into_iter().map(|order| (length_of(&order).0, order));
    let Some((mut length, mut order)) = tried.min_by_key(|(length, _)| *length) else {
        return Order::new();
    };
    let mut dice = Dice(0x2545_f491_4f6c_dd1d);
    let mut failures = 0;
    while failures < MOST_FAILURES {
        let other = exchanged(&order, &mut dice);
        failures += 1;
        if other.iter().zip(&order).all(|(a, b)| a.0 == b.0) {
            continue;
        }
        let (found, looks) = length_of(&other);
        if found < length {
            (length, order, failures) = (found, other, 0);
        }
        if looks > MOST_LOOKS {
            break;
        }
    }
    order
}

/// The largest first, by area, by box, by its longer and its shorter side, and by all together.
fn by_size(pieces: &[(usize, u32)], wanted: &[Wanted<'_>]) -> Vec<Order> {
    let frames: Vec<Rect> = wanted.iter().map(|w| w.outline.bounding_box()).collect();
    let areas: Vec<f64> = wanted.iter().map(|w| w.outline.area()).collect();
    let senses: [&dyn Fn(usize) -> f64; 5] = [
        &|i| areas[i],
        &|i| frames[i].area(),
        &|i| frames[i].height().max(frames[i].width()),
        &|i| frames[i].height().min(frames[i].width()),
        &|i| frames[i].width() + frames[i].height() + areas[i].sqrt(),
    ];
    let sorted = senses.iter().map(|sense| {
        let mut order = pieces.to_vec();
        order.sort_by(|a, b| sense(b.0).total_cmp(&sense(a.0)).then(a.cmp(b)));
        order
    });
    sorted.collect()
}

/// Two pieces exchanged, or one moved elsewhere.
fn exchanged(order: &[(usize, u32)], dice: &mut Dice) -> Order {
    let mut other = order.to_vec();
    let (i, j) = (dice.below(other.len()), dice.below(other.len()));
    if dice.below(2) == 0 {
        other.swap(i, j);
    } else {
        let piece = other.remove(i);
        other.insert(j, piece);
    }
    other
}

/// Always the same numbers (xorshift, Marsaglia 2003): the same pieces are laid the same way.
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % n.max(1) as u64) as usize
    }
}
