//! The shadow beside a ruler: one that lies on the cloth casts a narrow one that ends abruptly, one
//! that is held or stands above it a wide one, or in light from above a narrow one that fades slowly.

mod profile;

use measures::ruler::Shadow;
use rayon::prelude::*;

use crate::figures::EdgeLine;
use crate::grid::median;
use crate::marks::Marks;
use crate::plane::{Plane, plane_for};
use profile::Profile;

/// Distance between the lines looked at, along the ruler and across it, in millimetres.
const ALONG_MM: f64 = 1.0;
const ACROSS_MM: f64 = 0.4;
/// How far from the graduated edge: outward, and inward past the ruler's other edge.
const OUTWARD_MM: f64 = 36.0;
const INWARD_MM: f64 = 90.0;
/// Widths that rulers have.
const WIDTH_MM: (f64, f64) = (6.0, 52.0);
/// The body's edge lies at most this far outside the ticks' ends.
const INSET_MM: f64 = 2.0;
/// Parts of the ruler looked at one by one.
const SECTIONS: usize = 3;
/// So far past the first and the last mark neither ruler nor shadow lies, but the cloth's own stripes
/// go on.
const PAST_MM: (f64, f64) = (20.0, 40.0);
/// A ruler that goes on there shows this share of its graduated edge's step.
const STILL_RULER: f64 = 0.5;

/// Light (natural logarithm) on lines along the ruler, from [`OUTWARD_MM`] outside its graduated edge to
/// [`INWARD_MM`] inside, [`ACROSS_MM`] apart; `None` where the photo does not show enough of a line.
type Course = Vec<Option<f64>>;

/// The line that one long edge of the ruler lies on.
type Edge<'a> = &'a dyn Fn(&Course) -> Option<usize>;

/// A length of the shadow at one edge, in millimetres.
type Length = fn(&Profile) -> Option<f64>;

/// The shadow beside the ruler, by the long edge that shows the wider or the softer one. `None` where
/// none is seen.
pub(crate) fn beside(
    planes: &[Plane],
    marks: &Marks,
    edge: &EdgeLine,
    pitch_mm: f64,
) -> Option<Shadow> {
    let bench = Bench {
        plane: plane_for(
            planes,
            marks.grid().pitch(marks.grid().middle) / pitch_mm,
            2.5,
        ),
        marks,
        edge,
        pitch_mm,
    };
    let cloth = bench.past_the_ends().map(|part| bench.course(part));
    let parts = bench.sections().map(|part| bench.course(part));
    let each = |length: Length| {
        let of_part = |course| beside_part(course, &cloth, length).unwrap_or(0.0);
        parts.each_ref().map(of_part)
    };
    let width_mm = common_width(each(profile::width_mm));
    (width_mm > 0.0).then(|| Shadow {
        width_mm,
        fading_mm: common_fading(each(profile::fading_mm)),
    })
}

/// The width of a shadow by those beside the parts of the ruler: the greatest where they grow evenly
/// towards an end that stands higher.
fn common_width(widths: [f64; SECTIONS]) -> f64 {
    /// How far the middle one of widths that grow evenly lies from halfway: share of their difference,
    /// and what their noise adds.
    const EVENLY: f64 = 0.15;
    const NOISE_MM: f64 = 0.3;
    let [first, middle, last] = widths;
    let off = (middle - 0.5 * (first + last)).abs();
    let evenly = off <= EVENLY * (last - first).abs() + NOISE_MM;
    if evenly && is_rising(widths) {
        first.max(last)
    } else {
        common(widths)
    }
}

/// Whether lengths grow towards an end, and are there at the other.
fn is_rising(lengths: [f64; SECTIONS]) -> bool {
    let rising = lengths.is_sorted() || lengths.iter().rev().is_sorted();
    rising && lengths.iter().all(|length| *length > 0.0)
}

/// What lengths beside the parts of the ruler have in common: alike, or growing towards an end. A
/// stripe of the cloth that runs into the ruler is dark beside a part of it.
fn common(lengths: [f64; SECTIONS]) -> f64 {
    if is_rising(lengths) {
        median(&mut lengths.to_vec())
    } else {
        lengths.into_iter().fold(f64::INFINITY, f64::min)
    }
}

/// The same of how it fades; light that changes over much more beside one part is the cloth's.
fn common_fading(lengths: [f64; SECTIONS]) -> f64 {
    /// The greatest is at most so many times the least.
    const ALIKE: f64 = 3.0;
    let least = lengths.into_iter().fold(f64::INFINITY, f64::min);
    let alike = lengths.iter().all(|length| *length <= ALIKE * least);
    if alike { common(lengths) } else { least }
}

/// A length of the shadow beside a part of the ruler, the greater of both long edges. What is as dark
/// past the ruler's ends, in `cloth`, is a stripe: it is taken away.
fn beside_part(course: &Course, cloth: &[Course], length: Length) -> Option<f64> {
    let near = steepest(course, -INSET_MM, 1.0);
    let ended = |cloth: &&Course| {
        let steps = near.and_then(|k| step(cloth, k).zip(step(course, k)));
        steps.is_some_and(|(past, beside)| past < STILL_RULER * beside)
    };
    let cloth: Vec<&Course> = cloth.iter().filter(ended).collect();
    let near = |_: &Course| near;
    let far = |course: &Course| steepest(course, WIDTH_MM.0, WIDTH_MM.1);
    let outward = without_stripes(course, &cloth, [&near, &far], -1, length);
    let inward = without_stripes(course, &cloth, [&far, &near], 1, length);
    outward.into_iter().chain(inward).max_by(f64::total_cmp)
}

