//! From located marks to rulers: what is one, what it says, and which of several views of the
//! same row to keep.

use measures::photo::FocalSource;
use measures::ruler::{Reading, Ruler, RulerHint, RulerUnit, Shadow, Tick, TickPoint};
use measures::unit::MM_PER_INCH;
use measures::{Camera, Point, Px};

use crate::Settings;
use crate::alone;
use crate::figures::{self, EdgeLine};
use crate::grid::{Spot, median, quantile, robust_deviation};
use crate::hierarchy::{self, Look, Verdict};
use crate::lengths::{self, Extent};
use crate::marks::{self, Marks};
use crate::plane::Plane;
use crate::propose::Candidate;
use crate::row::{self, Row};
use crate::scatter;
use crate::shadow;
use crate::strip;

/// Share of the marks from first to last that must have been located, for every class of index.
const MIN_PRESENT: f64 = 0.6;
/// ln of the likelihood ratio that the order of lengths must reach.
const MIN_EVIDENCE: f64 = 7.0;
/// … and that leaves no doubt of it.
const FIRM_EVIDENCE: f64 = 25.0;
/// … where the marks stand as evenly as only engraved and printed ones do, in pitches.
const FIRM_EVIDENCE_IF_EVEN: f64 = 15.0;
const EVEN: f64 = 0.004;
/// Where they stand no more evenly than this, in pitches, the order must leave no doubt: bars of
/// print do not.
const UNEVEN: f64 = 0.03;
/// The same against the rhythms that combs, seams and fences keep.
const MIN_LEAD: f64 = 4.0;
/// Greatest share of lengths that fit neither their own class nor chance; wear makes more of them,
/// and firm evidence bears it.
const MAX_MISFITS: f64 = 0.25;
const MAX_MISFITS_FIRM: f64 = 0.32;
/// … and more of it where the marks stand that evenly too.
const MAX_MISFITS_WORN: f64 = 0.4;
/// Greatest mean distance, in pitches, by which every second mark may be off.
const MAX_ALTERNATION: f64 = 0.02;
/// Width, in pixels, at which a camera shows a very thin mark (judged).
const BLUR_PX: f64 = 1.6;
/// … and more probable than these are likely and beyond doubt.
const LIKELY: f64 = 0.9;
const SURE: f64 = 0.98;
/// Readings less probable than this are not worth listing.
const LEAST_PROBABILITY: f64 = 0.002;

/// A row of marks that reads like a ruler.
#[derive(Clone, Debug)]
pub(crate) struct Found {
    pub(crate) marks: Marks,
    pub(crate) verdict: Verdict,
    pub(crate) extents: Vec<Extent>,
    /// The graduated edge lies at low `v`.
    pub(crate) edge_low: bool,
}

/// Looks closely at one candidate.
pub(crate) fn examine(
    planes: &[Plane],
    candidate: &Candidate,
    hint: &RulerHint,
    settings: &Settings,
) -> Option<Found> {
    let followed = strip::follow(planes, candidate)?;
    let mut rows = row::coarser(planes, &followed);
    rows.push(followed);
    rows.iter()
        .filter_map(|row| read_marks_or_gaps(planes, row, hint, settings))
        .max_by(by_evidence)
}

/// Where marks are about as wide as the gaps between them, only the lengths tell which is which.
fn read_marks_or_gaps(
    planes: &[Plane],
    row: &Row,
    hint: &RulerHint,
    settings: &Settings,
) -> Option<Found> {
    const WIDE_PITCHES: f64 = 0.4;
    let read = |row: &Row| read_row(planes, row, hint, settings);
    match read(row) {
        Some(found) if found.marks.template.width_pitches() < WIDE_PITCHES => Some(found),
        either => either
            .into_iter()
            .chain(read(&row.between()))
            .max_by(by_evidence),
    }
}

fn by_evidence(a: &Found, b: &Found) -> std::cmp::Ordering {
    a.verdict.evidence.total_cmp(&b.verdict.evidence)
}

