//! The few places that a person should look at, close up: where another version is suspected, and where
//! outline and residue agree worst.

use image::{Rgb, RgbImage};
use measures::fit::EdgeSample;
use measures::{Fit, Point, Px, Suspected, Suspicion};
use rayon::prelude::*;

use super::Error;
use super::drawing::{DARK, LIGHT, Layer};
use super::outline_marks::Traced;
use super::view::{View, jpeg};

/// A picture of one such place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Closeup {
    /// JPEG: the photo with its contrast raised, and the same with the outline.
    pub jpg: Vec<u8>,
    /// What is to be seen there.
    pub words: String,
}

/// A place to look at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Place {
    pub(super) at: Point<Px>,
    px_per_mm: f64,
    /// Side of what a picture of it shows.
    frame_mm: f64,
    what: What,
}

/// What is wrong there.
#[derive(Clone, Copy, Debug, PartialEq)]
enum What {
    /// The residue's edge lies so far outside (+) or inside (−) the outline, in mm.
    Off(f64),
    /// No edge is seen over this length, in mm.
    Unseen(f64),
    /// Another version is suspected, from so many mm².
    Suspected(Suspected, f64),
}

/// Most places shown, and most of them without an edge where enough others are left.
const PLACES: usize = 4;
const UNSEEN_PLACES: usize = 2;
/// Shorter stretches without an edge, and smaller distances, are not worth a look.
const UNSEEN_MIN_MM: f64 = 1.0;
const OFF_MIN_MM: f64 = 0.05;
/// A distance is the mean over so much of the outline to either side.
const REACH_MM: f64 = 1.5;
/// Side of what a picture shows: for a suspicion so many times what a square of its area has, but not
/// more than the most.
const FRAME_MM: f64 = 10.0;
const FRAME_SIDES: f64 = 2.5;
const FRAME_MOST_MM: f64 = 40.0;
/// Finer than this is the cloth's texture, which would hide the edge.
const FINEST_MM: f64 = 0.1;
/// Sizes in a picture, in pixels.
const SIDE_PX: u32 = 300;
const GAP_PX: u32 = 4;
const BAR_PX: u32 = 34;
const LETTERS_PX: f64 = 17.0;
const BAR_MM: f64 = 2.0;

impl What {
    fn words(self) -> String {
        match self {
            Self::Off(mm) => {
                let side = if mm > 0.0 { "outside" } else { "inside" };
                format!("edge {:.2} mm {side}", mm.abs())
            }
            Self::Unseen(mm) => format!("no edge seen over {mm:.1} mm"),
            Self::Suspected(Suspected::Surplus, mm2) => {
                format!("residue where the artwork has none, {mm2:.0} mm²")
            }
            Self::Suspected(Suspected::MadeHole, mm2) => {
                format!("a hole that looks made, {mm2:.0} mm²")
            }
            Self::Suspected(Suspected::MissingParts, mm2) => {
                format!("a part without residue, {mm2:.0} mm²")
            }
        }
    }

    fn frame_mm(self) -> f64 {
        match self {
            Self::Off(_) | Self::Unseen(_) => FRAME_MM,
            Self::Suspected(_, mm2) => (FRAME_SIDES * mm2.sqrt()).clamp(FRAME_MM, FRAME_MOST_MM),
        }
    }
}

/// The worst places: where another version is suspected, where no edge is seen for longest, and where it
/// lies farthest off.
pub(super) fn worst_places(fit: &Fit, suspicions: &[Suspicion]) -> Vec<Place> {
    let to_art = fit.art_to_photo.inverse();
    let px_per_mm =
        |at: Point<Px>| to_art.map_or(1.0, |m| 1.0 / (m.scale_at(at) * fit.mm_per_art).max(1e-9));
    let (mut unseen, mut off) = (Vec::new(), Vec::new());
    for run in runs(&fit.samples, &px_per_mm) {
        unseen.extend(unseen_stretches(run));
        off.extend(distances(run));
    }
    let worst_first = |places: &mut Vec<(Point<Px>, f64)>| {
        places.sort_by(|a, b| b.1.abs().total_cmp(&a.1.abs()));
    };
    worst_first(&mut unseen);
    worst_first(&mut off);
    let unseen = unseen.into_iter().map(|(at, mm)| (at, What::Unseen(mm)));
    let off = off.into_iter().map(|(at, mm)| (at, What::Off(mm)));
    let mut chosen: Vec<Place> = Vec::new();
    let mut choose = |places: &mut dyn Iterator<Item = (Point<Px>, What)>, most: usize| {
        for (at, what) in places {
            let (px_per_mm, frame_mm) = (px_per_mm(at), what.frame_mm());
            let apart = |p: &Place| {
                let [dx, dy] = [p.at.x - at.x, p.at.y - at.y].map(f64::abs);
                dx.max(dy) > 0.5 * (p.frame_mm + frame_mm) * px_per_mm
            };
            if chosen.len() < most && chosen.iter().all(apart) {
                chosen.push(Place {
                    at,
                    px_per_mm,
                    frame_mm,
                    what,
                });
            }
        }
    };
    let suspected = suspicions
        .iter()
        .filter_map(|s| Some((s.at?, What::Suspected(s.what, s.area_mm2))));
    choose(&mut suspected.clone(), PLACES);
    choose(&mut unseen.clone(), suspected.count() + UNSEEN_PLACES);
    choose(&mut off.into_iter(), PLACES);
    choose(&mut unseen.into_iter(), PLACES);
    chosen
}

