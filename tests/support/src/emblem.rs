//! Invented emblems, each in several versions.

use kurbo::{Affine, BezPath, Rect, Shape};
use measures::outline::Worn;
use measures::{Art, Outline};

use crate::designs;
use crate::opening::Opening;
use crate::random::Rng;
use crate::slot::Slot;

/// What an emblem shows. All are invented.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Design {
    /// Shield with a border, a tern and waves.
    TernShield,
    /// Ring round an anchor.
    AnchorRoundel,
    /// Block letters T, B and W.
    Monogram,
    /// Athletic number with an inner line; the figure is 0 to 9.
    Number(u8),
    /// Five-pointed star within a star.
    Star,
    /// A plain disc: size and bleed cannot be told apart.
    Disc,
    /// A plain ring.
    Ring,
    /// Crest of thin lines.
    ThinCrest,
    /// A bird in flight, without symmetry.
    Bird,
    /// Oval with a lighthouse and its beams.
    Lighthouse,
    /// A ship's wheel.
    Wheel,
    /// A crown over three bars.
    Crown,
    /// A fish in a lozenge.
    Fish,
    /// A pennant in the wind.
    Pennant,
}

impl Design {
    /// Every design, one number standing for all.
    pub const ALL: [Design; 14] = [
        Design::TernShield,
        Design::AnchorRoundel,
        Design::Monogram,
        Design::Number(8),
        Design::Star,
        Design::Disc,
        Design::Ring,
        Design::ThinCrest,
        Design::Bird,
        Design::Lighthouse,
        Design::Wheel,
        Design::Crown,
        Design::Fish,
        Design::Pennant,
    ];

    /// Designs with enough shape for place, turn, size and version all to be measurable.
    pub const TELLING: [Design; 10] = [
        Design::TernShield,
        Design::AnchorRoundel,
        Design::Monogram,
        Design::Number(8),
        Design::ThinCrest,
        Design::Bird,
        Design::Lighthouse,
        Design::Crown,
        Design::Fish,
        Design::Pennant,
    ];

    /// Whether it looks the same after some turn.
    pub fn is_symmetric(self) -> bool {
        matches!(
            self,
            Design::Disc | Design::Ring | Design::Star | Design::Wheel
        )
    }

    /// A word for file names.
    pub fn name(self) -> String {
        match self {
            Design::TernShield => "tern-shield".into(),
            Design::AnchorRoundel => "anchor-roundel".into(),
            Design::Monogram => "monogram".into(),
            Design::Number(n) => format!("number-{n}"),
            Design::Star => "star".into(),
            Design::Disc => "disc".into(),
            Design::Ring => "ring".into(),
            Design::ThinCrest => "thin-crest".into(),
            Design::Bird => "bird".into(),
            Design::Lighthouse => "lighthouse".into(),
            Design::Wheel => "wheel".into(),
            Design::Crown => "crown".into(),
            Design::Fish => "fish".into(),
            Design::Pennant => "pennant".into(),
        }
    }
}

/// One version of an emblem.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Emblem {
    /// What it shows.
    pub design: Design,
    /// Height against the nominal drawing (1).
    pub proportion: f64,
    /// Weight of the inner lines against the nominal drawing (1); 0.8 to 1.3 keep parts apart.
    pub weight: f64,
    /// Whether the inner detail that versions may lack is there.
    pub inner_detail: bool,
    /// Corner radius against the nominal drawing (1).
    pub corner: f64,
    /// Left and right exchanged: what a wrongly cut emblem leaves.
    pub mirrored: bool,
    /// A hole that no other version has.
    pub opening: Option<Opening>,
    /// A slot through its strokes that no other version has.
    pub slot: Option<Slot>,
}

impl Emblem {
    /// The nominal version.
    pub fn new(design: Design) -> Self {
        Self {
            design,
            proportion: 1.0,
            weight: 1.0,
            inner_detail: true,
            corner: 1.0,
            mirrored: false,
            opening: None,
            slot: None,
        }
    }

