//! How far each tick of a ruler lies from an even division seen in perspective, as a small plot.

use measures::Ruler;
use nalgebra::{Matrix3, Vector3};

const WIDTH: f64 = 640.0;
const HEIGHT: f64 = 150.0;
const LEFT: f64 = 66.0;
const BOTTOM: f64 = 28.0;
const TOP: f64 = 10.0;

/// The plot as SVG; `None` with too few ticks to say anything.
pub(super) fn plot(ruler: &Ruler) -> Option<String> {
    let residuals = residuals_mm(ruler)?;
    let span = residuals.last()?.0;
    let most = residuals.iter().map(|r| r.1.abs()).fold(0.0, f64::max);
    let limit = nice(most.max(0.01));
    let x = |mm: f64| LEFT + (WIDTH - LEFT - 8.0) * mm / span;
    let middle = (TOP + HEIGHT - BOTTOM) / 2.0;
    let y = |r: f64| middle - r / limit * (middle - TOP);
    let levels = [(limit, "+"), (0.0, ""), (-limit, "−")].map(|(value, sign)| {
        let label = if value == 0.0 {
            "0".to_owned()
        } else {
            format!("{sign}{limit} mm")
        };
        format!(
            "<line x1=\"{LEFT:.1}\" x2=\"{:.1}\" y1=\"{y1:.1}\" y2=\"{y1:.1}\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{label}</text>",
            WIDTH - 8.0,
            LEFT - 5.0,
            y(value) + 4.0,
            y1 = y(value),
        )
    });
    let places = [
        (0.0, "start"),
        (0.25, "middle"),
        (0.5, "middle"),
        (0.75, "middle"),
        (1.0, "end"),
    ]
    .map(|(part, anchor)| {
        let (mm, foot) = (part * span, HEIGHT - 8.0);
        let at = x(mm);
        format!("<text x=\"{at:.1}\" y=\"{foot}\" text-anchor=\"{anchor}\">{mm:.0} mm</text>")
    });
    let dots: Vec<String> = residuals
        .iter()
        .map(|&(mm, r)| format!("<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"2\"/>", x(mm), y(r)))
        .collect();
    Some(format!(
        "<svg class=\"plot\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"Distance of \
         each of {} ticks from an even division: at most {most:.3} mm\">{}{}{}</svg>",
        residuals.len(),
        levels.concat(),
        places.concat(),
        dots.concat(),
    ))
}

/// (reading from the first tick used, distance from where it should be), both in mm.
///
/// The model is the projective map of a line, t = (a·i + b) / (c·i + 1), adjusted by linear least
/// squares (Hartley & Zisserman 2004, section 2.5).
fn residuals_mm(ruler: &Ruler) -> Option<Vec<(f64, f64)>> {
    let direction = (ruler.ends[1] - ruler.ends[0]).unit()?;
    let first = ruler.ticks.first()?.index;
    let ticks: Vec<(f64, f64)> = ruler
        .ticks
        .iter()
        .filter_map(|t| {
            let p = t.points.get(t.points.len() / 2)?.at;
            Some((
                f64::from(t.index - first),
                (p - ruler.ends[0]).dot(direction),
            ))
        })
        .collect();
    let (last, length) = *ticks.last()?;
    if ticks.len() < 5 || length <= 0.0 || last <= 0.0 {
        return None;
    }
    // Both scaled to about 1, so that the equations are well conditioned.
    let rows = ticks.iter().map(|&(i, t)| {
        let (i, t) = (i / last, t / length);
        (Vector3::new(i, 1.0, -i * t), t)
    });
    let (normal, right) = rows.fold((Matrix3::zeros(), Vector3::zeros()), |(n, r), (row, t)| {
        (n + row * row.transpose(), r + row * t)
    });
    let solved = normal.try_inverse()? * right;
    let (a, b, c) = (solved[0], solved[1], solved[2]);
    let pitch = ruler.reading.pitch_mm;
    let off = ticks.iter().map(|&(i, t)| {
        let s = i / last;
        let model = (a * s + b) / (c * s + 1.0) * length;
        let px_per_pitch = (a - b * c) / (c * s + 1.0).powi(2) * length / last;
        (i * pitch, (t - model) / px_per_pitch * pitch)
    });
    Some(off.collect())
}

/// The next of 1, 2, 5 times a power of ten.
fn nice(x: f64) -> f64 {
    let power = 10_f64.powf(x.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .find(|s| s * power >= x)
        .unwrap_or(10.0);
    // Rounded, so that 0.03 does not print as 0.030000000000000002.
    (step * power * 1e6).round() / 1e6
}