/// Samples that follow each other on one contour.
fn runs<'a>(
    samples: &'a [EdgeSample],
    px_per_mm: &impl Fn(Point<Px>) -> f64,
) -> impl Iterator<Item = &'a [EdgeSample]> {
    samples.chunk_by(move |a, b| {
        let step_mm = a.at.distance(b.at) / px_per_mm(a.at);
        step_mm <= 3.0 * a.length_mm.max(b.length_mm)
    })
}

/// Middle and length of every stretch without an edge.
fn unseen_stretches(run: &[EdgeSample]) -> impl Iterator<Item = (Point<Px>, f64)> {
    run.chunk_by(|a, b| a.offset_mm.is_some() == b.offset_mm.is_some())
        .filter(|stretch| stretch[0].offset_mm.is_none())
        .map(|stretch| {
            let length: f64 = stretch.iter().map(|s| s.length_mm).sum();
            let mut passed = 0.0;
            let middle = stretch.iter().find(|s| {
                passed += s.length_mm;
                passed >= 0.5 * length
            });
            (middle.unwrap_or(&stretch[0]).at, length)
        })
        .filter(|(_, mm)| *mm >= UNSEEN_MIN_MM)
}

/// The mean distance of the edge about every sample that has enough of it to either side.
fn distances(run: &[EdgeSample]) -> impl Iterator<Item = (Point<Px>, f64)> {
    (0..run.len()).filter_map(|k| {
        let after = within_reach(run[k..].iter());
        let before = within_reach(run[..k].iter().rev());
        if before == k || k + after == run.len() {
            return None;
        }
        let (mut sum, mut seen, mut all) = (0.0, 0.0, 0.0);
        for s in &run[k - before..k + after] {
            all += s.length_mm;
            if let Some(offset) = s.offset_mm {
                sum += offset * s.length_mm;
                seen += s.length_mm;
            }
        }
        let mean = sum / f64::max(seen, 1e-9);
        let enough = seen > 0.6 * all && run[k].offset_mm.is_some();
        (enough && mean.abs() >= OFF_MIN_MM).then_some((run[k].at, mean))
    })
}

/// How many samples are no farther than a mean reaches.
fn within_reach<'a>(samples: impl Iterator<Item = &'a EdgeSample>) -> usize {
    let mut reached = 0.0;
    samples
        .take_while(|s| {
            reached += s.length_mm;
            reached <= REACH_MM
        })
        .count()
}

/// A frame round a place, as it is drawn on a larger picture.
pub(super) struct Frame {
    pub(super) outline: Vec<Point<Px>>,
    pub(super) number: String,
    /// The middle of the disc behind the number.
    pub(super) number_at: Point<Px>,
}

