//! Residue drawn straight onto cloth that is nothing but noise: what only a certain shape, wear or
//! neighbour shows.

use kurbo::{Affine, BezPath, Circle, Rect, Shape};
use measures::cloth::{PlanePose, PlaneTerm};
use measures::photo::FocalSource;
use measures::residue::Grid;
use measures::{Art, Artwork, Camera, ClothPlane, Outline, Point, ResidueField};
use nalgebra::{Matrix3, Vector3};

const PITCH_MM: f64 = 0.25;
const WIDTH: usize = 420;
const HEIGHT: usize = 360;
/// What whole residue does to the three channels.
const RESIDUE: [f64; 3] = [1.6, 0.7, 0.2];

fn settings() -> fit::Settings {
    let text = include_str!("../../../config/default.toml");
    let mut all: toml::Table = toml::from_str(text).expect("the settings are TOML");
    let section = all.remove("fit").expect("the section is there");
    section.try_into().expect("fit settings")
}

/// Standard normal numbers (sum of twelve uniform ones; linear congruential generator, constants
/// of Knuth's MMIX).
struct Dice(u64);

impl Dice {
    fn normal(&mut self) -> f64 {
        let mut roll = || {
            self.0 = self
                .0
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 11) as f64 / (1u64 << 53) as f64
        };
        (0..12).map(|_| roll()).sum::<f64>() - 6.0
    }
}

/// 10 px a millimetre, seen squarely.
fn plane() -> ClothPlane {
    let middle = Point::new(1000.0, 800.0);
    let camera = Camera {
        focal_px: 3000.0,
        u_focal_percent: 1.0,
        focal_source: FocalSource::Equivalent35Mm,
        principal: middle,
    };
    let pose = PlanePose {
        slope_x: 0.0,
        slope_y: 0.0,
        depth_mm: 300.0,
        anchor: middle,
    };
    let term = PlaneTerm {
        name: "planted".into(),
        covariance: Matrix3::from_diagonal(&Vector3::new(4e-6, 4e-6, 2.5e-7)),
        source: "the test".into(),
    };
    ClothPlane::new(camera, pose, vec![term]).expect("not edge-on")
}

fn artwork(file: &str, contours: Vec<BezPath>, holes: &[bool]) -> Artwork {
    Artwork {
        file: file.into(),
        outline: Outline::<Art>::from_contours(contours, holes),
        notes: vec![],
    }
}

/// A spot of another colour, or of the residue's own: its middle, radius and change of colour.
type Spot = ([f64; 2], f64, [f64; 3]);

/// Cloth on which a drawing in millimetres left residue where `is_left`, and with spots besides.
fn field(
    residue: &BezPath,
    is_left: &dyn Fn(kurbo::Point) -> bool,
    spots: &[Spot],
) -> ResidueField {
    const SUB: usize = 3;
    let grid = Grid {
        origin: Point::new(-52.5, -45.0),
        pitch_mm: PITCH_MM,
        width: WIDTH,
        height: HEIGHT,
    };
    let mut dice = Dice(5);
    let mut channels: [Vec<f32>; 3] = Default::default();
    for k in 0..grid.len() {
        let place = grid.place((k % WIDTH) as f64, (k / WIDTH) as f64);
        let shown = (0..SUB * SUB).filter(|s| {
            let off = |n: usize| ((n as f64 + 0.5) / SUB as f64 - 0.5) * PITCH_MM;
            let p = kurbo::Point::new(place.x + off(s % SUB), place.y + off(s / SUB));
            residue.contains(p) && is_left(p)
        });
        let share = shown.count() as f64 / (SUB * SUB) as f64;
        for (c, channel) in channels.iter_mut().enumerate() {
            let spot = spots
                .iter()
                .filter(|(at, radius, _)| (place.x - at[0]).hypot(place.y - at[1]) < *radius)
                .map(|(_, _, colour)| colour[c]);
            channel.push((share * RESIDUE[c] + spot.sum::<f64>() + dice.normal()) as f32);
        }
    }
    ResidueField {
        grid,
        channels,
        cloth: vec![1.0; WIDTH * HEIGHT],
        px_per_mm: 10.0,
        light_spread_mm: 60.0,
        look_in: None,
    }
}

