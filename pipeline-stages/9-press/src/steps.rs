//! Page two and on: settings, steps in order, warnings and cautions.

use crate::canvas::{Faces, Page, Style};
use crate::flow::{Flow, Row};
use crate::heat::{cautions, heat_warnings};
use crate::{Layer, Material, Peel, Settings, SheetContent, Warning};

/// The pages, in reading order.
pub(crate) fn pages(content: &SheetContent<'_>, settings: &Settings, faces: &Faces) -> Vec<Page> {
    let mut flow = Flow::new(settings, faces);
    flow.words(Style::bold(20.0), "Pressing it");
    flow.words(Style::plain(10.5), &what_on_what(content));
    flow.handedness(content);
    let layers = layers(content);
    let mut warnings: Vec<Warning> = Vec::new();
    for layer in &layers {
        let found = heat_warnings(layer.material, content.fabric, content.iron_dots);
        warnings.extend(found);
        warnings.dedup();
    }
    for warning in &warnings {
        flow.alarm(warning);
    }
    for (i, layer) in layers.iter().enumerate() {
        flow.heading(&settings_heading(i, &layers));
        for row in &settings_rows(layer.material) {
            flow.setting(row);
        }
    }
    flow.gap(1.0);
    let sum = format!("Heat on this place in all: {}.", heat_account(&layers));
    flow.words(Style::bold(10.5), &sum);
    flow.words(
        Style::plain(10.5),
        "Your material's data sheet overrides every figure here.",
    );
    flow.heading("Steps");
    let mut steps = steps(content.material);
    if layers.len() > 1 {
        // Before the last step, which checks what is finished.
        steps.insert(steps.len() - 1, next_layer(&layers));
    }
    for (i, (name, how)) in steps.iter().enumerate() {
        flow.step(i + 1, name, how);
    }
    flow.heading("Mind");
    let mut minded: Vec<Warning> = Vec::new();
    for caution in layers
        .iter()
        .flat_map(|l| cautions(l.material, content.fabric))
    {
        if !minded.contains(&caution) {
            flow.caution(&caution);
            minded.push(caution);
        }
    }
    flow.finished()
}

/// The layers in the order of pressing: of an emblem of one material, that one.
fn layers<'a>(content: &SheetContent<'a>) -> Vec<Layer<'a>> {
    if content.layers.is_empty() {
        return vec![Layer {
            name: content.emblem,
            material: content.material,
        }];
    }
    content.layers.to_vec()
}

