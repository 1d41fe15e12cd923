//! The settings that come with the program.

use serde::de::DeserializeOwned;

/// One section of them.
pub fn section<T: DeserializeOwned>(name: &str) -> T {
    let text = include_str!("../../../config/default.toml");
    let table: toml::Table = text.parse().expect("the settings are TOML");
    table[name]
        .clone()
        .try_into()
        .expect("the section is sound")
}
