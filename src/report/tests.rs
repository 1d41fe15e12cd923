//! The pages and pictures on invented emblems.

use image::{GrayImage, Luma, Rgb, RgbImage};
use kurbo::{BezPath, Circle, Shape};
use measures::cloth::{PlanePose, PlaneTerm};
use measures::fit::EdgeSample;
use measures::photo::FocalSource;
use measures::ruler::{Reading, RulerUnit, Tick, TickPoint};
use measures::{
    Art, Artwork, Camera, ClothLines, ClothPlane, CutFrom, Fit, Grid, Map, Mm, Outline, Photo,
    Point, Ruler, Vector, Verdict,
};
use nalgebra::{Matrix3, Vector3};

use super::pictures::{Plain, Scene, draw};
use super::*;

const NASTY: &str = "<script>alert(\"x\")</script> & 'y' </style>";

fn drawn(scene: &Scene<'_>) -> Pictures {
    draw(scene, Plain::new(&scene.photo.rgb, scene.rulers).unwrap()).unwrap()
}

fn camera() -> Camera {
    Camera {
        focal_px: 600.0,
        u_focal_percent: 1.0,
        focal_source: FocalSource::Assumed,
        principal: Point::new(400.0, 300.0),
    }
}

fn plane() -> ClothPlane {
    let pose = PlanePose {
        slope_x: 0.02,
        slope_y: -0.01,
        depth_mm: 200.0,
        anchor: Point::new(400.0, 300.0),
    };
    let term = |name: &str, u: f64| PlaneTerm {
        name: name.into(),
        covariance: Matrix3::from_diagonal(&Vector3::new(0.0, 0.0, u * u)),
        source: "invented".into(),
    };
    ClothPlane::new(
        camera(),
        pose,
        vec![term("Ruler", 0.003), term("Thickness", 0.004)],
    )
    .unwrap()
}

fn artwork() -> Artwork {
    let mut shield = BezPath::new();
    shield.move_to((0.0, 0.0));
    shield.line_to((40.0, 0.0));
    shield.quad_to((40.0, 40.0), (20.0, 50.0));
    shield.quad_to((0.0, 40.0), (0.0, 0.0));
    shield.close_path();
    let hole = Circle::new((20.0, 18.0), 8.0).to_path(1e-6);
    let outline: Outline<Art> = Outline::from_contours(vec![shield, hole], &[false, true]);
    Artwork {
        file: "crest-fine.svg".into(),
        outline,
        notes: vec![],
    }
}

fn fit(plane: &ClothPlane) -> Fit {
    let art_to_cloth: Map<Art, Mm> = Map::similarity(1.0, 0.02, Vector::new(-20.0, -40.0));
    let art_to_photo = art_to_cloth.then(plane.to_photo());
    let sample = |x: f64, offset_mm| EdgeSample {
        at: art_to_photo.apply(Point::new(x, 0.0)),
        offset_mm,
        length_mm: 1.0,
    };
    let along_the_top = |x: f64| match x {
        9.0..=12.0 => sample(x, None),
        27.0..=33.0 => sample(x, Some(-0.6)),
        _ => sample(x, Some(0.0)),
    };
    Fit {
        art_to_cloth,
        art_to_photo,
        mm_per_art: 1.0,
        rotation_deg: 1.15,
        bleed_mm: 0.2,
        edge_mean_mm: 0.11,
        edge_p95_mm: 0.3,
        outline_seen: 0.9,
        u_size_percent: 0.5,
        u_shift_mm: 0.12,
        u_rotation_deg: 0.07,
        u_outline_mm: 0.2,
        u_middle_mm: 0.1,
        signal_to_noise: 20.0,
        samples: (0..=40).map(f64::from).map(along_the_top).collect(),
    }
}

fn ruler(plane: &ClothPlane) -> Ruler {
    let at = |x: f64, y: f64| plane.to_photo().apply(Point::new(x, y));
    let tick = |i: i32| Tick {
        index: i,
        points: [0.5, 2.0]
            .map(|y| TickPoint {
                at: at(f64::from(i) - 40.0, 50.0 + y),
                sigma_px: 0.1,
            })
            .to_vec(),
        length_px: 9.0,
    };
    Ruler {
        reading: Reading {
            unit: RulerUnit::Mm,
            pitch_mm: 1.0,
            probability: 0.9999,
        },
        other_readings: vec![],
        ticks: (0..=80).map(tick).collect(),
        body: [
            at(-41.0, 49.0),
            at(41.0, 49.0),
            at(41.0, 70.0),
            at(-41.0, 70.0),
        ],
        px_per_mm: 3.0,
        u_px_per_mm: 0.002,
        shadow: None,
        ends: [at(-40.0, 51.0), at(40.0, 51.0)],
    }
}

