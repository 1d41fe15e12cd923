//! Slots without residue through the emblem's strokes, and long straight edges of residue, where the
//! artwork has none: also where wear or noise hides most of their edges from [`super::bands`], as they
//! are looked for along their whole length at once.
//!
//! Lines are laid over the emblem in every direction. Whether what shows drops on them and rises beside
//! them is told piece by piece and summed along each (Radon 1917); the stretch that says most counts
//! (Kadane's largest sum, in Bentley 1984).

use rayon::prelude::*;

use super::{Drawn, Presence};

/// Shorter bands are wear, or stripes of the cloth. Measured on painted scenes: 7.3 mm at most in 197
/// without a slot; 8 and more of long slots, 7 and less of those that hardly cut a stroke or lie in
/// wear, which are missed.
const BAND_MIN_MM: f64 = 8.0;
/// Shorter edges are, too: 24.5 mm at most, a stripe's; 30 and more beside slots of that length.
const EDGE_MIN_MM: f64 = 28.0;
/// Directions that are tried in half a turn.
const DIRECTIONS: usize = 45;
/// Lines lie so far apart,
const ROW_MM: f64 = 0.25;
/// and are looked at in pieces so long.
const PIECE_MM: f64 = 0.5;
/// Rows to either side that have gone with a band's middle one, at most,
const WIDEST: usize = 6;
/// and how far beyond those the residue shows again.
const BESIDE: usize = 4;
/// Rows from an edge's middle one to where it shows and where it has gone.
const EDGE_BESIDE: usize = 2;
/// Rows that no band is looked for in, at either end.
const RIM: usize = WIDEST + BESIDE;
/// What lies nearer to the artwork's edge says nothing.
const CLEARANCE_MM: f32 = 0.4;

/// A stretch of a line: what it says in pieces, and its middle one.
#[derive(Clone, Copy, Debug, Default)]
struct Stretch {
    pieces: f32,
    middle: usize,
}

/// The sum so far along a line.
#[derive(Clone, Copy, Debug, Default)]
struct Run {
    sum: f32,
    first: usize,
    best: Stretch,
}

impl Run {
    fn add(&mut self, says: f32, piece: usize) {
        if self.sum <= 0.0 {
            if says <= 0.0 {
                return;
            }
            (self.sum, self.first) = (0.0, piece);
        }
        self.sum += says;
        if self.sum > self.best.pieces {
            self.best = Stretch {
                pieces: self.sum,
                middle: usize::midpoint(self.first, piece),
            };
        }
    }
}

/// The longest stretch along one row: of a band, by how many rows to either side have gone with it, or
/// of an edge.
#[derive(Clone, Copy, Debug, Default)]
struct Found {
    row: usize,
    half_width: usize,
    stretch: Stretch,
}

impl Found {
    fn length_mm(&self) -> f64 {
        f64::from(self.stretch.pieces) * PIECE_MM
    }

    fn longer(self, other: Self) -> Self {
        if other.stretch.pieces > self.stretch.pieces {
            other
        } else {
            self
        }
    }
}

/// The longest band that is long enough, or else the longest edge.
pub(super) fn drawn(seen: &Presence) -> Option<Drawn> {
    let frame = Frame::of(seen)?;
    let shows: Vec<f32> = (0..seen.share.len())
        .map(|k| {
            let clear = seen.depth[k] > CLEARANCE_MM && seen.cloth[k] > 0.5;
            if clear {
                seen.share[k].clamp(0.0, 1.1)
            } else {
                f32::NAN
            }
        })
        .collect();
    let looks: Vec<(Turned, [Found; 2])> = (0..DIRECTIONS)
        .into_par_iter()
        .map(|k| {
            let turned = frame.turned(k);
            let found = Rows::of(seen, &shows, &turned).longest();
            (turned, found)
        })
        .collect();
    let longest = |kind: usize| {
        let all = looks.iter().map(|(turned, found)| (turned, &found[kind]));
        all.max_by(|a, b| a.1.stretch.pieces.total_cmp(&b.1.stretch.pieces))
    };
    [(0, BAND_MIN_MM), (1, EDGE_MIN_MM)]
        .into_iter()
        .find_map(|(kind, least_mm)| {
            let (turned, found) = longest(kind)?;
            let length_mm = found.length_mm();
            let width_mm = (2 * found.half_width + BESIDE - 1) as f64 * ROW_MM;
            (length_mm >= least_mm).then_some(Drawn {
                area_mm2: length_mm * width_mm,
                sample: sample_at(
                    turned.place(seen, found.row, found.stretch.middle),
                    seen.width,
                    seen.height,
                )?,
            })
        })
}

/// Where the artwork lies: its middle in samples and the reach of a circle about it.
struct Frame {
    middle: [f64; 2],
    reach_mm: f64,
}

/// Lines of one direction.
struct Turned {
    middle: [f64; 2],
    reach_mm: f64,
    /// Across and along, a row and a piece, in millimetres.
    across: [f64; 2],
}

impl Frame {
    fn of(seen: &Presence) -> Option<Self> {
        let inside = (0..seen.depth.len()).filter(|&k| seen.depth[k] > CLEARANCE_MM);
        let [mut low, mut high] = [[usize::MAX; 2], [0; 2]];
        for k in inside {
            let place = [k % seen.width, k / seen.width];
            for c in 0..2 {
                low[c] = low[c].min(place[c]);
                high[c] = high[c].max(place[c]);
            }
        }
        (low[0] <= high[0]).then(|| {
            let [x, y] = [0, 1].map(|c| (high[c] - low[c]) as f64);
            Self {
                middle: [0, 1].map(|c| 0.5 * (low[c] + high[c]) as f64),
                reach_mm: 0.5 * x.hypot(y) * seen.pitch_mm + RIM as f64 * ROW_MM,
            }
        })
    }

