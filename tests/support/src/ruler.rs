//! Rulers: what is printed on them and how their face looks.

use measures::ruler::RulerUnit;
use measures::unit::MM_PER_INCH;

use crate::glyphs::Text;
use crate::random::{Noise, Rng, ramp};

/// A kind of ruler.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RulerKind {
    /// Steel, millimetres on one edge.
    SteelMm,
    /// Steel, half millimetres on one edge, millimetres on the other.
    SteelHalfMm,
    /// Opaque light plastic, millimetres.
    PlasticMm,
    /// Clear plastic: the cloth shows through.
    ClearMm,
    /// Wood, millimetres.
    WoodMm,
    /// Paper or fabric tape, millimetres.
    TapeMm,
    /// White marks on black, millimetres.
    BlackMm,
    /// Steel, 1/16 inch.
    Inch16,
    /// Steel, 1/32 inch.
    Inch32,
    /// Wood, 1/8 inch.
    Inch8,
    /// Plastic, 1/10 inch.
    Inch10,
    /// Millimetres on one edge, 1/16 inch on the other.
    MmAndInch16,
    /// Card of black and white centimetre blocks with millimetres on the first one only.
    Blocks,
    /// Scale of long boxes, five centimetres, divided on the first centimetre only.
    Boxes,
}

impl RulerKind {
    /// Millimetre rulers with a full row of divisions.
    pub const MM: [RulerKind; 8] = [
        RulerKind::SteelMm,
        RulerKind::SteelHalfMm,
        RulerKind::PlasticMm,
        RulerKind::ClearMm,
        RulerKind::WoodMm,
        RulerKind::TapeMm,
        RulerKind::BlackMm,
        RulerKind::MmAndInch16,
    ];
    /// Inch rulers with a full row of divisions.
    pub const INCH: [RulerKind; 4] = [
        RulerKind::Inch16,
        RulerKind::Inch32,
        RulerKind::Inch8,
        RulerKind::Inch10,
    ];

    /// Width and usual thickness, in millimetres.
    pub fn width_and_thickness_mm(self) -> (f64, f64) {
        match self {
            RulerKind::SteelMm | RulerKind::SteelHalfMm => (19.0, 0.5),
            RulerKind::Inch16 | RulerKind::Inch32 => (25.4, 0.8),
            RulerKind::PlasticMm | RulerKind::MmAndInch16 | RulerKind::Inch10 => (31.0, 1.6),
            RulerKind::ClearMm => (28.0, 2.0),
            RulerKind::WoodMm | RulerKind::Inch8 => (28.0, 2.6),
            RulerKind::TapeMm => (15.0, 0.15),
            RulerKind::BlackMm => (25.0, 1.0),
            RulerKind::Blocks => (20.0, 0.3),
            RulerKind::Boxes => (14.0, 0.3),
        }
    }
}

/// The edge of the ruler that a row of ticks starts from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Edge {
    /// The edge at t = 0.
    Near,
    /// The edge at t = width.
    Far,
}

/// A row of ticks at equal distances.
#[derive(Clone, Debug, PartialEq)]
pub struct TickRow {
    /// What the row is divided in.
    pub unit: RulerUnit,
    /// Distance between neighbouring ticks as printed on the ruler's face (true millimetres).
    pub pitch_mm: f64,
    /// What that distance claims to be.
    pub nominal_pitch_mm: f64,
    /// The edge it starts from.
    pub edge: Edge,
    /// Distance of the first tick from the ruler's end.
    pub start_mm: f64,
    /// Number of ticks.
    pub count: usize,
    /// Every how many ticks a tick has which length; the last that divides the index counts.
    pub lengths_mm: Vec<(usize, f64)>,
    /// Distance of the ticks' outer ends from the edge.
    pub inset_mm: f64,
    /// Width of a tick.
    pub tick_width_mm: f64,
    /// Every how many ticks a figure stands, and by how much it counts up.
    pub figures: (usize, usize),
}

impl TickRow {
    /// The length of tick `i`.
    pub fn length_mm(&self, i: usize) -> f64 {
        let mut dividing = self
            .lengths_mm
            .iter()
            .filter(|(every, _)| i.is_multiple_of(*every));
        dividing.next_back().map_or(0.0, |l| l.1)
    }
}

