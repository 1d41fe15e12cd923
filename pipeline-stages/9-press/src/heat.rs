//! What heat the cloth stands, and what else can go wrong at the press.

use measures::Verdict;

use crate::{Fabric, Material, MaterialKind, Warning};

/// Hottest sole plate for each number of dots, in °C, on garments labelled before 2024: ISO
/// 3758:2012 as reported by inspection institutes. The edition of 2023 raised them to 120, 160
/// and 210 °C, but a vintage label means the old ones.
pub const IRON_CEILINGS_CELSIUS: [f64; 3] = [110.0, 150.0, 200.0];

const CEILING_SOURCE: &str = "ISO 3758:2012, the ceilings of older labels (the edition of 2023 \
     has 10 °C more), as reported by inspection institutes; made for a hand iron, so a ceiling and \
     no permission for a press";

/// What speaks against pressing `material` on `fabric`: a ceiling that is exceeded is a reason to
/// look first; dye that may migrate is a warning. Empty when no known limit is reached.
///
/// `iron_dots` come from the care label (ISO 3758): 0 for the crossed-out iron, 1 to 3, `None`
/// without a label.
pub fn heat_warnings(
    material: &Material,
    fabric: Option<&Fabric>,
    iron_dots: Option<u8>,
) -> Vec<Warning> {
    let label = iron_dots.and_then(|dots| label_warning(material, dots));
    let cloth = fabric.map(|fabric| fabric_warnings(material, fabric));
    label
        .into_iter()
        .chain(cloth.into_iter().flatten())
        .collect()
}

fn label_warning(material: &Material, dots: u8) -> Option<Warning> {
    let press = material.press_celsius.value;
    if dots == 0 {
        return Some(look(
            "The label says: do not iron",
            format!(
                "{} is pressed at {press:.0} °C; the garment's label forbids any iron. Sew the \
                 emblem on instead, or test inside the hem and decide with the owner.",
                material.title
            ),
            "ISO 3758, crossed-out iron",
        ));
    }
    let ceiling = *IRON_CEILINGS_CELSIUS.get(usize::from(dots) - 1)?;
    (press > ceiling).then(|| {
        let plural = if dots == 1 { "" } else { "s" };
        look(
            "Hotter than the care label allows",
            format!(
                "{} is pressed at {press:.0} °C; the label's {dots} dot{plural} mean at most \
                 {ceiling:.0} °C on an older garment. {}",
                material.title,
                choice(ceiling)
            ),
            CEILING_SOURCE,
        )
    })
}

fn fabric_warnings(material: &Material, fabric: &Fabric) -> Vec<Warning> {
    if let Some(never) = &fabric.never_press {
        let text = format!(
            "{} must not go under a press. {} Sew the emblem on instead.",
            fabric.title, never.value
        );
        return vec![look("Never press this fabric", text, &never.source)];
    }
    fibre_warning(material, fabric)
        .into_iter()
        .chain(dye_warning(material, fabric))
        .collect()
}

fn fibre_warning(material: &Material, fabric: &Fabric) -> Option<Warning> {
    let (press, limit) = (
        material.press_celsius.value,
        fabric.fibre_limit_celsius.as_ref()?,
    );
    (press > limit.value).then(|| {
        look(
            "Hotter than the fibre stands",
            format!(
                "{} is pressed at {press:.0} °C; {} should meet at most {:.0} °C. {}",
                material.title,
                fabric.fibre,
                limit.value,
                choice(limit.value)
            ),
            &limit.source,
        )
    })
}

fn dye_warning(material: &Material, fabric: &Fabric) -> Option<Warning> {
    let (press, onset) = (
        material.press_celsius.value,
        fabric.dye_migration_celsius.as_ref()?,
    );
    if press < onset.value {
        return None;
    }
    let refusal = fabric
        .dye_refusal_celsius
        .as_ref()
        .filter(|limit| press >= limit.value);
    let (verdict, title, advice, source) = match refusal {
        Some(limit) => (
            Verdict::Look,
            "Dye will very likely bleed",
            format!(
                "From {:.0} °C do not press dyed cloth of this kind unless a test has passed.",
                limit.value
            ),
            format!("{}; {}", onset.source, limit.source),
        ),
        // Common from here on, and no bar to cutting: a test press shows it.
        None => (
            Verdict::Cut,
            "Dye may bleed",
            choice(onset.value - 1.0),
            onset.source.clone(),
        ),
    };
    let text = format!(
        "{} is pressed at {press:.0} °C; from about {:.0} °C the dye of {} may migrate into a \
         pale emblem, sometimes only up to 72 hours later. {advice} Undyed white \
         cloth is free of this.",
        material.title, onset.value, fabric.fibre
    );
    Some(warning(verdict, title, text, &source))
}