fn read_row(planes: &[Plane], row: &Row, hint: &RulerHint, settings: &Settings) -> Option<Found> {
    let marks = marks::locate(planes, row)?;
    if !is_regular(&marks, settings) {
        return None;
    }
    let extents = lengths::extents(planes, &marks);
    let look = Look {
        width_pitches: marks.template.width_pitches(),
        blur_pitches: BLUR_PX / marks.grid().pitch(marks.grid().middle),
    };
    let read = |low: bool| {
        let lengths = ranked(&marks, &extents, low).filter(|l| !lengths::grow(l))?;
        Some((hierarchy::read(&lengths, look, hint.unit)?, low))
    };
    let (verdict, edge_low) = [true, false]
        .into_iter()
        .filter_map(read)
        .max_by(|a, b| a.0.evidence.total_cmp(&b.0.evidence))?;
    if !keeps_order(&verdict, &marks) {
        return None;
    }
    let edge = graduated_edge(&extents, edge_low)?;
    if alone::goes_on(planes, &marks, edge.line, -edge.inward) {
        return None;
    }
    Some(Found {
        marks,
        verdict,
        extents,
        edge_low,
    })
}

/// Whether the lengths keep a ruler's order, and no other.
fn keeps_order(verdict: &Verdict, marks: &Marks) -> bool {
    let even = marks.unevenness < EVEN;
    let beyond = |least| verdict.evidence > least && verdict.lead > least;
    let most = if even && beyond(FIRM_EVIDENCE) {
        MAX_MISFITS_WORN
    } else if beyond(if even {
        FIRM_EVIDENCE_IF_EVEN
    } else {
        FIRM_EVIDENCE
    }) {
        MAX_MISFITS_FIRM
    } else {
        MAX_MISFITS
    };
    let even_or_firm = marks.unevenness < UNEVEN || beyond(FIRM_EVIDENCE);
    let ordered = verdict.evidence >= MIN_EVIDENCE && verdict.lead >= MIN_LEAD;
    ordered && even_or_firm && verdict.misfits <= most
}

fn is_regular(marks: &Marks, settings: &Settings) -> bool {
    let indices = marks.indices();
    if indices.len() < settings.min_ticks || marks.unevenness > marks::MAX_UNEVENNESS {
        return false;
    }
    // The two edges of broad marks, taken for marks themselves, stand alternately too near and
    // too far.
    if marks.alternation().abs() > MAX_ALTERNATION {
        return false;
    }
    let (first, last) = marks.range;
    (1..=4).all(|modulus| {
        (0..modulus).all(|residue| {
            let of_class = |i: &i32| i.rem_euclid(modulus) == residue;
            let seen = indices.iter().filter(|i| of_class(i)).count() as f64;
            let all = (first..=last).filter(of_class).count() as f64;
            all < 3.0 || seen >= MIN_PRESENT * all
        })
    })
}

/// Lengths from the common edge, in pitches. `None` when the marks do not begin at a common edge.
fn ranked(marks: &Marks, extents: &[Extent], edge_low: bool) -> Option<Vec<(i32, f64)>> {
    let grid = marks.grid();
    let near = |e: &Extent| if edge_low { -e.low } else { e.high };
    let far = |e: &Extent| if edge_low { e.high } else { -e.low };
    let edge = line_through(extents, near)?;
    let off: Vec<f64> = extents
        .iter()
        .map(|e| (near(e) - edge.at(e.index)) / grid.pitch(f64::from(e.index)))
        .collect();
    if robust_deviation(&off) > 0.5 {
        return None;
    }
    let length = |e: &Extent| (far(e) + edge.at(e.index)) / grid.pitch(f64::from(e.index));
    let is_cut = |e: &Extent| {
        if edge_low {
            e.high_is_cut
        } else {
            e.low_is_cut
        }
    };
    let longest_whole = extents
        .iter()
        .filter(|e| !is_cut(e))
        .map(length)
        .fold(0.0, f64::max);
    // What the photo's edge has cut off says nothing, unless it is the longest all the same.
    Some(
        extents
            .iter()
            .filter(|e| !is_cut(e) || length(e) >= longest_whole)
            .map(|e| (e.index, length(e)))
            .collect(),
    )
}