/// Everything about a ruler but its place.
#[derive(Clone, Debug, PartialEq)]
pub struct Ruler {
    /// The kind.
    pub kind: RulerKind,
    /// Length of the body.
    pub length_mm: f64,
    /// Width of the body.
    pub width_mm: f64,
    /// Height of the face above the cloth.
    pub thickness_mm: f64,
    /// The rows of ticks.
    pub rows: Vec<TickRow>,
    /// Contrast of the ticks, 0 to 1.
    pub ink: f64,
    /// How much of the ticks is worn away, 0 to 1.
    pub wear: f64,
    /// Where along the ruler light glares, in millimetres from its end, and how wide.
    pub glare_mm: Option<(f64, f64)>,
    /// The words on it.
    pub words: String,
}

impl Ruler {
    /// The unit of all its rows, if they share one.
    pub fn only_unit(&self) -> Option<RulerUnit> {
        let first = self.rows.first()?.unit;
        self.rows.iter().all(|r| r.unit == first).then_some(first)
    }

    /// A ruler of this kind with a random length, print and state, its divisions exact.
    pub fn random(kind: RulerKind, rng: &mut Rng) -> Self {
        let (width_mm, usual) = kind.width_and_thickness_mm();
        let length_mm = match kind {
            RulerKind::Blocks => *rng.pick(&[60.0, 100.0, 160.0]),
            RulerKind::Boxes => 56.0,
            RulerKind::TapeMm => 400.0,
            RulerKind::Inch16 | RulerKind::Inch32 | RulerKind::Inch8 | RulerKind::Inch10 => {
                *rng.pick(&[6.5, 12.4]) * MM_PER_INCH
            }
            _ => *rng.pick(&[155.0, 206.0, 308.0]),
        };
        let rows = Printer::random(length_mm, rng).rows(kind, rng);
        let faint = matches!(
            kind,
            RulerKind::WoodMm | RulerKind::ClearMm | RulerKind::PlasticMm
        );
        let worn = rng.chance(0.35);
        let words = [
            "",
            "STAINLESS",
            "HARDENED",
            "MADE TO MEASURE",
            "20 C",
            "SCHOOL 12",
        ];
        Self {
            kind,
            length_mm,
            width_mm: width_mm * rng.range(0.92, 1.12),
            thickness_mm: (usual * rng.range(0.8, 1.25) * 20.0_f64).round().max(2.0) / 20.0,
            rows,
            ink: rng.range(if faint { 0.45 } else { 0.7 }, 1.0),
            wear: if worn { rng.range(0.1, 0.45) } else { 0.0 },
            glare_mm: rng
                .chance(0.3)
                .then(|| (rng.range(0.2, 0.8) * length_mm, rng.range(6.0, 22.0))),
            words: (*rng.pick(&words)).into(),
        }
    }

    /// The same with every division so much too long.
    #[must_use]
    pub fn misprinted(mut self, percent: f64) -> Self {
        for row in &mut self.rows {
            row.pitch_mm *= 1.0 + percent / 100.0;
        }
        self
    }
}

/// What all rows of a ruler have in common.
struct Printer {
    ruler_mm: f64,
    /// Tick lengths against the usual ones.
    longer: f64,
    tick_width_mm: f64,
    inset_mm: f64,
    start_mm: f64,
}

impl Printer {
    fn random(ruler_mm: f64, rng: &mut Rng) -> Self {
        let inset = !rng.chance(0.75);
        let from_end = !rng.chance(0.3);
        Self {
            ruler_mm,
            longer: rng.range(0.9, 1.15),
            tick_width_mm: rng.range(0.1, 0.24),
            inset_mm: if inset { rng.range(0.3, 1.2) } else { 0.0 },
            start_mm: if from_end { rng.range(2.0, 6.0) } else { 0.0 },
        }
    }

    fn rows(&self, kind: RulerKind, rng: &mut Rng) -> Vec<TickRow> {
        let both = rng.chance(0.4);
        match kind {
            RulerKind::SteelHalfMm => vec![self.half_mm(Edge::Near), self.mm(Edge::Far)],
            RulerKind::SteelMm if both => vec![self.mm(Edge::Near), self.mm(Edge::Far)],
            RulerKind::MmAndInch16 => vec![self.mm(Edge::Near), self.inch(16, Edge::Far)],
            RulerKind::Inch16 if both => vec![self.inch(16, Edge::Near), self.inch(32, Edge::Far)],
            RulerKind::Inch16 => vec![self.inch(16, Edge::Near)],
            RulerKind::Inch32 => vec![self.inch(32, Edge::Near)],
            RulerKind::Inch8 => vec![self.inch(8, Edge::Near)],
            RulerKind::Inch10 => vec![self.inch(10, Edge::Near)],
            RulerKind::Blocks | RulerKind::Boxes => {
                vec![TickRow {
                    count: 11,
                    start_mm: 3.0,
                    ..self.mm(Edge::Near)
                }]
            }
            _ => vec![self.mm(Edge::Near)],
        }
    }

