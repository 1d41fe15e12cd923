//! Pages as lists of marks in millimetres from the paper's top left corner, and their way into a
//! PDF. One PDF unit is 1/72 inch (ISO 32000-1, section 8.3.2.3).

use krilla::Document;
use krilla::color::rgb;
use krilla::geom::{PathBuilder, Point as PdfPoint, Size};
use krilla::image::Image;
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule, Stroke, StrokeDash};
use krilla::surface::Surface;
use krilla::text::{Font, TextDirection};
use kurbo::{BezPath, PathEl, Point, Rect, Shape};
use measures::unit::MM_PER_INCH;

use crate::Error;

/// PDF units in one millimetre.
pub(crate) const PT_PER_MM: f64 = 72.0 / MM_PER_INCH;

/// Ink: red, green, blue.
pub(crate) type Ink = [u8; 3];
pub(crate) const BLACK: Ink = [0, 0, 0];
pub(crate) const GREY: Ink = [110, 110, 110];
pub(crate) const PALE: Ink = [228, 228, 228];
pub(crate) const WHITE: Ink = [255, 255, 255];
pub(crate) const ALARM: Ink = [150, 10, 20];

/// One mark on a page.
#[derive(Clone, Debug)]
pub(crate) enum Mark {
    /// A filled area.
    Fill { path: BezPath, ink: Ink },
    /// A line; `dash_mm` is the length of its dashes and gaps.
    Stroke {
        path: BezPath,
        width_mm: f64,
        ink: Ink,
        dash_mm: Option<f64>,
    },
    /// One line of text, from its baseline's left end; turned a quarter anticlockwise if `upright`
    /// is false.
    Text {
        at: Point,
        size_pt: f64,
        bold: bool,
        ink: Ink,
        text: String,
        upright: bool,
    },
    /// A JPEG picture, as large as fits into `room`, at its top left.
    Picture { room: Rect, jpg: Vec<u8> },
    /// Marks of which only what lies inside `window` is seen.
    Clipped { window: Rect, marks: Vec<Mark> },
}

/// The marks of one page.
pub(crate) type Page = Vec<Mark>;

/// How text is set.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Style {
    pub(crate) size_pt: f64,
    pub(crate) bold: bool,
    pub(crate) ink: Ink,
}

impl Style {
    pub(crate) const fn plain(size_pt: f64) -> Self {
        Self {
            size_pt,
            bold: false,
            ink: BLACK,
        }
    }
    pub(crate) const fn bold(size_pt: f64) -> Self {
        Self {
            size_pt,
            bold: true,
            ink: BLACK,
        }
    }
    pub(crate) const fn ink(self, ink: Ink) -> Self {
        Self { ink, ..self }
    }
    /// Distance between lines, in mm.
    pub(crate) fn line_mm(self) -> f64 {
        self.size_pt * 1.32 / PT_PER_MM
    }
}

/// The two faces that every sheet is set in.
pub(crate) struct Faces {
    plain: Face,
    bold: Face,
}

struct Face {
    font: Font,
    metrics: ttf_parser::Face<'static>,
}

impl Face {
    fn load(bytes: &'static [u8]) -> Result<Self, Error> {
        let font = Font::new(bytes.into(), 0).ok_or(Error::Font)?;
        let metrics = ttf_parser::Face::parse(bytes, 0).map_err(|_| Error::Font)?;
        Ok(Self { font, metrics })
    }
}

impl Faces {
    pub(crate) fn load() -> Result<Self, Error> {
        Ok(Self {
            plain: Face::load(notosans::REGULAR_TTF)?,
            bold: Face::load(notosans::BOLD_TTF)?,
        })
    }

    fn face(&self, bold: bool) -> &Face {
        if bold { &self.bold } else { &self.plain }
    }

    /// Width of a line of text, in mm, kerning left out.
    pub(crate) fn width_mm(&self, text: &str, style: Style) -> f64 {
        self.mm(self.units(text, style), style)
    }

    /// The same in the face's own units.
    fn units(&self, text: &str, style: Style) -> u32 {
        let metrics = &self.face(style.bold).metrics;
        let advance = |c| {
            let glyph = metrics.glyph_index(c).unwrap_or_default();
            u32::from(metrics.glyph_hor_advance(glyph).unwrap_or(0))
        };
        text.chars().map(advance).sum()
    }

