//! Ceilings and cautions, each against its source.

use std::collections::BTreeMap;

use measures::Verdict;

use super::scene::{fabric, material, read};
use crate::{Fabric, Material, cautions, heat_warnings, material_for_garment};

fn at(press_celsius: f64) -> Material {
    let mut m = material("film");
    m.press_celsius.value = press_celsius;
    m
}

fn titles(m: &Material, f: Option<&Fabric>, dots: Option<u8>) -> Vec<String> {
    heat_warnings(m, f, dots)
        .into_iter()
        .map(|w| w.title)
        .collect()
}

/// ISO 3758:2012: 110, 150, 200 °C for one, two, three dots (inspection institutes' notices of
/// 2024 quote them as the values before the edition of 2023).
#[test]
fn care_label_dots_are_the_old_ceilings() {
    for (dots, ceiling) in [(1, 110.0), (2, 150.0), (3, 200.0)] {
        assert!(
            heat_warnings(&at(ceiling), None, Some(dots)).is_empty(),
            "{dots} dots"
        );
        let found = heat_warnings(&at(ceiling + 1.0), None, Some(dots));
        assert_eq!(found.len(), 1, "{dots} dots");
        assert_eq!(found[0].verdict, Verdict::Look);
        assert!(found[0].text.contains(&format!("{ceiling:.0} °C")));
        assert!(found[0].source.contains("ISO 3758:2012"));
    }
    // 120, 160 and 210 °C are the ceilings of 2023, not of an old label.
    assert!(!heat_warnings(&at(120.0), None, Some(1)).is_empty());
}

#[test]
fn a_crossed_out_iron_forbids_every_press() {
    let found = heat_warnings(&at(60.0), None, Some(0));
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].verdict, Verdict::Look);
    assert!(
        heat_warnings(&at(300.0), None, None).is_empty(),
        "no label is no ceiling"
    );
}

/// Trade magazines: dye migrates above 280 °F = 138 °C.
#[test]
fn dye_migration_begins_at_138_degrees_on_dyed_polyester() {
    assert!((f64::from(280 - 32) / 1.8 - 138.0).abs() < 0.5);
    let cloth = fabric("polyester-knit");
    assert!(titles(&at(137.0), Some(&cloth), None).is_empty());
    assert_eq!(titles(&at(138.0), Some(&cloth), None), ["Dye may bleed"]);
    assert_eq!(
        heat_warnings(&at(138.0), Some(&cloth), None)[0].verdict,
        Verdict::Cut
    );
    let hot = heat_warnings(&at(160.0), Some(&cloth), None);
    let bleed = hot
        .iter()
        .find(|w| w.title == "Dye will very likely bleed")
        .expect("a warning");
    assert!(bleed.text.contains("72 hours"));
    assert!(titles(&at(160.0), Some(&fabric("cotton-jersey")), None).is_empty());
}

/// Textile handbooks and test scales, as the fabrics file quotes them.
#[test]
fn fibre_limits_are_those_of_the_fabrics_file() {
    for (name, limit) in [
        ("polyester-knit", 150.0),
        ("nylon", 120.0),
        ("acrylic-knit", 110.0),
        ("cotton-jersey", 200.0),
        ("viscose", 150.0),
        ("wool", 140.0),
        ("acetate", 115.0),
    ] {
        let cloth = fabric(name);
        let over = "Hotter than the fibre stands".to_owned();
        assert!(
            !titles(&at(limit), Some(&cloth), None).contains(&over),
            "{name}"
        );
        assert!(
            titles(&at(limit + 1.0), Some(&cloth), None).contains(&over),
            "{name}"
        );
    }
}

#[test]
fn polypropylene_and_pvc_are_never_pressed() {
    for name in ["polypropylene", "pvc-coated"] {
        let found = heat_warnings(&at(40.0), Some(&fabric(name)), None);
        assert_eq!(found.len(), 1, "{name}");
        assert_eq!(found[0].title, "Never press this fabric");
        assert_eq!(found[0].verdict, Verdict::Look);
    }
}