/// Frames round the places, numbered in their order, with discs of this radius behind the
/// numbers; those whose middle lies in the picture, whole in it.
pub(super) fn frames(
    places: &[Place],
    view: &View,
    photo: (u32, u32),
    radius_px: f64,
) -> Vec<Frame> {
    let size = view.shown().map(f64::from);
    let inside = |p: Point<Px>, rim: f64| {
        let within = |v: f64, most: f64| v.clamp(rim, (most - rim).max(rim));
        Point::new(within(p.x, size[0]), within(p.y, size[1]))
    };
    let shown = |p: &Place| {
        let middle = view.place(p.at);
        (0.0..size[0]).contains(&middle.x) && (0.0..size[1]).contains(&middle.y)
    };
    let frame = |(k, place): (usize, &Place)| {
        let square = place.square(photo);
        let [x, y] = square.corner.map(f64::from);
        let side = f64::from(square.size[0]);
        let corners = [
            (0.0, 0.0),
            (side, 0.0),
            (side, side),
            (0.0, side),
            (0.0, 0.0),
        ];
        let corner = |(dx, dy)| inside(view.place(Point::new(x + dx, y + dy)), 1.0);
        let outline = corners.map(corner).to_vec();
        Frame {
            number_at: inside(outline[0], radius_px + 1.0),
            outline,
            number: (k + 1).to_string(),
        }
    };
    let numbered = places.iter().enumerate();
    numbered.filter(|(_, p)| shown(p)).map(frame).collect()
}

impl Place {
    /// The part of the photo that a picture of this place shows.
    fn square(&self, photo: (u32, u32)) -> View {
        let side_px = self.frame_mm * self.px_per_mm;
        View::square(self.at, side_px, f64::from(SIDE_PX), photo)
    }
}

/// A picture of each place.
///
/// # Errors
/// When a picture cannot be encoded.
pub(super) fn draw(
    photo: &RgbImage,
    traced: &Traced,
    bleed_mm: f64,
    places: &[Place],
) -> Result<Vec<Closeup>, Error> {
    let numbered: Vec<_> = places.iter().enumerate().collect();
    let pictures = numbered.into_par_iter().map(|(k, place)| {
        let jpg = jpeg(&picture(photo, traced, bleed_mm, place, k + 1)?)?;
        let words = place.what.words();
        Ok(Closeup { jpg, words })
    });
    pictures.collect()
}

fn picture(
    photo: &RgbImage,
    traced: &Traced,
    bleed_mm: f64,
    place: &Place,
    number: usize,
) -> Result<RgbImage, Error> {
    let view = place.square(photo.dimensions());
    let plain = contrasted(photo, &view, place.frame_mm)?;
    let mut marked = plain.clone();
    let bleed_px = bleed_mm * place.px_per_mm;
    if bleed_px * view.scale >= 2.0 {
        dotted(&mut marked, &view, &traced.outwards(bleed_px));
    }
    traced.mark_cased(&mut marked, &view, 1.0, [4.8, 3.8, 2.8]);
    let width = 2 * SIDE_PX + GAP_PX;
    let mut picture = RgbImage::from_pixel(width, SIDE_PX + BAR_PX, Rgb(DARK));
    image::imageops::replace(&mut picture, &plain, 0, 0);
    image::imageops::replace(&mut picture, &marked, i64::from(SIDE_PX + GAP_PX), 0);
    let mut layer = Layer::over(&picture);
    let foot = f64::from(SIDE_PX) + 0.5 * f64::from(BAR_PX) + 0.36 * LETTERS_PX;
    let words = format!("{number}   {}", place.what.words());
    layer.words(Point::new(10.0, foot), LETTERS_PX, LIGHT, &words);
    let long = BAR_MM * place.px_per_mm * view.scale;
    let right = f64::from(width) - 10.0;
    let label = format!("{BAR_MM:.0} mm");
    let label_at = right - 0.62 * LETTERS_PX * label.len() as f64;
    layer.words(Point::new(label_at, foot), LETTERS_PX, LIGHT, &label);
    let middle = f64::from(SIDE_PX) + 0.5 * f64::from(BAR_PX);
    let end = Point::new(label_at - 10.0, middle);
    layer.stroke(Point::new(end.x - long, middle), end, 4.0, LIGHT);
    layer.onto(&mut picture);
    Ok(picture)
}

/// Where the residue's own edge should lie.
fn dotted(picture: &mut RgbImage, view: &View, lines: &[Vec<Point<Px>>]) {
    const DOTS_APART_PX: f64 = 7.0;
    for (width, colour) in [(3.6, DARK), (2.2, LIGHT)] {
        let mut layer = Layer::over(picture);
        for line in lines {
            let mut next = 0.0;
            let mut passed = 0.0;
            for pair in line.windows(2) {
                let [from, to] = [pair[0], pair[1]].map(|p| view.place(p));
                let side = from.distance(to);
                while next < passed + side {
                    let dot = from.lerp(to, (next - passed) / side);
                    layer.stroke(dot, dot, width, colour);
                    next += DOTS_APART_PX;
                }
                passed += side;
            }
        }
        layer.onto(picture);
    }
}

