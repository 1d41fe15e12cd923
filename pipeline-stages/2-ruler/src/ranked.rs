//! Tick lengths in an order of ranks: one length a rank, with its scatter, plus outliers.

use crate::grid::{median, robust_deviation};
use crate::schemes::Alike;

/// Share of ticks whose length tells nothing (digits, dirt, glare).
const OUTLIERS: f64 = 0.08;
/// Lengths of outliers spread over this many pitches.
const OUTLIER_RANGE: f64 = 20.0;
/// Ticks of one rank scatter at least this much, in pitches.
pub(crate) const MIN_SCATTER: f64 = 0.06;
/// … and in proportion to their length.
const RELATIVE_SCATTER: f64 = 0.012;
/// A rank must exceed the one below by this much, in pitches and relative to it.
const MIN_STEP_PITCHES: f64 = 0.2;
const MIN_STEP_RELATIVE: f64 = 0.12;

fn rank(levels: &[i32], position: i32) -> usize {
    levels
        .iter()
        .rposition(|&l| position.rem_euclid(l) == 0)
        .map_or(0, |k| k + 1)
}

/// Lengths sorted by rank, with the usual length and scatter of each.
pub(crate) struct Ranked<'a> {
    lengths: &'a [(i32, f64)],
    levels: &'a [i32],
    phase: i32,
    pub(crate) counts: Vec<usize>,
    pub(crate) means: Vec<f64>,
    /// Scatter of the lengths about their rank's, in pitches, and with what grows with the length.
    pub(crate) scatter: f64,
    pub(crate) scatters: Vec<f64>,
}

impl<'a> Ranked<'a> {
    /// `None` when a rank has too few ticks.
    pub(crate) fn of(
        lengths: &'a [(i32, f64)],
        levels: &'a [i32],
        phase: i32,
        least_scatter: f64,
    ) -> Option<Self> {
        let ranks = levels.len() + 1;
        let mut by_rank: Vec<Vec<f64>> = vec![Vec::new(); ranks];
        for &(i, length) in lengths {
            by_rank[rank(levels, i - phase)].push(length);
        }
        let too_few = by_rank[ranks - 1].len() < 2 || by_rank[0].len() < 3;
        if too_few || by_rank.iter().any(Vec::is_empty) {
            return None;
        }
        let means: Vec<f64> = by_rank.iter().map(|r| median(&mut r.clone())).collect();
        let off: Vec<f64> = lengths
            .iter()
            .map(|&(i, l)| l - means[rank(levels, i - phase)])
            .collect();
        let scatter = robust_deviation(&off).max(least_scatter);
        let scatters = means
            .iter()
            .map(|m| scatter.hypot(RELATIVE_SCATTER * m))
            .collect();
        Some(Self {
            lengths,
            levels,
            phase,
            counts: by_rank.iter().map(Vec::len).collect(),
            means,
            scatter,
            scatters,
        })
    }

    pub(crate) fn rank(&self, index: i32) -> usize {
        rank(self.levels, index - self.phase)
    }

    fn density(&self, length: f64, k: usize) -> f64 {
        let z = (length - self.means[k]) / self.scatters[k];
        (1.0 - OUTLIERS) * (-0.5 * z * z).exp() / (self.scatters[k] * std::f64::consts::TAU.sqrt())
            + OUTLIERS / OUTLIER_RANGE
    }

    /// ln of the lengths' likelihood in this order.
    pub(crate) fn ordered(&self) -> f64 {
        let of = |&(i, l): &(i32, f64)| self.density(l, self.rank(i)).ln();
        self.lengths.iter().map(of).sum()
    }

    /// ln of their likelihood in any order.
    pub(crate) fn mixed(&self) -> f64 {
        let n = self.lengths.len() as f64;
        let of = |&(_, l): &(i32, f64)| {
            let any = |k: usize| self.counts[k] as f64 / n * self.density(l, k);
            (0..self.counts.len()).map(any).sum::<f64>().ln()
        };
        self.lengths.iter().map(of).sum()
    }

    pub(crate) fn score(&self) -> f64 {
        let n = self.lengths.len() as f64;
        let period = f64::from(self.levels[self.levels.len() - 1]);
        self.ordered() - 0.5 * (self.counts.len() as f64 + 1.0) * n.ln() - period.ln()
    }

    /// Each rank is clearly longer than the one below.
    pub(crate) fn rises(&self) -> bool {
        let doubt_of = |k: usize| self.scatters[k].powi(2) / self.counts[k] as f64;
        (1..self.means.len()).all(|k| {
            let doubt = (doubt_of(k) + doubt_of(k - 1)).sqrt();
            let least = MIN_STEP_PITCHES
                .max(MIN_STEP_RELATIVE * self.means[k - 1])
                .max(2.0 * doubt);
            self.means[k] - self.means[k - 1] >= least
        })
    }

