//! A stroke font for rulers and prints.

/// Strokes of a character in a box 0.6 wide and 1 high, y down; unknown characters are blank.
#[expect(clippy::too_many_lines, reason = "a table of strokes")]
fn strokes(c: char) -> Vec<Vec<(f32, f32)>> {
    let bow = |x: f32, y: f32, rx: f32, ry: f32, from: f32, to: f32| -> Vec<(f32, f32)> {
        (0..=12)
            .map(|k| {
                let a = (from + (to - from) * k as f32 / 12.0).to_radians();
                (x + rx * a.cos(), y + ry * a.sin())
            })
            .collect()
    };
    let line = |p: &[(f32, f32)]| p.to_vec();
    match c {
        '0' | 'O' => vec![bow(0.3, 0.5, 0.3, 0.5, 0.0, 360.0)],
        '1' => vec![line(&[(0.08, 0.22), (0.32, 0.0), (0.32, 1.0)])],
        '2' => vec![
            [
                bow(0.3, 0.28, 0.28, 0.28, 190.0, 375.0),
                line(&[(0.02, 1.0), (0.6, 1.0)]),
            ]
            .concat(),
        ],
        '3' => vec![
            bow(0.28, 0.25, 0.27, 0.25, 200.0, 450.0),
            bow(0.28, 0.73, 0.31, 0.27, -90.0, 160.0),
        ],
        '4' => vec![line(&[(0.46, 1.0), (0.46, 0.0), (0.0, 0.68), (0.6, 0.68)])],
        '5' => vec![
            [
                line(&[(0.54, 0.0), (0.1, 0.0), (0.05, 0.42)]),
                bow(0.28, 0.68, 0.31, 0.32, -110.0, 150.0),
            ]
            .concat(),
        ],
        '6' => vec![
            bow(0.3, 0.69, 0.29, 0.31, 0.0, 360.0),
            line(&[(0.02, 0.66), (0.12, 0.3), (0.44, 0.0)]),
        ],
        '7' => vec![line(&[(0.0, 0.0), (0.58, 0.0), (0.2, 1.0)])],
        '8' => vec![
            bow(0.3, 0.24, 0.25, 0.24, 0.0, 360.0),
            bow(0.3, 0.74, 0.3, 0.26, 0.0, 360.0),
        ],
        '9' => vec![
            bow(0.3, 0.31, 0.29, 0.31, 0.0, 360.0),
            line(&[(0.58, 0.34), (0.48, 0.7), (0.16, 1.0)]),
        ],
        'A' => vec![
            line(&[(0.0, 1.0), (0.3, 0.0), (0.6, 1.0)]),
            line(&[(0.1, 0.66), (0.5, 0.66)]),
        ],
        'B' => vec![
            line(&[(0.0, 0.0), (0.0, 1.0)]),
            [
                line(&[(0.0, 0.0)]),
                bow(0.3, 0.24, 0.25, 0.24, -90.0, 90.0),
                line(&[(0.0, 0.48)]),
            ]
            .concat(),
            [
                line(&[(0.0, 0.48)]),
                bow(0.3, 0.74, 0.3, 0.26, -90.0, 90.0),
                line(&[(0.0, 1.0)]),
            ]
            .concat(),
        ],
        'C' => vec![bow(0.32, 0.5, 0.32, 0.5, 50.0, 310.0)],
        'D' => vec![
            [
                line(&[(0.0, 0.0)]),
                bow(0.2, 0.5, 0.4, 0.5, -90.0, 90.0),
                line(&[(0.0, 1.0), (0.0, 0.0)]),
            ]
            .concat(),
        ],
        'E' => vec![
            line(&[(0.55, 0.0), (0.0, 0.0), (0.0, 1.0), (0.55, 1.0)]),
            line(&[(0.0, 0.48), (0.45, 0.48)]),
        ],
        'F' => vec![
            line(&[(0.55, 0.0), (0.0, 0.0), (0.0, 1.0)]),
            line(&[(0.0, 0.48), (0.45, 0.48)]),
        ],
        'H' => vec![
            line(&[(0.0, 0.0), (0.0, 1.0)]),
            line(&[(0.6, 0.0), (0.6, 1.0)]),
            line(&[(0.0, 0.48), (0.6, 0.48)]),
        ],
        'I' => vec![line(&[(0.3, 0.0), (0.3, 1.0)])],
        'K' => vec![
            line(&[(0.0, 0.0), (0.0, 1.0)]),
            line(&[(0.56, 0.0), (0.0, 0.56)]),
            line(&[(0.2, 0.4), (0.6, 1.0)]),
        ],
        'L' => vec![line(&[(0.0, 0.0), (0.0, 1.0), (0.55, 1.0)])],
        'M' => vec![line(&[
            (0.0, 1.0),
            (0.0, 0.0),
            (0.3, 0.6),
            (0.6, 0.0),
            (0.6, 1.0),
        ])],
        'N' => vec![line(&[(0.0, 1.0), (0.0, 0.0), (0.6, 1.0), (0.6, 0.0)])],
        'P' => vec![
            [
                line(&[(0.0, 1.0), (0.0, 0.0)]),
                bow(0.3, 0.27, 0.28, 0.27, -90.0, 90.0),
                line(&[(0.0, 0.54)]),
            ]
            .concat(),
        ],
        'R' => vec![
            [
                line(&[(0.0, 1.0), (0.0, 0.0)]),
                bow(0.3, 0.27, 0.28, 0.27, -90.0, 90.0),
                line(&[(0.0, 0.54)]),
            ]
            .concat(),
            line(&[(0.25, 0.54), (0.6, 1.0)]),
        ],
        'S' => vec![
            [
                bow(0.3, 0.26, 0.28, 0.26, -30.0, -250.0),
                bow(0.3, 0.74, 0.3, 0.26, -70.0, 150.0),
            ]
            .concat(),
        ],
        'T' => vec![
            line(&[(0.0, 0.0), (0.6, 0.0)]),
            line(&[(0.3, 0.0), (0.3, 1.0)]),
        ],
        'U' => vec![
            [
                line(&[(0.0, 0.0)]),
                bow(0.3, 0.7, 0.3, 0.3, 180.0, 0.0),
                line(&[(0.6, 0.0)]),
            ]
            .concat(),
        ],
        'W' => vec![line(&[
            (0.0, 0.0),
            (0.14, 1.0),
            (0.3, 0.4),
            (0.46, 1.0),
            (0.6, 0.0),
        ])],
        'Y' => vec![
            line(&[(0.0, 0.0), (0.3, 0.5), (0.6, 0.0)]),
            line(&[(0.3, 0.5), (0.3, 1.0)]),
        ],
        'c' => vec![bow(0.3, 0.68, 0.28, 0.32, 50.0, 310.0)],
        'm' => vec![
            line(&[(0.0, 1.0), (0.0, 0.38)]),
            [
                bow(0.15, 0.53, 0.15, 0.15, 180.0, 360.0),
                line(&[(0.3, 1.0)]),
            ]
            .concat(),
            [
                bow(0.45, 0.53, 0.15, 0.15, 180.0, 360.0),
                line(&[(0.6, 1.0)]),
            ]
            .concat(),
        ],
        '/' => vec![line(&[(0.5, 0.0), (0.1, 1.0)])],
        '-' => vec![line(&[(0.1, 0.5), (0.5, 0.5)])],
        _ => Vec::new(),
    }
}