fn photo() -> Photo {
    let rgb = RgbImage::from_fn(800, 600, |x, y| {
        Rgb([40, 60, (90 + (x * 7 + y * 13) % 23) as u8])
    });
    Photo {
        rgb,
        camera: camera(),
    }
}

fn emblem(name: &str, verdict: Verdict) -> EmblemReport {
    let plane = plane();
    let (artwork, fit, ruler) = (artwork(), fit(&plane), ruler(&plane));
    let rulers = vec![ruler];
    let photo = photo();
    let (mut other, rival) = (artwork.clone(), fit.clone());
    other.file = NASTY.into();
    other.outline = Outline::from_contours(other.outline.contours()[..1].to_vec(), &[false]);
    let grey = GrayImage::from_pixel(120, 120, Luma([128]));
    let grid = Grid {
        origin: Point::new(-60.0, -60.0),
        pitch_mm: 1.0,
        width: 120,
        height: 120,
    };
    let scene = Scene {
        photo: &photo,
        rulers: &rulers,
        plane: Some(&plane),
        fitted: Some((&artwork, &fit)),
        rival: Some((&other, &rival)),
        suspicions: &[],
        residue: Some((&grey, &grid)),
    };
    EmblemReport {
        name: name.into(),
        verdict,
        reasons: vec![format!("reason {NASTY}")],
        photo: "left.jpg".into(),
        photo_size_px: Some([800, 600]),
        pictures: drawn(&scene),
        rulers,
        plane: Some(plane),
        fitted: Some(Fitted {
            artwork,
            fit,
            expected_width_mm: Some(41.0),
        }),
        rival: None,
        suspicions: Vec::new(),
        versions: vec![VersionScore {
            file: NASTY.into(),
            score: 0.97,
            size_mm: Some([40.0, 50.0]),
            outline_seen: Some(0.9),
            edge_mean_mm: Some(0.11),
            notes: vec![NASTY.into()],
        }],
        outline: None,
        fabric_lines: Some(FabricLines {
            on_cloth: ClothLines {
                angle_deg: 0.3,
                u_angle_deg: 0.1,
                strength: 0.42,
                fineness_mm: 5.0,
            },
            angle_deg: 0.3,
            emblem_to_lines_deg: Some(-1.1),
        }),
        material: Some(MaterialUsed {
            name: "flock".into(),
            title: NASTY.into(),
            cut_from: CutFrom::Back,
            copies: 2,
        }),
        finished: None,
        warnings: vec![press::Warning {
            verdict: Verdict::Look,
            title: NASTY.into(),
            text: "too hot".into(),
            source: NASTY.into(),
        }],
        files: vec![FileLink {
            path: format!("{name}/{NASTY}.svg"),
            what: NASTY.into(),
        }],
        pieces: vec![],
    }
}

fn job(emblems: Vec<EmblemReport>) -> JobReport {
    JobReport {
        job: "tern-bay".into(),
        garment: Some(NASTY.into()),
        fabric: Some(NASTY.into()),
        iron_dots: Some(1),
        verdict: Verdict::Look,
        problems: vec![Problem {
            file: NASTY.into(),
            line: Some(12),
            seen: NASTY.into(),
            needed: NASTY.into(),
            remedy: NASTY.into(),
        }],
        emblems,
        sheets: vec![],
        record: true,
        settings: vec![("default.toml".into(), NASTY.into())],
        program: "emblemend".into(),
    }
}