    /// Whether the longest ticks, and every second of them, have one length.
    pub(crate) fn longest_alike(&self) -> Alike {
        let top = self.means.len() - 1;
        let period = self.levels[top - 1];
        let mut seen = [0usize; 2];
        let mut agreeing = [0usize; 2];
        for &(i, l) in self.lengths.iter().filter(|l| self.rank(l.0) == top) {
            let side = usize::from((i - self.phase).div_euclid(period).rem_euclid(2) == 1);
            seen[side] += 1;
            if (l - self.means[top]).abs() < 3.5 * self.scatters[top] {
                agreeing[side] += 1;
            }
        }
        let most = (0..2).all(|side| 10 * agreeing[side] >= 6 * seen[side]);
        match agreeing[0].min(agreeing[1]) {
            _ if self.longer_between() => Alike::OneLonger,
            2.. if most => Alike::Surely,
            1 if agreeing == seen && seen[0] + seen[1] > 2 => Alike::Probably,
            _ if self.every_second_is_longer() => Alike::Longer,
            _ if self.one_is_longer() => Alike::OneLonger,
            _ => Alike::Unknown,
        }
    }

    /// Lengths of the ticks whose rank `counts`.
    fn lengths_of(&self, counts: impl Fn(usize) -> bool) -> impl Iterator<Item = f64> {
        let of_these = move |l: &&(i32, f64)| counts(self.rank(l.0));
        self.lengths.iter().filter(of_these).map(|l| l.1)
    }

    fn top(&self) -> usize {
        self.means.len() - 1
    }

    /// What is so long is clearly longer than the longest ticks.
    fn longer_than_longest(&self) -> f64 {
        let longest = self.means[self.top()];
        longest + MIN_STEP_PITCHES.max(MIN_STEP_RELATIVE * longest)
    }

    /// Two or more ticks of lower rank are clearly longer than the longest: those may be the next
    /// whole, and the rest of its rank worn.
    fn longer_between(&self) -> bool {
        let lower = self.lengths_of(|rank| rank < self.top());
        lower.filter(|l| *l >= self.longer_than_longest()).count() >= 2
    }

    fn one_is_longer(&self) -> bool {
        let least = self.longer_than_longest();
        self.lengths_of(|rank| rank == self.top())
            .any(|l| l >= least)
    }

    /// A tick of the second highest rank is longer than the others, though not as long as the
    /// highest.
    pub(crate) fn second_is_uneven(&self) -> bool {
        const OFF: f64 = 3.0;
        let second = self.top() - 1;
        let least = self.means[second] + OFF * self.scatters[second];
        let longer = least..=self.means[second + 1];
        self.lengths_of(|rank| rank == second)
            .any(|l| longer.contains(&l))
    }

    /// Least length at the two highest ranks, what is no longer than the third left out.
    pub(crate) fn least_of_two_ranks(&self) -> f64 {
        let second = self.top() - 1;
        let third = self.means[second - 1] + self.scatters[second - 1];
        self.lengths_of(|rank| rank >= second)
            .filter(|l| *l > third)
            .fold(self.means[second], f64::min)
    }

    /// Of the longest ticks, three or more, every second one is clearly longer, and those of
    /// either kind agree with each other.
    fn every_second_is_longer(&self) -> bool {
        let top = self.means.len() - 1;
        let period = self.levels[top - 1];
        let mut sides = [Vec::new(), Vec::new()];
        for &(i, l) in self.lengths.iter().filter(|l| self.rank(l.0) == top) {
            let side = (i - self.phase).div_euclid(period).rem_euclid(2);
            sides[usize::from(side == 1)].push(l);
        }
        if sides.iter().any(Vec::is_empty) || sides[0].len() + sides[1].len() < 3 {
            return false;
        }
        let [a, b] = sides.map(|side| {
            let least = side.iter().copied().fold(f64::INFINITY, f64::min);
            let most = side.iter().copied().fold(0.0, f64::max);
            (least, most)
        });
        let (short, long) = if a.0 > b.0 { (b, a) } else { (a, b) };
        let step = MIN_STEP_PITCHES.max(MIN_STEP_RELATIVE * short.1);
        let agree = |(least, most): (f64, f64)| most - least < 0.5 * step;
        long.0 - short.1 >= step && agree(short)
    }

    /// Two or more of the longest ticks agree with each other.
    pub(crate) fn longest_agree(&self) -> bool {
        let top = self.top();
        let agrees = |l: &f64| (l - self.means[top]).abs() < 4.0 * self.scatters[top];
        self.lengths_of(|rank| rank == top).filter(agrees).count() >= 2
    }
}
