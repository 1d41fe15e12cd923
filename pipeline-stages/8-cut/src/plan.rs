//! The plan of a sheet: which piece is which, to lie beside the cutter.

use kurbo::{BezPath, Rect, Size};
use measures::CutFrom;
use svg::Document;
use svg::node::Text as Words;
use svg::node::element::{Group, Line, Path, Rectangle, Text, Title};

use crate::packing::{Label, labels};
use crate::sheet::Part;
use crate::svg_file::{number, path_data, printable};
use crate::{CutNote, Sheet};

/// Width of the plan on paper.
const PAPER_MM: f64 = 190.0;
const EDGE_MM: f64 = 4.0;
/// A narrower sheet is drawn as if it were so wide: words need their room.
const SMALLEST_MM: f64 = 120.0;
/// Heights of letters and lines on paper.
const LABEL_MM: f64 = 2.3;
const TEXT_MM: f64 = 3.2;
const LINE_MM: f64 = 4.6;
/// Average width of a digit, in its height.
const DIGIT: f64 = 0.62;
/// A number further from its piece than this, in its own height, is joined to it by a line.
const BESIDE: f64 = 0.9;
/// Entries of the list beside each other.
const COLUMNS: usize = 2;

/// A drawing of the sheet with a number outside each piece, and a list that says what each number
/// is. `names` are those of the pieces asked for.
pub fn plan(sheet: &Sheet, names: &[String], note: &CutNote) -> String {
    let page = Page {
        scale: sheet.size.width.max(SMALLEST_MM) / (PAPER_MM - 2.0 * EDGE_MM),
        sheet,
    };
    let head = head(sheet, note);
    let entries = entries(sheet, names);
    let top = page.mm(LINE_MM) * (head.len() as f64 + 1.0);
    let list_top = top + sheet.size.height + page.mm(2.0 * LINE_MM);
    let rows = entries.len().div_ceil(COLUMNS);
    let height = list_top + page.mm(LINE_MM) * rows as f64;
    // White all round, inside the paper's width.
    let edge = page.mm(EDGE_MM);
    let (width, height) = (PAPER_MM * page.scale, height + 2.0 * edge);
    let mut document = Document::new()
        .set("width", format!("{}mm", number(PAPER_MM)))
        .set("height", format!("{}mm", number(height / page.scale)))
        .set(
            "viewBox",
            format!(
                "{0} {0} {1} {2}",
                number(-edge),
                number(width),
                number(height)
            ),
        )
        .set("font-family", "sans-serif")
        .add(Title::new(printable(&note.title)))
        .add(rectangle(Rect::new(-edge, -edge, width, height)).set("fill", "#ffffff"));
    for (i, words) in head.iter().enumerate() {
        let weight = if i == 0 { "bold" } else { "normal" };
        let y = page.mm(LINE_MM) * (i as f64 + 0.8);
        document = document.add(page.text(0.0, y, TEXT_MM, words).set("font-weight", weight));
    }
    let drawing = page
        .drawing()
        .set("transform", format!("translate(0 {})", number(top)));
    document = document.add(drawing);
    for (i, words) in entries.iter().enumerate() {
        let (column, row) = (i / rows.max(1), i % rows.max(1));
        let x = (width - 2.0 * edge) * column as f64 / COLUMNS as f64;
        let y = list_top + page.mm(LINE_MM) * (row as f64 + 0.5);
        document = document.add(page.text(x, y, TEXT_MM, words));
    }
    format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{document}\n")
}

fn head(sheet: &Sheet, note: &CutNote) -> Vec<String> {
    let handedness = match note.from {
        CutFrom::Back => "Cut mirrored, adhesive side up; drawn here as it is cut.",
        CutFrom::Face => "Cut as worn, visible side up; drawn here as it is cut.",
    };
    let pieces = sheet.pieces().count();
    let mut lines = vec![
        note.title.clone(),
        format!(
            "{}: {pieces} piece{} on {:.0} x {:.0} mm, {:.1} % of the material ends up in pieces",
            note.material,
            if pieces == 1 { "" } else { "s" },
            sheet.size.width,
            sheet.size.height,
            100.0 * sheet.used_share,
        ),
        format!(
            "{handedness} The knife travels {:.2} m between contours.",
            sheet.travel_mm / 1000.0
        ),
    ];
    lines.extend(note.remarks.iter().cloned());
    lines
}

