//! The drawings of the emblems, about 100 units wide, y down.

use kurbo::{Affine, BezPath};

use crate::drawing::{
    bar, circle, ellipse, polygon, ring_sector, rounded, shield, smooth, star, wavy,
};
use crate::emblem::{Design, Emblem};
use crate::numbers;

/// Whether a version of the design can lack something inside.
pub(crate) fn has_inner_detail(design: Design) -> bool {
    !matches!(design, Design::Disc | Design::Ring)
}

/// The closed contours of an emblem; they neither cross nor touch, and alternate between
/// filled and empty inwards.
pub(crate) fn draw(emblem: &Emblem) -> Vec<BezPath> {
    let (w, c, detail) = (emblem.weight, emblem.corner, emblem.inner_detail);
    match emblem.design {
        Design::TernShield => tern_shield(w, c, detail),
        Design::AnchorRoundel => anchor_roundel(w, detail),
        Design::Monogram => monogram(c, detail),
        Design::Number(figure) => numbers::draw(figure, w, c, detail),
        Design::Star => star_in_star(w, c, detail),
        Design::Disc => vec![circle(50.0, 50.0, 50.0)],
        Design::Ring => vec![circle(50.0, 50.0, 50.0), circle(50.0, 50.0, 50.0 - 9.0 * w)],
        Design::ThinCrest => thin_crest(w, c, detail),
        Design::Bird => bird_alone(w, detail),
        Design::Lighthouse => lighthouse(w, detail),
        Design::Wheel => wheel(w, detail),
        Design::Crown => crown(c, detail),
        Design::Fish => fish(w, c, detail),
        Design::Pennant => pennant(w, detail),
    }
}

/// A tern in flight within about 60 × 40 units round (0, 0).
fn tern() -> BezPath {
    smooth(&[
        (-30.0, -3.0, true),
        (-19.0, -7.5, false),
        (-12.0, -8.0, false),
        (-7.0, -14.0, false),
        (2.0, -20.0, false),
        (16.0, -24.0, true),
        (9.0, -14.0, false),
        (7.0, -6.0, false),
        (16.0, -3.0, false),
        (31.0, -6.0, true),
        (22.0, 0.5, false),
        (30.0, 6.0, true),
        (14.0, 5.0, false),
        (4.0, 6.0, false),
        (-3.0, 17.0, true),
        (-7.0, 5.0, false),
        (-16.0, 1.5, false),
        (-22.0, -1.5, false),
    ])
}

fn tern_shield(w: f64, c: f64, detail: bool) -> Vec<BezPath> {
    let inset = 5.0 * w;
    let mut parts = vec![
        shield(50.0, 0.0, 50.0, 118.0, 7.0 * c),
        shield(50.0, inset, 50.0 - inset, 118.0 - 2.6 * inset, 4.5 * c),
        Affine::translate((50.0, 41.0)) * Affine::scale(1.08) * tern(),
        wavy(22.0, 78.0, 70.0, 5.0, 4.5, 2),
    ];
    if detail {
        parts.push(wavy(32.0, 68.0, 82.0, 4.5, 4.0, 2));
        parts.push(circle(22.0, 20.0, 5.5));
    }
    parts
}

fn anchor_roundel(w: f64, detail: bool) -> Vec<BezPath> {
    let rim = 50.0 - 7.0 * w;
    let anchor = smooth(&[
        (46.8, 33.0, true),
        (46.8, 36.0, true),
        (36.0, 36.0, true),
        (34.5, 38.8, false),
        (36.0, 41.5, true),
        (46.8, 41.5, true),
        (46.8, 71.0, true),
        (37.0, 67.5, false),
        (30.0, 58.0, true),
        (34.0, 57.0, true),
        (25.5, 47.0, true),
        (21.5, 60.0, true),
        (25.5, 59.2, true),
        (34.0, 72.5, false),
        (50.0, 82.0, true),
        (66.0, 72.5, false),
        (74.5, 59.2, true),
        (78.5, 60.0, true),
        (74.5, 47.0, true),
        (66.0, 57.0, true),
        (70.0, 58.0, true),
        (63.0, 67.5, false),
        (53.2, 71.0, true),
        (53.2, 41.5, true),
        (64.0, 41.5, true),
        (65.5, 38.8, false),
        (64.0, 36.0, true),
        (53.2, 36.0, true),
        (53.2, 33.0, true),
        (58.0, 26.0, false),
        (50.0, 18.5, false),
        (42.0, 26.0, false),
    ]);
    let mut parts = vec![
        circle(50.0, 50.0, 50.0),
        circle(50.0, 50.0, rim),
        anchor,
        circle(50.0, 26.2, 3.6 / w),
    ];
    if detail {
        parts.push(star(24.0, 33.0, 5, 5.5, 2.4, 0.4));
        parts.push(star(77.0, 33.0, 5, 5.5, 2.4, 0.4));
    }
    parts
}

