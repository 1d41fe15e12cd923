//! The sheet's geometry, read from its marks before they become a PDF.

use kurbo::{BezPath, Point, Rect, Shape};
use measures::Verdict;
use measures::ruler::RulerUnit;

use crate::canvas::{Mark, PT_PER_MM, Page};
use crate::marks::BAR_MM;
use crate::{Error, Paper, laid_out, sheet};

use super::scene::{
    CORNER_MM, FIRST_TICK_MM, RULER_DEG, Scene, TURN_DEG, fabric, material, settings,
};

fn pages(scene: &Scene) -> Vec<Page> {
    laid_out(&scene.content(), &settings()).expect("a sheet").0
}

/// All marks of a page with the window that shows them.
fn seen(page: &Page) -> Vec<(Mark, Option<Rect>)> {
    page.iter()
        .flat_map(|mark| match mark {
            Mark::Clipped { window, marks } => {
                marks.iter().map(|m| (m.clone(), Some(*window))).collect()
            }
            other => vec![(other.clone(), None)],
        })
        .collect()
}

fn texts(page: &Page) -> Vec<(Point, String)> {
    seen(page)
        .into_iter()
        .filter_map(|(m, _)| {
            if let Mark::Text { at, text, .. } = m {
                Some((at, text))
            } else {
                None
            }
        })
        .collect()
}

pub(super) fn words(page: &Page) -> String {
    texts(page).into_iter().map(|(_, t)| t + " ").collect()
}

fn strokes(page: &Page) -> Vec<BezPath> {
    seen(page)
        .into_iter()
        .filter_map(|(m, _)| {
            if let Mark::Stroke { path, .. } = m {
                Some(path)
            } else {
                None
            }
        })
        .collect()
}

/// The emblem's filled area at true size on a page, with the window that shows it.
fn emblem(page: &Page) -> (BezPath, Rect) {
    seen(page)
        .into_iter()
        .find_map(|(m, w)| match m {
            Mark::Fill { path, ink } if ink == crate::canvas::PALE => Some((path, w?)),
            _ => None,
        })
        .expect("an emblem")
}

/// 1 inch is 25.4 mm (international yard and pound agreement, 1959) and 72 PDF units (ISO
/// 32000-1, 8.3.2.3): 1 mm is 2.834 645 669 units.
#[test]
fn pdf_units() {
    assert!((PT_PER_MM - 2.834_645_669).abs() < 1e-9);
    // ISO 216 A4, ANSI Letter.
    let a4 = Paper::A4.size_mm().map(|mm| mm * PT_PER_MM);
    assert!((a4[0] - 595.2756).abs() < 1e-4 && (a4[1] - 841.8898).abs() < 1e-4);
    let letter = Paper::Letter.size_mm().map(|mm| mm * PT_PER_MM);
    assert!((letter[0] - 612.0).abs() < 1e-9 && (letter[1] - 792.0).abs() < 1e-9);
}

#[test]
fn both_bars_measure_a_hundred_millimetres() {
    let page = &pages(&Scene::new(0.782, RulerUnit::Mm))[0];
    let is_bar = |b: Rect| (b.width().max(b.height()) - BAR_MM).abs() < 1e-9;
    let bars: Vec<Rect> = strokes(page)
        .iter()
        .map(Shape::bounding_box)
        .filter(|b| is_bar(*b))
        .collect();
    assert_eq!(bars.iter().filter(|b| b.height() < 1e-9).count(), 1);
    assert_eq!(bars.iter().filter(|b| b.width() < 1e-9).count(), 1);
    for bar in bars {
        let label = texts(page).into_iter().filter(|(_, t)| t == "100 mm");
        let near = label
            .filter(|(at, _)| bar.inset(12.0).contains(*at))
            .count();
        assert_eq!(near, 1, "a label beside each bar");
    }
}

#[test]
fn the_template_shows_the_emblem_at_true_size_and_whole() {
    let scene = Scene::new(0.782, RulerUnit::Mm);
    let (path, window) = emblem(&pages(&scene)[0]);
    let shown = path.bounding_box();
    assert!((shown.width() - 78.2).abs() < 1e-9 && (shown.height() - 93.84).abs() < 1e-9);
    assert_eq!(window.intersect(shown), shown, "nothing is cut off");
    let wanted = scene.artwork.outline.area() * 0.782 * 0.782;
    assert!(
        (path.area() - wanted).abs() < 1e-6 * wanted,
        "neither mirrored nor distorted"
    );
}