const CELLS: usize = 40;
const MARGIN: f32 = 0.2;

/// Distance to the nearest stroke of a character, sampled.
#[derive(Clone)]
struct Glyph {
    across: usize,
    distance: Vec<f32>,
}

impl Glyph {
    fn new(c: char) -> Self {
        let across = ((0.6 + 2.0 * MARGIN) * CELLS as f32) as usize + 1;
        let down = ((1.0 + 2.0 * MARGIN) * CELLS as f32) as usize + 1;
        let lines = strokes(c);
        let place = |k: usize| k as f32 / CELLS as f32 - MARGIN;
        let distance = (0..across * down)
            .map(|k| {
                let p = (place(k % across), place(k / across));
                lines
                    .iter()
                    .flat_map(|l| l.windows(2))
                    .map(|s| to_segment(p, s[0], s[1]))
                    .fold(1.0, f32::min)
            })
            .collect();
        Self { across, distance }
    }

    fn at(&self, x: f32, y: f32) -> f32 {
        let (u, v) = ((x + MARGIN) * CELLS as f32, (y + MARGIN) * CELLS as f32);
        let (i, j) = (u.floor(), v.floor());
        let rows = self.distance.len() / self.across;
        if i < 0.0 || j < 0.0 || i as usize + 1 >= self.across || j as usize + 1 >= rows {
            return 1.0;
        }
        let k = j as usize * self.across + i as usize;
        let (a, b) = (u - i, v - j);
        let d = &self.distance;
        let top = d[k] + a * (d[k + 1] - d[k]);
        let bottom = d[k + self.across] + a * (d[k + self.across + 1] - d[k + self.across]);
        top + b * (bottom - top)
    }
}

fn to_segment(p: (f32, f32), a: (f32, f32), b: (f32, f32)) -> f32 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length = dx * dx + dy * dy;
    let t = if length > 0.0 {
        (((p.0 - a.0) * dx + (p.1 - a.1) * dy) / length).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (p.0 - a.0 - t * dx).hypot(p.1 - a.1 - t * dy)
}

/// Distance from the middle of one character to the next, against the character's height.
pub(crate) const ADVANCE: f32 = 0.82;

/// A line of text on a plane, to be asked point by point.
#[derive(Clone)]
pub(crate) struct Text {
    glyphs: Vec<Glyph>,
    /// Height of a capital, in millimetres.
    pub(crate) height: f32,
    /// Half the width of a stroke, in millimetres.
    pub(crate) half_stroke: f32,
}

impl Text {
    pub(crate) fn new(text: &str, height: f32, half_stroke: f32) -> Self {
        Self {
            glyphs: text.chars().map(Glyph::new).collect(),
            height,
            half_stroke,
        }
    }

    pub(crate) fn width(&self) -> f32 {
        self.height * ADVANCE * self.glyphs.len() as f32
    }

    /// How much ink covers a spot `x` to the right of and `y` below the text's centre, seen with
    /// a footprint of `blur` mm.
    pub(crate) fn ink(&self, x: f32, y: f32, blur: f32) -> f32 {
        let column = (x + 0.5 * self.width()) / (self.height * ADVANCE);
        let row = y / self.height + 0.5;
        if column < 0.0
            || column >= self.glyphs.len() as f32
            || !(-MARGIN..=1.0 + MARGIN).contains(&row)
        {
            return 0.0;
        }
        let within = (column.fract() - 0.5) * ADVANCE + 0.3;
        let distance = self.glyphs[column as usize].at(within, row) * self.height;
        ((self.half_stroke - distance) / blur + 0.5).clamp(0.0, 1.0)
    }
}