fn monogram(c: f64, detail: bool) -> Vec<BezPath> {
    let r = 1.6 * c;
    let mut parts = vec![
        rounded(
            &[
                (0.0, 0.0),
                (38.0, 0.0),
                (38.0, 13.0),
                (25.5, 13.0),
                (25.5, 70.0),
                (12.5, 70.0),
                (12.5, 13.0),
                (0.0, 13.0),
            ],
            r,
        ),
        // B: straight back, two bows.
        smooth(&[
            (43.0, 0.0, true),
            (66.0, 0.0, true),
            (76.0, 4.5, false),
            (80.0, 16.0, false),
            (77.5, 26.0, false),
            (71.0, 32.5, true),
            (79.0, 39.0, false),
            (82.5, 51.0, false),
            (78.0, 64.5, false),
            (66.0, 70.0, true),
            (43.0, 70.0, true),
        ]),
        smooth(&[
            (55.0, 11.0, true),
            (63.0, 11.0, true),
            (67.5, 15.0, false),
            (67.5, 22.5, false),
            (63.0, 27.0, true),
            (55.0, 27.0, true),
        ]),
        smooth(&[
            (55.0, 38.5, true),
            (63.5, 38.5, true),
            (69.5, 43.5, false),
            (69.5, 53.5, false),
            (63.5, 58.5, true),
            (55.0, 58.5, true),
        ]),
        rounded(
            &[
                (86.0, 0.0),
                (99.0, 0.0),
                (104.5, 46.0),
                (111.0, 16.0),
                (121.0, 16.0),
                (127.5, 46.0),
                (133.0, 0.0),
                (146.0, 0.0),
                (134.5, 70.0),
                (122.5, 70.0),
                (116.0, 38.0),
                (109.5, 70.0),
                (97.5, 70.0),
            ],
            r,
        ),
    ];
    if detail {
        parts.push(bar(0.0, 77.0, 146.0, 82.5, 0.8 * c));
    }
    parts
}

fn star_in_star(w: f64, c: f64, detail: bool) -> Vec<BezPath> {
    let mut parts = vec![
        star(50.0, 52.6, 5, 52.6, 22.0, 2.0 * c),
        star(50.0, 52.6, 5, 38.0 - 3.0 * w, 15.5 - 1.5 * w, 0.8 * c),
    ];
    if detail {
        parts.push(circle(50.0, 52.6, 6.0 * w));
    }
    parts
}

fn thin_crest(w: f64, c: f64, detail: bool) -> Vec<BezPath> {
    let line = 2.2 * w;
    let chevron = |y: f64| {
        rounded(
            &[
                (18.0, y),
                (50.0, y - 20.0),
                (82.0, y),
                (82.0, y + 1.5 * line),
                (50.0, y - 20.0 + 1.5 * line),
                (18.0, y + 1.5 * line),
            ],
            0.4 * c,
        )
    };
    let mut parts = vec![
        shield(50.0, 0.0, 50.0, 122.0, 10.0 * c),
        shield(50.0, line, 50.0 - line, 122.0 - 2.4 * line, 8.5 * c),
        shield(50.0, 6.0, 44.0, 122.0 - 14.5, 6.5 * c),
        shield(
            50.0,
            6.0 + line,
            44.0 - line,
            122.0 - 14.5 - 2.4 * line,
            5.0 * c,
        ),
        chevron(44.0),
        chevron(56.0),
    ];
    if detail {
        parts.push(circle(50.0, 76.0, 12.0));
        parts.push(circle(50.0, 76.0, 12.0 - line));
        parts.push(star(50.0, 76.0, 6, 6.5, 3.0, 0.2));
    }
    parts
}

fn bird_alone(w: f64, detail: bool) -> Vec<BezPath> {
    let mut parts = vec![Affine::translate((60.0, 45.0)) * Affine::scale(1.9) * tern()];
    if detail {
        parts.push(Affine::translate((26.0, 35.7)) * circle(0.0, 0.0, 1.8 * w));
        parts.push(wavy(22.0, 100.0, 88.0, 6.0, 5.0 * w, 3));
    }
    parts
}

fn lighthouse(w: f64, detail: bool) -> Vec<BezPath> {
    let beam = |s: f64| {
        polygon(&[
            (50.0 + s * 14.0, 35.0),
            (50.0 + s * 33.0, 27.0),
            (50.0 + s * 33.0, 41.0),
            (50.0 + s * 14.0, 37.5),
        ])
    };
    let mut parts = vec![
        ellipse(50.0, 64.0, 50.0, 64.0),
        ellipse(50.0, 64.0, 50.0 - 5.0 * w, 64.0 - 5.0 * w),
        rounded(
            &[(42.0, 45.0), (58.0, 45.0), (64.0, 96.0), (36.0, 96.0)],
            0.8,
        ),
        rounded(
            &[
                (40.0, 24.0),
                (50.0, 15.0),
                (60.0, 24.0),
                (59.0, 40.0),
                (41.0, 40.0),
            ],
            1.5,
        ),
        bar(46.0, 28.0, 54.0, 36.0, 0.6),
        rounded(
            &[(47.0, 78.0), (53.0, 78.0), (53.5, 90.0), (46.5, 90.0)],
            1.0,
        ),
        beam(1.0),
        beam(-1.0),
        wavy(26.0, 74.0, 104.0, 4.5, 4.0, 2),
    ];
    if detail {
        parts.push(rounded(
            &[(44.9, 52.0), (55.1, 52.0), (56.0, 60.0), (44.0, 60.0)],
            0.4,
        ));
        parts.push(rounded(
            &[(43.6, 66.0), (56.4, 66.0), (57.0, 72.0), (43.0, 72.0)],
            0.4,
        ));
    }
    parts
}