/// Where the marks begin.
fn graduated_edge(extents: &[Extent], edge_low: bool) -> Option<EdgeLine> {
    let near = |e: &Extent| if edge_low { e.low } else { e.high };
    Some(EdgeLine {
        line: line_through(extents, near)?,
        inward: if edge_low { 1.0 } else { -1.0 },
    })
}

/// A line through the extents' ends by the median of slopes (Theil 1950), robust against
/// contaminated ones.
fn line_through(extents: &[Extent], end: impl Fn(&Extent) -> f64) -> Option<Line> {
    let half = extents.len() / 2;
    if half < 3 {
        return None;
    }
    let mut slopes: Vec<f64> = extents
        .iter()
        .zip(&extents[half..])
        .map(|(a, b)| (end(b) - end(a)) / f64::from(b.index - a.index))
        .collect();
    let slope = median(&mut slopes);
    let mut starts: Vec<f64> = extents
        .iter()
        .map(|e| end(e) - slope * f64::from(e.index))
        .collect();
    let start = median(&mut starts);
    Some(Line { start, slope })
}

/// Where a line along the row lies at each mark, in the axis' frame.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Line {
    start: f64,
    slope: f64,
}

impl Line {
    pub(crate) fn at(&self, index: i32) -> f64 {
        self.start + self.slope * f64::from(index)
    }
}

/// Keeps the best view of each row, and weighs its readings against those of the others.
pub(crate) fn settle(
    planes: &[Plane],
    mut found: Vec<Found>,
    camera: &Camera,
    hint: &RulerHint,
    settings: &Settings,
) -> Vec<Ruler> {
    found.sort_by(|a, b| b.worth().total_cmp(&a.worth()));
    let mut kept: Vec<Found> = Vec::new();
    for f in found {
        if !kept.iter().any(|k| k.overlaps(&f)) {
            kept.extend(f.finest(planes, hint, settings).finished(planes));
        }
    }
    for f in &mut kept {
        let pitch_px = f.mean_pitch_px();
        weigh_by_distance(&mut f.verdict.readings, pitch_px, camera);
    }
    agree_on_readings(&mut kept);
    kept.sort_by(|a, b| b.usefulness().total_cmp(&a.usefulness()));
    kept.iter().filter_map(|f| f.ruler(planes)).collect()
}

/// What a person should know of the rulers found.
pub(crate) fn reasons(rulers: &[Ruler], settings: &Settings) -> Vec<String> {
    let mut reasons = Vec::new();
    if rulers.is_empty() {
        reasons.push(
            "no ruler was recognised: needed is a row of evenly spaced divisions with longer ones \
             in the usual order; lay a ruler flat on the cloth, sharp and fully in shot, and \
             photograph again"
                .to_owned(),
        );
    }
    for ruler in rulers {
        if ruler.reading.probability < settings.sure_reading_probability {
            let others: Vec<String> = ruler.other_readings.iter().map(describe).collect();
            reasons.push(format!(
                "a ruler's divisions are probably {}, but {} remain possible: check one printed \
                 distance, say in the job which unit the ruler has, or photograph more of its \
                 numbered marks",
                describe(&ruler.reading),
                if others.is_empty() {
                    "others".to_owned()
                } else {
                    others.join(" or ")
                }
            ));
        }
    }
    reasons
}

/// People hold a camera at about this distance from a shirt; common practice, no source.
const USUAL_DISTANCE_MM: f64 = 280.0;
/// Standard deviation of the logarithm of that distance.
const DISTANCE_SPREAD: f64 = 0.6;
/// Least weight of a reading for an unusual distance (judged): one photo in ten may be a close-up
/// or cropped.
const ODD_DISTANCE: f64 = 0.1;