/// A part of the photo, fine texture smoothed, with its contrast raised: what differs little is
/// told apart, and the garment's colour is still guessed.
fn contrasted(photo: &RgbImage, view: &View, frame_mm: f64) -> Result<RgbImage, Error> {
    const COLOUR_KEPT: f32 = 0.4;
    const MIDDLE: f32 = 120.0;
    const RANGE: f32 = 190.0;
    const GAIN_MAX: f32 = 12.0;
    let side = f64::from(view.size[0]);
    let smooth = View {
        scale: (frame_mm / FINEST_MM / side).min(1.0),
        ..*view
    };
    let mut picture = smooth.cut(photo)?;
    let count = (picture.width() * picture.height()).max(1) as f32;
    let mut sums = [0.0f32; 3];
    for Rgb(p) in picture.pixels() {
        sums.iter_mut()
            .zip(p)
            .for_each(|(s, c)| *s += f32::from(*c));
    }
    let means = sums.map(|s| s / count);
    let grey = means.iter().sum::<f32>() / 3.0;
    // The channel that differs most decides, robustly: lint and ticks of a ruler do not.
    let range = |c: usize| {
        let mut values: Vec<u8> = picture.pixels().map(|p| p.0[c]).collect();
        values.sort_unstable();
        let at = |share: f32| f32::from(values[(share * (values.len() - 1) as f32) as usize]);
        at(0.98) - at(0.02)
    };
    let widest = (0..3).map(range).fold(1.0, f32::max);
    let gain = (RANGE / widest).clamp(1.0, GAIN_MAX);
    for Rgb(p) in picture.pixels_mut() {
        *p = [0, 1, 2].map(|c| {
            let base = MIDDLE + COLOUR_KEPT * (means[c] - grey);
            (base + gain * (f32::from(p[c]) - means[c])) as u8
        });
    }
    let larger = View::whole(picture.dimensions(), f64::from(SIDE_PX), f64::INFINITY);
    larger.cut(&picture)
}

#[cfg(test)]
mod tests {
    use measures::{Art, Map, Mm, Vector};

    use super::*;

    /// Ten pixels for a millimetre; samples every half millimetre along two straight contours.
    fn fit(offset: impl Fn(usize, f64) -> Option<f64>) -> Fit {
        let to_cloth: Map<Art, Mm> = Map::similarity(1.0, 0.0, Vector::new(0.0, 0.0));
        let to_photo: Map<Art, Px> = Map::similarity(10.0, 0.0, Vector::new(0.0, 0.0));
        let sample = |contour: usize, k: u32| {
            let mm = 0.5 * f64::from(k);
            EdgeSample {
                at: Point::new(10.0 * mm, 100.0 + 500.0 * contour as f64),
                offset_mm: offset(contour, mm),
                length_mm: 0.5,
            }
        };
        let contours = (0..2).flat_map(|c| (0..160).map(move |k| (c, k)));
        Fit {
            art_to_cloth: to_cloth,
            art_to_photo: to_photo,
            mm_per_art: 1.0,
            rotation_deg: 0.0,
            bleed_mm: 0.2,
            edge_mean_mm: 0.0,
            edge_p95_mm: 0.0,
            outline_seen: 1.0,
            u_size_percent: 0.1,
            u_shift_mm: 0.1,
            u_rotation_deg: 0.1,
            u_outline_mm: 0.1,
            u_middle_mm: 0.1,
            signal_to_noise: 20.0,
            samples: contours.map(|(c, k)| sample(c, k)).collect(),
        }
    }

    #[test]
    fn the_worst_places_are_those_planted() {
        let fit = fit(|contour, mm| match contour {
            0 if (20.0..24.0).contains(&mm) => None,
            0 if (60.0..64.0).contains(&mm) => Some(-0.3),
            1 if (40.0..42.0).contains(&mm) => None,
            1 if (70.0..74.0).contains(&mm) => Some(0.2),
            _ => Some(0.01),
        });
        let places = worst_places(&fit, &[]);
        let words: Vec<String> = places.iter().map(|p| p.what.words()).collect();
        assert_eq!(
            words,
            [
                "no edge seen over 4.0 mm",
                "no edge seen over 2.0 mm",
                "edge 0.30 mm inside",
                "edge 0.20 mm outside",
            ]
        );
        let near = [
            (220.0, 100.0),
            (410.0, 600.0),
            (620.0, 100.0),
            (720.0, 600.0),
        ];
        for (place, (x, y)) in places.iter().zip(near) {
            assert!(place.at.distance(Point::new(x, y)) < 20.0, "{:?}", place.at);
            assert!((place.px_per_mm - 10.0).abs() < 1e-9);
        }
    }

