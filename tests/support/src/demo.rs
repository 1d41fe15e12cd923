//! The invented jobs of the demonstration inbox.

use measures::Point;
use measures::cloth::PlanePose;

use crate::cloth::{Cloth, Fold, Jacquard, Stain, Stripes, Weave};
use crate::emblem::{Design, Emblem};
use crate::random::Rng;
use crate::residue::Residue;
use crate::ruler::{Ruler, RulerKind};
use crate::scene::{
    FULL_FRAME_DIAGONAL_MM, Lens, Light, Mark, MarkKind, PlacedRuler, Scene, Sensor,
};

/// One photo of a job, with the artwork that its emblem could be.
#[derive(Clone, Debug)]
pub struct DemoPhoto {
    /// The photo's file name.
    pub file: &'static str,
    /// What it shows.
    pub scene: Scene,
    /// The artwork's file names, in the order of the scene's versions.
    pub artwork: Vec<&'static str>,
}

/// One job folder.
#[derive(Clone, Debug)]
pub struct DemoJob {
    /// The folder's name.
    pub name: &'static str,
    /// The text of its job.toml.
    pub job: &'static str,
    /// Its photos.
    pub photos: Vec<DemoPhoto>,
}

/// The three jobs.
pub fn jobs() -> Vec<DemoJob> {
    vec![
        tern_bay_1991(),
        harbour_stripes_1987(),
        tern_bay_keeper_1993(),
    ]
}

fn tern_bay_1991() -> DemoJob {
    let plain = Emblem::new(Design::TernShield);
    let bold = Emblem {
        weight: 1.3,
        inner_detail: false,
        ..plain
    };
    let cloth = Cloth {
        colour: [36, 66, 142],
        pitch_mm: 1.05,
        folds: vec![fold([-70.0, 30.0], 62.0, 11.0, 3.0)],
        lint: 14,
        ..plain_cloth()
    };
    let residue = Residue {
        centre_mm: [14.0, -14.0],
        rotation_deg: -2.3,
        ..residue(plain, 78.2, 14.0)
    };
    let mut scene = scene(1991, 15.5, 26.0, [0.012, -0.008], cloth);
    scene.residues = vec![residue];
    scene.rulers = vec![ruler(RulerKind::SteelMm, 0.5, [-112.0, 58.0], -2.0, 11)];
    scene.versions = vec![plain, bold];
    scene.true_version = Some(0);
    DemoJob {
        name: "tern-bay-1991",
        job: include_str!("demo/tern-bay-1991.toml"),
        photos: vec![DemoPhoto {
            file: "left-breast.jpg",
            scene,
            artwork: vec!["crest-fine.svg", "crest-bold.svg"],
        }],
    }
}

fn harbour_stripes_1987() -> DemoJob {
    let plain = Emblem::new(Design::Lighthouse);
    let tall = Emblem {
        proportion: 1.05,
        ..plain
    };
    let bare = Emblem {
        inner_detail: false,
        weight: 1.2,
        ..plain
    };
    let cloth = Cloth {
        colour: [150, 42, 52],
        weave: Weave::Tricot,
        pitch_mm: 0.9,
        angle_deg: 3.5,
        stripes: vec![Stripes {
            period_mm: 22.0,
            width_mm: 9.5,
            phase_mm: 5.0,
            contrast_percent: [9.0, 8.0, 8.0],
            softness_mm: 0.4,
            crosswise: false,
        }],
        folds: vec![
            fold([60.0, -60.0], 118.0, 9.0, 6.0),
            fold([-80.0, 55.0], 20.0, 6.0, -5.0),
        ],
        stains: vec![Stain {
            at_mm: [52.0, 44.0],
            radius_mm: 9.0,
            contrast_percent: [-3.0, -4.5, -6.0],
        }],
        lint: 22,
        ..plain_cloth()
    };
    let residue = Residue {
        centre_mm: [18.0, -4.0],
        rotation_deg: 4.1,
        missing: 0.14,
        bleed_mm: 0.3,
        ..residue(tall, 64.5, -6.5)
    };
    let mut scene = scene(1987, 16.0, 28.0, [0.06, 0.085], cloth);
    scene.residues = vec![residue];
    scene.rulers = vec![ruler(RulerKind::MmAndInch16, 1.5, [-62.0, 84.0], -86.0, 5)];
    scene.versions = vec![plain, tall, bare];
    scene.true_version = Some(1);
    DemoJob {
        name: "harbour-stripes-1987",
        job: include_str!("demo/harbour-stripes-1987.toml"),
        photos: vec![DemoPhoto {
            file: "breast.jpg",
            scene,
            artwork: vec![
                "lighthouse-round.svg",
                "lighthouse-tall.svg",
                "lighthouse-bare.svg",
            ],
        }],
    }
}