/// The ways out, for a person to choose from.
fn choice(ceiling_celsius: f64) -> String {
    format!(
        "Choose a material that is pressed at {ceiling_celsius:.0} °C or less; or press in shorter \
         passes and let the cloth cool between them, if the material's data sheet allows it; and \
         test inside the hem first."
    )
}

/// What to mind with every press of `material` on `fabric`. Lowers no verdict.
pub fn cautions(material: &Material, fabric: Option<&Fabric>) -> Vec<Warning> {
    let mut all = vec![
        data_sheet(),
        burn(material),
        pinch(),
        fumes(material),
        electrical(),
    ];
    all.push(garment());
    all.push(real_temperature());
    match fabric {
        None => all.push(caution(
            "Fabric not named",
            "The job names no fabric. Find out the fibre before you press: polypropylene and \
             PVC-coated cloth must never be pressed, nylon, acrylic and acetate stand little heat, \
             and dyed polyester may bleed from about 138 °C.",
            "textile handbooks and trade magazines, read in secondary texts",
        )),
        Some(fabric) if fabric.dye_migration_celsius.is_some() => all.push(caution(
            "Wait before you judge the test",
            "Migrating dye may show only later: leave a test press for 72 hours before you trust \
             it.",
            "garment-decoration trade magazines, one of them with 72 hours",
        )),
        Some(_) => {}
    }
    all
}

fn data_sheet() -> Warning {
    caution(
        "The data sheet comes first",
        "The settings on this sheet are typical figures. Where your material's data sheet says \
         otherwise, it is right and this sheet is wrong.",
        "common practice, no source",
    )
}

fn burn(material: &Material) -> Warning {
    caution(
        "Burns",
        format!(
            "Bare metal of 51 °C burns skin within a minute, about 65 °C within a second; the \
             plate has {:.0} °C and stays hot for long after it is switched off. Wear heat-proof \
             gloves, and touch neither plate nor fresh emblem.",
            material.press_celsius.value
        ),
        "ISO 13732-1:2006, thresholds as quoted by two secondary texts",
    )
}

fn pinch() -> Warning {
    caution(
        "Crushing",
        "A plate of 40 × 50 cm at 3 bar closes with 60 kN, the weight of six tonnes. Keep hands out, keep \
         others away, use two-hand control where the press has it.",
        "calculated: 0.2 m² × 300 kPa",
    )
}

fn fumes(material: &Material) -> Warning {
    if material.kind == MaterialKind::VinylFilm {
        return caution(
            "Fumes",
            "PVC gives off plasticiser, and traces of irritant hydrogen chloride, at 150–200 °C. \
             Air the room well, stay out of the haze, press no hotter and no longer than needed, no open flame.",
            "air measured in nine PVC processing plants (abstract); common practice",
        );
    }
    caution(
        "Fumes",
        "Air the room. Treat remains of an old emblem of unknown make as PVC: hot, it may give off \
         plasticiser and irritant hydrogen chloride. Take off what comes off cold, and no open flame.",
        "common practice, no source",
    )
}

fn electrical() -> Warning {
    caution(
        "Electricity",
        "Earthed socket, no extension reel, no damp cloth near the mains lead; unplug before cleaning, and never leave a hot press \
         alone.",
        "common practice, no source",
    )
}

fn garment() -> Warning {
    caution(
        "The garment cannot be replaced",
        "Test first: same material, same setting, inside the hem or on a piece you can lose. Old cloth may \
         scorch, shine or shrink, and old adhesive may melt and strike through. Keep the plate off prints, zips and buttons.",
        "common practice, no source",
    )
}

fn real_temperature() -> Warning {
    caution(
        "What the press shows",
        "The display is not the cloth: measure the plate with a contact thermometer or strips. \
         Pressure is force over the emblem's area, not the ram's gauge.",
        "general trade advice, read in secondary texts",
    )
}

fn look(title: &str, text: impl Into<String>, source: &str) -> Warning {
    warning(Verdict::Look, title, text, source)
}

fn caution(title: &str, text: impl Into<String>, source: &str) -> Warning {
    warning(Verdict::Cut, title, text, source)
}

fn warning(verdict: Verdict, title: &str, text: impl Into<String>, source: &str) -> Warning {
    Warning {
        verdict,
        title: title.into(),
        text: text.into(),
        source: source.into(),
    }
}
