//! What is drawn on the photo: the outline, its worst places, the rulers' ticks, and a legend.

use image::RgbImage;
use measures::{Point, Px, Ruler, Vector};

use super::closeups::{Frame, Place, frames};
use super::drawing::{DARK, LIGHT, Layer, UNSEEN, darken, viridis};
use super::outline_marks::{RESIDUAL_FULL_MM, Traced};
use super::pictures::Scene;
use super::ruler_marks::{EndMark, LETTER_PENS, end_marks};
use super::view::View;

/// Radius of the discs behind the numbers of worst places, in widths of the pen.
const DISC_PENS: f64 = 13.0;

/// What is drawn on every picture of one photo.
pub(super) struct Marks<'a> {
    scene: &'a Scene<'a>,
    /// The fitted outline.
    pub(super) traced: Option<Traced>,
    /// Its worst places.
    pub(super) places: Vec<Place>,
}

impl<'a> Marks<'a> {
    pub(super) fn new(scene: &'a Scene<'a>, places: Vec<Place>) -> Self {
        let traced = scene.fitted.map(|(artwork, fit)| Traced::new(artwork, fit));
        Self {
            scene,
            traced,
            places,
        }
    }

    /// Outline, worst places, ruler ends and legend.
    pub(super) fn draw(&self, picture: &mut RgbImage, view: &View) {
        self.mark_rulers(picture, view);
        if let Some(traced) = &self.traced {
            traced.mark(picture, view);
            self.mark_places(picture, view);
            self.legend(picture, view);
        }
    }

    /// Frames with their numbers, each on a disc that shows on dark and on light cloth.
    fn mark_places(&self, picture: &mut RgbImage, view: &View) {
        let pen = view.pen();
        let disc = 2.0 * DISC_PENS * pen;
        let frames = self.frames(view);
        let strokes = [(3.2, 1.0, DARK), (1.4, 1.0, LIGHT), (0.0, 0.84, DARK)];
        for (width, of_disc, colour) in strokes {
            let mut layer = Layer::over(picture);
            for frame in &frames {
                let at = frame.number_at;
                if width > 0.0 {
                    layer.polyline(&frame.outline, width * pen, colour);
                }
                layer.stroke(at, at, of_disc * disc, colour);
            }
            layer.onto(picture);
        }
        let mut layer = Layer::over(picture);
        for frame in &frames {
            let letters = 1.15 * DISC_PENS * pen;
            let beside = Vector::new(-0.29 * letters, 0.36 * letters);
            layer.words(frame.number_at + beside, letters, LIGHT, &frame.number);
        }
        layer.onto(picture);
    }

    fn frames(&self, view: &View) -> Vec<Frame> {
        let photo = self.scene.photo.rgb.dimensions();
        frames(&self.places, view, photo, DISC_PENS * view.pen())
    }

    /// Every tick used, and the first and last of the ruler that the press sheet goes by.
    fn mark_rulers(&self, picture: &mut RgbImage, view: &View) {
        let pen = view.pen();
        let marks = self.end_marks(picture, view);
        for (width, colour) in [(3.4 * pen, DARK), (1.3 * pen, LIGHT)] {
            let mut layer = Layer::over(picture);
            for tick in self.scene.rulers.iter().flat_map(|r| &r.ticks) {
                if let [first, .., last] = tick.points.as_slice() {
                    let ends = [view.place(first.at), view.place(last.at)];
                    layer.stroke(ends[0], ends[1], 0.4 * width, colour);
                }
            }
            for mark in &marks {
                layer.polyline(&mark.outline, width, colour);
                let shadow = if colour == DARK { pen } else { 0.0 };
                let at = mark.letter_at + Vector::new(shadow, shadow);
                layer.words(at, LETTER_PENS * pen, colour, mark.letter);
            }
            layer.onto(picture);
        }
    }

    /// The marks round the ends of that ruler.
    fn end_marks(&self, picture: &RgbImage, view: &View) -> Vec<EndMark> {
        let size = [picture.width(), picture.height()].map(f64::from);
        let guide = self.guide();
        guide.map_or_else(Vec::new, |ruler| end_marks(ruler, view, size))
    }

    /// The ruler that the press sheet places the emblem from. How thick it is does not change the
    /// choice.
    fn guide(&self) -> Option<&Ruler> {
        let chosen = self
            .scene
            .plane
            .zip(self.scene.fitted)
            .and_then(|(plane, (artwork, fit))| {
                press::Placement::choose(self.scene.rulers, plane, artwork, fit, 0.0)
            });
        self.scene.rulers.get(chosen.map_or(0, |(i, _)| i))
    }