    /// The same with a hole of about this share of its area somewhere in its solid; `None` where
    /// there is no room.
    pub fn with_opening(self, share: f64, rng: &mut Rng) -> Option<Self> {
        let opening = Opening::random(&designs::draw(&self), share, rng)?;
        Some(Self {
            opening: Some(opening),
            ..self
        })
    }

    /// The same with a slot through its strokes that takes a share of its area between these; `None`
    /// where none was found.
    pub fn with_slot(self, share: [f64; 2], rng: &mut Rng) -> Option<Self> {
        const TRIES: usize = 100;
        let whole = self.outline().area();
        (0..TRIES).find_map(|_| {
            let cut = Self {
                slot: Some(Slot::random(&designs::draw(&self), rng)),
                ..self
            };
            let taken = 1.0 - cut.outline().area() / whole;
            (share[0]..share[1]).contains(&taken).then_some(cut)
        })
    }

    /// `count` versions, the nominal one first, any two of them apart by 3 % or more in
    /// proportion or by visible inner detail.
    pub fn versions(design: Design, count: usize, rng: &mut Rng) -> Vec<Self> {
        let plain = Self::new(design);
        let up = rng.sign();
        let mut changes = vec![
            Self {
                proportion: 1.0 + up * rng.range(0.03, 0.06),
                ..plain
            },
            Self {
                proportion: 1.0 - up * rng.range(0.03, 0.06),
                corner: 1.5,
                ..plain
            },
        ];
        if designs::has_inner_detail(design) {
            changes.push(Self {
                inner_detail: false,
                ..plain
            });
            let proportion = 1.0 + up * rng.range(0.03, 0.05);
            changes.push(Self {
                inner_detail: false,
                proportion,
                weight: 1.2,
                ..plain
            });
        }
        let mut versions = vec![plain];
        while versions.len() < count && !changes.is_empty() {
            versions.push(changes.swap_remove(rng.below(changes.len())));
        }
        versions
    }

    /// The filled outline, in the user units of [`Emblem::svg`]'s view box.
    pub fn outline(&self) -> Outline<Art, Worn> {
        let contours = self.contours();
        let holes: Vec<bool> = contours
            .iter()
            .enumerate()
            .map(|(i, c)| {
                let start = c
                    .segments()
                    .next()
                    .map(|s| kurbo::ParamCurve::eval(&s, 0.5));
                let around = |other: &BezPath| start.is_some_and(|p| other.winding(p) != 0);
                let depth = contours
                    .iter()
                    .enumerate()
                    .filter(|(j, o)| i != *j && around(o));
                depth.count() % 2 == 1
            })
            .collect();
        Outline::from_contours(contours, &holes)
    }

    /// The artwork file, as a drawing program would save it.
    pub fn svg(&self) -> String {
        let [width, height] = self.view_box();
        let path: BezPath = self.outline().to_path();
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width:.3} {height:.3}\">\n\
             <title>{}</title>\n\
             <path fill=\"#202a44\" fill-rule=\"evenodd\" d=\"{}\"/>\n</svg>\n",
            self.design.name(),
            path_data(&path)
        )
    }

    /// Width and height of the view box, which begins at (0, 0).
    pub fn view_box(&self) -> [f64; 2] {
        let b = bounds(&self.contours());
        [b.x1 + MARGIN, b.y1 + MARGIN].map(|v| (v * 1000.0).ceil() / 1000.0)
    }

    fn contours(&self) -> Vec<BezPath> {
        let mut drawn = designs::draw(self);
        drawn.extend(self.opening.map(|o| o.path()));
        if let Some(slot) = self.slot {
            drawn = slot.cut(&drawn);
        }
        let across = if self.mirrored { -1.0 } else { 1.0 };
        let b = bounds(&drawn);
        let placed = Affine::translate((MARGIN, MARGIN))
            * Affine::translate((
                if self.mirrored { b.x1 } else { -b.x0 },
                -b.y0 * self.proportion,
            ))
            * Affine::scale_non_uniform(across, self.proportion);
        drawn
            .iter()
            .map(|c| rounded_to_file(&(placed * c)))
            .collect()
    }
}

