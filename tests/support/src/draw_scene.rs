//! Draws a scene from a family.

use measures::cloth::PlanePose;
use measures::{Mm, Point};

use crate::cloth::{Cloth, Fold, Jacquard, Stain, Stripes, Weave};
use crate::emblem::{Design, Emblem};
use crate::family::{Family, Impostor, Rulers, Trap};
use crate::random::Rng;
use crate::residue::Residue;
use crate::ruler::{Ruler, RulerKind};
use crate::scene::{
    FULL_FRAME_DIAGONAL_MM, Lens, Light, Mark, MarkKind, PlacedRuler, Scene, Sensor,
};

/// Colours of shirts, in sRGB.
const COLOURS: [[u8; 3]; 14] = [
    [28, 38, 84],
    [160, 26, 40],
    [34, 74, 158],
    [122, 168, 208],
    [24, 92, 62],
    [206, 205, 200],
    [98, 26, 46],
    [214, 150, 42],
    [44, 44, 47],
    [122, 124, 126],
    [212, 192, 70],
    [70, 52, 110],
    [186, 96, 110],
    [60, 130, 130],
];

impl Scene {
    /// The scene with this seed in the family.
    pub fn random(seed: u64, family: &Family) -> Self {
        let mut rng = Rng::of_family(seed, family.name);
        // A crowded picture is drawn again, ever smaller, until emblem and ruler have room.
        let mut shrink = 1.0;
        loop {
            if let Some(scene) = attempt(seed, family, shrink, &mut rng) {
                return scene;
            }
            shrink *= 0.985;
        }
    }
}

fn between(rng: &mut Rng, range: [f64; 2]) -> f64 {
    rng.range(range[0], range[1])
}

fn held_deg(family: &Family, rng: &mut Rng) -> f64 {
    let [least, most] = family.held_deg;
    if most <= 0.0 {
        return 0.0;
    }
    let held = rng.range(least, most);
    if rng.chance(0.5) { held } else { -held }
}

fn count(rng: &mut Rng, range: [usize; 2]) -> usize {
    range[0] + rng.below(range[1] - range[0] + 1)
}

fn attempt(seed: u64, family: &Family, shrink: f64, rng: &mut Rng) -> Option<Scene> {
    let [width_px, height_px] = family.size_px;
    let diagonal = f64::from(width_px).hypot(f64::from(height_px));
    let lens = Lens {
        focal_35mm: rng.range(24.0, 50.0).round(),
        k1: between(rng, family.k1),
        blur_px: rng.range(0.5, 1.6),
        vignetting: rng.range(0.02, 0.25),
        tells_focal: true,
    };
    let px_per_mm = between(rng, family.px_per_mm);
    let tilt = between(rng, family.tilt_deg).to_radians().tan();
    let (sin, cos) = rng.range(0.0, std::f64::consts::TAU).sin_cos();
    let pose = PlanePose {
        slope_x: tilt * cos,
        slope_y: tilt * sin,
        depth_mm: lens.focal_35mm / FULL_FRAME_DIAGONAL_MM * diagonal / px_per_mm,
        anchor: Point::new(0.5 * f64::from(width_px), 0.5 * f64::from(height_px)),
    };
    let cloth = cloth(family, rng);
    let light = light(&cloth, rng);
    let mut scene = Scene {
        seed,
        family: family.name.into(),
        width_px,
        height_px,
        lens,
        pose,
        cloth,
        light,
        sensor: sensor(rng),
        residues: Vec::new(),
        pressed: None,
        exposure: 0,
        rulers: Vec::new(),
        marks: Vec::new(),
        versions: Vec::new(),
        true_version: None,
        trap: family.trap,
        thickness_given_mm: None,
        unit_given: None,
    };
    let frame_mm = [
        f64::from(width_px) / px_per_mm,
        f64::from(height_px) / px_per_mm,
    ];
    place_emblem(&mut scene, family, frame_mm, shrink, rng)?;
    place_rulers(&mut scene, family, frame_mm, rng)?;
    blemishes(&mut scene, family, frame_mm, rng);
    marks(&mut scene, family, frame_mm, rng);
    match family.trap {
        Some(Trap::NoResidue) => scene.residues.clear(),
        _ if family.impostor.is_some() => scene.residues.clear(),
        _ => {}
    }
    Some(scene)
}