    #[test]
    fn an_outline_that_agrees_everywhere_has_no_worst_place() {
        assert_eq!(worst_places(&fit(|_, _| Some(0.02)), &[]), []);
        // Whether an edge jumps to and fro is no distance.
        let jumping = fit(|_, mm| Some(if mm.fract() == 0.0 { 0.3 } else { -0.3 }));
        assert_eq!(worst_places(&jumping, &[]), []);
    }

    #[test]
    fn pictures_of_neighbouring_places_do_not_overlap() {
        let everywhere = worst_places(&fit(|_, mm| (mm > 30.0).then_some(0.2)), &[]);
        assert_eq!(everywhere.len(), PLACES);
        for (k, a) in everywhere.iter().enumerate() {
            for b in &everywhere[k + 1..] {
                assert!(a.at.distance(b.at) > FRAME_MM * a.px_per_mm);
            }
        }
    }

    #[test]
    fn where_another_version_is_suspected_is_shown_first_and_whole() {
        let suspicion = |what, at, area_mm2| Suspicion { what, at, area_mm2 };
        let at = Point::new(500.0, 300.0);
        let suspicions = [
            suspicion(Suspected::MissingParts, None, 30.0),
            suspicion(Suspected::MadeHole, Some(at), 64.0),
        ];
        let places = worst_places(&fit(|_, mm| (mm > 30.0).then_some(0.2)), &suspicions);
        assert_eq!(places.len(), PLACES);
        assert_eq!(places[0].at, at);
        assert_eq!(places[0].what.words(), "a hole that looks made, 64 mm²");
        assert_eq!(places[0].square((2000, 2000)).size, [200, 200]);
        assert!(places[1..].iter().all(|p| p.frame_mm == FRAME_MM));
    }

    /// A step of 3 % on texture becomes one that is seen at a glance, and stays where it is.
    #[test]
    fn faint_residue_is_plain_to_see_close_up() {
        let photo = RgbImage::from_fn(400, 400, |x, y| {
            let texture = ((x * 7 + y * 13) % 5) as u8;
            let step = if x >= 200 { 4 } else { 0 };
            Rgb([40 + texture, 60 + texture, 118 + texture + step])
        });
        let view = View::square(
            Point::new(200.0, 200.0),
            200.0,
            f64::from(SIDE_PX),
            (400, 400),
        );
        let seen = contrasted(&photo, &view, FRAME_MM).unwrap();
        assert_eq!(seen.dimensions(), (SIDE_PX, SIDE_PX));
        let mean = |columns: std::ops::Range<u32>| {
            let count = (columns.len() as u32 * SIDE_PX) as f32;
            let pixels = columns.flat_map(|x| (0..SIDE_PX).map(move |y| (x, y)));
            pixels
                .map(|(x, y)| f32::from(seen.get_pixel(x, y).0[2]))
                .sum::<f32>()
                / count
        };
        let (left, right) = (mean(20..130), mean(170..280));
        assert!(right - left > 30.0, "{left} and {right}");
    }

    #[test]
    fn frames_and_numbers_stay_whole_at_the_photos_edge() {
        let place = |x: f64, y: f64| Place {
            at: Point::new(x, y),
            px_per_mm: 10.0,
            frame_mm: FRAME_MM,
            what: What::Off(0.1),
        };
        let places = [place(3.0, 5.0), place(995.0, 797.0), place(2000.0, 100.0)];
        let view = View::whole((1000, 800), 500.0, 1.0);
        let frames = frames(&places, &view, (1000, 800), 9.0);
        let numbers: Vec<&str> = frames.iter().map(|f| f.number.as_str()).collect();
        assert_eq!(numbers, ["1", "2"]);
        for frame in &frames {
            let within = |p: &Point<Px>, rim: f64| {
                (rim..=500.0 - rim).contains(&p.x) && (rim..=400.0 - rim).contains(&p.y)
            };
            assert!(frame.outline.iter().all(|p| within(p, 1.0)));
            assert!(within(&frame.number_at, 9.0));
        }
    }
}