#[test]
fn every_warning_offers_a_choice() {
    let all = heat_warnings(&at(165.0), Some(&fabric("polyester-knit")), Some(1));
    assert_eq!(all.len(), 3);
    assert!(all[0].text.contains("Choose a material"));
    assert!(all[0].text.contains("test inside the hem"));
    assert!(all[0].text.contains("shorter"));
}

#[test]
fn cautions_name_their_hazards_and_sources() {
    let all = cautions(&material("flock"), None);
    assert!(
        all.iter()
            .all(|c| c.verdict == Verdict::Cut && !c.source.is_empty())
    );
    let text = |title: &str| {
        let found = all.iter().find(|c| c.title == title);
        found
            .unwrap_or_else(|| panic!("no caution \"{title}\""))
            .clone()
    };
    // ISO 13732-1:2006: bare metal 51 °C for one minute; about 65 °C for one second.
    assert!(text("Burns").text.contains("51 °C") && text("Burns").text.contains("65 °C"));
    assert!(text("Burns").source.contains("ISO 13732-1"));
    // Force is pressure times area: 0.40 m × 0.50 m × 3 bar.
    let kilonewtons = 0.40 * 0.50 * 3.0e5 / 1000.0;
    assert!(
        text("Crushing")
            .text
            .contains(&format!("{kilonewtons:.0} kN"))
    );
    for title in [
        "Fumes",
        "Electricity",
        "The garment cannot be replaced",
        "Fabric not named",
    ] {
        text(title);
    }
    let vinyl = cautions(&material("vinyl"), Some(&fabric("cotton-jersey")));
    assert!(vinyl.iter().any(|c| c.text.contains("PVC gives off")));
}

#[test]
fn no_figure_is_without_its_source() {
    let materials: BTreeMap<String, toml::Value> = read("materials.toml");
    let fabrics: BTreeMap<String, toml::Value> = read("fabrics.toml");
    for (name, entry) in materials.iter().chain(&fabrics) {
        for (key, value) in entry.as_table().expect("a table") {
            if ["title", "kind", "fibre"].contains(&key.as_str()) {
                continue;
            }
            let source = value
                .get("source")
                .and_then(toml::Value::as_str)
                .unwrap_or_default();
            assert!(source.len() > 10, "{name}.{key} has no source");
        }
    }
}

#[test]
fn a_figure_without_a_source_or_with_an_unknown_key_is_refused() {
    let whole = std::fs::read_to_string(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../config/materials.toml"
    ))
    .expect("the file");
    let parse = |text: &str| toml::from_str::<BTreeMap<String, Material>>(text);
    assert!(parse(&whole).is_ok());
    assert!(parse(&whole.replacen("passes = ", "pases = ", 1)).is_err());
    let without = whole.lines().map(|l| {
        if l.starts_with("peel = ") {
            "peel = { value = \"cold\" }"
        } else {
            l
        }
    });
    assert!(parse(&without.collect::<Vec<_>>().join("\n")).is_err());
}

/// Flock is pressed between 150 and 185 °C (materials file); polyester stands 150 °C (fabrics file).
#[test]
fn the_press_is_set_to_the_coolest_that_holds_where_the_garment_needs_it() {
    let flock = material("flock");
    let on = |name: &str, dots| material_for_garment(&flock, Some(&fabric(name)), dots);
    assert_eq!(on("cotton-jersey", None).press_celsius, flock.press_celsius);
    let polyester = on("polyester-knit", None);
    assert!((polyester.press_celsius.value - 150.0).abs() < 1e-9);
    assert!(
        polyester
            .press_celsius
            .source
            .contains("lowered from 160 °C")
    );
    let found = heat_warnings(&polyester, Some(&fabric("polyester-knit")), None);
    assert_eq!(found.iter().map(|w| w.verdict).max(), Some(Verdict::Cut));
    let one_dot = on("polyester-knit", Some(1));
    let found = heat_warnings(&one_dot, Some(&fabric("polyester-knit")), Some(1));
    assert_eq!(found.iter().map(|w| w.verdict).max(), Some(Verdict::Look));
}