fn cloth(family: &Family, rng: &mut Rng) -> Cloth {
    let weave = *rng.pick(&[
        Weave::Jersey,
        Weave::Jersey,
        Weave::Jersey,
        Weave::Tricot,
        Weave::Tricot,
        Weave::Woven,
        Weave::Mesh,
    ]);
    let (weave, pitch_mm) = match family.impostor {
        Some(Impostor::Cloth(weave, pitch)) => (weave, pitch * rng.range(0.9, 1.1)),
        _ if weave == Weave::Mesh => (weave, rng.range(1.4, 2.2)),
        _ if weave == Weave::Woven => (weave, rng.range(0.4, 0.9)),
        _ => (weave, rng.range(0.7, 1.6)),
    };
    let colour = *rng.pick(&COLOURS);
    let mut stripes = Vec::new();
    if rng.chance(family.stripes) {
        let contrast = between(rng, family.pattern_percent) * rng.sign();
        let pin = rng.chance(0.35);
        let period = if pin {
            rng.range(10.0, 40.0)
        } else {
            rng.range(6.0, 50.0)
        };
        let tinted = rng.chance(0.3);
        stripes.push(Stripes {
            period_mm: period,
            width_mm: if pin {
                rng.range(0.8, 1.8)
            } else {
                period * rng.range(0.3, 0.6)
            },
            phase_mm: rng.range(0.0, period),
            contrast_percent: [0, 1, 2]
                .map(|_| contrast * if tinted { rng.range(0.2, 1.3) } else { 1.0 }),
            softness_mm: rng.range(0.1, 0.9),
            crosswise: rng.chance(0.25),
        });
    }
    let jacquard = rng.chance(family.jacquard).then(|| Jacquard {
        repeat_mm: [rng.range(7.0, 35.0), rng.range(7.0, 35.0)],
        figure: rng.below(4) as u8,
        contrast_percent: between(rng, family.pattern_percent) * rng.sign(),
    });
    Cloth {
        colour: colour.map(|c| (f64::from(c) * rng.range(0.9, 1.1)).clamp(18.0, 225.0) as u8),
        weave,
        pitch_mm,
        angle_deg: if rng.chance(0.8) {
            4.0 * rng.normal()
        } else {
            rng.range(-90.0, 90.0)
        },
        texture: if family.impostor.is_some() {
            rng.range(0.2, 0.4)
        } else {
            rng.range(0.05, 0.24)
        },
        irregularity: rng.range(0.15, 0.7),
        mottle_percent: rng.range(0.3, 1.6),
        stripes,
        jacquard,
        folds: Vec::new(),
        stains: Vec::new(),
        lint: rng.below(30),
        bumps_mm: between(rng, family.bumps_mm),
    }
}

fn light(cloth: &Cloth, rng: &mut Rng) -> Light {
    let brightness = cloth.colour.iter().map(|&c| f64::from(c)).sum::<f64>() / 765.0;
    let warm = rng.range(-0.06, 0.06);
    Light {
        angle_deg: rng.range(0.0, 360.0),
        gradient_percent: rng.range(3.0, 35.0),
        // A camera lifts dark cloth and holds back light cloth.
        exposure: rng.range(0.85, 1.1) * (1.35 - 0.6 * brightness),
        colour: [1.0 + warm, 1.0, 1.0 - warm],
        shadows_percent: rng.range(0.0, 6.0),
        reach: 0.9,
        softness: 0.35,
    }
}

