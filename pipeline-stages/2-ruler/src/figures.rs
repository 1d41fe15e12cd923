//! The figures beside the longest ticks: every how many ticks they stand, and how tall they are.
//!
//! Nothing is read. Print is whatever varies along the ruler beyond the shorter ticks' ends, in
//! the same rows at one longest tick after another.

use crate::grid::median;
use crate::marks::Marks;
use crate::plane::{Plane, plane_for};
use crate::reading::Line;

/// Samples from one longest tick to the next, at least, and to a pitch, at least.
const PER_PERIOD: i32 = 240;
const PER_PITCH: i32 = 8;
/// Rows to a pitch.
const ROWS_PER_PITCH: f64 = 8.0;
/// Figures begin this far beyond the shorter ticks' ends, in pitches; they begin no farther than
/// `LAST_BEGIN` and are followed to `REACH`.
const MARGIN: f64 = 0.4;
const LAST_BEGIN: f64 = 9.0;
const REACH: f64 = 16.0;
/// Print differs from the face by more than this share of a tick's contrast.
const MIN_INK: f64 = 0.35;
/// Inked samples of a row in which figures stand, beyond those of the emptiest rows: at least so
/// many, and so many widths of a tick, which is about as wide as a figure's stroke.
const MIN_SAMPLES: f64 = 1.0;
const MIN_STROKES: f64 = 0.5;
/// Greatest share of a row that may look inked where there are no figures: glare or grain fill more.
const MAX_EMPTY: f64 = 0.15;
/// Share of a row that must lie in the photo.
const MIN_IN_PHOTO: f64 = 0.6;
/// Figures shorter than this, in pitches, could be a line or dirt.
const MIN_HEIGHT: f64 = 0.7;
/// Figures stand at every longest tick if at least this share of every second one has one, and at
/// every second if at most that share of the others has.
const MANY: f64 = 0.5;
const FEW: f64 = 0.2;
/// Longest ticks on either side that must be seen before figures are missed at every second.
const MIN_LABELS: usize = 2;

/// Figures, as they stand along a ruler.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Figures {
    /// Ticks from one to the next.
    pub(crate) every: i32,
    /// Height in pitches.
    pub(crate) height_pitches: f64,
}

/// Where figures are looked for, in a row of marks.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Places {
    /// A longest tick, and how many ticks follow until the next.
    pub(crate) phase: i32,
    pub(crate) period: i32,
    /// How far from the graduated edge the ticks next in length reach, in pitches.
    pub(crate) from_pitches: f64,
}

/// The graduated edge, and the direction of `v` in which ticks run from it.
pub(crate) struct EdgeLine {
    pub(crate) line: Line,
    pub(crate) inward: f64,
}

/// Looks for figures beside the longest ticks. `None` where none are seen.
pub(crate) fn find(
    planes: &[Plane],
    marks: &Marks,
    edge: &EdgeLine,
    places: Places,
) -> Option<Figures> {
    let (first, last) = marks.range;
    let labels: Vec<i32> = (first..=last)
        .filter(|i| (i - places.phase).rem_euclid(places.period) == 0)
        // The ruler's zero often has no figure.
        .filter(|i| 2 * (i - first).min(last - i) >= places.period)
        .collect();
    let per_pitch = PER_PITCH.max(PER_PERIOD / places.period);
    let pitch = marks.grid().pitch(marks.grid().middle);
    let bench = Bench {
        plane: plane_for(planes, pitch, f64::from(per_pitch)),
        per_pitch,
        marks,
        edge,
        places,
    };
    let print = bench.print();
    let by_side: Vec<Vec<Vec<Option<f64>>>> = (0..2)
        .map(|side| {
            labels
                .iter()
                .filter(|&&i| (i - places.phase).div_euclid(places.period).rem_euclid(2) == side)
                .map(|&i| bench.inked(i))
                .collect()
        })
        .collect();
    let of = |every: i32, block: Block| Figures {
        // The ticks of two ranks may be alike, or worn so; the figures are not.
        every: if every == places.period
            && places.period % 2 == 0
            && bench.stand_half_way_too(&labels, block)
        {
            every / 2
        } else {
            every
        },
        height_pitches: block.height_pitches(),
    };
    if by_side.iter().any(|side| side.len() < MIN_LABELS) {
        return Some(of(places.period, Block::of(&by_side.concat(), print)?));
    }
    let blocks = [0, 1].map(|side| Block::of(&by_side[side], print));
    let (block, other) = match blocks {
        [Some(a), Some(b)] if b.print > a.print => (b, 0),
        [Some(a), _] => (a, 1),
        [None, Some(b)] => (b, 0),
        [None, None] => return None,
    };
    match block.share_of(&by_side[other]) {
        MANY.. => Some(of(places.period, block)),
        ..FEW if by_side[other].len() > MIN_LABELS => Some(of(2 * places.period, block)),
        _ => None,
    }
}

