//! Every measuring stage on one painted photo: `cargo bench -p speed`.

use accuracy::Settings;
use divan::Bencher;
use measures::ruler::RulerHint;
use measures::{Artwork, ClothPlane, Photo, ResidueField, Ruler};
use scene_painter::{Family, Scene};

fn main() {
    divan::main();
}

/// What each stage hands on.
struct Bench {
    settings: Settings,
    jpeg: Vec<u8>,
    photo: Photo,
    rulers: Vec<Ruler>,
    plane: ClothPlane,
    field: ResidueField,
    svg: String,
    artworks: Vec<Artwork>,
}

impl Bench {
    fn new() -> Option<Self> {
        let settings = Settings::read(None).ok()?;
        let scene = Scene::random(1, &Family::MAIN);
        let jpeg = scene.paint().jpeg(scene.sensor.jpeg_quality);
        let photo = photo::read(&jpeg, "photo.jpg", &settings.photo).ok()?;
        let hint = RulerHint::default();
        let rulers = ruler::find(&photo, &hint, &settings.ruler).rulers;
        let plane = scale::cloth_plane(&rulers, &photo.camera, &hint, &settings.scale).ok()?;
        let field = residue::measure(&photo, &plane, &rulers, None, &settings.residue);
        let svg = scene.versions[0].svg();
        let artworks = vec![artwork::read_svg(svg.as_bytes(), "artwork.svg").ok()?];
        Some(Self {
            settings,
            jpeg,
            photo,
            rulers,
            plane,
            field,
            svg,
            artworks,
        })
    }
}

/// Times what `stage` does.
fn time<T>(bencher: Bencher, stage: impl Fn(&Bench) -> T + Sync) {
    let bench = Bench::new().expect("the painted scene can be measured");
    bencher.bench(|| stage(&bench));
}

#[divan::bench(sample_count = 5)]
fn decode_with_image(bencher: Bencher) {
    time(bencher, |b| image::load_from_memory(&b.jpeg));
}

#[divan::bench(sample_count = 5)]
fn read_photo(bencher: Bencher) {
    time(bencher, |b| {
        photo::read(&b.jpeg, "photo.jpg", &b.settings.photo)
    });
}

#[divan::bench(sample_count = 5)]
fn find_rulers(bencher: Bencher) {
    time(bencher, |b| {
        ruler::find(&b.photo, &RulerHint::default(), &b.settings.ruler)
    });
}

#[divan::bench(sample_count = 5)]
fn cloth_plane(bencher: Bencher) {
    time(bencher, |b| {
        scale::cloth_plane(
            &b.rulers,
            &b.photo.camera,
            &RulerHint::default(),
            &b.settings.scale,
        )
    });
}

#[divan::bench(sample_count = 5)]
fn lay_residue_flat(bencher: Bencher) {
    time(bencher, |b| {
        residue::measure(&b.photo, &b.plane, &b.rulers, None, &b.settings.residue)
    });
}

#[divan::bench(sample_count = 5)]
fn cloth_lines(bencher: Bencher) {
    time(bencher, |b| {
        residue::lines(&b.field, &b.plane, None, &b.settings.lines)
    });
}

#[divan::bench(sample_count = 5)]
fn read_artwork(bencher: Bencher) {
    time(bencher, |b| {
        artwork::read_svg(b.svg.as_bytes(), "artwork.svg")
    });
}

#[divan::bench(sample_count = 5)]
fn fit_artwork(bencher: Bencher) {
    time(bencher, |b| {
        let hint = fit::Hint {
            expected_width_mm: None,
        };
        fit::register(&b.field, &b.plane, &b.artworks, &hint, &b.settings.fit)
    });
}
