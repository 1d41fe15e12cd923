//! Lines of equal level.

/// Closed lines along which a sampled function is zero, by marching squares (Lorensen & Cline
/// 1987, in the plane). The rim counts as negative, so that every line closes;
/// what is positive lies on its right.
pub fn level_lines(values: &[f32], w: usize, h: usize) -> Vec<Vec<(f64, f64)>> {
    let value = |i: usize, j: usize| {
        let rim = i == 0 || j == 0 || i + 1 == w || j + 1 == h;
        let v = values[j * w + i];
        if rim { -1e-3 - v.abs() } else { v }
    };
    // An edge between neighbouring samples: 2·index for the one to the right, + 1 for down.
    let cross = |edge: usize| {
        let (i, j) = ((edge / 2) % w, (edge / 2) / w);
        let (a, b) = (
            value(i, j),
            if edge.is_multiple_of(2) {
                value(i + 1, j)
            } else {
                value(i, j + 1)
            },
        );
        let t = f64::from(a / (a - b));
        if edge.is_multiple_of(2) {
            (i as f64 + t, j as f64)
        } else {
            (i as f64, j as f64 + t)
        }
    };
    let mut next = std::collections::BTreeMap::new();
    for j in 0..h - 1 {
        for i in 0..w - 1 {
            let corners = [
                value(i, j),
                value(i + 1, j),
                value(i + 1, j + 1),
                value(i, j + 1),
            ];
            let k = 2 * (j * w + i);
            let sides = [k, k + 3, k + 2 * w, k + 1];
            // Walking round the cell clockwise, a line enters where the function falls from
            // inside to outside and leaves at the next rise, so that inside lies on its right.
            for s in 0..4 {
                if corners[s] > 0.0 && corners[(s + 1) % 4] <= 0.0 {
                    let rise = (1..4)
                        .map(|d| (s + d) % 4)
                        .find(|&t| corners[t] <= 0.0 && corners[(t + 1) % 4] > 0.0);
                    if let Some(rise) = rise {
                        next.insert(sides[s], sides[rise]);
                    }
                }
            }
        }
    }
    let mut lines = Vec::new();
    while let Some((&start, _)) = next.first_key_value() {
        let mut line = Vec::new();
        let mut edge = start;
        while let Some(following) = next.remove(&edge) {
            line.push(cross(edge));
            edge = following;
        }
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_discs_edge_is_found_between_the_samples() {
        let values: Vec<f32> = (0..60 * 50)
            .map(|k| 15.3 - ((k % 60) as f32 - 30.0).hypot((k / 60) as f32 - 25.0))
            .collect();
        let lines = level_lines(&values, 60, 50);
        assert_eq!(lines.len(), 1);
        assert!(
            lines[0]
                .iter()
                .all(|(x, y)| ((x - 30.0).hypot(y - 25.0) - 15.3).abs() < 0.02)
        );
    }
}
