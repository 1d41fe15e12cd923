//! The temperature to press at, on this garment.

use crate::{Fabric, IRON_CEILINGS_CELSIUS, Material, Sourced};

/// `material` with its press temperature lowered, as far as its adhesive allows, to what the
/// fibre, its dye and the care label stand.
///
/// Where even the coolest temperature is too hot, [`crate::heat_warnings`] says so.
#[must_use]
pub fn material_for_garment(
    material: &Material,
    fabric: Option<&Fabric>,
    iron_dots: Option<u8>,
) -> Material {
    let mut planned = material.clone();
    let usual = &material.press_celsius;
    let Some(ceiling) = lowest_ceiling(fabric, iron_dots) else {
        return planned;
    };
    let celsius = usual
        .value
        .min(ceiling.max(material.press_celsius_min.value));
    if celsius < usual.value {
        planned.press_celsius = Sourced {
            value: celsius,
            source: format!(
                "lowered from {:.0} °C for this garment; coolest for the material: {}",
                usual.value, material.press_celsius_min.source
            ),
        };
    }
    planned
}

fn lowest_ceiling(fabric: Option<&Fabric>, iron_dots: Option<u8>) -> Option<f64> {
    let label = iron_dots
        .and_then(|dots| usize::from(dots).checked_sub(1))
        .and_then(|dots| IRON_CEILINGS_CELSIUS.get(dots).copied());
    let fibre = fabric
        .and_then(|f| f.fibre_limit_celsius.as_ref())
        .map(|limit| limit.value);
    let dye = fabric
        .and_then(|f| f.dye_migration_celsius.as_ref())
        .map(|onset| onset.value - 1.0);
    [label, fibre, dye].into_iter().flatten().reduce(f64::min)
}
