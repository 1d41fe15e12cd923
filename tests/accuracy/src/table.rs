//! Small statistics and plain tables.

/// Median, 95th percentile and greatest of absolute values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// Median.
    pub median: f64,
    /// 95th percentile.
    pub p95: f64,
    /// Greatest.
    pub worst: f64,
}

impl Spread {
    /// The spread of the absolute values; `None` without any.
    pub fn of(values: impl Iterator<Item = f64>) -> Option<Self> {
        let mut sorted: Vec<f64> = values.map(f64::abs).collect();
        sorted.sort_by(f64::total_cmp);
        Some(Self {
            median: percentile(&sorted, 0.5)?,
            p95: percentile(&sorted, 0.95)?,
            worst: *sorted.last()?,
        })
    }
}

/// The value below which this share of the sorted values lies (linear between neighbours).
pub fn percentile(sorted: &[f64], share: f64) -> Option<f64> {
    let at = share * (sorted.len().checked_sub(1)?) as f64;
    let (low, part) = (at.floor() as usize, at.fract());
    let high = (low + 1).min(sorted.len() - 1);
    Some(sorted[low] + part * (sorted[high] - sorted[low]))
}

/// "median / 95th percentile / worst", or a dash.
pub fn spread(values: impl Iterator<Item = f64>, decimals: usize) -> String {
    Spread::of(values).map_or("–".into(), |s| {
        format!(
            "{:.d$} / {:.d$} / {:.d$}",
            s.median,
            s.p95,
            s.worst,
            d = decimals
        )
    })
}

/// "3/20".
pub fn share(count: usize, of: usize) -> String {
    format!("{count}/{of}")
}

/// Prints rows in columns as wide as they need to be; the first row is the head.
pub fn print(rows: &[Vec<String>]) {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |k: usize| {
        rows.iter()
            .filter_map(|r| r.get(k))
            .map(|c| c.chars().count())
            .max()
            .unwrap_or(0)
    };
    let widths: Vec<usize> = (0..columns).map(width).collect();
    for row in rows {
        let cells = row
            .iter()
            .zip(&widths)
            .map(|(cell, &w)| format!("{cell:<w$}"));
        println!("{}", cells.collect::<Vec<_>>().join("  ").trim_end());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn percentiles_lie_between_neighbours() {
        let values: Vec<f64> = (0..=20).map(f64::from).collect();
        assert_eq!(percentile(&values, 0.5), Some(10.0));
        assert_eq!(percentile(&values, 0.95), Some(19.0));
        assert_eq!(percentile(&[1.0, 2.0], 0.5), Some(1.5));
        assert_eq!(percentile(&[], 0.5), None);
    }
}
