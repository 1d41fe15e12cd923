//! Page one: the emblem at true size as worn, with everything needed to put it back where it was;
//! tiles when it is larger than the paper.

use kurbo::{Affine, Point, Rect, Shape, Vec2};
use measures::ruler::RulerUnit;
use measures::unit::MM_PER_INCH;
use measures::{Mm, Outline, Verdict};

use crate::canvas::{
    ALARM, BLACK, Faces, GREY, Mark, PALE, Page, Style, WHITE, block, dashed, frame, line, text,
};
use crate::marks::{
    check_bar_across, check_bar_down, cross, end_marks, hundredths, two_digits, two_places,
    up_arrow,
};
use crate::placement::Placement;
use crate::tiles::Tiles;
use crate::words;
use crate::{Settings, SheetContent};

/// Room that the template keeps around the emblem, in mm.
const AROUND_MM: f64 = 10.0;
/// Room at the foot of page one for the lower bar, and the least for the words on placing, in mm.
const BAR_FOOT_MM: f64 = 14.0;
const WORDS_MIN_MM: f64 = 46.0;
/// How the words on placing are set.
const PLACING: Style = Style::plain(8.8);
const PLACING_GAP_MM: f64 = 0.9;
/// Most lines of reasons on page one.
const BANNER_LINES: usize = 9;
/// Width of the sketch beside those words, in mm.
const SKETCH_MM: f64 = 58.0;

/// What both the template and its tiles draw.
pub(crate) struct Template<'a> {
    pub(crate) content: &'a SheetContent<'a>,
    pub(crate) settings: &'a Settings,
    pub(crate) faces: &'a Faces,
    /// The emblem at the size to cut, upright, in mm.
    pub(crate) outline: Outline<Mm>,
    pub(crate) placement: Option<Placement>,
}