fn sensor(rng: &mut Rng) -> Sensor {
    Sensor {
        full_well: rng.range(900.0, 6000.0),
        read_noise: rng.range(1.5, 5.0),
        smoothing_px: rng.range(0.4, 0.8),
        sharpening: if rng.chance(0.6) {
            rng.range(0.3, 1.3)
        } else {
            0.0
        },
        half_colour: rng.chance(0.8),
        jpeg_quality: 82 + rng.below(14) as u8,
    }
}

fn place_emblem(
    scene: &mut Scene,
    family: &Family,
    frame_mm: [f64; 2],
    shrink: f64,
    rng: &mut Rng,
) -> Option<()> {
    let mut design = *rng.pick(family.emblem_designs());
    if let Design::Number(8) = design {
        // Without 0 and 8, which look the same upside down.
        design = Design::Number(*rng.pick(&[1, 2, 3, 4, 5, 6, 7, 9]));
    }
    let offered = count(rng, family.versions);
    let mut versions = Emblem::versions(design, offered, rng);
    let first = rng.below(versions.len());
    versions.rotate_left(first);
    let index = rng.below(versions.len());
    let mut shown = versions[index];
    let mut truth = Some(index);
    match family.trap {
        Some(Trap::OtherArtwork) => {
            let others: Vec<Design> = Design::TELLING
                .into_iter()
                .filter(|d| d.name() != design.name())
                .collect();
            versions = Emblem::versions(*rng.pick(&others), offered, rng);
            truth = None;
        }
        Some(Trap::MirrorImage) => {
            shown.mirrored = true;
            truth = None;
        }
        Some(Trap::OtherInnerDetail) => {
            let with = rng.chance(0.5);
            shown = Emblem {
                inner_detail: with,
                ..Emblem::new(design)
            };
            versions = vec![Emblem {
                inner_detail: !with,
                ..Emblem::new(design)
            }];
            truth = None;
        }
        Some(Trap::OtherOpening) => {
            let plain = Emblem::new(design);
            // Small ones are as common as large ones.
            let share = 0.01 * 7.0_f64.powf(rng.unit());
            let open = plain.with_opening(share, rng)?;
            (shown, versions) = if rng.chance(0.75) {
                (open, vec![plain])
            } else {
                (plain, vec![open])
            };
            truth = None;
        }
        Some(Trap::OtherSlot) => {
            let plain = Emblem::new(design);
            let cut = plain.with_slot([0.006, 0.06], rng)?;
            (shown, versions) = if rng.chance(0.75) {
                (cut, vec![plain])
            } else {
                (plain, vec![cut])
            };
            truth = None;
        }
        Some(Trap::NoResidue) => truth = None,
        _ => {}
    }
    let b = shown.outline().bounding_box();
    let tall = b.height() / b.width();
    let most = 0.72 * (frame_mm[0] / 1.0_f64.max(0.6 * tall)).min(frame_mm[1] / tall.max(0.75));
    let least = family.width_mm[0].min(most);
    let width_mm = rng.range(least, family.width_mm[1].min(most)) * shrink;
    let reach = 0.5 * width_mm * 1.0_f64.hypot(tall);
    let rotation_deg = held_deg(family, rng)
        + if rng.chance(0.75) {
            6.0 * rng.normal()
        } else {
            rng.range(-42.0, 42.0)
        };
    let spread = |frame: f64| 0.5 * (frame - 2.0 * reach).max(0.0) * 0.96;
    let centre_mm = [0, 1].map(|k| rng.range(-1.0, 1.0) * spread(frame_mm[k]));
    let residue = Residue {
        emblem: shown,
        width_mm,
        centre_mm,
        rotation_deg,
        bleed_mm: between(rng, family.bleed_mm),
        softness_mm: rng.range(0.1, 0.7),
        roughness_mm: between(rng, family.roughness_mm),
        contrast_percent: contrast(family, &scene.cloth, rng),
        missing: between(rng, family.missing),
        patch_mm: rng.range(2.0, 12.0),
        rim: if rng.chance(0.35) {
            rng.range(0.1, 0.8)
        } else {
            0.0
        },
        unevenness: rng.range(0.03, 0.18),
        flatness: rng.range(0.0, 0.7),
    };
    let corners = box_corners(&residue, 2.0);
    let inside = corners.iter().all(|c| in_picture(scene, *c, 0.02));
    scene.residues = vec![residue];
    scene.versions = versions;
    scene.true_version = truth;
    inside.then_some(())
}

