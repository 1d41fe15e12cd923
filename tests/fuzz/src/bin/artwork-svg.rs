//! Any bytes as a drawing: refused, or an outline that can be cut.
#![no_main]

use kurbo::Shape;
use libfuzzer_sys::fuzz_target;
use measures::{Art, Outline};

fuzz_target!(|bytes: &[u8]| {
    if let Ok(artwork) = artwork::read_svg(bytes, "crest.svg") {
        check(&artwork.outline);
    }
    if let Ok(grouped) = artwork::read_groups(bytes, "crest.svg", &["a", "b"]) {
        check(&grouped.artwork.outline);
        grouped
            .groups
            .iter()
            .for_each(|(_, outline)| check(outline));
    }
});

fn check(outline: &Outline<Art>) {
    assert!(!outline.contours().is_empty());
    for contour in outline.contours() {
        assert!(contour.bounding_box().is_finite());
        assert!(matches!(
            contour.elements().last(),
            Some(kurbo::PathEl::ClosePath)
        ));
    }
    assert!(outline.area() > 0.0, "{}", outline.area());
}