fn tern_bay_keeper_1993() -> DemoJob {
    let cloth = Cloth {
        colour: [36, 108, 78],
        pitch_mm: 1.2,
        jacquard: Some(Jacquard {
            repeat_mm: [26.0, 34.0],
            figure: 0,
            contrast_percent: -5.0,
        }),
        ..plain_cloth()
    };
    let badge = Emblem::new(Design::AnchorRoundel);
    let bare = Emblem {
        inner_detail: false,
        ..badge
    };
    let mut front = scene(
        1993,
        17.0,
        26.0,
        [-0.015, 0.01],
        Cloth {
            angle_deg: -1.5,
            ..cloth.clone()
        },
    );
    front.residues = vec![Residue {
        centre_mm: [20.0, -6.0],
        rotation_deg: 1.7,
        bleed_mm: 0.15,
        ..residue(badge, 66.0, 11.0)
    }];
    front.rulers = vec![ruler(RulerKind::PlasticMm, 1.6, [-108.0, 38.0], 1.0, 21)];
    front.versions = vec![badge, bare];
    front.true_version = Some(0);
    let one = Emblem {
        inner_detail: false,
        ..Emblem::new(Design::Number(1))
    };
    let narrow = Emblem {
        proportion: 1.06,
        corner: 2.0,
        ..one
    };
    let folds = vec![
        fold([-120.0, 0.0], 84.0, 16.0, 6.0),
        fold([140.0, 80.0], 140.0, 12.0, -4.0),
    ];
    let mut back = scene(
        1994,
        11.5,
        26.0,
        [0.01, 0.014],
        Cloth {
            angle_deg: 1.0,
            folds,
            ..cloth
        },
    );
    back.residues = vec![Residue {
        centre_mm: [38.0, 2.0],
        rotation_deg: -0.8,
        bleed_mm: 0.35,
        missing: 0.16,
        patch_mm: 9.0,
        ..residue(one, 104.0, 12.0)
    }];
    back.rulers = vec![ruler(RulerKind::Inch16, 0.8, [-104.0, 118.0], -90.5, 9)];
    back.marks = vec![Mark {
        kind: MarkKind::Seam,
        centre_mm: [0.0, -124.0],
        angle_deg: 0.8,
        size_mm: [500.0, 10.0],
    }];
    back.versions = vec![one, narrow];
    back.true_version = Some(0);
    DemoJob {
        name: "tern-bay-keeper-1993",
        job: include_str!("demo/tern-bay-keeper-1993.toml"),
        photos: vec![
            DemoPhoto {
                file: "badge.jpg",
                scene: front,
                artwork: vec!["anchor-stars.svg", "anchor-plain.svg"],
            },
            DemoPhoto {
                file: "back.jpg",
                scene: back,
                artwork: vec!["one-square.svg", "one-tall.svg"],
            },
        ],
    }
}

fn plain_cloth() -> Cloth {
    Cloth {
        colour: [128, 128, 128],
        weave: Weave::Jersey,
        pitch_mm: 1.0,
        angle_deg: 0.7,
        texture: 0.15,
        irregularity: 0.4,
        mottle_percent: 0.8,
        stripes: Vec::new(),
        jacquard: None,
        folds: Vec::new(),
        stains: Vec::new(),
        lint: 10,
        bumps_mm: 0.0,
    }
}

fn fold(at_mm: [f64; 2], angle_deg: f64, width_mm: f64, strength_percent: f64) -> Fold {
    Fold {
        at_mm,
        angle_deg,
        width_mm,
        strength_percent,
    }
}