    fn mm(&self, edge: Edge) -> TickRow {
        self.row(
            RulerUnit::Mm,
            1.0,
            edge,
            &[(1, 3.0), (5, 4.4), (10, 6.0)],
            10,
        )
    }

    fn half_mm(&self, edge: Edge) -> TickRow {
        self.row(
            RulerUnit::Mm,
            0.5,
            edge,
            &[(1, 2.4), (2, 3.4), (10, 4.8), (20, 6.4)],
            20,
        )
    }

    fn inch(&self, parts: usize, edge: Edge) -> TickRow {
        let lengths: &[(usize, f64)] = match parts {
            32 => &[(1, 2.2), (2, 3.2), (4, 4.4), (8, 5.6), (16, 7.0), (32, 8.6)],
            16 => &[(1, 2.8), (2, 4.0), (4, 5.4), (8, 7.0), (16, 9.0)],
            8 => &[(1, 3.6), (2, 5.2), (4, 7.0), (8, 9.5)],
            _ => &[(1, 3.4), (5, 5.4), (10, 8.0)],
        };
        self.row(
            RulerUnit::Inch,
            MM_PER_INCH / parts as f64,
            edge,
            lengths,
            parts,
        )
    }

    /// Ticks from end to end, with a figure every `figures` ticks.
    fn row(
        &self,
        unit: RulerUnit,
        nominal_mm: f64,
        edge: Edge,
        lengths: &[(usize, f64)],
        figures: usize,
    ) -> TickRow {
        TickRow {
            unit,
            pitch_mm: nominal_mm,
            nominal_pitch_mm: nominal_mm,
            edge,
            start_mm: self.start_mm,
            count: ((self.ruler_mm - self.start_mm - 0.5) / nominal_mm) as usize + 1,
            lengths_mm: lengths.iter().map(|&(n, l)| (n, l * self.longer)).collect(),
            inset_mm: self.inset_mm,
            tick_width_mm: self.tick_width_mm.min(0.3 * nominal_mm),
            figures: (figures, 1),
        }
    }
}

struct Label {
    text: Text,
    s: f32,
    t: f32,
    /// −1 for text that stands on its head, read from the far edge.
    up: f32,
}

struct Row {
    pitch: f32,
    start: f32,
    count: i32,
    far: bool,
    inset: f32,
    half_width: f32,
    lengths: Vec<(usize, f32)>,
}

/// A ruler's face, prepared for asking what each spot looks like.
pub(crate) struct Face {
    kind: RulerKind,
    pub(crate) length: f32,
    pub(crate) width: f32,
    rows: Vec<Row>,
    labels: Vec<Label>,
    ink: f32,
    wear: f32,
    glare: Option<(f32, f32)>,
    /// Width of a frosted strip behind the ticks of a clear ruler.
    frost: f32,
    ground: [f32; 3],
    print: [f32; 3],
    noise: Noise,
}

/// What is seen at a spot of the face.
pub(crate) struct Spot {
    pub(crate) colour: [f32; 3],
    /// How much of what lies beneath shows through.
    pub(crate) clear: f32,
}

