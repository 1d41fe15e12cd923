//! The figures beside the longest ticks: every how many ticks they stand, and how tall they are.
//!
//! Nothing is read. Print is whatever varies along the ruler beyond the shorter ticks' ends, in
//! the same rows at one longest tick after another.

use measures::ruler::Reading;
use measures::ruler::RulerUnit::{Inch, Mm};
use measures::unit::MM_PER_INCH;

use rayon::prelude::*;

use crate::grid::median;
use crate::hierarchy::Verdict;
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
/// A figure shows at least this share of the usual print.
const FAINTEST: f64 = 0.4;
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
    /// Whether they were seen half-way between the longest ticks too, where the ends of ticks may be.
    pub(crate) half_way: bool,
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
    let labelled = labels.par_iter().map(|&i| (i, bench.inked(i))).collect();
    let (every, block) = every_and_block(labelled, places, print)?;
    // The ticks of two ranks may be alike, or worn so; the figures are not.
    let twice = every == places.period
        && places.period % 2 == 0
        && bench.stand_half_way_too(&labels, block)?;
    Some(Figures {
        every: if twice { every / 2 } else { every },
        height_pitches: block.height_pitches(),
        half_way: twice,
    })
}

/// Ticks from one figure to the next, and the rows they stand in: at every longest tick, or at
/// every second of them, or of these again. `None` where that is not clear.
fn every_and_block(mut labelled: Vec<Inked>, places: Places, print: Print) -> Option<(i32, Block)> {
    let mut every = places.period;
    loop {
        let (even, odd): (Vec<Inked>, Vec<Inked>) = labelled
            .iter()
            .cloned()
            .partition(|(i, _)| (i - places.phase).div_euclid(every).rem_euclid(2) == 0);
        if even.len().min(odd.len()) < MIN_LABELS {
            return Some((every, Block::of(&labelled, print)?));
        }
        let (block, with, without) = match [&even, &odd].map(|side| Block::of(side, print)) {
            [Some(a), Some(b)] if b.print > a.print => (b, odd, even),
            [Some(a), _] => (a, even, odd),
            [None, Some(b)] => (b, odd, even),
            [None, None] => return None,
        };
        match block.share_of(&without) {
            MANY.. => return Some((every, block)),
            ..FEW if without.len() > MIN_LABELS => labelled = with,
            _ => return None,
        }
        every *= 2;
    }
}

