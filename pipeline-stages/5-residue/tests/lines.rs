//! The direction of planted stripes is found, and none on cloth without.

#![expect(
    clippy::unwrap_used,
    reason = "a test that cannot set up its scene should fail"
)]

use measures::cloth::PlanePose;
use measures::photo::{Camera, FocalSource};
use measures::{ClothPlane, Grid, Point, ResidueField};
use residue::{LineSettings, lines};
use serde::Deserialize;

fn settings() -> LineSettings {
    #[derive(Deserialize)]
    struct Whole {
        lines: LineSettings,
    }
    let text = include_str!("../../../config/default.toml");
    toml::from_str::<Whole>(text).unwrap().lines
}

fn plane() -> ClothPlane {
    let camera = Camera {
        focal_px: 3000.0,
        u_focal_percent: 1.0,
        focal_source: FocalSource::Equivalent35Mm,
        principal: Point::new(1000.0, 750.0),
    };
    let pose = PlanePose {
        slope_x: 0.0,
        slope_y: 0.0,
        depth_mm: 300.0,
        anchor: Point::new(1000.0, 750.0),
    };
    ClothPlane::new(camera, pose, Vec::new()).unwrap()
}

/// A cloth of even noise and of what `pattern` adds at each place, in units of the noise.
fn field(pattern: impl Fn(Point<measures::Mm>) -> f32) -> ResidueField {
    let grid = Grid {
        origin: Point::new(-75.0, -60.0),
        pitch_mm: 0.2,
        width: 750,
        height: 600,
    };
    let mut state = 77u64;
    let mut noise = || {
        let mut sum = 0.0;
        for _ in 0..12 {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            sum += (state >> 40) as f32 / (1u64 << 24) as f32;
        }
        sum - 6.0
    };
    let channels = [0, 1, 2].map(|_| {
        (0..grid.len())
            .map(|k| {
                let p = grid.place((k % grid.width) as f64, (k / grid.width) as f64);
                noise() + pattern(p)
            })
            .collect()
    });
    ResidueField {
        cloth: vec![1.0; grid.len()],
        channels,
        grid,
        px_per_mm: 10.0,
        light_spread_mm: 15.0,
        look_in: None,
    }
}

/// Distance across lines that run at this angle, clockwise from the x axis.
fn across(p: Point<measures::Mm>, angle_deg: f64) -> f64 {
    let (sin, cos) = angle_deg.to_radians().sin_cos();
    cos * p.y - sin * p.x
}

#[test]
fn stripes_and_columns_are_measured_to_a_twentieth_of_a_degree() {
    for (angle_deg, period_mm, height) in [(3.3, 17.0, 0.5), (-88.2, 1.3, 0.3), (38.0, 4.0, 0.4)] {
        let stripes = |p| {
            let turns = across(p, angle_deg) / period_mm;
            if turns.rem_euclid(1.0) < 0.5 {
                height
            } else {
                0.0
            }
        };
        let found = lines(&field(stripes), &plane(), None, &settings()).unwrap();
        let off = found.angle_deg - angle_deg;
        assert!(
            off.abs() < 0.05,
            "{period_mm} mm at {angle_deg}°: {found:?}"
        );
        assert!(off.abs() <= found.u_angle_deg);
    }
}

#[test]
fn noise_and_a_single_seam_are_no_lines() {
    let plain = field(|_| 0.0);
    assert_eq!(lines(&plain, &plane(), None, &settings()), None);
    let seam = field(|p| {
        if across(p, 12.0).abs() < 0.8 {
            3.0
        } else {
            0.0
        }
    });
    assert_eq!(lines(&seam, &plane(), None, &settings()), None);
}

#[test]
fn a_lattice_without_a_direction_of_its_own_is_no_lines() {
    // Three families of lines, 60° apart, alike.
    let lattice = |p| {
        let waves = [10.0, 70.0, 130.0].map(|deg| {
            let turns = across(p, deg) / 3.0;
            (std::f64::consts::TAU * turns).cos() as f32
        });
        0.4 * waves.iter().sum::<f32>()
    };
    assert_eq!(lines(&field(lattice), &plane(), None, &settings()), None);
}