impl Template<'_> {
    /// The template's pages: one, or an overview and its tiles.
    pub(crate) fn pages(&self) -> Vec<Page> {
        let mut first = Page::new();
        let top = self.heading(&mut first);
        let window = self.window(top);
        check_bar_across(
            &mut first,
            Point::new(self.left(), window.y1 + 7.0),
            self.faces,
        );
        check_bar_down(&mut first, Point::new(self.right() - 4.0, window.y0));
        self.placing_words(&mut first, window.y1 + BAR_FOOT_MM);
        let emblem = self.outline.bounding_box();
        let fits = emblem.width() + 2.0 * AROUND_MM <= window.width()
            && emblem.height() + 2.0 * AROUND_MM <= window.height();
        if fits {
            let shift = self.centred(window);
            first.push(Mark::Clipped {
                window,
                marks: self.true_size(shift),
            });
            Self::fold_marks(&mut first, window, emblem.center() + shift);
            up_arrow(&mut first, Point::new(window.x0 + 5.0, window.y0 + 3.0));
            return vec![first];
        }
        let tiles = Tiles::new(self, emblem.inset(AROUND_MM));
        self.overview(&mut first, window, &tiles);
        std::iter::once(first).chain(tiles.pages(self)).collect()
    }

    pub(crate) fn left(&self) -> f64 {
        self.settings.margin_mm
    }
    pub(crate) fn right(&self) -> f64 {
        self.settings.paper.size_mm()[0] - self.settings.margin_mm
    }
    pub(crate) fn bottom(&self) -> f64 {
        self.settings.paper.size_mm()[1] - self.settings.margin_mm
    }

    /// The part of page one that shows the emblem.
    fn window(&self, top: f64) -> Rect {
        Rect::new(
            self.left(),
            top,
            self.right() - 14.0,
            self.bottom() - BAR_FOOT_MM - self.words_height(),
        )
    }

    /// Height of the words on placing, the page's last line below them included.
    fn words_height(&self) -> f64 {
        let width = self.words_width();
        let sentences = self.placing_sentences();
        let lines = sentences.iter().map(|s| {
            let lines = self.faces.wrapped(s, PLACING, width).len();
            lines as f64 * PLACING.line_mm() + PLACING_GAP_MM
        });
        (12.0 + lines.sum::<f64>()).max(WORDS_MIN_MM)
    }

    fn words_width(&self) -> f64 {
        self.right() - self.left() - SKETCH_MM - 4.0
    }

    /// Title, facts and warning; returns where the template may begin.
    fn heading(&self, page: &mut Page) -> f64 {
        let c = self.content;
        let emblem = self.outline.bounding_box();
        let mut y = self.settings.margin_mm + 7.0;
        page.push(text(
            Point::new(self.left(), y),
            Style::bold(20.0),
            "Placement template",
        ));
        y += 6.5;
        let names: Vec<_> = [c.garment, c.emblem, c.job]
            .into_iter()
            .filter(|s| !s.is_empty())
            .collect();
        y = self.paragraph(page, y, Style::bold(11.0), &names.join("  ·  "));
        let copies = if c.copies == 1 {
            String::new()
        } else {
            format!(", {} copies", c.copies)
        };
        let facts = format!(
            "As worn: {:.2} mm wide, {:.2} mm high, ± {} % (k = 2). Version {}. Cut from {}{copies}.",
            emblem.width(),
            emblem.height(),
            two_digits(c.fit.u_size_percent),
            c.artwork.file,
            materials(c),
        );
        y = self.paragraph(page, y, Style::plain(9.5), &facts);
        if c.verdict != Verdict::Cut {
            y = self.banner(page, y);
        }
        let check = "Print at 100 %, no scaling. Measure both bars before use: if either is not \
                     100.0 mm, do not use this sheet.";
        self.paragraph(page, y + 1.0, Style::bold(9.5), check)
    }

    /// "Do not press yet", with the reasons.
    fn banner(&self, page: &mut Page, y: f64) -> f64 {
        let (title, words) = (Style::bold(17.0).ink(WHITE), Style::plain(9.5).ink(WHITE));
        let width = self.right() - self.left();
        let mut reasons: Vec<String> = self
            .content
            .reasons
            .iter()
            .flat_map(|r| self.faces.wrapped(&format!("– {r}"), words, width - 8.0))
            .collect();
        if reasons.len() > BANNER_LINES {
            reasons.truncate(BANNER_LINES - 1);
            reasons.push("… and more: all reasons are in report.html".to_owned());
        }
        let height = 12.0 + reasons.len() as f64 * words.line_mm();
        let top = y - 3.0;
        page.push(block(
            Rect::new(self.left(), top, self.right(), top + height),
            ALARM,
        ));
        let at = |dy: f64| Point::new(self.left() + 4.0, top + dy);
        page.push(text(at(7.2), title, "DO NOT PRESS YET: look at this first"));
        for (i, reason) in reasons.into_iter().enumerate() {
            page.push(text(at(12.3 + i as f64 * words.line_mm()), words, reason));
        }
        top + height + 5.0
    }

    /// Wrapped text over the page's width; returns the baseline for what follows.
    fn paragraph(&self, page: &mut Page, y: f64, style: Style, words: &str) -> f64 {
        self.column(
            page,
            Point::new(self.left(), y),
            self.right() - self.left(),
            style,
            words,
        )
    }

    fn column(&self, page: &mut Page, at: Point, width: f64, style: Style, words: &str) -> f64 {
        let lines = self.faces.wrapped(words, style, width);
        let below = at.y + lines.len() as f64 * style.line_mm();
        for (i, words) in lines.into_iter().enumerate() {
            page.push(text(
                Point::new(at.x, at.y + i as f64 * style.line_mm()),
                style,
                words,
            ));
        }
        below
    }

    /// Shift from the emblem's frame to the paper that shows the emblem whole and, if there is
    /// room, the nearest part of the ruler too.
    fn centred(&self, window: Rect) -> Vec2 {
        let emblem = self.outline.bounding_box().inset(AROUND_MM);
        let shown = self.placement.as_ref().map_or(emblem, |p| {
            let foot = p.at_mm(p.reading_mm(emblem.center()));
            let near = Rect::from_points(foot - p.along * 15.0, foot + p.along * 15.0);
            emblem.union(near.inset(5.0))
        });
        let fits = shown.width() <= window.width() && shown.height() <= window.height();
        window.center() - if fits { shown } else { emblem }.center()
    }

    /// Emblem, centre cross, baseline and ruler, moved by `shift`.
    pub(crate) fn true_size(&self, shift: Vec2) -> Vec<Mark> {
        let path = Affine::translate(shift) * self.outline.to_path();
        let emblem = self.outline.bounding_box() + shift;
        let mut marks = vec![
            Mark::Fill {
                path: path.clone(),
                ink: PALE,
            },
            Mark::Stroke {
                path,
                width_mm: 0.2,
                ink: BLACK,
                dash_mm: None,
            },
        ];
        let c = emblem.center();
        let (w, h) = (emblem.width() / 2.0 + 6.0, emblem.height() / 2.0 + 6.0);
        marks.push(dashed(
            c - Vec2::new(w, 0.0),
            c + Vec2::new(w, 0.0),
            0.12,
            GREY,
            1.2,
        ));
        marks.push(dashed(
            c - Vec2::new(0.0, h),
            c + Vec2::new(0.0, h),
            0.12,
            GREY,
            1.2,
        ));
        marks.extend(cross(c, 4.0, 0.3));
        marks.extend(self.line_marks(emblem));
        if !self.content.layers.is_empty() {
            let places = measures::crosses::centres(emblem);
            marks.extend(places.into_iter().flat_map(|at| cross(at, 3.0, 0.25)));
        }
        let (a, b) = (emblem.x0 - 8.0, emblem.x1 + 8.0);
        marks.push(line(
            Point::new(a, emblem.y1),
            Point::new(b, emblem.y1),
            0.15,
            BLACK,
        ));
        let label = Point::new(emblem.x1 + 1.0, emblem.y1 + 3.2);
        marks.push(text(label, Style::plain(7.0), "baseline"));
        if let Some(placement) = &self.placement {
            marks.extend(Self::ruler(placement, shift, c));
        }
        marks
    }

    /// The ruler's ticks where they lie, with the way from the emblem's centre to them.
    fn ruler(p: &Placement, shift: Vec2, centre: Point) -> Vec<Mark> {
        let at = |index: i32| p.at_mm(f64::from(index) * p.pitch_mm) + shift;
        let (first, last) = (at(0), at(p.last_index));
        let mut marks = vec![line(first, last, 0.2, BLACK)];
        let long = if p.unit == RulerUnit::Mm {
            [5, 10]
        } else {
            [4, 8]
        };
        for index in 0..=p.last_index {
            let length = if index % long[1] == 0 {
                5.0
            } else if index % long[0] == 0 {
                3.5
            } else {
                2.2
            };
            let at = at(index);
            marks.push(line(at, at + p.into_ruler * length, 0.12, BLACK));
        }
        marks.extend(end_marks(first, last, p.into_ruler * 8.0, 1.8));
        let label = Style::bold(9.0);
        let aside =
            |end: Point, out: f64| end + p.into_ruler * 8.0 + p.along * out + Vec2::new(-1.2, 1.2);
        marks.push(text(aside(first, -4.5), label, "A"));
        marks.push(text(aside(last, 4.5), label, "B"));
        let foot = p.at_mm(p.reading_mm(centre - shift)) + shift;
        marks.push(dashed(centre, foot, 0.2, BLACK, 2.0));
        let way = p.distance_mm(centre - shift).abs();
        let steep = p.along.x.abs() > p.along.y.abs();
        let aside = if steep {
            Vec2::new(1.5, 0.0)
        } else {
            Vec2::new(0.0, -1.2)
        };
        let label = Style::plain(8.0);
        marks.push(text(
            centre.lerp(foot, 0.86) + aside,
            label,
            format!("{way:.1} mm"),
        ));
        marks
    }

    /// Two strokes beside the emblem that run as the cloth's own lines do.
    fn line_marks(&self, emblem: Rect) -> Vec<Mark> {
        let Some((lines, deg)) = words::lines_on_sheet(self.content) else {
            return Vec::new();
        };
        let half = Vec2::from_angle(deg.to_radians()) * 0.5 * emblem.height().min(30.0);
        let sides = [emblem.x0 - 5.0, emblem.x1 + 5.0].map(|x| Point::new(x, emblem.center().y));
        let mut marks: Vec<Mark> = sides
            .map(|at| dashed(at - half, at + half, 0.35, GREY, 3.0))
            .into();
        let label = Style::plain(7.0).ink(GREY);
        let beside = sides[0] - Vec2::new(self.faces.width_mm(lines.name(), label) + 2.5, 0.0);
        marks.push(text(beside, label, lines.name()));
        marks
    }

    fn fold_marks(page: &mut Page, window: Rect, centre: Point) {
        let across = Vec2::new(5.0, 0.0);
        let down = Vec2::new(0.0, 5.0);
        let top = Point::new(centre.x, window.y0);
        let foot = Point::new(centre.x, window.y1);
        let (left, right) = (
            Point::new(window.x0, centre.y),
            Point::new(window.x1, centre.y),
        );
        for (a, b) in [
            (top, top + down),
            (foot, foot - down),
            (left, left + across),
            (right, right - across),
        ] {
            page.push(line(a, b, 0.3, BLACK));
        }
        let label = Style::plain(7.0).ink(GREY);
        page.push(text(top + Vec2::new(1.2, 2.8), label, "fold"));
        page.push(text(left + Vec2::new(0.3, -1.2), label, "fold"));
    }

    /// How to lay the ruler down again and find the place, in words and as a sketch.
    fn placing_words(&self, page: &mut Page, y: f64) {
        let title = Style::bold(11.0);
        page.push(text(Point::new(self.left(), y), title, "Where it goes"));
        let width = self.words_width();
        let top = y;
        let mut y = y + title.line_mm() + 0.3;
        for words in self.placing_sentences() {
            let at = Point::new(self.left(), y);
            y = self.column(page, at, width, PLACING, &words) + PLACING_GAP_MM;
        }
        if let Some(placement) = &self.placement {
            let room = Rect::new(
                self.right() - SKETCH_MM,
                top - 2.0,
                self.right(),
                self.bottom() - 5.0,
            );
            self.sketch(page, placement, room);
        }
    }

    fn placing_sentences(&self) -> Vec<String> {
        let fit = self.content.fit;
        let sure = format!(
            "The old emblem's place is known to ± {} mm and its turn to ± {}° (k = 2), as seen in \
             the photo. The old mark on the cloth is the last judge.",
            hundredths(fit.u_shift_mm),
            hundredths(fit.u_rotation_deg)
        );
        let others = std::iter::once(words::against_lines(self.content))
            .chain(words::from_landmarks(self.content, &self.outline))
            .chain([sure]);
        let Some(p) = &self.placement else {
            let none = "No ruler to place it from: lay the template on the old mark itself.";
            return std::iter::once(none.to_owned()).chain(others).collect();
        };
        let centre = self.outline.bounding_box().center();
        let length = |mm| p.length(mm);
        let (reading, distance, turn) = (
            p.reading_mm(centre),
            p.distance_mm(centre),
            p.baseline_turn_deg(),
        );
        let span = f64::from(p.last_index) * p.pitch_mm;
        let side = if distance >= 0.0 {
            "off the ruler's edge"
        } else {
            "on the ruler's own side of that line"
        };
        let along = if reading < 0.0 {
            format!("{} before A, away from B", length(-reading))
        } else if reading > span {
            format!("{} from A, which is beyond B", length(reading))
        } else {
            format!("{} from A towards B", length(reading))
        };
        let turned = turned(turn);
        let by_ruler = [
            format!(
                "Lay the ruler down as in the photo. A (ring in overlay.jpg) is the first tick \
                 used, B (square) the last: {} ticks further, {}.",
                p.last_index,
                length(span)
            ),
            format!("Along the ruler, the emblem's centre is opposite {along}."),
            format!(
                "Square to the ruler, the centre is {} from the line of tick ends, {side}.",
                length(distance.abs())
            ),
            turned,
        ];
        by_ruler.into_iter().chain(others).collect()
    }

    /// Ruler and emblem, small, with the two distances.
    fn sketch(&self, page: &mut Page, p: &Placement, room: Rect) {
        let emblem = self.outline.bounding_box();
        let centre = emblem.center();
        let (first, last) = (p.first_tick, p.at_mm(f64::from(p.last_index) * p.pitch_mm));
        let foot = p.at_mm(p.reading_mm(centre));
        let landmarks = words::landmarks_on_sheet(self.content);
        let all = emblem.union(Rect::from_points(first, last)).union_pt(foot);
        let all = landmarks.iter().fold(all, |all, (_, p)| all.union_pt(*p));
        let inner = Rect::new(room.x0 + 5.0, room.y0 + 4.0, room.x1 - 5.0, room.y1 - 9.0);
        let k = (inner.width() / all.width())
            .min(inner.height() / all.height())
            .min(1.0);
        let place = Affine::translate(inner.center().to_vec2())
            * Affine::scale(k)
            * Affine::translate(-all.center().to_vec2());
        page.push(frame(room.inset(1.0), 0.1, GREY));
        let outline = place * self.outline.to_path();
        page.push(Mark::Fill {
            path: outline.clone(),
            ink: PALE,
        });
        page.push(Mark::Stroke {
            path: outline,
            width_mm: 0.12,
            ink: BLACK,
            dash_mm: None,
        });
        let [first, last, foot, centre] = [first, last, foot, centre].map(|q| place * q);
        page.push(line(first, last, 0.5, BLACK));
        page.push(dashed(centre, foot, 0.15, BLACK, 0.8));
        page.extend(cross(centre, 1.5, 0.2));
        page.extend(end_marks(first, last, Vec2::ZERO, 1.1));
        let label = Style::bold(8.0);
        page.push(text(
            first + p.into_ruler * 3.5 + Vec2::new(-0.9, 1.0),
            label,
            "A",
        ));
        page.push(text(
            last + p.into_ruler * 3.5 + Vec2::new(-0.9, 1.0),
            label,
            "B",
        ));
        let note = Style::plain(6.5).ink(GREY);
        for (name, at) in landmarks {
            let at = place * at;
            page.extend(cross(at, 1.0, 0.3));
            let words = self.faces.width_mm(&name, note);
            let left = (at.x + 1.5).min(room.x1 - words - 1.5);
            page.push(text(Point::new(left, at.y - 1.0), note, name));
        }
        page.push(text(
            Point::new(room.x0 + 1.0, room.y1 - 1.0),
            note,
            "sketch, not to scale",
        ));
    }

    fn overview(&self, page: &mut Page, window: Rect, tiles: &Tiles) {
        let whole = tiles.whole();
        let room = Rect {
            y0: window.y0 + 11.0,
            ..window
        };
        let k = (room.width() / whole.width()).min(room.height() / whole.height());
        let place = Affine::translate(room.center().to_vec2())
            * Affine::scale(k)
            * Affine::translate(-whole.center().to_vec2());
        let outline = place * self.outline.to_path();
        page.push(Mark::Fill {
            path: outline.clone(),
            ink: PALE,
        });
        page.push(Mark::Stroke {
            path: outline,
            width_mm: 0.2,
            ink: BLACK,
            dash_mm: None,
        });
        for (name, tile) in tiles.named().into_iter().filter(|_| tiles.count() > 1) {
            let shown = (place * tile.to_path(1e-3)).bounding_box();
            page.push(frame(shown, 0.15, GREY));
            let at = Point::new(shown.x0 + 3.0, shown.y0 + 7.0);
            page.push(text(at, Style::bold(14.0).ink(GREY), name));
        }
        let how = match tiles.count() {
            1 => "the next page shows it at true size.".to_owned(),
            n => format!("join the {n} tiles that follow by their numbered crosses."),
        };
        let note = format!(
            "Overview, about 1 : {:.1}, not true size. The emblem does not fit beside these words: \
             {how}",
            1.0 / k
        );
        let at = Point::new(window.x0, window.y0 + 4.0);
        self.column(page, at, window.width(), Style::bold(9.0), &note);
    }
}