/// The change of colour: of lightness mostly, or of hue with some lightness.
fn contrast(family: &Family, cloth: &Cloth, rng: &mut Rng) -> [f64; 3] {
    let size = between(rng, family.contrast_percent);
    let bright = cloth.colour.iter().all(|&c| c > 180);
    let sign = if bright { -1.0 } else { rng.sign() };
    if rng.chance(0.3) {
        let warm = rng.sign();
        [0.45 + 0.55 * warm, 0.45, 0.45 - 0.55 * warm].map(|k| sign * size * k)
    } else {
        [0, 1, 2].map(|_| sign * size * rng.range(0.85, 1.1))
    }
}

fn box_corners(residue: &Residue, margin_mm: f64) -> [Point<Mm>; 4] {
    let b = residue.emblem.outline().bounding_box();
    let half = [
        0.5 * residue.width_mm + margin_mm,
        0.5 * residue.width_mm * b.height() / b.width() + margin_mm,
    ];
    let (sin, cos) = residue.rotation_deg.to_radians().sin_cos();
    [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].map(|(i, j)| {
        let (x, y) = (i * half[0], j * half[1]);
        Point::new(
            residue.centre_mm[0] + cos * x - sin * y,
            residue.centre_mm[1] + sin * x + cos * y,
        )
    })
}

fn in_picture(scene: &Scene, p: Point<Mm>, margin: f64) -> bool {
    let q = scene.view().to_photo(p);
    let (w, h) = (f64::from(scene.width_px), f64::from(scene.height_px));
    let m = margin * w;
    (m..w - m).contains(&q.x) && (m..h - m).contains(&q.y)
}

fn place_rulers(
    scene: &mut Scene,
    family: &Family,
    frame_mm: [f64; 2],
    rng: &mut Rng,
) -> Option<()> {
    if family.rulers == Rulers::None {
        return Some(());
    }
    let inch = family.rulers == Rulers::Any && rng.chance(0.33);
    let kinds = if inch {
        &RulerKind::INCH[..]
    } else {
        family.ruler_kinds()
    };
    let kind = *rng.pick(kinds);
    let misprint_mm = between(rng, family.misprint_mm);
    let ruler = Ruler::random(kind, rng);
    let misprint_percent = 100.0 * misprint_mm / ruler.length_mm;
    let mut ruler = ruler.misprinted(misprint_percent);
    scene.thickness_given_mm = family.thickness_given.then_some(ruler.thickness_mm);
    scene.unit_given = ruler.only_unit().filter(|_| family.unit_given);
    ruler.thickness_mm = (ruler.thickness_mm + between(rng, family.thickness_off_mm)).max(0.05);
    let first = place_ruler(scene, &ruler, None, frame_mm, rng)?;
    let angle = first.angle_deg;
    scene.rulers.push(first);
    if family.rulers == Rulers::Two {
        let misprint_percent = match family.trap {
            Some(Trap::RulersDisagree) => rng.sign() * rng.range(1.2, 4.0),
            _ => 0.0,
        };
        let kind = *rng.pick(&RulerKind::MM);
        let mut other = Ruler::random(kind, rng).misprinted(misprint_percent);
        // The job knows one thickness only.
        other.thickness_mm = scene.rulers[0].ruler.thickness_mm;
        let across = angle + 90.0 + rng.range(-15.0, 15.0);
        let second = place_ruler(scene, &other, Some(across), frame_mm, rng)?;
        scene.rulers.push(second);
    }
    if family.trap == Some(Trap::RulerRaised) {
        let lift = rng.range(0.06, 0.14) * scene.rulers[0].ruler.length_mm;
        let parallel = rng.range(6.0, 20.0);
        scene.rulers[0].lift_mm = *rng.pick(&[[0.0, lift], [lift, 0.0], [parallel, parallel]]);
        scene.light.reach = rng.range(0.0, 1.2);
        scene.light.softness = rng.range(0.1, 0.4);
    }
    Some(())
}