fn register(field: &ResidueField, artworks: &[Artwork]) -> fit::Ranking {
    fit::register(
        field,
        &plane(),
        artworks,
        &fit::Hint::default(),
        &settings(),
    )
}

fn closed(shape: impl Shape) -> BezPath {
    shape.to_path(1e-3)
}

/// A ring 60 mm wide about a disc, dots between them at five uneven angles.
fn roundel() -> (Vec<BezPath>, Vec<bool>) {
    let mut contours = vec![
        closed(Circle::new((0.0, 0.0), 30.0)),
        closed(Circle::new((0.0, 0.0), 27.0)),
        closed(Circle::new((0.0, 0.0), 14.0)),
    ];
    for angle_deg in [0.0f64, 72.0, 144.0, 216.0, 288.0] {
        let (sin, cos) = angle_deg.to_radians().sin_cos();
        contours.push(closed(Circle::new((20.5 * cos, 20.5 * sin), 2.6)));
    }
    let holes = (0..contours.len()).map(|k| k == 1).collect();
    (contours, holes)
}

fn joined(contours: &[BezPath], holes: &[bool], turn_deg: f64) -> BezPath {
    let outline = Outline::<Art>::from_contours(contours.to_vec(), holes);
    Affine::rotate(turn_deg.to_radians()) * outline.to_path()
}

/// The outer ring and the disc fit at any turn, and the dots at none but five: a descent from a
/// turn half-way between two of them stays there.
#[test]
fn a_roundel_is_found_at_its_turn() {
    let (contours, holes) = roundel();
    let drawing = artwork("roundel.svg", contours.clone(), &holes);
    for turn_deg in [-5.0, 22.0] {
        let residue = joined(&contours, &holes, turn_deg);
        let cloth = field(&residue, &|p| !(p.x < -14.0 && p.y < 0.0), &[]);
        let ranking = register(&cloth, std::slice::from_ref(&drawing));
        let best = ranking.best().expect("something is always fitted");
        let off = (best.fit.rotation_deg - turn_deg).rem_euclid(72.0);
        let off = off.min(72.0 - off);
        assert!(off < 1.0, "turned {turn_deg}°: off by {off:.1}°");
    }
}

#[test]
fn a_version_with_a_part_that_left_nothing_is_not_preferred() {
    let letters: Vec<BezPath> = vec![
        closed(Rect::new(-30.0, -12.0, -25.0, 12.0)),
        closed(Circle::new((-10.0, 0.0), 12.0)),
        closed(Rect::new(8.0, -12.0, 12.0, 12.0)),
        closed(Rect::new(16.0, -12.0, 30.0, -6.0)),
    ];
    let with_bar: Vec<BezPath> = letters
        .iter()
        .cloned()
        .chain([closed(Rect::new(-30.0, 18.0, 30.0, 23.0))])
        .collect();
    let artworks = [
        artwork("bar.svg", with_bar, &[false; 5]),
        artwork("letters.svg", letters.clone(), &[false; 4]),
    ];
    let cloth = field(&joined(&letters, &[false; 4], 3.0), &|_| true, &[]);
    let ranking = register(&cloth, &artworks);
    let best = ranking.best().expect("something is always fitted");
    assert_eq!(best.file, "letters.svg");
    assert!(best.score > 0.98, "{}", best.score);
}

#[test]
fn only_what_has_the_residues_colour_is_surplus() {
    let shield = closed(Rect::new(-20.0, -15.0, 20.0, 15.0));
    let dot = closed(Circle::new((0.0, 0.0), 5.0));
    let contours = vec![shield, dot];
    let drawing = artwork("shield.svg", contours.clone(), &[false, true]);
    let residue = joined(&contours, &[false, true], 0.0);
    let surplus = |colour| {
        let cloth = field(&residue, &|_| true, &[([23.5, 3.0], 2.0, colour)]);
        let ranking = register(&cloth, std::slice::from_ref(&drawing));
        ranking.best().map_or(0.0, |b| b.evidence.surplus_mm2)
    };
    let own = surplus(RESIDUE);
    assert!((8.0..18.0).contains(&own), "12.6 mm² of residue: {own}");
    assert!(surplus([1.2, -1.6, 1.5]) < 1e-9);
}