    /// The corner for a panel that is farthest from emblem, rulers and their marks.
    fn free_corner(&self, view: &View, picture: &RgbImage, panel: [f64; 2], gap: f64) -> [f64; 2] {
        let emblem = self.traced.iter().flat_map(|t| t.lines.concat());
        let rulers = self.scene.rulers.iter().flat_map(|r| {
            let along = |i: usize, j: usize| {
                (0..50).map(move |t| r.body[i].lerp(r.body[j], f64::from(t) / 50.0))
            };
            along(0, 1)
                .chain(along(1, 2))
                .chain(along(2, 3))
                .chain(along(3, 0))
        });
        let marks = self.end_marks(picture, view);
        let marked = marks.iter().flat_map(|m| {
            let letter = [m.letter_at, m.letter_at + Vector::new(0.0, -2.0 * gap)];
            m.outline.iter().copied().chain(letter)
        });
        let seen = emblem.chain(rulers).map(|p| view.place(p));
        let frames = self.frames(view);
        let framed = frames.iter().flat_map(|f| f.outline.iter().copied());
        let taken: Vec<_> = seen.chain(marked).chain(framed).collect();
        let room = |&[x, y]: &[f64; 2]| {
            let away = |p: &Point<Px>| {
                let dx = (x - p.x).max(p.x - x - panel[0]).max(0.0);
                let dy = (y - p.y).max(p.y - y - panel[1]).max(0.0);
                dx.hypot(dy)
            };
            taken.iter().map(away).fold(f64::INFINITY, f64::min)
        };
        let size = [picture.width(), picture.height()].map(f64::from);
        let [right, low] = [0, 1].map(|i| size[i] - panel[i] - gap);
        let places = [[gap, low], [right, low], [gap, gap], [right, gap]];
        places
            .into_iter()
            .max_by(|a, b| room(a).total_cmp(&room(b)))
            .unwrap_or([gap, gap])
    }

    /// A scale in millimetres and the colours' meaning.
    fn legend(&self, picture: &mut RgbImage, view: &View) {
        let Some((artwork, fit)) = self.scene.fitted else {
            return;
        };
        let unit = 7.0 * view.pen();
        let (width, height) = (unit * 26.0, unit * 9.2);
        let [x, y] = self.free_corner(view, picture, [width, height], unit);
        darken(picture, x, y, width, height);
        let mut layer = Layer::over(picture);
        let at = |dx: f64, dy: f64| Point::new(x + dx * unit, y + dy * unit);
        for i in 0..64 {
            let t = f64::from(i) / 64.0;
            let from = at(1.5 + 10.0 * t, 3.9);
            layer.stroke(
                from,
                from + Vector::new(10.0 * unit / 64.0, 0.0),
                unit,
                viridis(t),
            );
        }
        let size = 2.1 * unit;
        layer.words(at(1.0, 2.4), size, LIGHT, "edge off by, mm");
        layer.words(at(1.0, 6.4), size, LIGHT, "0");
        let most = format!("{RESIDUAL_FULL_MM:.1}+");
        layer.words(at(9.6, 6.4), size, LIGHT, &most);
        layer.stroke(at(15.0, 3.9), at(18.0, 3.9), 0.5 * unit, UNSEEN);
        layer.words(at(19.0, 4.5), size, LIGHT, "not seen");
        if let Some(plane) = self.scene.plane {
            let p = fit
                .art_to_photo
                .apply(artwork.outline.bounding_box().center().into());
            let px_per_mm = plane.px_per_mm_at(p) * view.scale;
            let mm = [50.0, 20.0, 10.0, 5.0, 2.0, 1.0]
                .into_iter()
                .find(|mm| mm * px_per_mm <= 17.0 * unit)
                .unwrap_or(1.0);
            layer.stroke(
                at(1.5, 7.8),
                at(1.5, 7.8) + Vector::new(mm * px_per_mm, 0.0),
                0.5 * unit,
                LIGHT,
            );
            let beside = at(2.5, 8.4) + Vector::new(mm * px_per_mm, 0.0);
            layer.words(beside, size, LIGHT, &format!("{mm:.0} mm"));
        }
        layer.onto(picture);
    }
}