/// Ruler and emblem are laid down on the cloth in `common`; the distances follow from there.
#[test]
fn the_words_say_where_the_emblem_lies_from_the_ruler() {
    let scene = Scene::new(0.782, RulerUnit::Mm);
    let turn = TURN_DEG.to_radians();
    let (cx, cy) = (50.0 * 0.782, 60.0 * 0.782);
    let centre = [
        CORNER_MM[0] + cx * turn.cos() - cy * turn.sin(),
        CORNER_MM[1] + cx * turn.sin() + cy * turn.cos(),
    ];
    let to = [centre[0] - FIRST_TICK_MM[0], centre[1] - FIRST_TICK_MM[1]];
    let (sin, cos) = RULER_DEG.to_radians().sin_cos();
    let (along, off) = (to[0] * cos + to[1] * sin, to[0] * sin - to[1] * cos);
    let words = words(&pages(&scene)[0]);
    assert!(
        words.contains(&format!("{along:.1} mm from A towards B")),
        "{along}: {words}"
    );
    assert!(
        words.contains(&format!("the centre is {off:.1} mm from the line")),
        "{off}: {words}"
    );
    assert!(words.contains("2.20° clockwise"), "{words}");
    assert!(words.contains("off the ruler's edge"), "{words}");
    assert!(words.contains("120 ticks further, 120.0 mm"), "{words}");
}

#[test]
fn an_inch_ruler_is_read_in_inches() {
    let scene = Scene::new(0.5, RulerUnit::Inch);
    let words = words(&pages(&scene)[0]);
    assert!(
        words.contains("80 ticks further, 5.000 in (127.0 mm)"),
        "{words}"
    );
}

#[test]
fn without_a_ruler_the_old_mark_is_the_guide() {
    let scene = Scene::new(0.5, RulerUnit::Mm);
    let content = crate::SheetContent {
        rulers: &[],
        ..scene.content()
    };
    let (pages, _) = laid_out(&content, &settings()).expect("a sheet");
    assert!(words(&pages[0]).contains("No ruler to place it from"));
}

/// A 350 mm emblem: its tiles, laid over each other by their numbered crosses, give the outline.
#[test]
fn tiles_fit_together() {
    let scene = Scene::new(3.5, RulerUnit::Mm);
    let all = pages(&scene);
    let tiles: Vec<&Page> = all
        .iter()
        .filter(|p| texts(p).iter().any(|(_, t)| t.starts_with("Tile ")))
        .collect();
    assert!(tiles.len() >= 4);
    let cross = |page: &Page, n: usize| {
        let label = format!("{n}");
        let (_, window) = emblem(page);
        let at = texts(page)
            .into_iter()
            .find(|(_, t)| *t == label)
            .map(|(at, _)| at);
        at.filter(|at| window.contains(*at))
    };
    let corner = |page: &Page| emblem(page).0.bounding_box().origin();
    let mut met = vec![false; tiles.len()];
    for n in 1..=60 {
        let on: Vec<usize> = (0..tiles.len())
            .filter(|&i| cross(tiles[i], n).is_some())
            .collect();
        for &i in &on {
            for &j in &on {
                let (a, b) = (cross(tiles[i], n).unwrap(), cross(tiles[j], n).unwrap());
                let apart = (corner(tiles[i]) - a) - (corner(tiles[j]) - b);
                assert!(apart.hypot() < 1e-9, "cross {n} on tiles {i} and {j}");
                met[i] |= i != j;
            }
        }
    }
    assert!(met.iter().all(|&m| m), "every tile meets another");
    let covered: f64 = {
        // Each point of the emblem lies on at least one tile.
        let whole = emblem(tiles[0]).0.bounding_box();
        let rects: Vec<Rect> = tiles
            .iter()
            .map(|t| emblem(t).1 - corner(t).to_vec2() + whole.origin().to_vec2())
            .collect();
        let n = 60;
        let inside = |i: usize, j: usize| {
            let t = |k: usize| (k as f64 + 0.5) / n as f64;
            let p = Point::new(
                whole.x0 + t(i) * whole.width(),
                whole.y0 + t(j) * whole.height(),
            );
            rects.iter().any(|r| r.contains(p))
        };
        let hits = (0..n * n).filter(|k| inside(k % n, k / n)).count();
        hits as f64 / (n * n) as f64
    };
    assert!((covered - 1.0).abs() < 1e-12);
}

#[test]
fn the_same_content_gives_the_same_bytes() {
    let scene = Scene::new(0.782, RulerUnit::Mm);
    let make = || sheet(&scene.content(), &settings()).expect("a sheet");
    let first = make();
    assert!(first == make());
    let text = String::from_utf8_lossy(&first);
    assert!(!text.contains("CreationDate") && !text.contains("CreateDate"));
}