const MARGIN: f64 = 4.0;

/// Coordinates as the file gives them, so that drawing and truth agree to the last digit.
fn rounded_to_file(path: &BezPath) -> BezPath {
    let round = |v: f64| (v * 1e4).round() / 1e4;
    let p = |p: kurbo::Point| kurbo::Point::new(round(p.x), round(p.y));
    path.iter()
        .map(|element| match element {
            kurbo::PathEl::MoveTo(a) => kurbo::PathEl::MoveTo(p(a)),
            kurbo::PathEl::LineTo(a) => kurbo::PathEl::LineTo(p(a)),
            kurbo::PathEl::QuadTo(a, b) => kurbo::PathEl::QuadTo(p(a), p(b)),
            kurbo::PathEl::CurveTo(a, b, c) => kurbo::PathEl::CurveTo(p(a), p(b), p(c)),
            kurbo::PathEl::ClosePath => kurbo::PathEl::ClosePath,
        })
        .collect()
}

fn path_data(path: &BezPath) -> String {
    let mut text = String::new();
    for element in path {
        let (letter, points): (char, Vec<kurbo::Point>) = match element {
            kurbo::PathEl::MoveTo(a) => ('M', vec![a]),
            kurbo::PathEl::LineTo(a) => ('L', vec![a]),
            kurbo::PathEl::QuadTo(a, b) => ('Q', vec![a, b]),
            kurbo::PathEl::CurveTo(a, b, c) => ('C', vec![a, b, c]),
            kurbo::PathEl::ClosePath => ('Z', vec![]),
        };
        text.push(letter);
        let numbers: Vec<String> = points
            .iter()
            .map(|p| format!("{:.4} {:.4}", p.x, p.y))
            .collect();
        text.push_str(&numbers.join(" "));
    }
    text
}

fn bounds(contours: &[BezPath]) -> Rect {
    contours
        .iter()
        .map(Shape::bounding_box)
        .reduce(|a, b| a.union(b))
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drawing::flattened;

    #[test]
    fn contours_neither_cross_nor_touch() {
        for design in Design::ALL.into_iter().chain((0..10).map(Design::Number)) {
            for (weight, corner) in [(0.8, 1.0), (1.0, 1.0), (1.3, 1.5)] {
                let emblem = Emblem {
                    weight,
                    corner,
                    ..Emblem::new(design)
                };
                let contours = emblem.contours();
                for (i, a) in contours.iter().enumerate() {
                    for (j, b) in contours.iter().enumerate().filter(|(j, _)| *j != i) {
                        let points = flattened(a, 0.5);
                        let inside = points.iter().filter(|&&p| b.winding(p) != 0).count();
                        let all = inside == 0 || inside == points.len();
                        assert!(all, "{design:?}: contours {i} and {j} cross");
                    }
                }
            }
        }
    }

    #[test]
    fn outlines_are_filled_areas() {
        for design in Design::ALL {
            let outline = Emblem::new(design).outline();
            let b = outline.bounding_box();
            assert!(b.width() > 40.0 && b.width() < 260.0, "{design:?}: {b:?}");
            let share = outline.area() / b.area();
            assert!(
                (0.08..1.0).contains(&share),
                "{design:?} fills {share} of its box"
            );
        }
    }

    #[test]
    fn versions_differ() {
        for design in Design::ALL {
            let versions = Emblem::versions(design, 3, &mut Rng::new(5));
            assert_eq!(versions.len(), 3, "{design:?}");
            let svgs: Vec<String> = versions.iter().map(Emblem::svg).collect();
            assert!(svgs[0] != svgs[1] && svgs[1] != svgs[2] && svgs[0] != svgs[2]);
        }
    }
}