fn wheel(w: f64, detail: bool) -> Vec<BezPath> {
    let mut parts = Vec::new();
    for k in 0..8 {
        let turn = Affine::rotate_about(f64::from(k) * std::f64::consts::FRAC_PI_4, (50.0, 50.0));
        parts.push(turn * bar(46.5, 0.0, 53.5, 11.0, 3.0));
    }
    parts.push(circle(50.0, 50.0, 37.0));
    for k in 0..8 {
        let middle = 45.0 * f64::from(k) + 22.5;
        let open = 15.5 - 2.0 * (w - 1.0);
        parts.push(ring_sector(
            50.0,
            50.0,
            14.0,
            29.5,
            middle - open,
            middle + open,
        ));
    }
    if detail {
        parts.push(circle(50.0, 50.0, 5.5 / w));
    }
    parts
}

fn crown(c: f64, detail: bool) -> Vec<BezPath> {
    let r = 1.2 * c;
    let mut parts = vec![
        rounded(
            &[
                (8.0, 62.0),
                (0.0, 18.0),
                (24.0, 40.0),
                (34.0, 10.0),
                (50.0, 38.0),
                (70.0, 4.0),
                (76.0, 40.0),
                (100.0, 20.0),
                (92.0, 62.0),
            ],
            r,
        ),
        bar(8.0, 67.0, 92.0, 77.0, r),
        circle(34.0, 4.0, 3.8),
        circle(70.5, -2.5, 3.8),
    ];
    for k in 0..3 {
        let x = 12.0 + 27.0 * f64::from(k);
        parts.push(rounded(
            &[
                (x, 84.0),
                (x + 22.0, 84.0),
                (x + 18.0, 100.0 + 3.0 * f64::from(k)),
                (x + 4.0, 100.0),
            ],
            r,
        ));
    }
    if detail {
        parts.push(circle(50.0, 51.0, 4.2));
        parts.push(ellipse(28.0, 52.0, 3.6, 4.6));
        parts.push(ellipse(72.0, 52.0, 3.6, 4.6));
    }
    parts
}

fn fish(w: f64, c: f64, detail: bool) -> Vec<BezPath> {
    let line = 5.0 * w;
    let lozenge = |k: f64| {
        rounded(
            &[
                (60.0, k),
                (120.0 - 1.4 * k, 45.0),
                (60.0, 90.0 - k),
                (1.4 * k, 45.0),
            ],
            4.0 * c,
        )
    };
    let body = smooth(&[
        (27.0, 46.0, false),
        (38.0, 36.5, false),
        (52.0, 32.0, false),
        (66.0, 36.0, false),
        (78.0, 42.5, false),
        (92.0, 34.0, true),
        (88.0, 45.5, false),
        (91.0, 56.0, true),
        (78.0, 48.5, false),
        (64.0, 54.5, false),
        (55.0, 59.0, true),
        (50.0, 55.5, false),
        (36.0, 53.0, false),
    ]);
    let mut parts = vec![lozenge(0.0), lozenge(line), body];
    if detail {
        parts.push(circle(36.5, 43.5, 2.2));
        parts.push(smooth(&[
            (46.0, 37.0, true),
            (49.5, 44.0, false),
            (46.5, 51.5, true),
            (47.6, 44.2, false),
        ]));
        parts.push(wavy(47.0, 73.0, 65.0, 2.6, 2.4 * w, 2));
    }
    parts
}

fn pennant(w: f64, detail: bool) -> Vec<BezPath> {
    let flag = smooth(&[
        (10.0, 6.0, true),
        (35.0, 2.0, false),
        (62.0, 11.0, false),
        (88.0, 10.0, false),
        (118.0, 14.0, true),
        (96.0, 29.0, false),
        (112.0, 46.0, true),
        (84.0, 44.0, false),
        (60.0, 50.0, false),
        (34.0, 58.0, false),
        (10.0, 55.0, true),
    ]);
    let mut parts = vec![flag, bar(0.0, 0.0, 6.0, 112.0, 2.2)];
    parts.push(star(34.0, 30.0, 5, 15.0, 6.2, 0.5));
    if detail {
        parts.push(circle(34.0, 30.0, 3.0 * w));
        parts.push(wavy(58.0, 90.0, 26.0, 2.0, 4.5 * w, 1));
    }
    parts
}