/// Every element that is opened is closed, in order (HTML void elements apart).
fn assert_well_formed(page: &str) {
    const VOID: [&str; 6] = ["meta", "img", "br", "input", "link", "hr"];
    let mut open: Vec<String> = Vec::new();
    let mut rest = page;
    while let Some(start) = rest.find('<') {
        rest = &rest[start + 1..];
        let end = rest.find('>').expect("every tag ends");
        let tag = &rest[..end];
        rest = &rest[end + 1..];
        let name: String = tag
            .trim_start_matches('/')
            .chars()
            .take_while(char::is_ascii_alphanumeric)
            .collect();
        if tag.starts_with('!') || VOID.contains(&name.as_str()) || tag.ends_with('/') {
            continue;
        }
        if tag.starts_with('/') {
            assert_eq!(
                open.pop().as_deref(),
                Some(name.as_str()),
                "closed out of order"
            );
        } else {
            if name == "script" || name == "style" {
                let close = format!("</{name}>");
                let skipped = rest.find(&close).expect("closed");
                rest = &rest[skipped + close.len()..];
                continue;
            }
            open.push(name);
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
}

#[test]
fn pages_are_well_formed_and_whatever_people_write_stays_text() {
    let report = job_page(&job(vec![
        emblem("crest", Verdict::Look),
        emblem("number & <i>badge", Verdict::Cut),
    ]))
    .unwrap();
    let index = index_page(&[IndexEntry {
        job: NASTY.into(),
        garment: Some(NASTY.into()),
        verdict: Verdict::Cut,
        date: "2026-11-25 13:00".into(),
        emblems: vec![IndexEmblem {
            name: NASTY.into(),
            version: Some(NASTY.into()),
            size_mm: Some([40.0, 50.0]),
        }],
        picture: Some(NASTY.into()),
    }])
    .unwrap();
    for page in [&report, &index] {
        assert_well_formed(page);
        assert!(!page.contains("<script>alert"), "markup got through");
        assert!(!page.contains("</style> "), "a style could be closed");
    }
    assert!(!report.contains("<script"), "the report needs no script");
}

#[test]
fn pages_fetch_nothing() {
    let report = job_page(&job(vec![emblem("crest", Verdict::Cut)])).unwrap();
    let index = index_page(&[]).unwrap();
    for page in [report, index] {
        for word in ["http:", "https:", "src=\"//", "@import", "url("] {
            assert!(!page.contains(word), "{word}");
        }
    }
}

#[test]
fn a_job_of_one_emblem_says_why_at_the_top() {
    let report = job_page(&job(vec![emblem("crest", Verdict::Look)])).unwrap();
    let (why, pictures) = (
        report.find("reason &#60;script").unwrap(),
        report.find("<img").unwrap(),
    );
    assert!(why < pictures);
}

#[test]
fn a_refused_job_names_file_line_and_remedy() {
    let mut job = job(vec![]);
    job.verdict = Verdict::Hold;
    job.problems[0] = Problem {
        file: "job.toml".into(),
        line: Some(12),
        seen: "an unknown key".into(),
        needed: "a known one".into(),
        remedy: "correct it".into(),
    };
    let page = job_page(&job).unwrap();
    for words in [
        "job.toml, line 12",
        "an unknown key",
        "a known one",
        "correct it",
        "Do not cut",
    ] {
        assert!(page.contains(words), "{words}");
    }
}

#[test]
fn figures_stand_with_their_uncertainty() {
    let page = job_page(&job(vec![emblem("crest", Verdict::Look)])).unwrap();
    // 40 mm ± 0.5 %, 50 mm ± 0.5 %, both k = 2.
    assert!(page.contains("40.00 ± 0.20 mm") && page.contains("50.00 ± 0.25 mm"));
    assert!(page.contains("k = 2"));
    assert!(page.contains("1.15 ± 0.07°"));
    // Shares of the variance: 0.3² and 0.4² of 0.5².
    assert!(page.contains("64 %") && page.contains("36 %"));
    assert!(page.contains("the job expects 41.0 mm: -2.4 %"));
}

/// The mirrored picture is the other one turned over once.
#[test]
fn as_cut_is_mirrored_only_when_cut_from_the_back() {
    let mut e = emblem("crest", Verdict::Cut);
    let page = job_page(&job(vec![e.clone()])).unwrap();
    assert_eq!(page.matches("transform=\"matrix(-1 0 0 1 ").count(), 1);
    e.material = e.material.map(|m| MaterialUsed {
        cut_from: CutFrom::Face,
        ..m
    });
    let page = job_page(&job(vec![e])).unwrap();
    assert!(!page.contains("matrix(-1"));
    assert!(page.contains("not mirrored"));
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let make = || job_page(&job(vec![emblem("crest", Verdict::Cut)])).unwrap();
    assert!(make() == make());
}

#[test]
fn the_outline_is_drawn_where_the_fit_puts_it() {
    let e = emblem("crest", Verdict::Cut);
    let picture = image::load_from_memory(&e.pictures.overlay_jpg)
        .unwrap()
        .to_rgb8();
    let before = photo().rgb;
    assert_eq!(picture.dimensions(), before.dimensions());
    let fitted = e.fitted.unwrap();
    let change = |x: f64, y: f64| {
        let p = fitted.fit.art_to_photo.apply(Point::new(x, y));
        let (x, y) = (p.x as u32, p.y as u32);
        let (a, b) = (picture.get_pixel(x, y).0, before.get_pixel(x, y).0);
        (0..3)
            .map(|c| (i32::from(a[c]) - i32::from(b[c])).abs())
            .max()
            .unwrap()
    };
    // On the outer edge and on the hole's edge, but not between nor in the hole's middle.
    assert!(change(10.0, 0.0) > 60 && change(28.0, 18.0) > 60);
    assert!(change(20.0, 5.0) < 40 && change(20.0, 18.0) < 40);
}

#[test]
fn pictures_are_left_out_where_there_is_nothing_to_show() {
    let photo = photo();
    let scene = Scene {
        photo: &photo,
        rulers: &[],
        plane: None,
        fitted: None,
        rival: None,
        suspicions: &[],
        residue: None,
    };
    let pictures = drawn(&scene);
    assert!(!pictures.overlay_jpg.is_empty() && !pictures.thumbnail_jpg.is_empty());
    assert!(pictures.before_jpg.is_empty() && pictures.fitted_jpg.is_empty());
    assert!(pictures.residue_jpg.is_empty());
}

#[test]
fn the_versions_difference_is_shown_with_its_area() {
    let e = emblem("crest", Verdict::Look);
    let difference = e.pictures.difference.as_ref().unwrap();
    // The other version lacks the hole of 8 mm radius.
    let [only_best, only_other] = difference.only_mm2;
    let hole = std::f64::consts::PI * 64.0;
    assert!(only_best < 0.01 * hole, "{only_best}");
    assert!(
        (only_other / hole - 1.0).abs() < 0.02,
        "{only_other} of {hole}"
    );
    let page = job_page(&job(vec![e])).unwrap();
    assert!(page.contains(&format!(", {hole:.0} mm². Residue is light")));
}

#[test]
fn worst_places_are_framed_shown_close_up_and_told() {
    let mut e = emblem("crest", Verdict::Look);
    let words: Vec<&str> = e
        .pictures
        .closeups
        .iter()
        .map(|c| c.words.as_str())
        .collect();
    assert_eq!(words, ["no edge seen over 4.0 mm", "edge 0.60 mm inside"]);
    for closeup in &e.pictures.closeups {
        let picture = image::load_from_memory(&closeup.jpg).unwrap();
        assert_eq!((picture.width(), picture.height()), (604, 334));
    }
    let page = job_page(&job(vec![e.clone()])).unwrap();
    assert!(page.contains("1: no edge seen over 4.0 mm.") && page.contains("Dotted:"));
    e.pictures.closeups.clear();
    let page = job_page(&job(vec![e])).unwrap();
    assert!(!page.contains("Where to look closely"));
}

#[test]
fn an_emblem_outside_the_photo_does_no_harm() {
    let (photo, plane, artwork) = (photo(), plane(), artwork());
    let mut fit = fit(&plane);
    let away: Map<Art, Mm> = Map::similarity(1.0, 0.0, Vector::new(5000.0, 5000.0));
    fit.art_to_photo = away.then(plane.to_photo());
    let scene = Scene {
        photo: &photo,
        rulers: &[],
        plane: Some(&plane),
        fitted: Some((&artwork, &fit)),
        rival: Some((&artwork, &fit)),
        suspicions: &[],
        residue: None,
    };
    assert!(drawn(&scene).fitted_jpg.is_empty());
}

#[test]
fn the_list_keeps_its_order_and_counts() {
    let entry = |job: &str, verdict| IndexEntry {
        job: job.into(),
        garment: None,
        verdict,
        date: String::new(),
        emblems: vec![],
        picture: None,
    };
    let page = index_page(&[
        entry("newest", Verdict::Hold),
        entry("older", Verdict::Cut),
        entry("oldest", Verdict::Cut),
    ])
    .unwrap();
    let at = |job: &str| page.find(&format!("{job}/report.html")).unwrap();
    assert!(at("newest") < at("older") && at("older") < at("oldest"));
    assert!(page.contains("Cut (2)") && page.contains("Hold (1)") && page.contains("3 jobs"));
}

#[test]
fn the_strip_along_a_ruler_is_level_and_never_mirrored() {
    let plane = plane();
    let level = ruler(&plane);
    let mut reversed = level.clone();
    reversed.ends.reverse();
    reversed.body = [1, 0, 3, 2].map(|k| level.body[k]);
    let last = reversed.ticks.last().map_or(0, |t| t.index);
    for tick in &mut reversed.ticks {
        tick.index = last - tick.index;
    }
    reversed.ticks.reverse();
    let photo = RgbImage::from_fn(4000, 3000, |x, y| Rgb([(x / 16) as u8, (y / 16) as u8, 90]));
    let one = super::ruler_strip::strip(&photo, &level).unwrap();
    let other = super::ruler_strip::strip(&photo, &reversed).unwrap();
    assert_eq!(one.dimensions(), other.dimensions());
    // Below the bar both show the same photo the same way round, whichever end the lengths count
    // from.
    let (w, h) = one.dimensions();
    for (x, y) in [(w / 5, h / 2), (w / 2, h - 5), (4 * w / 5, h - 20)] {
        assert_eq!(one.get_pixel(x, y), other.get_pixel(x, y), "at {x}, {y}");
    }
}