#[test]
fn look_says_so_in_large_letters_and_hold_makes_no_sheet() {
    let mut scene = Scene::new(0.5, RulerUnit::Mm);
    scene.reasons = vec!["Two versions fit about equally well.".into()];
    let content = crate::SheetContent {
        verdict: Verdict::Look,
        ..scene.content()
    };
    let (pages, _) = laid_out(&content, &settings()).expect("a sheet");
    let large = pages[0].iter().any(|m| {
        matches!(m, Mark::Text { text, size_pt, .. }
            if text.starts_with("DO NOT PRESS YET") && *size_pt >= 16.0)
    });
    assert!(large);
    assert!(words(&pages[0]).contains("Two versions fit"));
    let content = crate::SheetContent {
        verdict: Verdict::Hold,
        ..scene.content()
    };
    assert!(matches!(
        sheet(&content, &settings()),
        Err(Error::Held { .. })
    ));
}

#[test]
fn every_printed_setting_stands_beside_its_source() {
    let mut scene = Scene::new(0.5, RulerUnit::Mm);
    scene.material = material("flock");
    let words: String = pages(&scene).iter().map(words).collect();
    let m = &scene.material;
    for source in [
        &m.press_celsius.source,
        &m.press_seconds.source,
        &m.second_press_seconds.source,
        &m.pressure_bar.source,
        &m.peel.source,
        &m.passes.source,
        &m.dry_seconds.source,
    ] {
        assert!(words.contains(source.as_str()), "{source}");
    }
    // 1 psi is 6.894 757 kPa: 3 bar are 43.5 psi.
    assert!(words.contains("3.0 bar (44 psi)"));
    // 5 s dry, 20 s, 5 s.
    assert!(words.contains("the plate closes 3 times, 30 s together"));
}

#[test]
fn warnings_stand_on_the_sheet() {
    let mut scene = Scene::new(0.5, RulerUnit::Mm);
    scene.material = material("flock");
    scene.fabric = fabric("polyester-knit");
    let content = crate::SheetContent {
        iron_dots: Some(1),
        ..scene.content()
    };
    let (pages, _) = laid_out(&content, &settings()).expect("a sheet");
    let words: String = pages.iter().map(words).collect();
    for title in [
        "Hotter than the care label allows",
        "Hotter than the fibre stands",
        "Dye will",
    ] {
        assert!(words.contains(title), "{title}");
    }
}

#[test]
fn text_stays_on_the_paper_whatever_its_length() {
    let mut scene = Scene::new(0.782, RulerUnit::Mm);
    scene.reasons = vec!["long ".repeat(300), "x".repeat(400)];
    scene.artwork.file = "y".repeat(255);
    for paper in [Paper::A4, Paper::Letter] {
        let settings = crate::Settings {
            paper,
            ..settings()
        };
        let content = crate::SheetContent {
            verdict: Verdict::Look,
            ..scene.content()
        };
        let (pages, faces) = laid_out(&content, &settings).expect("a sheet");
        let [w, h] = paper.size_mm();
        for mark in pages.iter().flatten() {
            if let Mark::Text {
                at,
                text,
                size_pt,
                bold,
                ink,
                upright: true,
            } = mark
            {
                let style = crate::canvas::Style {
                    size_pt: *size_pt,
                    bold: *bold,
                    ink: *ink,
                };
                let end = at.x + faces.width_mm(text, style);
                assert!(at.x >= 9.9 && end <= w - 9.9, "{text}");
                assert!(at.y > 9.0 && at.y < h - 9.0, "{text}");
            }
        }
    }
}

/// A ruler divided along both edges: the edge that faces the emblem is the one to measure from.
#[test]
fn of_two_edges_the_one_that_faces_the_emblem_is_used() {
    let scene = Scene::new(0.782, RulerUnit::Mm);
    let mut other = scene.ruler.clone();
    let far = |p: measures::Point<measures::Px>| {
        let [near, _, _, away] = scene.ruler.body;
        p + (away - near) * 0.9
    };
    for tick in &mut other.ticks {
        tick.points.iter_mut().for_each(|p| p.at = far(p.at));
        tick.points.reverse();
    }
    other.body = [2, 3, 0, 1].map(|i| scene.ruler.body[i]);
    let rulers = [other, scene.ruler.clone()];
    let chosen = crate::Placement::choose(&rulers, &scene.plane, &scene.artwork, &scene.fit, 0.8);
    assert_eq!(chosen.map(|(i, _)| i), Some(1));
}
