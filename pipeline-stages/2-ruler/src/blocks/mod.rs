//! Scales of long blocks, dark and light in turn, of which only one is divided.
//!
//! The blocks' borders stand as far apart as ticks do, but nothing tells their length except the
//! one divided block: ten divisions make it a centimetre, eight or sixteen an inch. Borders are
//! chained along straight edges (`chain`), the divisions sought beside them (`divisions`), and
//! the borders located to a fraction of a pixel (`borders`). Stripes of cloth keep the rhythm too,
//! but they have no ends and no single divided stripe.

mod borders;
mod chain;
mod divisions;

use measures::Camera;
use measures::ruler::{Reading, Ruler, RulerHint, RulerUnit};
use measures::unit::MM_PER_INCH;

use crate::edges;
use crate::plane::Plane;
use crate::reading::weigh_by_distance;
use chain::Chain;

/// Chains looked at closely.
const MAX_CHAINS: usize = 32;
/// Ten divisions are tenths of an inch on few scales (judged).
const TENTHS: f64 = 0.012;
/// Inches in blocks are so rare, and divisions miscounted so easily, that a person must look.
const MISCOUNTED: f64 = 0.15;

/// The first scale of blocks that can be read: each of its rows of blocks as a ruler, the longest
/// first.
pub(crate) fn find(planes: &[Plane], hint: &RulerHint, camera: &Camera) -> Vec<Ruler> {
    let mut chains: Vec<Chain> = edges::straight(planes)
        .iter()
        .flat_map(|edge| chain::beside(planes, edge))
        .collect();
    chains.sort_by(|a, b| b.worth().total_cmp(&a.worth()));
    chains.truncate(MAX_CHAINS);
    let divided = chains.iter().find_map(|chain| {
        let parts = divisions::of_one_block(planes, chain)?;
        Some((parts, borders::locate(planes, chain)?))
    });
    let Some((parts, first)) = divided else {
        return Vec::new();
    };
    let mut readings = readings(parts, hint.unit);
    weigh_by_distance(&mut readings, first.mean_pitch_px(), camera);
    let mut rows = vec![first];
    for chain in &chains {
        if rows[0].has_beside(chain)
            && let Some(row) = borders::locate(planes, chain)
            && !rows.iter().any(|r| r.is_same_row(&row))
        {
            rows.push(row);
        }
    }
    let mut rulers: Vec<Ruler> = rows.iter().filter_map(|r| r.ruler(&readings)).collect();
    rulers.sort_by(|a, b| b.base_mm().total_cmp(&a.base_mm()));
    rulers
}

/// What blocks divided so are, the most probable first.
fn readings(parts: usize, unit: Option<RulerUnit>) -> Vec<Reading> {
    let reading = |unit, pitch_mm, probability| Reading {
        unit,
        pitch_mm,
        probability,
    };
    let either = |inches: f64| {
        let mut both = vec![
            reading(RulerUnit::Inch, MM_PER_INCH, inches),
            reading(RulerUnit::Mm, 10.0, 1.0 - inches),
        ];
        both.sort_by(|a, b| b.probability.total_cmp(&a.probability));
        both
    };
    match unit {
        Some(RulerUnit::Mm) => vec![reading(RulerUnit::Mm, 10.0, 1.0)],
        Some(RulerUnit::Inch) => vec![reading(RulerUnit::Inch, MM_PER_INCH, 1.0)],
        None if parts == 10 => either(TENTHS),
        None => either(1.0 - MISCOUNTED),
    }
}