impl Face {
    pub(crate) fn new(ruler: &Ruler, rng: &mut Rng) -> Self {
        let shade = rng.range(0.85, 1.15) as f32;
        let (ground, print): ([f32; 3], [f32; 3]) = match ruler.kind {
            RulerKind::SteelMm | RulerKind::SteelHalfMm | RulerKind::Inch16 | RulerKind::Inch32 => {
                ([0.42, 0.43, 0.44], [0.03, 0.03, 0.035])
            }
            RulerKind::WoodMm | RulerKind::Inch8 => ([0.58, 0.40, 0.20], [0.05, 0.035, 0.03]),
            RulerKind::BlackMm => ([0.03, 0.03, 0.033], [0.75, 0.75, 0.73]),
            RulerKind::TapeMm if rng.chance(0.5) => ([0.75, 0.62, 0.10], [0.03, 0.03, 0.03]),
            RulerKind::PlasticMm if rng.chance(0.4) => ([0.66, 0.62, 0.48], [0.06, 0.05, 0.05]),
            RulerKind::ClearMm => ([0.62, 0.64, 0.64], [0.02, 0.02, 0.02]),
            _ => ([0.74, 0.74, 0.72], [0.03, 0.03, 0.035]),
        };
        let ground = if ruler.kind == RulerKind::BlackMm {
            ground
        } else {
            ground.map(|v| v * shade)
        };
        let mut labels = Vec::new();
        for row in &ruler.rows {
            let height = rng.range(2.2, 3.6) as f32;
            let (every, step) = row.figures;
            let longest = row.lengths_mm.last().map_or(5.0, |l| l.1) as f32;
            let away = row.inset_mm as f32 + longest + 0.75 * height;
            // Figures stand beside or above the long tick, as makers please.
            let aside = if rng.chance(0.5) { 0.0 } else { -0.8 * height };
            let turned = row.edge == Edge::Far;
            let base = if row.unit == RulerUnit::Mm && rng.chance(0.25) {
                10
            } else {
                1
            };
            let numbered = (0..row.count).step_by(every).enumerate().skip(1);
            for (k, i) in numbered {
                let number = format!("{}", k * step * base);
                labels.push(Label {
                    text: Text::new(&number, height, 0.07 * height),
                    s: (row.start_mm + i as f64 * row.pitch_mm) as f32
                        + if turned { -aside } else { aside },
                    t: if turned {
                        ruler.width_mm as f32 - away
                    } else {
                        away - if aside == 0.0 { 0.0 } else { 0.8 * height }
                    },
                    up: if turned { -1.0 } else { 1.0 },
                });
            }
        }
        let card = matches!(ruler.kind, RulerKind::Blocks | RulerKind::Boxes);
        let roomy = ruler.rows.len() == 1 || ruler.width_mm > 26.0;
        if !ruler.words.is_empty() && roomy && !card {
            let words = Text::new(&ruler.words, 2.6, 0.16);
            let t = if ruler.rows.len() > 1 { 0.5 } else { 0.78 };
            labels.push(Label {
                s: (ruler.length_mm * rng.range(0.3, 0.7)) as f32,
                t: t * ruler.width_mm as f32,
                up: 1.0,
                text: words,
            });
        }
        let rows = ruler.rows.iter().map(|r| Row {
            pitch: r.pitch_mm as f32,
            start: r.start_mm as f32,
            count: r.count as i32,
            far: r.edge == Edge::Far,
            inset: r.inset_mm as f32,
            half_width: 0.5 * r.tick_width_mm as f32,
            lengths: r.lengths_mm.iter().map(|&(n, l)| (n, l as f32)).collect(),
        });
        let frost = if rng.chance(0.65) {
            rng.range(8.0, 14.0) as f32
        } else {
            0.0
        };
        Self {
            frost,
            kind: ruler.kind,
            length: ruler.length_mm as f32,
            width: ruler.width_mm as f32,
            rows: rows.collect(),
            labels,
            ink: ruler.ink as f32,
            wear: ruler.wear as f32,
            glare: ruler.glare_mm.map(|(s, w)| (s as f32, w as f32)),
            ground,
            print,
            noise: Noise::new(rng),
        }
    }

    /// What is seen `s` along and `t` across the ruler with a footprint of `blur` mm.
    pub(crate) fn spot(&self, s: f32, t: f32, blur: f32) -> Spot {
        let mut ink = self
            .ticks(s, t, blur)
            .max(self.figures(s, t, blur))
            .max(self.blocks(s, t, blur));
        if self.wear > 0.0 {
            let worn = self.noise.octaves(0.35 * s, 0.35 * t + 40.0, 3, 0.6);
            ink *= 1.0 - 0.85 * ramp(0.9 - 1.6 * self.wear, 1.3 - 1.6 * self.wear, worn);
        }
        ink *= self.ink;
        let ground = self.ground_at(s, t);
        let mut colour = [0, 1, 2].map(|c| ground[c] + ink * (self.print[c] - ground[c]));
        if let Some((at, width)) = self.glare {
            let across = (s - at + 0.35 * (t - 0.5 * self.width)) / width;
            let glare = 0.85 * (-across * across).exp();
            colour = colour.map(|v| v + glare * (1.0 - v).max(0.0));
        }
        let clear = match self.kind {
            RulerKind::ClearMm => {
                let frosted = ((self.frost - t) / blur + 0.5).clamp(0.0, 1.0);
                (0.86 - 0.5 * frosted) * (1.0 - ink)
            }
            _ => 0.0,
        };
        Spot { colour, clear }
    }

