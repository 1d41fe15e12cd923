//! A printed scale card: four rows of divisions, as long as the printer made them.

use measures::{Ruler, Vector};

/// Thickness taken for a printed card: stiff paper. Common practice, no source.
pub const THICKNESS_MM: f64 = 0.15;
/// Its standard uncertainty (k = 1).
pub(crate) const U_THICKNESS_MM: f64 = 0.1;
/// What the card's check bars are meant to measure.
const BAR_MM: f64 = 100.0;
/// The row along the card's short side is no longer than this.
const SHORT_SIDE_MM: f64 = 150.0;
/// Rows of the card at less than this angle (its cosine) run the same way.
const PARALLEL: f64 = 0.7;
/// Rows that tell a card from a ruler.
const SEEN_MIN: usize = 2;
/// Stretches that differ by less need not be told apart.
const ALIKE: f64 = 5e-4;

/// The card's rows with their true divisions.
#[derive(Debug)]
pub(crate) struct Card {
    pub(crate) rulers: Vec<Ruler>,
    /// Why it may be no card, or its sides could not be told apart.
    pub(crate) doubt: Option<String>,
}

/// Corrects each row by what the bars of its direction measure: x along the card's short sides,
/// y along its long ones.
pub(crate) fn measured(rulers: &[Ruler], bars_mm: [f64; 2]) -> Card {
    let stretch = bars_mm.map(|mm| mm / BAR_MM);
    let mean = 0.5 * (stretch[0] + stretch[1]);
    let long_way = long_way(rulers);
    let told_apart = long_way.is_some() || (stretch[0] - stretch[1]).abs() < ALIKE;
    let of = |ruler: &Ruler| {
        long_way.map_or(mean, |way| {
            let is_long = direction(ruler).dot(way).abs() > PARALLEL;
            stretch[usize::from(is_long)]
        })
    };
    let corrected = rulers.iter().map(|ruler| {
        let factor = of(ruler);
        let mut ruler = ruler.clone();
        ruler.reading.pitch_mm *= factor;
        ruler.px_per_mm /= factor;
        ruler.u_px_per_mm /= factor;
        ruler
    });
    Card {
        rulers: corrected.collect(),
        doubt: if rulers.len() < SEEN_MIN {
            Some(
                "one row of divisions is seen where a scale card has four, and a ruler is thicker than \
                 a card: photograph the whole card, or leave out card_x_mm and card_y_mm"
                    .to_owned(),
            )
        } else if told_apart {
            None
        } else {
            Some(
                "it cannot be seen which sides of the scale card are its long ones, and its two \
                 bars differ: photograph the whole card"
                    .to_owned(),
            )
        },
    }
}

/// The direction of the card's long sides; `None` when too little of the card is seen.
fn long_way(rulers: &[Ruler]) -> Option<Vector<measures::Px>> {
    let longest = rulers
        .iter()
        .max_by(|a, b| a.base_mm().total_cmp(&b.base_mm()))?;
    let way = direction(longest);
    let across = rulers
        .iter()
        .filter(|r| direction(r).dot(way).abs() <= PARALLEL)
        .map(Ruler::base_mm)
        .fold(0.0, f64::max);
    // Longer than a short side can be; one division less than all may be hidden at its end.
    let is_long = longest.base_mm() > SHORT_SIDE_MM + 2.0;
    let is_short = across > 0.0 && across < longest.base_mm() - 2.0 && across > SHORT_SIDE_MM - 5.0;
    (is_long || is_short).then_some(way)
}

fn direction(ruler: &Ruler) -> Vector<measures::Px> {
    let way = ruler.ends[1] - ruler.ends[0];
    way.unit().unwrap_or(Vector::new(1.0, 0.0))
}

#[cfg(test)]
mod tests {
    use measures::ruler::{Reading, RulerUnit, Tick};
    use measures::{Point, Px};

    use super::*;

    fn side(millimetres: i32, from: Point<Px>, to: Point<Px>) -> Ruler {
        let tick = |index| Tick {
            index,
            points: Vec::new(),
            length_px: 30.0,
        };
        Ruler {
            reading: Reading {
                unit: RulerUnit::Mm,
                pitch_mm: 1.0,
                probability: 1.0,
            },
            other_readings: Vec::new(),
            ticks: vec![tick(0), tick(millimetres)],
            body: [from, to, to, from],
            px_per_mm: 10.0,
            u_px_per_mm: 0.01,
            shadow: None,
            ends: [from, to],
        }
    }

    const A: Point<Px> = Point::new(100.0, 100.0);
    const B: Point<Px> = Point::new(2400.0, 130.0);
    const C: Point<Px> = Point::new(80.0, 1600.0);

    fn pitches(card: &Card) -> Vec<f64> {
        card.rulers.iter().map(|r| r.reading.pitch_mm).collect()
    }

    #[test]
    fn each_side_is_as_long_as_its_bar_says() {
        let sides = [side(150, A, C), side(230, A, B)];
        let card = measured(&sides, [99.5, 100.2]);
        assert_eq!(pitches(&card), [0.995, 1.002]);
        assert!(card.doubt.is_none());
        assert!((card.rulers[0].px_per_mm - 10.0 / 0.995).abs() < 1e-12);
        // Both sides cut by the picture, the short one told by the other's length.
        let cut = measured(&[side(149, A, C), side(152, A, B)], [99.5, 100.2]);
        assert!(cut.doubt.is_some() || pitches(&cut) == [0.995, 1.002]);
    }

    #[test]
    fn one_row_may_be_a_rulers() {
        assert!(measured(&[side(230, A, B)], [100.0, 100.0]).doubt.is_some());
    }

    #[test]
    fn sides_that_cannot_be_told_apart_are_a_doubt_unless_the_bars_agree() {
        let sides = [side(120, A, C), side(130, A, B)];
        assert!(measured(&sides, [99.5, 100.2]).doubt.is_some());
        assert!(measured(&sides, [99.5, 99.52]).doubt.is_none());
    }
}