/// Each reading puts the ruler at a distance from the camera; a reading that asks for an unusual
/// one is less probable. Says nothing where the focal length is only assumed.
pub(crate) fn weigh_by_distance(readings: &mut [Reading], pitch_px: f64, camera: &Camera) {
    if camera.focal_source == FocalSource::Assumed {
        return;
    }
    for reading in &mut *readings {
        let distance_mm = camera.focal_px * reading.pitch_mm / pitch_px;
        let off = (distance_mm / USUAL_DISTANCE_MM).ln() / DISTANCE_SPREAD;
        reading.probability *= (-0.5 * off * off).exp().max(ODD_DISTANCE);
    }
    in_order(readings);
}

/// Makes the probabilities sum to one, and the most probable reading the first.
fn in_order(readings: &mut [Reading]) {
    let total: f64 = readings.iter().map(|r| r.probability).sum();
    for reading in &mut *readings {
        reading.probability /= total;
    }
    readings.sort_by(|a, b| b.probability.total_cmp(&a.probability));
}

/// Rows in one photo lie at about the same distance: their readings must give about the same
/// scale. Two rows with pitches in the ratio 1.5875 settle each other as 1/16 inch and 1 mm.
const SAME_SCALE: f64 = 0.02;
/// Chance that a second row says nothing about the first: a ruler nearer the camera, or misread.
const UNRELATED: f64 = 0.004;

fn agree_on_readings(found: &mut [Found]) {
    let before: Vec<Found> = found.to_vec();
    for (i, f) in found.iter_mut().enumerate() {
        let pitch = before[i].mean_pitch_px();
        for reading in &mut f.verdict.readings {
            let scale = pitch / reading.pitch_mm;
            for (j, other) in before.iter().enumerate() {
                if i == j {
                    continue;
                }
                let agreement: f64 = other
                    .verdict
                    .readings
                    .iter()
                    .map(|r| {
                        let off = (other.mean_pitch_px() / r.pitch_mm / scale).ln() / SAME_SCALE;
                        r.probability * (-0.5 * off * off).exp()
                    })
                    .sum();
                // Rows of one ruler are misread for the same reasons: their word counts half.
                reading.probability *= (agreement + UNRELATED).sqrt();
            }
        }
        in_order(&mut f.verdict.readings);
        f.verdict
            .readings
            .retain(|r| r.probability > LEAST_PROBABILITY);
    }
}

fn describe(reading: &Reading) -> String {
    let percent = 100.0 * reading.probability;
    match reading.unit {
        RulerUnit::Mm => format!("{} mm ({percent:.0} %)", reading.pitch_mm),
        RulerUnit::Inch => {
            format!(
                "1/{:.0} inch ({percent:.0} %)",
                MM_PER_INCH / reading.pitch_mm
            )
        }
    }
}

impl Found {
    /// The same row with the marks that halve its divisions, as long as there are such.
    fn finest(self, planes: &[Plane], hint: &RulerHint, settings: &Settings) -> Self {
        let finer = self
            .halved()
            .and_then(|candidate| strip::follow(planes, &candidate))
            .and_then(|row| read_marks_or_gaps(planes, &row, hint, settings))
            .filter(|finer| {
                let ratio = finer.mean_pitch_px() / self.mean_pitch_px();
                (ratio - 0.5).abs() < 0.02 && finer.worth() > self.worth()
            });
        match finer {
            Some(finer) => finer.finest(planes, hint, settings),
            None => self,
        }
    }

