//! Whether a dropped folder has arrived whole: everything named is there, everything there can
//! be read to its end. Mistakes that waiting cannot mend do not matter here.

use std::path::Path;

use crate::folder::{Entry, Folder};
use crate::job::JOB_FILE;
use crate::pipeline;
use crate::settings::Settings;

/// Without these an emblem's section may still be on its way.
const REQUIRED: [&str; 3] = ["name", "photo", "versions"];

/// What is still missing; `None` when all has arrived.
pub(crate) fn settled(path: &Path, settings: &Settings) -> Option<String> {
    // A folder that cannot be listed, or holds too much, does not get better by waiting.
    let folder = Folder::scan(path, &settings.limits).ok()?;
    let named = match named_files(&folder) {
        Ok(named) => named,
        Err(missing) => return Some(missing),
    };
    for file in named {
        match folder.entry(Path::new(&file)) {
            None => return Some(format!("{file}, which {JOB_FILE} names, has not arrived")),
            Some(Entry::File { bytes: 0 }) => return Some(format!("{file} is still empty")),
            Some(_) => {}
        }
    }
    folder.entries().find_map(|(path, entry)| {
        let Entry::File { .. } = entry else {
            return None;
        };
        let name = path.to_string_lossy();
        let ending = path.extension()?.to_string_lossy().to_lowercase();
        match ending.as_str() {
            "jpg" | "jpeg" | "png" => {
                pipeline::cut_short(&folder.read(path).ok()?, &name, settings)
            }
            "svg" => svg_cut_short(&folder.read(path).ok()?, &name),
            _ => None,
        }
    })
}

/// A drawing that is complete ends with the end of its outermost element.
fn svg_cut_short(bytes: &[u8], name: &str) -> Option<String> {
    let end = bytes.trim_ascii_end();
    (!end.ends_with(b">")).then(|| format!("{name} ends in the middle"))
}

/// Every file that the job names, as far as the job file can be read.
fn named_files(folder: &Folder) -> Result<Vec<String>, String> {
    let path = Path::new(JOB_FILE);
    match folder.entry(path) {
        None => return Err(format!("{JOB_FILE} has not arrived")),
        Some(Entry::File { bytes: 0 }) => return Err(format!("{JOB_FILE} is still empty")),
        Some(_) => {}
    }
    let text = folder
        .read(path)
        .map_err(|e| format!("{JOB_FILE} cannot be read: {e}"))?;
    let job: toml::Table = std::str::from_utf8(&text)
        .ok()
        .and_then(|text| text.parse().ok())
        .ok_or_else(|| format!("{JOB_FILE} breaks off, or is not written as it should be"))?;
    let emblems = job.get("emblem").and_then(toml::Value::as_array);
    let emblems = emblems.map(Vec::as_slice).unwrap_or_default();
    let whole = |emblem: &toml::Value| REQUIRED.iter().all(|key| emblem.get(key).is_some());
    if emblems.is_empty() || !emblems.iter().all(whole) {
        return Err(format!("{JOB_FILE} breaks off, or a key is missing in it"));
    }
    let mut named = Vec::new();
    for emblem in emblems {
        let text = |key: &str| {
            emblem
                .get(key)
                .and_then(toml::Value::as_str)
                .map(str::to_owned)
        };
        named.extend(["photo", "after_photo"].into_iter().filter_map(text));
        let versions = emblem.get("versions").and_then(toml::Value::as_array);
        let versions = versions
            .into_iter()
            .flatten()
            .filter_map(toml::Value::as_str);
        named.extend(versions.map(str::to_owned));
    }
    // Paths that leave the folder will never arrive in it.
    named.retain(|path| Path::new(path).is_relative() && !path.split('/').any(|part| part == ".."));
    Ok(named)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    use crate::settings::Config;

    fn missing(files: &[(&str, &[u8])]) -> Option<String> {
        let dir = tempfile::tempdir().unwrap();
        for (name, bytes) in files {
            fs::write(dir.path().join(name), bytes).unwrap();
        }
        settled(dir.path(), &Config::built_in().unwrap().settings)
    }

    fn png() -> Vec<u8> {
        let mut bytes = std::io::Cursor::new(Vec::new());
        image::RgbImage::new(640, 480)
            .write_to(&mut bytes, image::ImageFormat::Png)
            .unwrap();
        bytes.into_inner()
    }

    const JOB: &[u8] = b"[[emblem]]\nname = \"a\"\nphoto = \"p.png\"\nversions = [\"a.svg\"]\n";

    #[test]
    fn what_has_not_arrived_is_named() {
        let png = png();
        let half = &png[..png.len() / 2];
        let says = |files: &[(&str, &[u8])], part: &str| {
            let missing = missing(files).unwrap();
            assert!(missing.contains(part), "{missing}");
        };
        says(&[("p.png", &png)], "job.toml has not arrived");
        for end in [11, 25, 30, JOB.len() - 20] {
            says(&[("job.toml", &JOB[..end])], "breaks off");
        }
        says(&[("job.toml", JOB)], "p.png");
        says(&[("job.toml", JOB), ("p.png", &png)], "a.svg");
        says(
            &[
                ("job.toml", JOB),
                ("p.png", half),
                ("a.svg", b"<svg></svg>"),
            ],
            "p.png",
        );
        says(
            &[("job.toml", JOB), ("p.png", &png), ("a.svg", b"<svg><pa")],
            "a.svg",
        );
        assert_eq!(
            missing(&[
                ("job.toml", JOB),
                ("p.png", &png),
                ("a.svg", b"<svg></svg>")
            ]),
            None
        );
    }

    #[test]
    fn mistakes_are_not_waited_for() {
        let job = b"[[emblem]]\nname = 7\nphoto = \"/etc/passwd\"\nversions = 1\nfoto = 1\n";
        assert_eq!(missing(&[("job.toml", job)]), None);
    }
}