struct Bench<'a> {
    plane: &'a Plane,
    per_pitch: i32,
    marks: &'a Marks,
    edge: &'a EdgeLine,
    places: Places,
}

/// Inked samples of a row: the fewest of figures, and the most where there are none.
#[derive(Clone, Copy)]
struct Print {
    least: f64,
    most_empty: f64,
}

impl Bench<'_> {
    fn print(&self) -> Print {
        let per_pitch = f64::from(self.per_pitch);
        let stroke = self.marks.template.width_pitches() * per_pitch;
        Print {
            least: MIN_SAMPLES.max(MIN_STROKES * stroke),
            most_empty: MAX_EMPTY * f64::from(self.places.period) * per_pitch,
        }
    }

    /// Inked samples in each row about one longest tick; `None` where a row leaves the photo.
    fn inked(&self, label: i32) -> Vec<Option<f64>> {
        let columns = self.columns(label);
        (0..(REACH * ROWS_PER_PITCH) as usize)
            .map(|r| Some(self.ink(&columns, label, r)?.count() as f64))
            .collect()
    }

    /// Whether what is printed between two longest ticks is printed twice, half a period apart. The
    /// ink is folded into one period, whose halves are compared.
    fn stand_half_way_too(&self, labels: &[i32], block: Block) -> bool {
        const HALF: usize = 4;
        let period = f64::from(self.places.period);
        let mut folded = [0.0f64; 2 * HALF];
        for &label in labels {
            let columns = self.columns(label);
            for r in block.first..block.first + block.rows {
                for off in self.ink(&columns, label, r).into_iter().flatten() {
                    let part = (off / period + 0.5) * folded.len() as f64;
                    folded[(part as usize).min(2 * HALF - 1)] += 1.0;
                }
            }
        }
        let least = folded.iter().copied().fold(f64::INFINITY, f64::min);
        let both = || (0..HALF).map(|k| (folded[k] - least, folded[k + HALF] - least));
        let twice: f64 = both().map(|(a, b)| a.min(b)).sum();
        let either: f64 = both().map(|(a, b)| a.max(b)).sum();
        twice > MANY * either
    }

    /// Where, in pitches from the longest tick, row `r` beside it is inked.
    fn ink(
        &self,
        columns: &[Column],
        label: i32,
        r: usize,
    ) -> Option<impl Iterator<Item = f64> + use<>> {
        let beyond = self.places.from_pitches + MARGIN + r as f64 / ROWS_PER_PITCH;
        let row = self.row(columns, label, beyond)?;
        let face = median(&mut row.iter().map(|p| p.1).collect::<Vec<f64>>());
        let least = MIN_INK * self.marks.contrast;
        let inked = row.into_iter().filter(move |p| (p.1 - face).abs() > least);
        Some(inked.map(|p| p.0))
    }

    /// Where samples are taken about one longest tick; the tick itself, which is no figure, is left
    /// out.
    fn columns(&self, label: i32) -> Vec<Column> {
        let half = self.places.period * self.per_pitch / 2;
        let tick = (1.2 * self.marks.template.width_pitches()).max(0.1);
        let grid = self.marks.grid();
        (-half..=half)
            .map(|k| f64::from(k) / f64::from(self.per_pitch))
            .filter(|off| off.abs() > tick)
            .map(|off| {
                let i = f64::from(label) + off;
                Column {
                    off,
                    t: grid.place(i),
                    lean: grid.lean_at(i),
                }
            })
            .collect()
    }

    /// Places in pitches from one longest tick, and grey values, of a row beside it.
    fn row(&self, columns: &[Column], label: i32, beyond_pitches: f64) -> Option<Vec<(f64, f64)>> {
        let half = self.places.period * self.per_pitch / 2;
        let pitch = self.marks.grid().pitch(f64::from(label));
        let v = self.edge.line.at(label) + self.edge.inward * beyond_pitches * pitch;
        let values: Vec<(f64, f64)> = columns
            .iter()
            .filter_map(|c| {
                let (x, y) = self.marks.axis.at(c.t + c.lean * v, v);
                Some((c.off, f64::from(self.plane.bilinear(x, y)?)))
            })
            .collect();
        (values.len() as f64 > MIN_IN_PHOTO * f64::from(2 * half)).then_some(values)
    }
}