    /// Where marks half a division apart would stand: they are shorter, and begin at the same edge.
    fn halved(&self) -> Option<Candidate> {
        const OF_USUAL_LENGTH: f64 = 0.3;
        let [a, b] = self.ends();
        let edge = graduated_edge(&self.extents, self.edge_low)?;
        let mut lengths: Vec<f64> = self.extents.iter().map(|e| e.high - e.low).collect();
        let (first, last) = self.marks.range;
        let middle = first.midpoint(last);
        let v = edge.line.at(middle) + edge.inward * OF_USUAL_LENGTH * median(&mut lengths);
        let (grid, i) = (self.marks.grid(), f64::from(middle));
        Some(Candidate {
            centre: self.marks.axis.at(grid.place(i) + grid.lean_at(i) * v, v),
            angle: (b - a).y.atan2((b - a).x),
            half_length_px: 0.5 * a.distance(b),
            period_px: 0.5 * grid.pitch(i),
            score: self.worth(),
        })
    }

    /// With its figures read and its marks located with every sample there is.
    fn finished(mut self, planes: &[Plane]) -> Option<Self> {
        let edge = graduated_edge(&self.extents, self.edge_low)?;
        if let Some(figures) = figures::find(planes, &self.marks, &edge, self.verdict.figures_at) {
            self.verdict.weigh_by_figures(&figures);
        }
        let tip = |e: &Extent| if self.edge_low { e.high } else { e.low };
        let tips: Vec<(i32, f64)> = self.extents.iter().map(|e| (e.index, tip(e))).collect();
        let mut marks = self.marks.refined(planes)?.with_long_marks(planes, &tips);
        let shared = scatter::design_effect(&marks.spots, marks.grid());
        marks.fit.covariance *= shared;
        for spot in &mut marks.spots {
            spot.sigma *= shared.sqrt();
        }
        Some(Self { marks, ..self })
    }

    /// The finest pitch that another ruler at about the same distance is likely to show, in photo
    /// pixels; `None` unless this is surely a ruler and its unit likely.
    pub(crate) fn finest_pitch_px(&self) -> Option<f64> {
        const FINEST_MM: f64 = 0.5;
        const FARTHER: f64 = 0.85;
        let likeliest = self.verdict.readings.first()?;
        let sure = self.verdict.evidence > FIRM_EVIDENCE && likeliest.probability > LIKELY;
        sure.then(|| FARTHER * FINEST_MM * self.mean_pitch_px() / likeliest.pitch_mm)
    }

    fn worth(&self) -> f64 {
        self.verdict.evidence
    }

    fn usefulness(&self) -> f64 {
        let sure = self.verdict.readings.first().map_or(0.0, |r| r.probability);
        let [a, b] = self.ends();
        a.distance(b) * if sure > SURE { 1.0 } else { 0.1 * sure }
    }

    fn mean_pitch_px(&self) -> f64 {
        let [a, b] = self.ends();
        let (first, last) = self.marks.range;
        a.distance(b) / f64::from(last - first)
    }

    /// The first and the last mark, where a line along the ruler (parallel to its graduated edge)
    /// crosses them. The axis itself may run a degree or two off that direction, which would make
    /// the distance too long.
    fn ends(&self) -> [Point<Px>; 2] {
        let grid = self.marks.grid();
        let (first, last) = self.marks.range;
        let edge = graduated_edge(&self.extents, self.edge_low).map(|edge| edge.line);
        let middle = first.midpoint(last);
        [first, last].map(|i| {
            let v = edge
                .as_ref()
                .map_or(0.0, |edge| edge.at(i) - edge.at(middle));
            let t = grid.place(f64::from(i)) + grid.lean_at(f64::from(i)) * v;
            let (x, y) = self.marks.axis.at(t, v);
            Point::new(x, y)
        })
    }

    /// Whether a candidate lies on this ruler's face, if this is surely one, and does not reach far
    /// beyond its marks, where more may stand after a gap.
    pub(crate) fn explains(&self, candidate: &Candidate) -> bool {
        const BEYOND: f64 = 0.1;
        let [a, b] = self.ends();
        let centre = Point::new(candidate.centre.0, candidate.centre.1);
        let body = self.body();
        let sides =
            [0, 1, 2, 3].map(|k| (body[(k + 1) % 4] - body[k]).cross(centre - body[k]) > 0.0);
        let within = sides.iter().all(|&s| s == sides[0]);
        let length = a.distance(b);
        let off_middle = (b - a).dot(centre - a.lerp(b, 0.5)).abs() / length;
        within
            && self.verdict.evidence > FIRM_EVIDENCE
            && off_middle + candidate.half_length_px < (0.5 + BEYOND) * length
    }