    fn mm(&self, units: u32, style: Style) -> f64 {
        let per_em = self.face(style.bold).metrics.units_per_em();
        f64::from(units) / f64::from(per_em) * style.size_pt / PT_PER_MM
    }

    /// The text broken into lines of at most `width_mm`; a word that is longer is cut.
    pub(crate) fn wrapped(&self, text: &str, style: Style, width_mm: f64) -> Vec<String> {
        let space = self.units(" ", style);
        let mut lines: Vec<String> = Vec::new();
        let mut filled = 0;
        for word in text.split_whitespace() {
            for piece in self.pieces(word, style, width_mm) {
                let units = self.units(&piece, style);
                match lines.last_mut() {
                    Some(line) if self.mm(filled + space + units, style) <= width_mm => {
                        line.push(' ');
                        line.push_str(&piece);
                        filled += space + units;
                    }
                    _ => {
                        lines.push(piece);
                        filled = units;
                    }
                }
            }
        }
        lines.retain(|line| !line.is_empty());
        lines
    }

    fn pieces(&self, word: &str, style: Style, width_mm: f64) -> Vec<String> {
        if self.width_mm(word, style) <= width_mm {
            return vec![word.to_owned()];
        }
        let mut pieces = vec![String::new()];
        for c in word.chars() {
            let grown = format!("{}{c}", pieces.last().map_or("", String::as_str));
            if self.width_mm(&grown, style) > width_mm {
                pieces.push(c.to_string());
            } else {
                pieces.pop();
                pieces.push(grown);
            }
        }
        pieces
    }
}

pub(crate) fn line(a: Point, b: Point, width_mm: f64, ink: Ink) -> Mark {
    let mut path = BezPath::new();
    path.move_to(a);
    path.line_to(b);
    Mark::Stroke {
        path,
        width_mm,
        ink,
        dash_mm: None,
    }
}

pub(crate) fn dashed(a: Point, b: Point, width_mm: f64, ink: Ink, dash_mm: f64) -> Mark {
    let mut path = BezPath::new();
    path.move_to(a);
    path.line_to(b);
    Mark::Stroke {
        path,
        width_mm,
        ink,
        dash_mm: Some(dash_mm),
    }
}

pub(crate) fn frame(rect: Rect, width_mm: f64, ink: Ink) -> Mark {
    Mark::Stroke {
        path: rect.to_path(1e-3),
        width_mm,
        ink,
        dash_mm: None,
    }
}

pub(crate) fn block(rect: Rect, ink: Ink) -> Mark {
    Mark::Fill {
        path: rect.to_path(1e-3),
        ink,
    }
}

pub(crate) fn text(at: Point, style: Style, text: impl Into<String>) -> Mark {
    let Style { size_pt, bold, ink } = style;
    Mark::Text {
        at,
        size_pt,
        bold,
        ink,
        text: text.into(),
        upright: true,
    }
}

pub(crate) fn upright_text(at: Point, style: Style, text: impl Into<String>) -> Mark {
    let Style { size_pt, bold, ink } = style;
    Mark::Text {
        at,
        size_pt,
        bold,
        ink,
        text: text.into(),
        upright: false,
    }
}

/// The pages as a PDF file. Nothing in it depends on time or chance.
pub(crate) fn write(
    pages: &[Page],
    [width_mm, height_mm]: [f64; 2],
    title: &str,
    faces: &Faces,
) -> Result<Vec<u8>, Error> {
    let mut document = Document::new();
    let size = [width_mm, height_mm].map(|mm| (mm * PT_PER_MM) as f32);
    for page in pages {
        let settings = PageSettings::from_wh(size[0], size[1]).ok_or(Error::Paper)?;
        let mut sheet = document.start_page_with(settings);
        let mut surface = sheet.surface();
        for mark in page {
            paint(&mut surface, mark, faces);
        }
        surface.finish();
        sheet.finish();
    }
    let metadata = Metadata::new()
        .title(title.to_owned())
        .language("en-GB".to_owned())
        .creator("emblemend".to_owned());
    document.set_metadata(metadata);
    document.finish().map_err(|e| Error::Pdf(format!("{e:?}")))
}

