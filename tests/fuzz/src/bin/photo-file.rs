//! Any bytes as a photo: refused, or as many pixels as the settings allow.
#![no_main]

use std::sync::LazyLock;

use libfuzzer_sys::fuzz_target;

use fuzz::settings;

/// Small photos are welcome here: they are tried more often.
static SETTINGS: LazyLock<photo::Settings> = LazyLock::new(|| photo::Settings {
    min_side_px: 8,
    max_megapixels: 0.25,
    ..settings::section("photo")
});

fuzz_target!(|bytes: &[u8]| {
    if let Ok(photo) = photo::read(bytes, "photo.jpg", &SETTINGS) {
        let (width, height) = photo.rgb.dimensions();
        assert!(width.min(height) >= SETTINGS.min_side_px);
        assert!(f64::from(width) * f64::from(height) <= 1e6 * SETTINGS.max_megapixels);
        let camera = photo.camera;
        assert!(camera.focal_px.is_finite() && camera.focal_px > 0.0);
        assert!(camera.u_focal_percent.is_finite() && camera.u_focal_percent > 0.0);
    }
});