/// A place beside the emblem where enough of the ruler is seen.
fn place_ruler(
    scene: &Scene,
    ruler: &Ruler,
    angle_deg: Option<f64>,
    frame_mm: [f64; 2],
    rng: &mut Rng,
) -> Option<PlacedRuler> {
    let corners = box_corners(&scene.residues[0], 0.0);
    let row = ruler.rows.first()?;
    let row_mm = row.pitch_mm * (row.count - 1) as f64;
    let wanted_mm = (0.38 * frame_mm[0])
        .clamp(40.0, 150.0)
        .min(0.7 * frame_mm[0])
        .min(0.95 * row_mm);
    for _ in 0..60 {
        let angle_deg = angle_deg.unwrap_or_else(|| match rng.below(5) {
            0 | 1 => 90.0 * rng.below(4) as f64 + 2.5 * rng.normal(),
            2 => scene.residues[0].rotation_deg + 90.0 * rng.below(4) as f64 + 2.0 * rng.normal(),
            _ => rng.range(0.0, 360.0),
        });
        let (sin, cos) = angle_deg.to_radians().sin_cos();
        let across = |p: &Point<Mm>| cos * p.y - sin * p.x;
        let low = corners.iter().map(across).fold(f64::INFINITY, f64::min);
        let high = corners.iter().map(across).fold(f64::NEG_INFINITY, f64::max);
        let gap = 2.0 + ruler.thickness_mm + rng.range(0.0, 1.0).powi(2) * 0.3 * frame_mm[0];
        let t = if rng.chance(0.5) {
            high + gap
        } else {
            low - gap - ruler.width_mm
        };
        let s = rng.range(-1.1, 0.3) * ruler.length_mm;
        let corner_mm = [cos * s - sin * t, sin * s + cos * t];
        let placed = PlacedRuler {
            ruler: ruler.clone(),
            corner_mm,
            angle_deg,
            lift_mm: [0.0, 0.0],
        };
        if clear_of_others(scene, &placed) && seen_mm(scene, &placed) >= wanted_mm {
            return Some(placed);
        }
    }
    None
}

/// Length of the first row of ticks that lies in the picture, tips included.
fn seen_mm(scene: &Scene, placed: &PlacedRuler) -> f64 {
    let face = scene.view().face_to_photo(placed);
    let (w, h) = (f64::from(scene.width_px), f64::from(scene.height_px));
    let row = &placed.ruler.rows[0];
    let inside = |t: f64, i: usize| {
        let p = face.apply(Point::new(row.start_mm + i as f64 * row.pitch_mm, t));
        (4.0..w - 4.0).contains(&p.x) && (4.0..h - 4.0).contains(&p.y)
    };
    let seen = (0..row.count)
        .filter(|&i| inside(0.0, i) && inside(10.0, i))
        .count();
    seen as f64 * row.pitch_mm
}

