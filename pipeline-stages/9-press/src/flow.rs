//! Text set down the page, a new page begun where one is full.

use kurbo::{Point, Rect};

use crate::canvas::{
    ALARM, BLACK, Faces, GREY, Mark, PALE, Page, Style, WHITE, block, frame, line, text,
};
use crate::{Settings, SheetContent, Warning, handedness};

/// One setting: name, figure, source.
pub(crate) struct Row {
    pub(crate) name: &'static str,
    pub(crate) figure: String,
    pub(crate) source: String,
}

/// Sets paragraphs one below the other and begins a new page where one is full.
pub(crate) struct Flow<'a> {
    settings: &'a Settings,
    faces: &'a Faces,
    done: Vec<Page>,
    page: Page,
    y: f64,
}

impl<'a> Flow<'a> {
    pub(crate) fn new(settings: &'a Settings, faces: &'a Faces) -> Self {
        Self {
            settings,
            faces,
            done: Vec::new(),
            page: Page::new(),
            y: settings.margin_mm,
        }
    }

    fn left(&self) -> f64 {
        self.settings.margin_mm
    }
    fn width(&self) -> f64 {
        self.settings.paper.size_mm()[0] - 2.0 * self.settings.margin_mm
    }

    /// Makes sure that `height` is left on the page, its last line kept for the footer.
    fn need(&mut self, height: f64) {
        let bottom = self.settings.paper.size_mm()[1] - self.settings.margin_mm - 6.0;
        if self.y + height > bottom && self.y > self.settings.margin_mm {
            self.done.push(std::mem::take(&mut self.page));
            self.y = self.settings.margin_mm;
        }
    }

    pub(crate) fn gap(&mut self, mm: f64) {
        self.y += mm;
    }

    /// Lines at `x`, the top of the first at the present height; returns the height they take.
    fn column(&mut self, x: f64, dy: f64, style: Style, lines: &[String]) -> f64 {
        for (i, words) in lines.iter().enumerate() {
            let baseline = self.y + dy + style.line_mm() * (i as f64 + 0.78);
            self.page
                .push(text(Point::new(x, baseline), style, words.clone()));
        }
        lines.len() as f64 * style.line_mm()
    }

    pub(crate) fn handedness(&mut self, content: &SheetContent<'_>) {
        self.need(handedness::HEIGHT_MM);
        let at = Point::new(self.left(), self.y);
        self.page.extend(handedness::marks(content, at, self.faces));
        self.y += handedness::HEIGHT_MM;
    }

    pub(crate) fn words(&mut self, style: Style, words: &str) {
        let lines = self.faces.wrapped(words, style, self.width());
        self.need(lines.len() as f64 * style.line_mm());
        self.y += self.column(self.left(), 0.0, style, &lines);
        self.gap(0.8);
    }

    pub(crate) fn heading(&mut self, words: &str) {
        self.need(24.0);
        self.gap(2.5);
        self.words(Style::bold(14.0), words);
    }

    pub(crate) fn alarm(&mut self, warning: &Warning) {
        let (title, body) = (Style::bold(12.5).ink(WHITE), Style::plain(10.0).ink(WHITE));
        let source = Style::plain(7.5).ink(WHITE);
        let width = self.width() - 8.0;
        let body_lines = self.faces.wrapped(&warning.text, body, width);
        let source_lines =
            self.faces
                .wrapped(&format!("Source: {}.", warning.source), source, width);
        let height = title.line_mm()
            + body_lines.len() as f64 * body.line_mm()
            + source_lines.len() as f64 * source.line_mm()
            + 4.0;
        self.need(height + 2.0);
        self.gap(1.0);
        let left = self.left();
        self.page.push(block(
            Rect::new(left, self.y, left + self.width(), self.y + height),
            ALARM,
        ));
        let mut dy = 2.0;
        dy += self.column(left + 4.0, dy, title, std::slice::from_ref(&warning.title));
        dy += self.column(left + 4.0, dy, body, &body_lines);
        self.column(left + 4.0, dy, source, &source_lines);
        self.y += height + 1.0;
    }

    pub(crate) fn setting(&mut self, row: &Row) {
        let (name, figure, source) = (
            Style::plain(11.0),
            Style::bold(15.0),
            Style::plain(8.0).ink(GREY),
        );
        let x = [0.0, 32.0, 78.0].map(|dx| self.left() + dx);
        let sources = self.faces.wrapped(&row.source, source, self.width() - 78.0);
        let height = figure
            .line_mm()
            .max(sources.len() as f64 * source.line_mm() + 1.0);
        self.need(height);
        self.column(x[0], 0.7, name, &[row.name.to_owned()]);
        self.column(x[1], 0.0, figure, std::slice::from_ref(&row.figure));
        let dy = (height - sources.len() as f64 * source.line_mm()) / 2.0;
        self.column(x[2], dy, source, &sources);
        self.y += height;
        let rule = Point::new(x[0], self.y);
        self.page.push(line(
            rule,
            Point::new(x[0] + self.width(), self.y),
            0.1,
            GREY,
        ));
        self.gap(0.4);
    }