/// Where, in pitches from a longest tick, samples are taken, and how the marks stand there.
struct Column {
    off: f64,
    t: f64,
    lean: f64,
}

/// The first rows in which many places show print.
#[derive(Clone, Copy, Debug)]
struct Block {
    first: usize,
    rows: usize,
    /// Usual number of inked samples in a row, beyond those of the emptiest rows.
    print: f64,
    emptiest: f64,
}

impl Block {
    fn of(places: &[Vec<Option<f64>>], samples: Print) -> Option<Self> {
        let usual: Vec<f64> = (0..places.first()?.len())
            .map_while(|r| {
                let mut seen: Vec<f64> = places.iter().filter_map(|p| p[r]).collect();
                seen.sort_by(f64::total_cmp);
                // Some figures are worn away.
                (seen.len() >= MIN_LABELS).then(|| seen[2 * (seen.len() - 1) / 3])
            })
            .collect();
        let smooth: Vec<f64> = usual
            .windows(3)
            .map(|w| w.iter().sum::<f64>() / 3.0)
            .collect();
        let mut sorted = smooth.clone();
        sorted.sort_by(f64::total_cmp);
        let emptiest = *sorted.get(smooth.len() / 5)?;
        let is_print = |n: &&f64| **n >= emptiest + samples.least;
        let first = smooth.iter().position(|n| is_print(&n))?;
        let rows = smooth[first..].iter().take_while(is_print).count();
        let print = smooth[first..first + rows].iter().sum::<f64>() / rows as f64 - emptiest;
        let block = Self {
            first,
            rows,
            print,
            emptiest,
        };
        let sound = first as f64 <= LAST_BEGIN * ROWS_PER_PITCH
            && block.height_pitches() >= MIN_HEIGHT
            && first + rows + 1 < smooth.len()
            && emptiest <= samples.most_empty;
        sound.then_some(block)
    }

    fn height_pitches(&self) -> f64 {
        self.rows as f64 / ROWS_PER_PITCH
    }

    /// Share of the places that show as much print in these rows, or nearly.
    fn share_of(&self, places: &[Vec<Option<f64>>]) -> f64 {
        let shows = |p: &&Vec<Option<f64>>| {
            let rows = p[self.first..self.first + self.rows].iter().flatten();
            let (n, sum) = rows.fold((0.0, 0.0), |(n, sum), inked| (n + 1.0, sum + inked));
            n > 0.0 && sum / n - self.emptiest > 0.4 * self.print
        };
        places.iter().filter(shows).count() as f64 / places.len() as f64
    }
}