/// What each number is; neighbouring numbers of one shape share a line.
fn entries(sheet: &Sheet, names: &[String]) -> Vec<String> {
    let mut pieces: Vec<&Part> = sheet.pieces().collect();
    pieces.sort_by_key(|p| p.number);
    pieces
        .chunk_by(|a, b| a.piece == b.piece)
        .filter_map(|run| {
            let (first, last) = (run.first()?, run.last()?);
            let numbers = if first.number == last.number {
                format!("{}", first.number)
            } else {
                format!("{}–{}", first.number, last.number)
            };
            let size = first.upright_size();
            let name = names.get(first.piece?).map_or(first.name.as_str(), |n| n);
            Some(format!(
                "{numbers}\u{2003}{name}, {:.1} x {:.1} mm",
                size.width, size.height
            ))
        })
        .collect()
}

struct Page<'a> {
    /// Millimetres of the sheet in one of the paper.
    scale: f64,
    sheet: &'a Sheet,
}

impl Page<'_> {
    fn mm(&self, paper: f64) -> f64 {
        paper * self.scale
    }

    fn text(&self, x: f64, y: f64, height: f64, words: &str) -> Text {
        Text::new("")
            .set("x", number(x))
            .set("y", number(y))
            .set("font-size", number(self.mm(height)))
            .set("fill", "#202020")
            .add(Words::new(printable(words)))
    }

    fn drawing(&self) -> Group {
        let size = self.sheet.size;
        let mut drawing = Group::new().add(
            rectangle(Rect::from_origin_size((0.0, 0.0), size))
                .set("fill", "#f3f1ec")
                .set("stroke", "#8a8a8a")
                .set("stroke-width", number(self.mm(0.2))),
        );
        for part in &self.sheet.parts {
            let path: BezPath = part.contours.iter().flat_map(BezPath::iter).collect();
            let fill = if part.piece.is_some() {
                "#b9c7d3"
            } else {
                "none"
            };
            drawing = drawing.add(
                Path::new()
                    .set("d", path_data(&path))
                    .set("fill", fill)
                    .set("stroke", "#27435a")
                    .set("stroke-width", number(self.mm(0.15))),
            );
        }
        let pieces: Vec<&Part> = self.sheet.pieces().collect();
        for (part, label) in pieces.iter().zip(self.labels(&pieces)) {
            drawing = self.label(drawing, part, label);
        }
        drawing
    }

    fn labels(&self, pieces: &[&Part]) -> Vec<Option<Label>> {
        let contours: Vec<&[BezPath]> = pieces.iter().map(|p| p.contours.as_slice()).collect();
        let height = self.mm(LABEL_MM);
        let sizes: Vec<Size> = pieces
            .iter()
            .map(|p| {
                Size::new(
                    DIGIT * height * p.number.to_string().len() as f64,
                    0.75 * height,
                )
            })
            .collect();
        labels(&contours, &sizes, self.sheet.size)
    }

    /// The number; where no place is left outside the pieces, the list alone names it.
    fn label(&self, drawing: Group, part: &Part, label: Option<Label>) -> Group {
        let Some(label) = label else { return drawing };
        let middle = label.frame.center();
        let far = middle.distance(label.points_at)
            > BESIDE * label.frame.height() + label.frame.width() / 2.0;
        let drawing = if far {
            drawing.add(
                Line::new()
                    .set("x1", number(middle.x))
                    .set("y1", number(middle.y))
                    .set("x2", number(label.points_at.x))
                    .set("y2", number(label.points_at.y))
                    .set("stroke", "#9c2f1f")
                    .set("stroke-width", number(self.mm(0.12))),
            )
        } else {
            drawing
        };
        drawing.add(
            self.text(middle.x, label.frame.y1, LABEL_MM, &part.number.to_string())
                .set("text-anchor", "middle")
                .set("font-weight", "bold")
                .set("fill", "#9c2f1f"),
        )
    }
}

fn rectangle(r: Rect) -> Rectangle {
    Rectangle::new()
        .set("x", number(r.x0))
        .set("y", number(r.y0))
        .set("width", number(r.width()))
        .set("height", number(r.height()))
}