    pub(crate) fn step(&mut self, number: usize, name: &str, how: &str) {
        let (big, title, body) = (Style::bold(15.0), Style::bold(11.0), Style::plain(11.0));
        let x = [0.0, 9.0, 36.0].map(|dx| self.left() + dx);
        let lines = self.faces.wrapped(how, body, self.width() - 36.0);
        let height = (lines.len() as f64 * body.line_mm()).max(big.line_mm());
        self.need(height + 1.2);
        self.column(x[0], -0.9, big, &[format!("{number}")]);
        self.column(x[1], 0.0, title, &[name.to_owned()]);
        self.column(x[2], 0.0, body, &lines);
        self.y += height + 1.2;
    }

    pub(crate) fn caution(&mut self, caution: &Warning) {
        let (title, body) = (Style::bold(9.5), Style::plain(9.5));
        let source = Style::plain(7.5).ink(GREY);
        let x = self.left() + 40.0;
        let width = self.width() - 40.0;
        let titles = self.faces.wrapped(&caution.title, title, 34.0);
        let lines = self.faces.wrapped(&caution.text, body, width);
        let sources = self
            .faces
            .wrapped(&format!("Source: {}.", caution.source), source, width);
        let height = (lines.len() as f64 * body.line_mm()
            + sources.len() as f64 * source.line_mm())
        .max(titles.len() as f64 * title.line_mm());
        self.need(height + 2.0);
        let left = self.left();
        self.page.push(block(
            Rect::new(left, self.y + 0.6, left + 1.2, self.y + height),
            PALE,
        ));
        self.column(left + 3.0, 0.0, title, &titles);
        let below = self.column(x, 0.0, body, &lines);
        self.column(x, below, source, &sources);
        self.y += height + 2.0;
    }

    pub(crate) fn finished(mut self) -> Vec<Page> {
        self.done.push(self.page);
        self.done
    }

    /// A name and what is to be said of it.
    pub(crate) fn fact(&mut self, name: &str, words: &str) {
        let (title, body) = (Style::bold(10.0), Style::plain(10.0));
        let x = self.left() + 38.0;
        let titles = self.faces.wrapped(name, title, 36.0);
        let lines = self.faces.wrapped(words, body, self.width() - 38.0);
        let height = lines.len().max(titles.len()) as f64 * body.line_mm();
        self.need(height + 1.2);
        self.column(self.left(), 0.0, title, &titles);
        self.column(x, 0.0, body, &lines);
        self.y += height + 1.2;
    }

    /// A statement nobody should miss.
    pub(crate) fn boxed(&mut self, name: &str, words: &str) {
        let (title, body) = (Style::bold(11.5), Style::plain(10.0));
        let lines = self.faces.wrapped(words, body, self.width() - 8.0);
        let height = title.line_mm() + lines.len() as f64 * body.line_mm() + 5.0;
        self.need(height + 2.0);
        let left = self.left();
        let room = Rect::new(left, self.y, left + self.width(), self.y + height);
        self.page.push(frame(room, 0.35, BLACK));
        self.column(left + 4.0, 2.0, title, &[name.to_owned()]);
        self.column(left + 4.0, 2.0 + title.line_mm(), body, &lines);
        self.y += height + 2.0;
    }

    /// Pictures side by side, each with a line below; empty ones are left out.
    pub(crate) fn pictures(&mut self, pictures: &[(&[u8], &str)]) {
        const HEIGHT_MM: f64 = 62.0;
        const GAP_MM: f64 = 5.0;
        let note = Style::plain(8.0).ink(GREY);
        let width = 0.5 * (self.width() - GAP_MM);
        self.need(HEIGHT_MM + 6.0);
        let mut x = self.left();
        for (jpg, words) in pictures.iter().filter(|(jpg, _)| !jpg.is_empty()) {
            let room = Rect::new(x, self.y + 1.0, x + width, self.y + 1.0 + HEIGHT_MM);
            self.page.push(Mark::Picture {
                room,
                jpg: jpg.to_vec(),
            });
            let at = Point::new(x, self.y + HEIGHT_MM + 4.5);
            self.page.push(text(at, note, *words));
            x += width + GAP_MM;
        }
        if x > self.left() {
            self.y += HEIGHT_MM + 6.0;
        }
    }
}
