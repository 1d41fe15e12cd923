//! What is known of the cloth's own lines: stripes, ribs, columns of a knit.

/// The direction of the cloth's lines, with how surely it is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClothLines {
    /// Direction along the lines on the cloth, clockwise from its x axis, from −90 (not included)
    /// to 90, in degrees.
    pub angle_deg: f64,
    /// Expanded uncertainty (k = 2), in degrees.
    pub u_angle_deg: f64,
    /// Share of the cloth's changes, at the fineness of the lines, that straight lines of this
    /// direction explain: 0 to 1.
    pub strength: f64,
    /// The finest distance between lines that the direction was found at, in mm: broad stripes
    /// and columns of a knit are looked for one after the other.
    pub fineness_mm: f64,
}

impl ClothLines {
    /// What such lines usually are, in a shop's words.
    pub fn name(&self) -> &'static str {
        if self.fineness_mm >= 4.0 {
            "stripes"
        } else if self.fineness_mm >= 1.0 {
            "stripes or ribs"
        } else {
            "columns of the knit"
        }
    }

    /// How a direction is turned against the lines or square to them, whichever is nearer:
    /// clockwise, from −45 (not included) to 45 degrees.
    pub fn turn_of_deg(&self, angle_deg: f64) -> f64 {
        let turn = angle_deg - self.angle_deg;
        turn - 90.0 * ((turn - 45.0) / 90.0).ceil()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turn_is_told_against_the_nearer_of_lines_and_square() {
        let lines = ClothLines {
            angle_deg: 89.0,
            u_angle_deg: 0.1,
            strength: 0.5,
            fineness_mm: 5.0,
        };
        assert!((lines.turn_of_deg(0.5) - 1.5).abs() < 1e-12);
        assert!((lines.turn_of_deg(-91.5) + 0.5).abs() < 1e-12);
        assert!((lines.turn_of_deg(44.0) - 45.0).abs() < 1e-12);
    }
}
