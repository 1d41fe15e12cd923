//! True-size pages for an emblem that does not fit on page one.

use kurbo::{Point, Rect, Vec2};

use crate::canvas::{GREY, Mark, Page, Style, frame, text};
use crate::marks::{check_bar_across, cross, up_arrow};
use crate::template::Template;

/// A large emblem's true-size pages, laid over it row by row in the emblem's own frame.
pub(crate) struct Tiles {
    origin: Point,
    window: Rect,
    overlap: f64,
    columns: usize,
    rows: usize,
}

impl Tiles {
    pub(crate) fn new(template: &Template<'_>, whole: Rect) -> Self {
        let window = Rect::new(
            template.left(),
            template.settings.margin_mm + 20.0,
            template.right(),
            template.bottom() - 5.0,
        );
        let overlap = template.settings.tile_overlap_mm;
        let count = |length: f64, step: f64| (((length - overlap) / step).ceil()).max(1.0) as usize;
        let columns = count(whole.width(), window.width() - overlap);
        let rows = count(whole.height(), window.height() - overlap);
        let mut tiles = Self {
            origin: Point::ZERO,
            window,
            overlap,
            columns,
            rows,
        };
        tiles.origin = whole.center() - tiles.whole().center().to_vec2();
        tiles
    }

    /// How many pages they are.
    pub(crate) fn count(&self) -> usize {
        self.columns * self.rows
    }

    fn step(&self) -> Vec2 {
        Vec2::new(
            self.window.width() - self.overlap,
            self.window.height() - self.overlap,
        )
    }

    fn tile(&self, row: usize, column: usize) -> Rect {
        let step = self.step();
        let corner = self.origin + Vec2::new(column as f64 * step.x, row as f64 * step.y);
        Rect::from_origin_size(corner, self.window.size())
    }

    pub(crate) fn whole(&self) -> Rect {
        self.tile(0, 0)
            .union(self.tile(self.rows - 1, self.columns - 1))
    }

    pub(crate) fn named(&self) -> Vec<(String, Rect)> {
        let places = (0..self.rows).flat_map(|r| (0..self.columns).map(move |c| (r, c)));
        places
            .map(|(r, c)| (tile_name(r, c), self.tile(r, c)))
            .collect()
    }

    /// Crosses in the middle of every overlap, in the emblem's frame.
    fn crosses(&self) -> Vec<Point> {
        let half = self.overlap / 2.0;
        let mut all = Vec::new();
        for row in 0..self.rows {
            for column in 0..self.columns {
                let tile = self.tile(row, column);
                if column > 0 {
                    all.extend(
                        [0.12, 0.5, 0.88]
                            .map(|t| Point::new(tile.x0 + half, tile.y0 + t * tile.height())),
                    );
                }
                if row > 0 {
                    all.extend(
                        [0.12, 0.5, 0.88]
                            .map(|t| Point::new(tile.x0 + t * tile.width(), tile.y0 + half)),
                    );
                }
            }
        }
        all
    }

    pub(crate) fn pages<'a>(
        &'a self,
        template: &'a Template<'a>,
    ) -> impl Iterator<Item = Page> + 'a {
        let places = (0..self.rows).flat_map(|r| (0..self.columns).map(move |c| (r, c)));
        places.map(|(r, c)| self.page(template, r, c))
    }

    fn page(&self, template: &Template<'_>, row: usize, column: usize) -> Page {
        let tile = self.tile(row, column);
        let shift = self.window.origin() - tile.origin();
        let mut marks = template.true_size(shift);
        for (i, at) in self.crosses().into_iter().enumerate() {
            marks.extend(cross(at + shift, 5.0, 0.15));
            let label = at + shift + Vec2::new(1.0, -1.0);
            marks.push(text(label, Style::plain(7.0), format!("{}", i + 1)));
        }
        let mut page = vec![
            Mark::Clipped {
                window: self.window,
                marks,
            },
            frame(self.window, 0.1, GREY),
        ];
        let left = template.left();
        let top = template.settings.margin_mm;
        let (title, how) = if self.count() == 1 {
            ("True size".to_owned(), "As worn.")
        } else {
            let (name, rows, columns) = (tile_name(row, column), self.rows, self.columns);
            (
                format!(
                    "Tile {name}  ·  row {} of {rows}, column {} of {columns}",
                    row + 1,
                    column + 1
                ),
                "Lay the pages over each other so that crosses with the same number meet; the frames \
                 overlap.",
            )
        };
        page.push(text(Point::new(left, top + 4.5), Style::bold(12.0), title));
        page.push(text(Point::new(left, top + 9.0), Style::plain(8.5), how));
        up_arrow(&mut page, Point::new(template.right() - 18.0, top + 2.0));
        check_bar_across(&mut page, Point::new(left, top + 14.0), template.faces);
        page
    }
}

fn tile_name(row: usize, column: usize) -> String {
    let letter = char::from(b'A' + (row % 26) as u8);
    format!("{letter}{}", column + 1)
}