/// A length of the shadow at one of two edges, stripes taken away. Where the ruler's two ends tell
/// differently, the greater.
fn without_stripes(
    course: &Course,
    cloth: &[&Course],
    [edge, other]: [Edge; 2],
    direction: i64,
    length: Length,
) -> Option<f64> {
    let at = edge(course)?;
    let of = |course: &Course, edge| {
        length(&Profile {
            course,
            edge,
            other: other(course),
            direction,
        })
    };
    let striped = cloth.iter().filter(|c| of(c, at).is_some());
    let bare: Vec<Course> = striped.map(|c| difference(course, c)).collect();
    if bare.is_empty() {
        return of(course, at);
    }
    let lengths = bare.iter().filter_map(|c| of(c, edge(c)?));
    lengths.max_by(f64::total_cmp)
}

fn difference(course: &Course, other: &Course) -> Course {
    let both = course.iter().zip(other);
    both.map(|(a, b)| Some((*a)? - (*b)?)).collect()
}

/// How much the light changes about a line.
fn step(course: &Course, k: usize) -> Option<f64> {
    let at = |k: Option<usize>| course.get(k?).copied()?;
    Some((at(k.checked_add(2))? - at(k.checked_sub(2))?).abs())
}

/// The line between two distances from the graduated edge about which the light changes most.
fn steepest(course: &Course, from_mm: f64, to_mm: f64) -> Option<usize> {
    let index = |mm: f64| ((mm + OUTWARD_MM) / ACROSS_MM).round() as usize;
    (index(from_mm)..index(to_mm))
        .filter_map(|k| Some((step(course, k)?, k)))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|s| s.1)
}

struct Bench<'a> {
    plane: &'a Plane,
    marks: &'a Marks,
    edge: &'a EdgeLine,
    pitch_mm: f64,
}

impl Bench<'_> {
    /// First and last mark of each part of the ruler.
    fn sections(&self) -> [(i32, i32); SECTIONS] {
        let (first, last) = self.marks.range;
        let at = |k: usize| first + (last - first) * k as i32 / SECTIONS as i32;
        std::array::from_fn(|k| (at(k), at(k + 1)))
    }

    /// As many marks past either end of the ruler, were it longer.
    fn past_the_ends(&self) -> [(i32, i32); 2] {
        let (first, last) = self.marks.range;
        let [from, to] = [PAST_MM.0, PAST_MM.1].map(|mm| (mm / self.pitch_mm) as i32);
        [(first - to, first - from), (last + from, last + to)]
    }

    fn course(&self, section: (i32, i32)) -> Course {
        (0..((OUTWARD_MM + INWARD_MM) / ACROSS_MM) as i32)
            .into_par_iter()
            .map(|k| self.light(section, f64::from(k) * ACROSS_MM - OUTWARD_MM))
            .collect()
    }

    /// Usual light (natural logarithm) beside a part of the ruler, on the line that runs
    /// `inward_mm` inside the graduated edge.
    fn light(&self, (first, last): (i32, i32), inward_mm: f64) -> Option<f64> {
        /// The power by which light becomes grey (IEC 61966-2-1, roughly).
        const GAMMA: f64 = 2.2;
        let stride = (ALONG_MM / self.pitch_mm).round().max(1.0) as usize;
        let grid = self.marks.grid();
        let mut light: Vec<f64> = (first..=last)
            .step_by(stride)
            .filter_map(|index| {
                let i = f64::from(index);
                let v = self.edge.line.at(index)
                    + self.edge.inward * inward_mm * grid.pitch(i) / self.pitch_mm;
                let (x, y) = self.marks.axis.at(grid.place(i) + grid.lean_at(i) * v, v);
                let grey = f64::from(self.plane.bilinear(x, y)?);
                Some(GAMMA * (grey + 6.0).ln())
            })
            .collect();
        let all = ((last - first) as usize / stride).max(1);
        (3 * light.len() > 2 * all).then(|| median(&mut light))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shadow_lies_beside_the_whole_ruler() {
        assert!((common_width([12.2, 12.6, 13.0]) - 13.0).abs() < 1e-9);
        assert!((common_width([14.0, 7.5, 2.0]) - 14.0).abs() < 1e-9);
        assert!((common_width([14.0, 4.0, 2.0]) - 4.0).abs() < 1e-9);
        assert!(common_width([0.0, 19.4, 12.2]) < 1e-9);
        assert!((common_width([11.4, 12.6, 2.2]) - 2.2).abs() < 1e-9);
    }

    #[test]
    fn a_shadow_fades_alike_beside_the_whole_ruler() {
        assert!((common_fading([1.8, 2.2, 3.0]) - 2.2).abs() < 1e-9);
        assert!((common_fading([9.3, 5.0, 0.6]) - 0.6).abs() < 1e-9);
    }
}
