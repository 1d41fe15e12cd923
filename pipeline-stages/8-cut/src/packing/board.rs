//! The sheet as bits, and the first place on it where a piece fits.

use super::mask::{Mask, Span};

const WORD: usize = 64;

/// Cells taken, row by row from the sheet's beginning; it grows as long as it must.
#[derive(Debug)]
pub(super) struct Board {
    columns: i32,
    words: usize,
    bits: Vec<u64>,
    /// Rows of one sheet; a piece does not lie across the end of it.
    sheet_rows: Option<i32>,
    /// Spans looked at so far: what the search has cost.
    pub(super) looks: u64,
}

impl Board {
    pub(super) fn new(columns: i32, sheet_rows: Option<i32>) -> Self {
        Self {
            columns,
            words: (columns.max(1) as usize).div_ceil(WORD),
            bits: Vec::new(),
            sheet_rows,
            looks: 0,
        }
    }

    /// The first place, row by row from `from`, where no span of the piece is taken; `None` where
    /// it is too large for any sheet. `probes` are the mask's, `hit` the one that failed last.
    pub(super) fn first_place(
        &mut self,
        mask: &Mask,
        probes: &[(i32, Span)],
        from: (i32, i32),
    ) -> Option<(i32, i32)> {
        let height = mask.rows.len() as i32;
        if mask.columns > self.columns || self.sheet_rows.is_some_and(|rows| height > rows) {
            return None;
        }
        let (mut x, mut y) = from;
        let mut hit = 0;
        loop {
            if let Some(rows) = self.sheet_rows
                && y % rows + height > rows
            {
                (x, y) = (0, (y / rows + 1) * rows);
            }
            while x + mask.columns <= self.columns {
                match self.collision(probes, (x, y), &mut hit) {
                    None => return Some((x, y)),
                    Some(next) => x = next,
                }
            }
            (x, y) = (0, y + 1);
        }
    }

    /// Where along the row the piece may be tried next; `None` where it fits.
    fn collision(
        &mut self,
        probes: &[(i32, Span)],
        (x, y): (i32, i32),
        hit: &mut usize,
    ) -> Option<i32> {
        for i in 0..probes.len() {
            // What failed at the last place will most likely fail at this one.
            let at = (*hit + i) % probes.len();
            let (row, (a, b)) = probes[at];
            self.looks += 1;
            if let Some(taken) = self.last_taken(y + row, x + a, x + b) {
                *hit = at;
                return Some(taken - a + 1);
            }
        }
        None
    }

    /// The last cell taken among the columns from `a` to before `b`.
    fn last_taken(&self, row: i32, a: i32, b: i32) -> Option<i32> {
        let start = row as usize * self.words;
        let row = self.bits.get(start..start + self.words)?;
        let (first, last) = (a as usize / WORD, (b as usize - 1) / WORD);
        for word in (first..=last).rev() {
            let mut bits = row[word];
            if word == last {
                bits &= u64::MAX >> (WORD - 1 - (b as usize - 1) % WORD);
            }
            if word == first {
                bits &= u64::MAX << (a as usize % WORD);
            }
            if bits != 0 {
                return Some((word * WORD + WORD - 1 - bits.leading_zeros() as usize) as i32);
            }
        }
        None
    }

    /// Takes the mask's cells, as far as they lie on the board and on the sheet of row `on`.
    pub(super) fn take(&mut self, mask: &Mask, (x, y): (i32, i32), on: i32) {
        let sheet = self
            .sheet_rows
            .map_or(0..i32::MAX, |rows| on / rows * rows..(on / rows + 1) * rows);
        let end = (y + mask.rows.len() as i32).clamp(0, sheet.end) as usize;
        if self.bits.len() < end * self.words {
            self.bits.resize(end * self.words, 0);
        }
        for (row, spans) in mask.rows.iter().enumerate() {
            let row = y + row as i32;
            if !sheet.contains(&row) {
                continue;
            }
            for &(a, b) in spans {
                let (a, b) = ((x + a).max(0), (x + b).min(self.columns));
                if a < b {
                    self.set(row as usize, a as usize, b as usize);
                }
            }
        }
    }

    fn set(&mut self, row: usize, a: usize, b: usize) {
        let start = row * self.words;
        let (first, last) = (a / WORD, (b - 1) / WORD);
        for word in first..=last {
            let mut bits = u64::MAX;
            if word == last {
                bits &= u64::MAX >> (WORD - 1 - (b - 1) % WORD);
            }
            if word == first {
                bits &= u64::MAX << (a % WORD);
            }
            self.bits[start + word] |= bits;
        }
    }

    /// Whether a rectangle of cells lies on the board and is free.
    pub(super) fn is_free(&self, columns: Span, rows: Span) -> bool {
        columns.0 >= 0
            && columns.1 <= self.columns
            && rows.0 >= 0
            && (rows.0..rows.1).all(|row| self.last_taken(row, columns.0, columns.1).is_none())
    }
}