fn settings_heading(i: usize, layers: &[Layer<'_>]) -> String {
    if layers.len() == 1 {
        return "Settings".to_owned();
    }
    format!(
        "Settings for layer {} of {}: {}, {}",
        i + 1,
        layers.len(),
        layers[i].name,
        layers[i].material.title
    )
}

fn next_layer(layers: &[Layer<'_>]) -> (&'static str, String) {
    let order: Vec<String> = layers
        .iter()
        .map(|l| format!("{} ({})", l.name, l.material.title))
        .collect();
    let how = format!(
        "Press the layers in this order: {}. For each one after the first, begin again at Place with its \
         own settings; the three crosses of its carrier go where those of the template are. Weed the \
         crosses themselves out before: they are not pressed. Each press heats the layers below again, so \
         cover them, and check that none shifts or shines.",
        order.join(", then ")
    );
    ("Next layer", how)
}

fn what_on_what(content: &SheetContent<'_>) -> String {
    let fabric = content
        .fabric
        .map_or("a fabric the job does not name", |f| &f.title);
    let label = match content.iron_dots {
        None => "no care label given".to_owned(),
        Some(0) => "care label: do not iron".to_owned(),
        Some(1) => "care label: 1 dot".to_owned(),
        Some(n) => format!("care label: {n} dots"),
    };
    let titles: Vec<&str> = layers(content)
        .iter()
        .map(|l| l.material.title.as_str())
        .collect();
    let what = titles.join(" and ");
    format!(
        "{}, emblem {}: {} on {} ({label}).",
        if content.garment.is_empty() {
            content.job
        } else {
            content.garment
        },
        content.emblem,
        what,
        fabric
    )
}

fn settings_rows(m: &Material) -> Vec<Row> {
    let row = |name, figure: String, source: &str| Row {
        name,
        figure,
        source: source.to_owned(),
    };
    let peel = match m.peel.value {
        Peel::Hot => "hot",
        Peel::Warm => "warm",
        Peel::Cold => "cold",
    };
    let mut rows = vec![
        row(
            "Dry the cloth",
            format!("{:.0} s", m.dry_seconds.value),
            &m.dry_seconds.source,
        ),
        row(
            "Temperature",
            format!("{:.0} °C", m.press_celsius.value),
            &m.press_celsius.source,
        ),
        row(
            "Time",
            format!("{:.0} s", m.press_seconds.value),
            &m.press_seconds.source,
        ),
        row(
            "Pressure",
            pressure(m.pressure_bar.value),
            &m.pressure_bar.source,
        ),
        row("Peel", peel.to_owned(), &m.peel.source),
        row("Presses", format!("{}", m.passes.value), &m.passes.source),
    ];
    if m.passes.value > 1 {
        let figure = format!("{:.0} s", m.second_press_seconds.value);
        rows.push(row("Second press", figure, &m.second_press_seconds.source));
    }
    rows
}

/// Bar and, for gauges marked so, psi (1 bar = 100 kPa, 1 psi = 6.894 757 kPa).
fn pressure(bar: f64) -> String {
    format!("{bar:.1} bar ({:.0} psi)", bar * 100.0 / 6.894_757)
}

/// Every time the plate closes on this place, added up over all layers; the cloth is dried once.
fn heat_account(layers: &[Layer<'_>]) -> String {
    let dry = layers.first().map_or(0.0, |l| l.material.dry_seconds.value);
    let closes: u32 = 1 + layers.iter().map(|l| l.material.passes.value).sum::<u32>();
    let pressed = |m: &Material| {
        let again = m.passes.value.saturating_sub(1);
        m.press_seconds.value + f64::from(again) * m.second_press_seconds.value
    };
    let sum = dry + layers.iter().map(|l| pressed(l.material)).sum::<f64>();
    let all = if layers.len() > 1 {
        "all layers and "
    } else {
        ""
    };
    format!("the plate closes {closes} times, {sum:.0} s together, {all}drying included")
}

fn steps(m: &Material) -> Vec<(&'static str, String)> {
    let peel = match m.peel.value {
        Peel::Hot => "Peel at once, while it is hot. Gloves.",
        Peel::Warm => "Wait until the back of your hand can rest on it.",
        Peel::Cold => {
            "Wait until it is as cool as the room; a cold metal plate on top shortens the wait."
        }
    };
    let mut steps = vec![
        ("Clear", "Take off what is left of the old emblem and its adhesive, cold first. Try any solvent inside the hem. Brush off lint.".to_owned()),
        ("Pad", "Put a firm, heat-proof pad inside, smaller than the plate and larger than the emblem, so that front and back do not meet and seams, zips and buttons lie lower.".to_owned()),
        ("Dry", format!("Press the bare place for {:.0} s to drive out moisture. Let it cool flat, without stretching it.", m.dry_seconds.value)),
        ("Place", "Lay the ruler and the template down as on page one. Mark centre and baseline with something that comes off. Lay the emblem on, adhesive down, UP to the collar, and hold its carrier with heat-proof tape outside the emblem. Check against the old mark.".to_owned()),
        ("Cover", "Protective sheet over everything that the plate will touch. Never the bare plate on pile, film or cloth.".to_owned()),
        ("Press", format!("{:.0} °C, {:.0} s, {}. Straight down; do not slide.", m.press_celsius.value, m.press_seconds.value, pressure(m.pressure_bar.value))),
        ("Cool", peel.to_owned()),
        ("Peel", "Low angle, slowly, slowest at points and thin strokes. If an edge comes along, lay it back down, cover and press again.".to_owned()),
    ];
    let again = m.passes.value.saturating_sub(1);
    if again > 0 {
        let times = if again == 1 {
            String::new()
        } else {
            format!(" {again} times, cooling in between")
        };
        steps.push((
            "Press again",
            format!(
                "Protective sheet on, {:.0} s{times}, to bed the edges.",
                m.second_press_seconds.value
            ),
        ));
    }
    steps.push(("Check", "When cold: every edge and point holds a gentle fingernail, nothing shines or bleeds. Photograph it with the ruler. Wash only when the data sheet allows.".to_owned()));
    steps
}