    /// Whether the other is a view of the same row.
    fn overlaps(&self, other: &Self) -> bool {
        let [a, b] = self.ends();
        let [c, d] = other.ends();
        let Some(along) = (b - a).unit() else {
            return true;
        };
        let length = (b - a).length();
        let pitch = self.marks.grid().pitch(self.marks.grid().middle);
        let reach = self.marks.half_band_px + other.marks.half_band_px + 2.0 * pitch;
        [0.1, 0.3, 0.5, 0.7, 0.9].iter().any(|&s| {
            let p = c.lerp(d, s) - a;
            let t = p.dot(along);
            t > 0.0 && t < length && along.cross(p).abs() < reach
        })
    }

    fn ruler(&self, planes: &[Plane]) -> Option<Ruler> {
        let marks = &self.marks;
        let (first, last) = marks.range;
        let mut spots = marks.spots.clone();
        spots.sort_by(|a, b| a.index.cmp(&b.index).then(a.v.total_cmp(&b.v)));
        let ticks = spots
            .chunk_by(|a, b| a.index == b.index)
            .map(|spots| {
                let index = spots[0].index;
                let point = |s: &Spot| {
                    let (x, y) = marks.axis.at(s.t, s.v);
                    TickPoint {
                        at: Point::new(x, y),
                        sigma_px: s.sigma,
                    }
                };
                let mut points: Vec<TickPoint> = spots.iter().map(point).collect();
                if !self.edge_low {
                    points.reverse();
                }
                let extent = self.extents.iter().find(|e| e.index == index);
                Tick {
                    index: index - first,
                    points,
                    length_px: extent.map_or(0.0, |e| e.high - e.low),
                }
            })
            .collect();
        let ends = self.ends();
        let reading = *self.verdict.readings.first()?;
        let base_mm = f64::from(last - first) * reading.pitch_mm;
        Some(Ruler {
            reading,
            other_readings: self.verdict.readings[1..].to_vec(),
            ticks,
            body: self.body(),
            px_per_mm: ends[0].distance(ends[1]) / base_mm,
            u_px_per_mm: 2.0 * marks.fit.u_length_px(first, last) / base_mm,
            shadow: self.shadow(planes, reading.pitch_mm),
            ends,
        })
    }

    fn shadow(&self, planes: &[Plane], pitch_mm: f64) -> Option<Shadow> {
        let edge = graduated_edge(&self.extents, self.edge_low)?;
        shadow::beside(planes, &self.marks, &edge, pitch_mm)
    }

    fn body(&self) -> [Point<Px>; 4] {
        /// The longest ticks end here; lint and scratches carry a few on across the ruler.
        const LONGEST: f64 = 0.96;
        let grid = self.marks.grid();
        let (first, last) = self.marks.range;
        let pitch = grid.pitch(grid.middle);
        let (from, to) = (
            grid.place(f64::from(first) - 1.0),
            grid.place(f64::from(last) + 1.0),
        );
        let (mut lows, mut highs): (Vec<f64>, Vec<f64>) =
            self.extents.iter().map(|e| (e.low, e.high)).unzip();
        let (near, far) = if self.edge_low {
            (median(&mut lows), quantile(&mut highs, LONGEST))
        } else {
            (median(&mut highs), quantile(&mut lows, 1.0 - LONGEST))
        };
        let away = (far - near).signum();
        let (near, far) = (near - away * pitch, near + 2.0 * (far - near));
        [(from, near), (to, near), (to, far), (from, far)].map(|(t, v)| {
            let (x, y) = self.marks.axis.at(t, v);
            Point::new(x, y)
        })
    }
}