/// Three bars, and a straight slot through two of them.
#[test]
fn a_slot_through_the_strokes_is_told_whichever_side_has_it() {
    const SLOT: [f64; 2] = [2.0, 3.5];
    let bar = |x: f64, from: f64, to: f64| closed(Rect::new(x, from, x + 9.0, to));
    let whole: Vec<BezPath> = [-25.0, -5.0, 14.0].map(|x| bar(x, -20.0, 20.0)).into();
    let cut: Vec<BezPath> = [-25.0, -5.0]
        .into_iter()
        .flat_map(|x| [bar(x, -20.0, SLOT[0]), bar(x, SLOT[1], 20.0)])
        .chain([whole[2].clone()])
        .collect();
    let all_is_left = |contours: &[BezPath]| {
        let holes = vec![false; contours.len()];
        field(&joined(contours, &holes, 3.0), &|_| true, &[])
    };
    let evidence = |cloth: &ResidueField, contours: &[BezPath]| {
        let drawing = artwork("bars.svg", contours.to_vec(), &vec![false; contours.len()]);
        let ranking = register(cloth, &[drawing]);
        let best = ranking.best().expect("something is always fitted");
        (
            best.evidence.made_hole.probability,
            best.evidence.surplus_mm2,
        )
    };
    let (whole_left, cut_left) = (all_is_left(&whole), all_is_left(&cut));
    let (made, surplus) = evidence(&whole_left, &whole);
    assert!(made < 0.5 && surplus < 1.0, "{made}, {surplus} mm²");
    let (made, _) = evidence(&cut_left, &whole);
    assert!(made > 0.9, "{made}");
    let (_, surplus) = evidence(&whole_left, &cut);
    assert!(surplus > 10.0, "{surplus} mm²");
}

/// A plate with a round opening, and a long thin bar below it.
#[test]
fn openings_and_stretches_of_lines_that_are_worn_are_no_other_version() {
    let plate = closed(Rect::new(-30.0, -24.0, 30.0, 10.0));
    let opening = closed(Circle::new((12.0, 1.0), 6.0));
    let bar = closed(Rect::new(-30.0, 18.0, 30.0, 20.5));
    let contours = vec![plate.clone(), bar.clone(), opening];
    let drawing = artwork("plate.svg", contours.clone(), &[false, false, true]);
    let evidence = |residue: &BezPath, is_left: &dyn Fn(kurbo::Point) -> bool| {
        let ranking = register(
            &field(residue, is_left, &[]),
            std::slice::from_ref(&drawing),
        );
        let best = ranking.best().expect("something is always fitted");
        [
            best.evidence.missing_detail_mm,
            best.evidence.missing_parts_mm2,
        ]
    };
    let own = joined(&contours, &[false, false, true], 0.0);
    let worn = |p: kurbo::Point| {
        let about_opening = (p.x - 12.0).hypot(p.y - 1.0) < 8.5;
        let on_bar = p.y > 14.0 && (-10.0..12.0).contains(&p.x);
        !about_opening && !on_bar
    };
    let [detail, parts] = evidence(&own, &worn);
    assert!(detail + parts < 1e-9, "{detail} mm, {parts} mm²");
    let filled = joined(&[plate.clone(), bar], &[false, false], 0.0);
    let [detail, _] = evidence(&filled, &|_| true);
    assert!(
        (20.0..40.0).contains(&detail),
        "an opening 37.7 mm round: {detail}"
    );
    let barless = joined(&[plate], &[false], 0.0);
    let [_, parts] = evidence(&barless, &|_| true);
    assert!(parts > 75.0, "a bar of 150 mm²: {parts}");
}