/// How baseline or upright lie against the ruler, whichever is nearer to it.
fn turned(baseline_deg: f64) -> String {
    let (line, deg) = if baseline_deg.abs() <= 45.0 {
        ("baseline", baseline_deg)
    } else {
        (
            "upright centre line",
            baseline_deg - 90.0_f64.copysign(baseline_deg),
        )
    };
    match two_places(deg) {
        0.0 => format!("The {line} is parallel to the ruler."),
        t if t > 0.0 => format!("The {line} is turned {t:.2}° clockwise from the ruler."),
        t => format!(
            "The {line} is turned {:.2}° anticlockwise from the ruler.",
            -t
        ),
    }
}

impl Placement {
    /// A length in the ruler's own unit, with millimetres.
    fn length(&self, mm: f64) -> String {
        match self.unit {
            RulerUnit::Mm => format!("{mm:.1} mm"),
            RulerUnit::Inch => format!("{:.3} in ({mm:.1} mm)", mm / MM_PER_INCH),
        }
    }
}

/// The material, or those of all layers.
fn materials(content: &SheetContent<'_>) -> String {
    if content.layers.is_empty() {
        return content.material.title.clone();
    }
    let layers = content.layers.iter();
    let named = layers.map(|l| format!("{} ({})", l.material.title, l.name));
    named.collect::<Vec<_>>().join(", then ")
}
