//! What a job says about how its emblem is made: layers, mending, what is cut along.

use cut::Extra;

use super::reader::known_name;
use super::{Layer, Mend};
use crate::problem::nearest;
use crate::settings::Config;
use crate::toml_keys::Keys;

const LAYERS: &str = "layers = { \"shield\" = \"flock\", \"tern\" = \"film\" }, group ids of the \
                      drawing and names from materials.toml";

/// `layers`: which group of the drawing is cut from which material.
pub(super) fn layers(keys: &mut Keys<'_>, config: &Config) -> Vec<Layer> {
    let Some(item) = keys.item("layers") else {
        return Vec::new();
    };
    let wrong = |keys: &mut Keys<'_>, seen: &str| {
        keys.wrong("layers", seen, LAYERS, "Correct the line");
        Vec::new()
    };
    let Some(table) = item.as_table_like().filter(|t| !t.is_empty()) else {
        return wrong(keys, "layers names no group of the drawing");
    };
    let mut layers = Vec::new();
    for (group, material) in table.iter() {
        let Some(material) = material.as_str() else {
            return wrong(
                keys,
                &format!("the material of the layer \"{group}\" is no name in quotes"),
            );
        };
        known_name(
            keys,
            "layers",
            material,
            "materials.toml",
            &config.materials,
        );
        layers.push(Layer {
            group: group.to_owned(),
            material: material.to_owned(),
        });
    }
    layers
}

/// `mend`: whether what is too fine may be altered.
pub(super) fn mend(keys: &mut Keys<'_>) -> Option<Mend> {
    match keys.text("mend")?.as_str() {
        "thicken" => Some(Mend::Thicken),
        other => {
            let seen = format!("mend = \"{other}\"");
            let remedy = "Correct the line, or remove it: nothing is altered then";
            keys.wrong("mend", seen, "\"thicken\"", remedy);
            None
        }
    }
}

/// `extras`: what is cut along with the pieces.
pub(super) fn extras(keys: &mut Keys<'_>) -> Vec<Extra> {
    let names = keys
        .texts("extras", "[\"weeding-frame\"]")
        .unwrap_or_default();
    let mut extras = Vec::new();
    for name in names {
        if let Some((_, extra)) = Extra::NAMES.iter().find(|(known, _)| *known == name) {
            extras.push(*extra);
            continue;
        }
        let known = || Extra::NAMES.iter().map(|(known, _)| *known);
        let meant =
            nearest(&name, known()).map_or(String::new(), |n| format!("Did you mean \"{n}\"? "));
        keys.wrong(
            "extras",
            format!("unknown extra \"{name}\""),
            format!("one of: {}", known().collect::<Vec<_>>().join(", ")),
            format!("{meant}Correct the line"),
        );
    }
    extras
}
