//! Overlapping contours united, measured for narrow places and thickened.
#![no_main]

use cut::{Narrow, narrow_places, thickening};
use libfuzzer_sys::fuzz_target;

use fuzz::drawing;

const LIMIT_MM: f64 = 1.2;
/// Square millimetres that the polygons of a boolean operation may lose or win.
const SPARE_MM2: f64 = 0.5;

fuzz_target!(|drawn: drawing::Drawing| {
    let Some(outline) = drawn.outline() else {
        return;
    };
    let area = outline.area();
    // Strokes are up to 4 units wide, and their mitres reach further.
    assert!(drawing::is_on_page(outline.contours(), 8.0));
    assert!(area > 0.0 && area < 144.0 * 144.0, "{area}");
    for place in narrow_places(&outline, LIMIT_MM, LIMIT_MM) {
        assert!((0.0..=LIMIT_MM).contains(&place.width_mm), "{place:?}");
        assert!(place.length_mm.is_finite() && place.at.x.is_finite() && place.at.y.is_finite());
    }
    for kind in [Narrow::Stroke, Narrow::Gap] {
        let need = thickening(&outline, kind, LIMIT_MM);
        assert!(
            (0.0..=LIMIT_MM).contains(&need.deviation_mm),
            "{}",
            need.deviation_mm
        );
        let Ok(mended) = artwork::with_areas(&outline, &need.add, &need.take, "crest.svg") else {
            continue;
        };
        let grown = mended.area() - area;
        match kind {
            Narrow::Stroke => assert!(grown > -SPARE_MM2, "{grown} mm2"),
            Narrow::Gap => assert!(grown < SPARE_MM2, "{grown} mm2"),
        }
    }
});