fn clear_of_others(scene: &Scene, placed: &PlacedRuler) -> bool {
    let outline = |r: &PlacedRuler| {
        let (sin, cos) = r.angle_deg.to_radians().sin_cos();
        let (l, w) = (r.ruler.length_mm, r.ruler.width_mm);
        let steps = 60;
        (0..=steps)
            .flat_map(move |k| {
                let s = l * f64::from(k) / f64::from(steps);
                [0.0, 0.5 * w, w].map(|t| [cos * s - sin * t, sin * s + cos * t])
            })
            .map(|p| [p[0] + r.corner_mm[0], p[1] + r.corner_mm[1]])
            .collect::<Vec<_>>()
    };
    let mine = outline(placed);
    scene.rulers.iter().all(|other| {
        let (sin, cos) = other.angle_deg.to_radians().sin_cos();
        mine.iter().all(|p| {
            let d = [p[0] - other.corner_mm[0], p[1] - other.corner_mm[1]];
            let (s, t) = (cos * d[0] + sin * d[1], cos * d[1] - sin * d[0]);
            let m = 4.0;
            s < -m || t < -m || s > other.ruler.length_mm + m || t > other.ruler.width_mm + m
        })
    })
}

fn blemishes(scene: &mut Scene, family: &Family, frame_mm: [f64; 2], rng: &mut Rng) {
    let somewhere = |rng: &mut Rng| [0, 1].map(|k| rng.range(-0.5, 0.5) * frame_mm[k]);
    for _ in 0..count(rng, family.folds) {
        scene.cloth.folds.push(Fold {
            at_mm: somewhere(rng),
            angle_deg: rng.range(0.0, 180.0),
            width_mm: rng.range(2.5, 14.0),
            strength_percent: between(rng, family.fold_percent) * rng.sign(),
        });
    }
    for _ in 0..count(rng, family.stains) {
        let strength = -rng.range(2.0, 9.0);
        scene.cloth.stains.push(Stain {
            at_mm: somewhere(rng),
            radius_mm: rng.range(3.0, 16.0),
            contrast_percent: [strength * 0.6, strength * 0.9, strength * 1.3],
        });
    }
}

fn marks(scene: &mut Scene, family: &Family, frame_mm: [f64; 2], rng: &mut Rng) {
    if let Some(Impostor::Thing(kind)) = family.impostor {
        let size_mm = match kind {
            MarkKind::FineStripes => [2.0 * frame_mm[0], 2.0 * frame_mm[0]],
            MarkKind::Comb => [0.7 * frame_mm[0], 28.0],
            MarkKind::Blinds | MarkKind::Keyboard | MarkKind::Grid => {
                [0.9 * frame_mm[0], 0.7 * frame_mm[1]]
            }
            MarkKind::Barcode => [70.0, 30.0],
            MarkKind::Print => [0.6 * frame_mm[0], 40.0],
            MarkKind::Zip => [0.9 * frame_mm[0], 24.0],
            _ => [frame_mm[0], 1.2],
        };
        let angle_deg = rng.range(-40.0, 40.0);
        scene.marks.push(Mark {
            kind,
            centre_mm: [0.0, 0.0],
            angle_deg,
            size_mm,
        });
        return;
    }
    if !rng.chance(family.clutter) || scene.residues.is_empty() {
        return;
    }
    let residue = &scene.residues[0];
    let reach = 0.5 * residue.width_mm * 1.6;
    let side = rng.range(0.0, std::f64::consts::TAU);
    let away = reach + rng.range(4.0, 25.0);
    let kind = *rng.pick(&[
        MarkKind::Seam,
        MarkKind::Chalk,
        MarkKind::Stitching,
        MarkKind::Card,
    ]);
    let size_mm = match kind {
        MarkKind::Card => [rng.range(20.0, 60.0), rng.range(15.0, 40.0)],
        MarkKind::Chalk => [rng.range(15.0, 60.0), rng.range(1.0, 2.5)],
        MarkKind::Seam => [2.0 * frame_mm[0], 10.0],
        _ => [2.0 * frame_mm[0], 1.2],
    };
    let far = if kind == MarkKind::Card {
        away + 35.0
    } else {
        away
    };
    scene.marks.push(Mark {
        kind,
        centre_mm: [
            residue.centre_mm[0] + far * side.cos(),
            residue.centre_mm[1] + far * side.sin(),
        ],
        angle_deg: side.to_degrees() + 90.0 + rng.range(-10.0, 10.0),
        size_mm,
    });
}