    fn turned(&self, direction: usize) -> Turned {
        let turn = std::f64::consts::PI * direction as f64 / DIRECTIONS as f64;
        Turned {
            middle: self.middle,
            reach_mm: self.reach_mm,
            across: [turn.cos(), turn.sin()],
        }
    }
}

impl Turned {
    /// Where the middle of a piece of a row lies, in samples from the first one's corner.
    fn place(&self, seen: &Presence, row: usize, piece: usize) -> [f64; 2] {
        let across = ((row as f64 + 0.5) * ROW_MM - self.reach_mm) / seen.pitch_mm;
        let along = ((piece as f64 + 0.5) * PIECE_MM - self.reach_mm) / seen.pitch_mm;
        let [cos, sin] = self.across;
        [
            self.middle[0] + across * cos - along * sin + 0.5,
            self.middle[1] + across * sin + along * cos + 0.5,
        ]
    }
}

/// The sample at a place, on a grid of this width and height.
fn sample_at([x, y]: [f64; 2], width: usize, height: usize) -> Option<usize> {
    let inside = x >= 0.0 && y >= 0.0 && x < width as f64 && y < height as f64;
    inside.then(|| y as usize * width + x as usize)
}

/// What shows along the lines of one direction, piece by piece; not a number where that says nothing.
struct Rows {
    pieces: usize,
    shows: Vec<f32>,
}

impl Rows {
    fn of(seen: &Presence, shows: &[f32], turned: &Turned) -> Self {
        let [rows, pieces] = [ROW_MM, PIECE_MM].map(|mm| (2.0 * turned.reach_mm / mm) as usize);
        let mut along = Vec::with_capacity(rows * pieces);
        for row in 0..rows {
            let [first, second] = [0, 1].map(|piece| turned.place(seen, row, piece));
            let step = [0, 1].map(|c| second[c] - first[c]);
            along.extend((0..pieces).map(|piece| {
                let at = [0, 1].map(|c| first[c] + piece as f64 * step[c]);
                sample_at(at, seen.width, seen.height).map_or(f32::NAN, |k| shows[k])
            }));
        }
        Self {
            pieces,
            shows: along,
        }
    }

    fn row(&self, row: usize) -> &[f32] {
        &self.shows[row * self.pieces..][..self.pieces]
    }

    /// The longest band and the longest edge.
    fn longest(&self) -> [Found; 2] {
        let rows = self.shows.len() / self.pieces.max(1);
        (RIM..rows.saturating_sub(RIM)).fold([Found::default(); 2], |[band, edge], row| {
            [band.longer(self.band(row)), edge.longer(self.edge(row))]
        })
    }

    fn band(&self, row: usize) -> Found {
        let mut runs = [Run::default(); WIDEST + 1];
        for (piece, &here) in self.row(row).iter().enumerate() {
            if here.is_nan() {
                continue;
            }
            let at = |row: usize| self.shows[row * self.pieces + piece];
            let mut most = here;
            for (half, run) in runs.iter_mut().enumerate() {
                most = most.max(at(row - half)).max(at(row + half));
                if most > SHOWS {
                    run.add(AGAINST, piece);
                    continue;
                }
                let beside = [at(row - half - BESIDE), at(row + half + BESIDE)];
                if !beside[0].is_nan() && !beside[1].is_nan() {
                    run.add(says(beside[0].min(beside[1]), most), piece);
                }
            }
        }
        let bands = runs.iter().enumerate().map(|(half_width, run)| Found {
            row,
            half_width,
            stretch: run.best,
        });
        bands.fold(Found::default(), Found::longer)
    }

    fn edge(&self, row: usize) -> Found {
        let mut runs = [Run::default(); 2];
        let beside = [self.row(row - EDGE_BESIDE), self.row(row + EDGE_BESIDE)];
        for (piece, here) in self.row(row).iter().enumerate() {
            let [a, b] = [beside[0][piece], beside[1][piece]];
            if !here.is_nan() && !a.is_nan() && !b.is_nan() {
                runs[0].add(says(a, b), piece);
                runs[1].add(says(b, a), piece);
            }
        }
        let edges = runs.iter().map(|run| Found {
            row,
            half_width: 0,
            stretch: run.best,
        });
        edges.fold(Found::default(), Found::longer)
    }
}

/// What more than this shows has not gone.
const SHOWS: f32 = 0.85;
const AGAINST: f32 = -1.0;

/// What a piece says for a line on which `on` shows and `beside` it: 1 at most, −1 at least, a little
/// against where all has gone about it.
fn says(beside: f32, on: f32) -> f32 {
    const EVEN: f32 = 0.25;
    const GONE: f32 = 0.4;
    const ALL_GONE: f32 = -0.25;
    if beside < GONE && on < GONE {
        ALL_GONE
    } else {
        ((beside - on - EVEN) / EVEN).clamp(AGAINST, -AGAINST)
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::gone_between;
    use super::*;

    #[test]
    fn a_long_straight_edge_is_drawn_and_a_ragged_one_is_not() {
        let slanted = |u: f64| 10.0 + 0.2 * u;
        let ragged = |u: f64| slanted(u) + 0.9 * (1.7 * u).sin();
        assert!(drawn(&gone_between(slanted, |_| 100.0)).is_some());
        assert_eq!(drawn(&gone_between(ragged, |_| 100.0)), None);
    }
}