fn paint(surface: &mut Surface<'_>, mark: &Mark, faces: &Faces) {
    match mark {
        Mark::Fill { path, ink } => {
            surface.set_stroke(None);
            surface.set_fill(Some(fill(*ink)));
            draw(surface, path);
        }
        Mark::Stroke {
            path,
            width_mm,
            ink,
            dash_mm,
        } => {
            surface.set_fill(None);
            surface.set_stroke(Some(Stroke {
                paint: colour(*ink).into(),
                width: (width_mm * PT_PER_MM) as f32,
                dash: dash_mm.map(|d| StrokeDash {
                    array: vec![(d * PT_PER_MM) as f32; 2],
                    offset: 0.0,
                }),
                ..Stroke::default()
            }));
            draw(surface, path);
        }
        Mark::Text {
            at,
            size_pt,
            bold,
            ink,
            text,
            upright,
        } => {
            surface.set_stroke(None);
            surface.set_fill(Some(fill(*ink)));
            let at = pdf_point(*at);
            if !upright {
                let quarter = krilla::geom::Transform::from_rotate_at(-90.0, at.x, at.y);
                surface.push_transform(&quarter);
            }
            let font = faces.face(*bold).font.clone();
            surface.draw_text(
                at,
                font,
                *size_pt as f32,
                text,
                false,
                TextDirection::LeftToRight,
            );
            if !upright {
                surface.pop();
            }
        }
        Mark::Picture { room, jpg } => picture(surface, *room, jpg),
        Mark::Clipped { window, marks } => {
            if let Some(window) = pdf_path(&window.to_path(1e-3)) {
                surface.push_clip_path(&window, &FillRule::NonZero);
                for mark in marks {
                    paint(surface, mark, faces);
                }
                surface.pop();
            }
        }
    }
}

/// A picture that cannot be read leaves its room empty.
fn picture(surface: &mut Surface<'_>, room: Rect, jpg: &[u8]) {
    let Ok(image) = Image::from_jpeg(jpg.to_vec().into(), true) else {
        return;
    };
    let (w, h) = image.size();
    let (w, h) = (f64::from(w.max(1)), f64::from(h.max(1)));
    let k = (room.width() / w).min(room.height() / h) * PT_PER_MM;
    let Some(size) = Size::from_wh((k * w) as f32, (k * h) as f32) else {
        return;
    };
    let at = pdf_point(room.origin());
    surface.push_transform(&krilla::geom::Transform::from_translate(at.x, at.y));
    surface.draw_image(image, size);
    surface.pop();
}

fn draw(surface: &mut Surface<'_>, path: &BezPath) {
    if let Some(path) = pdf_path(path) {
        surface.draw_path(&path);
    }
}

fn colour(ink: Ink) -> rgb::Color {
    rgb::Color::new(ink[0], ink[1], ink[2])
}

fn fill(ink: Ink) -> Fill {
    Fill {
        paint: colour(ink).into(),
        opacity: NormalizedF32::ONE,
        rule: FillRule::NonZero,
    }
}

fn pdf_point(p: Point) -> PdfPoint {
    PdfPoint::from_xy((p.x * PT_PER_MM) as f32, (p.y * PT_PER_MM) as f32)
}

fn pdf_path(path: &BezPath) -> Option<krilla::geom::Path> {
    let mut builder = PathBuilder::new();
    for element in path.elements() {
        match *element {
            PathEl::MoveTo(p) => {
                let p = pdf_point(p);
                builder.move_to(p.x, p.y);
            }
            PathEl::LineTo(p) => {
                let p = pdf_point(p);
                builder.line_to(p.x, p.y);
            }
            PathEl::QuadTo(a, p) => {
                let (a, p) = (pdf_point(a), pdf_point(p));
                builder.quad_to(a.x, a.y, p.x, p.y);
            }
            PathEl::CurveTo(a, b, p) => {
                let (a, b, p) = (pdf_point(a), pdf_point(b), pdf_point(p));
                builder.cubic_to(a.x, a.y, b.x, b.y, p.x, p.y);
            }
            PathEl::ClosePath => builder.close(),
        }
    }
    builder.finish()
}