fn residue(emblem: Emblem, width_mm: f64, contrast: f64) -> Residue {
    Residue {
        emblem,
        width_mm,
        centre_mm: [0.0, 0.0],
        rotation_deg: 0.0,
        bleed_mm: 0.2,
        softness_mm: 0.35,
        roughness_mm: 0.06,
        contrast_percent: [contrast, 0.95 * contrast, 0.85 * contrast],
        missing: 0.08,
        patch_mm: 5.0,
        rim: 0.25,
        unevenness: 0.1,
        flatness: 0.4,
    }
}

fn ruler(
    kind: RulerKind,
    thickness_mm: f64,
    corner_mm: [f64; 2],
    angle_deg: f64,
    print: u64,
) -> PlacedRuler {
    let drawn = Ruler::random(kind, &mut Rng::new(print));
    let ruler = Ruler {
        thickness_mm,
        wear: 0.0,
        glare_mm: None,
        ..drawn
    };
    PlacedRuler {
        ruler,
        corner_mm,
        angle_deg,
        lift_mm: [0.0, 0.0],
    }
}

/// A 12 MP picture of bare cloth at this scale.
fn scene(seed: u64, px_per_mm: f64, focal_35mm: f64, slopes: [f64; 2], cloth: Cloth) -> Scene {
    let (width_px, height_px) = (4032, 3024);
    let diagonal = f64::from(width_px).hypot(f64::from(height_px));
    Scene {
        seed,
        family: "demo".into(),
        width_px,
        height_px,
        lens: Lens {
            focal_35mm,
            k1: 0.0,
            blur_px: 0.9,
            vignetting: 0.14,
            tells_focal: true,
        },
        pose: PlanePose {
            slope_x: slopes[0],
            slope_y: slopes[1],
            depth_mm: focal_35mm / FULL_FRAME_DIAGONAL_MM * diagonal / px_per_mm,
            anchor: Point::new(0.5 * f64::from(width_px), 0.5 * f64::from(height_px)),
        },
        cloth,
        light: Light {
            angle_deg: 215.0,
            gradient_percent: 22.0,
            exposure: 1.15,
            colour: [1.03, 1.0, 0.96],
            shadows_percent: 3.0,
            reach: 0.9,
            softness: 0.35,
        },
        sensor: Sensor {
            full_well: 5000.0,
            read_noise: 2.5,
            smoothing_px: 0.6,
            sharpening: 0.5,
            half_colour: true,
            jpeg_quality: 86,
        },
        residues: Vec::new(),
        pressed: None,
        exposure: 0,
        rulers: Vec::new(),
        marks: Vec::new(),
        versions: Vec::new(),
        true_version: None,
        trap: None,
        thickness_given_mm: None,
        unit_given: None,
    }
}

impl DemoJob {
    /// Every file of the folder: name and bytes. Paints the photos.
    pub fn files(&self) -> Vec<(String, Vec<u8>)> {
        let mut files = self.texts();
        for photo in &self.photos {
            let jpeg = photo.scene.paint().jpeg(photo.scene.sensor.jpeg_quality);
            files.push((photo.file.to_owned(), jpeg));
        }
        files
    }

    /// The files that are text: job.toml and the artwork.
    pub fn texts(&self) -> Vec<(String, Vec<u8>)> {
        let mut files = vec![("job.toml".to_owned(), self.job.as_bytes().to_vec())];
        for photo in &self.photos {
            for (name, version) in photo.artwork.iter().zip(&photo.scene.versions) {
                files.push(((*name).to_owned(), version.svg().into_bytes()));
            }
        }
        files
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inbox_holds_what_is_drawn_here() {
        let inbox = concat!(env!("CARGO_MANIFEST_DIR"), "/../../demo-inbox");
        for job in jobs() {
            for (name, bytes) in job.texts() {
                let path = format!("{inbox}/{}/{name}", job.name);
                let kept = std::fs::read(&path).expect("paint the demo inbox again");
                assert!(kept == bytes, "{path} differs: paint the demo inbox again");
            }
            for photo in &job.photos {
                let path = format!("{inbox}/{}/{}", job.name, photo.file);
                let size = std::fs::metadata(&path)
                    .expect("paint the demo inbox again")
                    .len();
                assert!(size <= 3_000_000, "{path} has {size} bytes");
            }
        }
    }
}