/// A longest tick, and the inked samples in each row about it.
type Inked = (i32, Vec<Option<f64>>);

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

    /// Whether figures stand half-way between the longest ticks as well; `None` where some do.
    fn stand_half_way_too(&self, labels: &[i32], block: Block) -> Option<bool> {
        let (first, last) = self.marks.range;
        let half = self.places.period / 2;
        let mut print: Vec<f64> = labels
            .par_iter()
            .filter_map(|&i| self.print_beside(i, block))
            .collect();
        print.sort_by(f64::total_cmp);
        // Some figures are worn away.
        let usual = *print.get(2 * print.len().saturating_sub(1) / 3)?;
        let between: Vec<f64> = (first..=last)
            .into_par_iter()
            .filter(|i| (i - self.places.phase).rem_euclid(self.places.period) == half)
            .filter_map(|i| self.print_beside(i, block))
            .collect();
        let shown = between.iter().filter(|p| **p > FAINTEST * usual).count() as f64;
        match shown / between.len().max(1) as f64 {
            MANY.. => Some(true),
            ..FEW => Some(false),
            _ => None,
        }
    }

    /// Inked samples in a row of the block, nearer to this tick than to the figures half a period
    /// away; `None` where it leaves the photo.
    fn print_beside(&self, label: i32, block: Block) -> Option<f64> {
        let reach = 0.25 * f64::from(self.places.period);
        let columns = self.columns(label);
        let mut inked = 0;
        for r in block.first..block.first + block.rows {
            inked += self
                .ink(&columns, label, r)?
                .filter(|off| off.abs() < reach)
                .count();
        }
        Some(inked as f64 / block.rows as f64 - 0.5 * block.emptiest)
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
    fn of(places: &[Inked], samples: Print) -> Option<Self> {
        let usual: Vec<f64> = (0..places.first()?.1.len())
            .map_while(|r| {
                let mut seen: Vec<f64> = places.iter().filter_map(|p| p.1[r]).collect();
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
    fn share_of(&self, places: &[Inked]) -> f64 {
        let shows = |(_, p): &&Inked| {
            let rows = p[self.first..self.first + self.rows].iter().flatten();
            let (n, sum) = rows.fold((0.0, 0.0), |(n, sum), inked| (n + 1.0, sum + inked));
            n > 0.0 && sum / n - self.emptiest > FAINTEST * self.print
        };
        places.iter().filter(shows).count() as f64 / places.len() as f64
    }
}

impl Verdict {
    /// Weighs the readings by where figures stand and how tall they are. Print too tall or too low
    /// by every reading is none.
    pub(crate) fn weigh_by_figures(&mut self, figures: &Figures) {
        let odd = |r: &Reading| off_usual_height(figures, r).abs() > ODDEST;
        // Glare and grain look like tall print, but not at every inch of another reading.
        let likeliest = self.readings.first();
        let usual = |r: &Reading| usual_figures(figures, r) > USUAL;
        let too_tall = likeliest.is_some_and(|r| off_usual_height(figures, r) > ODDEST)
            && !self.readings.iter().any(usual);
        if too_tall || self.readings.iter().all(odd) {
            return;
        }
        for reading in &mut self.readings {
            reading.probability *= usual_figures(figures, reading);
        }
        let total: f64 = self.readings.iter().map(|r| r.probability).sum();
        for reading in &mut self.readings {
            reading.probability /= total;
        }
        self.readings
            .sort_by(|a, b| b.probability.total_cmp(&a.probability));
    }
}

/// How usual such figures would be under a reading, 0 to 1: they stand at every centimetre or
/// inch and are about 3 mm tall (common practice, no source).
fn usual_figures(figures: &Figures, reading: &Reading) -> f64 {
    /// How often what is seen half-way between the longest ticks are the ends of ticks (judged).
    const TICKS: f64 = 0.1;
    let height = off_usual_height(figures, reading).clamp(-ODDEST, ODDEST);
    let as_seen = usual_distance(figures.every, reading) * (-0.5 * height * height).exp();
    if figures.half_way {
        (1.0 - TICKS) * as_seen + TICKS * usual_distance(2 * figures.every, reading)
    } else {
        as_seen
    }
}

/// How usual it is that figures stand so many ticks apart, 0 to 1.
fn usual_distance(every: i32, reading: &Reading) -> f64 {
    let whole = match reading.unit {
        Mm => 10.0,
        Inch => MM_PER_INCH,
    };
    let apart = f64::from(every) * reading.pitch_mm / whole;
    let near = |share: f64| (apart / share - 1.0).abs() < 0.01;
    if near(1.0) {
        1.0
    } else if near(0.5) || near(0.25) {
        0.04
    } else if near(5.0) || near(10.0) {
        0.05
    } else {
        0.02
    }
}

/// Standard deviations from the usual height beyond which nothing is told.
const ODDEST: f64 = 2.5;
/// Figures more usual than this stand where they should, and are no taller than they should be.
const USUAL: f64 = 0.3;

/// By how many standard deviations the figures' height would be unusual (common practice, no
/// source).
fn off_usual_height(figures: &Figures, reading: &Reading) -> f64 {
    const USUAL_MM: f64 = 3.0;
    const SPREAD: f64 = 0.33;
    (figures.height_pitches * reading.pitch_mm / USUAL_MM).ln() / SPREAD
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Figures of 20 rows, so many samples of ink wide, at every `every`th tick; none elsewhere.
    fn printed(period: i32, every: i32, worn: &[i32]) -> Vec<Inked> {
        (0..130)
            .filter(|i| i % period == 0)
            .map(|i| {
                let here = i % every == 0 && !worn.contains(&i);
                let row = |r| {
                    if here && (8..28).contains(&r) {
                        12.0
                    } else {
                        0.0
                    }
                };
                (i, (0..128).map(|r| Some(row(r))).collect())
            })
            .collect()
    }

    #[test]
    fn figures_may_stand_at_every_fourth_of_the_ticks_taken_for_the_longest() {
        let print = Print {
            least: 2.0,
            most_empty: 20.0,
        };
        let places = Places {
            phase: 0,
            period: 8,
            from_pitches: 4.0,
        };
        let every = |labelled| every_and_block(labelled, places, print).map(|found| found.0);
        assert_eq!(every(printed(8, 8, &[])), Some(8));
        assert_eq!(every(printed(8, 16, &[])), Some(16));
        assert_eq!(every(printed(8, 32, &[])), Some(32));
        assert_eq!(every(printed(8, 32, &[64])), Some(32));
        assert_eq!(every(printed(8, 8, &[0, 16, 48, 80, 96, 112])), None);
    }
    /// Probability that a ruler of sixteenths is one, if print stands at every eighth tick, as tall as
    /// figures beside eighths are.
    fn sixteenths_in_spite_of_print(half_way: bool) -> f64 {
        let reading = |parts: f64, probability| Reading {
            unit: Inch,
            pitch_mm: MM_PER_INCH / parts,
            probability,
        };
        let mut verdict = Verdict {
            readings: vec![reading(16.0, 0.83), reading(8.0, 0.17)],
            evidence: 50.0,
            misfits: 0.0,
            lead: 50.0,
            figures_at: Places {
                phase: 0,
                period: 16,
                from_pitches: 4.0,
            },
        };
        verdict.weigh_by_figures(&Figures {
            every: 8,
            height_pitches: 0.9,
            half_way,
        });
        let sixteenths = |r: &&Reading| (r.pitch_mm * 16.0 / MM_PER_INCH - 1.0).abs() < 1e-9;
        verdict
            .readings
            .iter()
            .find(sixteenths)
            .map_or(0.0, |r| r.probability)
    }

    #[test]
    fn print_half_way_between_the_longest_ticks_may_be_their_ends() {
        assert!(sixteenths_in_spite_of_print(false) < 0.02);
        assert!(sixteenths_in_spite_of_print(true) > 0.2);
    }
}