    fn ground_at(&self, s: f32, t: f32) -> [f32; 3] {
        let n = &self.noise;
        let factor = match self.kind {
            RulerKind::SteelMm | RulerKind::SteelHalfMm | RulerKind::Inch16 | RulerKind::Inch32 => {
                let sheen = n.octaves(0.012 * s + 0.02 * t, 3.0, 2, 0.5);
                let brushed = n.at(0.25 * s, 9.0 * t) + 0.6 * n.at(0.8 * s + 31.0, 23.0 * t);
                1.0 + 0.38 * sheen + 0.07 * brushed
            }
            RulerKind::WoodMm | RulerKind::Inch8 => {
                let grain = n.octaves(0.02 * s, 1.3 * t, 4, 0.7) + 0.5 * n.at(0.3 * s, 8.0 * t);
                1.0 + 0.16 * grain
            }
            RulerKind::TapeMm => 1.0 + 0.03 * n.octaves(1.5 * s, 1.5 * t, 3, 0.7),
            _ => 1.0 + 0.015 * n.octaves(0.2 * s, 0.2 * t, 3, 0.6),
        };
        self.ground.map(|v| v * factor.max(0.1))
    }

    fn ticks(&self, s: f32, t: f32, blur: f32) -> f32 {
        let mut ink = 0.0f32;
        for row in &self.rows {
            let i = ((s - row.start) / row.pitch).round();
            if i < 0.0 || i as i32 >= row.count {
                continue;
            }
            let from_edge = if row.far { self.width - t } else { t } - row.inset;
            let i = i as usize;
            let length = row.lengths.iter().rfind(|(n, _)| i.is_multiple_of(*n));
            let length = length.map_or(0.0, |l| l.1);
            if from_edge > length + blur {
                continue;
            }
            let aside = (s - row.start - i as f32 * row.pitch).abs();
            ink = ink.max(
                box_cover(aside, row.half_width, blur)
                    * ((length - from_edge) / blur + 0.5).clamp(0.0, 1.0)
                    * (from_edge / blur + 0.5).clamp(0.0, 1.0),
            );
        }
        ink
    }

    fn figures(&self, s: f32, t: f32, blur: f32) -> f32 {
        let mut ink = 0.0f32;
        for label in &self.labels {
            let (ds, dt) = (label.up * (s - label.s), label.up * (t - label.t));
            if dt.abs() < 0.8 * label.text.height && ds.abs() < 0.55 * label.text.width() + 0.5 {
                ink = ink.max(label.text.ink(ds, dt, blur));
            }
        }
        ink
    }

    fn blocks(&self, s: f32, t: f32, blur: f32) -> f32 {
        let from = |edge: f32, to: f32, x: f32| {
            ((x - edge) / blur + 0.5).clamp(0.0, 1.0) * ((to - x) / blur + 0.5).clamp(0.0, 1.0)
        };
        let (first, last) = (3.0, self.length - 3.0);
        match self.kind {
            RulerKind::Blocks => {
                let band = from(0.45 * self.width, 0.70 * self.width, t);
                let other = from(0.70 * self.width, 0.95 * self.width, t);
                let whole = |shift: f32| {
                    let x = (s - first - shift).rem_euclid(20.0);
                    from(0.0, 10.0, x) + from(20.0, 30.0, x)
                };
                let inside = from(first, last, s);
                inside * (band * whole(0.0) + other * whole(10.0)).min(1.0)
            }
            RulerKind::Boxes => {
                let frame = |lo: f32, hi: f32| from(lo, hi, t);
                let (top, bottom) = (0.5 * self.width, 0.8 * self.width);
                let lines = frame(top - 0.15, top + 0.15).max(frame(bottom - 0.15, bottom + 0.15));
                let to_post = ((s - first) / 10.0 - ((s - first) / 10.0).round()).abs() * 10.0;
                let posts = frame(top, bottom) * box_cover(to_post, 0.15, blur);
                let filled = frame(top, bottom) * from(10.0, 20.0, (s - first).rem_euclid(20.0));
                from(first - 0.2, last + 0.2, s) * lines.max(posts).max(filled)
            }
            _ => 0.0,
        }
    }
}

/// Share of a footprint of width `blur`, `distance` from a line's middle, that the line covers.
fn box_cover(distance: f32, half_width: f32, blur: f32) -> f32 {
    let (low, high) = (distance - 0.5 * blur, distance + 0.5 * blur);
    ((high.min(half_width) - low.max(-half_width)) / blur).clamp(0.0, 1.0)
}
