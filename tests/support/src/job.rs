//! A scene as a complete job folder's files.

use measures::ruler::RulerUnit;

use crate::paint::Painting;
use crate::scene::Scene;

/// The files of a job folder, by name, for a scene painted as `painting`.
pub fn files(scene: &Scene, painting: &Painting) -> Vec<(String, Vec<u8>)> {
    let mut files = vec![(
        "photo.jpg".to_owned(),
        painting.jpeg(scene.sensor.jpeg_quality),
    )];
    let mut names = Vec::new();
    for (i, version) in scene.versions.iter().enumerate() {
        let name = format!("{}-{}.svg", version.design.name(), i + 1);
        files.push((name.clone(), version.svg().into_bytes()));
        names.push(format!("\"{name}\""));
    }
    let unit = scene.unit_given.map(|unit| match unit {
        RulerUnit::Mm => "unit = \"mm\"".to_owned(),
        RulerUnit::Inch => "unit = \"inch\"".to_owned(),
    });
    let thickness = scene
        .thickness_given_mm
        .map(|mm| format!("thickness_mm = {mm}"));
    let given: Vec<String> = unit.into_iter().chain(thickness).collect();
    let ruler = if given.is_empty() {
        String::new()
    } else {
        format!("ruler = {{ {} }}\n", given.join(", "))
    };
    let job = format!(
        "[garment]\ntitle = \"Painted scene {} {}\"\nfabric = \"polyester-knit\"\n\n[[emblem]]\n\
         name = \"emblem\"\nphoto = \"photo.jpg\"\nversions = [{}]\nmaterial = \"flock\"\n{ruler}",
        scene.family,
        scene.seed,
        names.join(", ")
    );
    files.push(("job.toml".to_owned(), job.into_bytes()));
    files
}
