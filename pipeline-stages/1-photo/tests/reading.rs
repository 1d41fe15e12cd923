//! Photos as they come: every orientation, depth and mistake.

use image::codecs::jpeg::JpegEncoder;
use image::{DynamicImage, ExtendedColorType, ImageEncoder, Rgb, RgbImage};
use measures::photo::FocalSource;
use photo::{Error, Settings, read};
use tags::Tags;

mod tags;

#[derive(serde::Deserialize)]
struct Config {
    photo: Settings,
}

fn settings() -> Settings {
    let text = include_str!("../../../config/default.toml");
    toml::from_str::<Config>(text)
        .expect("the shipped settings are valid")
        .photo
}

/// A photo whose 0th row is red and whose 0th column is green, on grey; wide bands, because JPEG
/// smears colours.
fn marked(width: u32, height: u32) -> RgbImage {
    RgbImage::from_fn(width, height, |x, y| match (x < 40, y < 40) {
        (_, true) => Rgb([200, 20, 20]),
        (true, false) => Rgb([20, 200, 20]),
        _ => Rgb([128, 128, 128]),
    })
}

fn jpeg(image: &RgbImage, exif: Option<Vec<u8>>) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut encoder = JpegEncoder::new_with_quality(&mut bytes, 90);
    if let Some(exif) = exif {
        encoder.set_exif_metadata(exif).expect("small enough");
    }
    let (w, h) = image.dimensions();
    encoder
        .write_image(image, w, h, ExtendedColorType::Rgb8)
        .expect("encodes");
    bytes
}

const FOCAL_LENGTH: u16 = 0x920a;
const PIXEL_X: u16 = 0xa002;
const PIXEL_Y: u16 = 0xa003;
const FOCAL_PLANE_X: u16 = 0xa20e;
const FOCAL_PLANE_UNIT: u16 = 0xa210;
const DIGITAL_ZOOM: u16 = 0xa404;
const EQUIVALENT: u16 = 0xa405;

fn with_tags(width: u32, height: u32, tags: &Tags) -> measures::Photo {
    let image = RgbImage::from_pixel(width, height, Rgb([120, 120, 120]));
    read(&jpeg(&image, Some(tags.bytes())), "a.jpg", &settings()).expect("a good photo")
}

/// Which side of the upright photo a colour fills.
fn side(rgb: &RgbImage, wanted: impl Fn(&Rgb<u8>) -> bool) -> &'static str {
    let (w, h) = rgb.dimensions();
    let spots = [
        ("left", 10, h / 2),
        ("right", w - 11, h / 2),
        ("top", w / 2, 10),
        ("bottom", w / 2, h - 11),
    ];
    let mut found = spots
        .iter()
        .filter(|(_, x, y)| wanted(rgb.get_pixel(*x, *y)));
    let (name, ..) = found.next().expect("the band is on some side");
    assert!(found.next().is_none(), "on one side only");
    name
}

/// TIFF 6.0, section 8, and CIPA DC-008: where the 0th row and the 0th column of the stored data
/// lie in the picture as seen.
#[test]
fn all_eight_orientations() {
    let table = [
        (1, "top", "left"),
        (2, "top", "right"),
        (3, "bottom", "right"),
        (4, "bottom", "left"),
        (5, "left", "top"),
        (6, "right", "top"),
        (7, "right", "bottom"),
        (8, "left", "bottom"),
    ];
    for (orientation, row, column) in table {
        let exif = Tags {
            orientation,
            ..Tags::default()
        }
        .bytes();
        let photo = read(&jpeg(&marked(480, 360), Some(exif)), "a.jpg", &settings()).expect("good");
        let red = |p: &Rgb<u8>| p.0[0] > 150 && p.0[1] < 80;
        let green = |p: &Rgb<u8>| p.0[1] > 150 && p.0[0] < 80;
        let seen = (side(&photo.rgb, red), side(&photo.rgb, green));
        assert_eq!(seen, (row, column), "orientation {orientation}");
        let size = if orientation < 5 {
            (480, 360)
        } else {
            (360, 480)
        };
        assert_eq!(photo.rgb.dimensions(), size);
        let middle = photo.camera.principal;
        assert_eq!(
            (middle.x * 2.0, middle.y * 2.0),
            (f64::from(size.0), f64::from(size.1))
        );
    }
}

#[test]
fn no_or_nonsense_orientation_changes_nothing() {
    for exif in [
        None,
        Some(
            Tags {
                orientation: 9,
                ..Tags::default()
            }
            .bytes(),
        ),
        Some(vec![1, 2, 3]),
    ] {
        let photo = read(&jpeg(&marked(480, 360), exif), "a.jpg", &settings()).expect("good");
        assert_eq!(photo.rgb.dimensions(), (480, 360));
        assert!(photo.rgb.get_pixel(240, 10).0[0] > 150);
    }
}

/// CIPA DC-008: the equivalent relates diagonals; 36 × 24 mm has 43.27 mm. A 4:3 photo of
/// 4000 × 3000 px (diagonal 5000 px) at 26 mm: 26 × 5000 / 43.2666 = 3004.6 px.
#[test]
fn focal_length_from_the_35_mm_equivalent() {
    let photo = with_tags(
        800,
        600,
        &Tags {
            shorts: vec![(EQUIVALENT, 26)],
            ..Tags::default()
        },
    );
    assert_eq!(photo.camera.focal_source, FocalSource::Equivalent35Mm);
    assert!(
        (photo.camera.focal_px * 5.0 - 3004.63).abs() < 0.05,
        "{}",
        photo.camera.focal_px
    );
    // Rounded to whole millimetres (0.5/√3 of 26 is 1.11 %) and 2 % for the lens.
    assert!((photo.camera.u_focal_percent - 1.11f64.hypot(2.0)).abs() < 0.01);
}

/// A published full-frame pairing: 36 mm over 6000 px is 4233.33 px per inch; at 50 mm the focal
/// length is 50 × 6000 / 36 = 8333.3 px.
#[test]
fn focal_length_from_the_sensor() {
    let tags = |x, y| Tags {
        shorts: vec![(PIXEL_X, x), (PIXEL_Y, y), (FOCAL_PLANE_UNIT, 2)],
        rationals: vec![(FOCAL_LENGTH, 50, 1), (FOCAL_PLANE_X, 423_333, 100)],
        ..Tags::default()
    };
    // Resized to a tenth since.
    let photo = with_tags(600, 400, &tags(6000, 4000));
    assert_eq!(photo.camera.focal_source, FocalSource::SensorResolution);
    assert!(
        (photo.camera.focal_px - 833.33).abs() < 0.01,
        "{}",
        photo.camera.focal_px
    );
    // A 50 mm lens focused at 0.3 m is drawn out by a sixth: the uncertainty must say so.
    assert!(photo.camera.u_focal_percent > 9.0);
}

#[test]
fn units_of_the_sensor_resolution() {
    for (unit, per_unit) in [(2u16, 25_400), (3, 10_000), (4, 1_000), (5, 1)] {
        let tags = Tags {
            shorts: vec![(PIXEL_X, 600), (PIXEL_Y, 400), (FOCAL_PLANE_UNIT, unit)],
            // 100 px per mm, whatever the unit.
            rationals: vec![(FOCAL_LENGTH, 6, 1), (FOCAL_PLANE_X, 100 * per_unit, 1000)],
            ..Tags::default()
        };
        let photo = with_tags(600, 400, &tags);
        assert!((photo.camera.focal_px - 600.0).abs() < 1e-9, "unit {unit}");
    }
}

#[test]
fn a_silent_file_gets_a_usual_camera_and_says_so() {
    let photo = read(&jpeg(&marked(800, 600), None), "a.jpg", &settings()).expect("good");
    assert_eq!(photo.camera.focal_source, FocalSource::Assumed);
    assert!((photo.camera.focal_px * 5.0 - 3698.0).abs() < 0.05);
    assert!(photo.camera.u_focal_percent >= 40.0);
    // A tag of 0 means "unknown" (CIPA DC-008), 3000 mm is no camera's.
    for nonsense in [0, 3000] {
        let tags = Tags {
            shorts: vec![(EQUIVALENT, nonsense)],
            ..Tags::default()
        };
        assert_eq!(
            with_tags(800, 600, &tags).camera.focal_source,
            FocalSource::Assumed
        );
    }
}

#[test]
fn crop_and_zoom_widen_the_uncertainty() {
    let plain = with_tags(
        800,
        600,
        &Tags {
            shorts: vec![(EQUIVALENT, 26)],
            ..Tags::default()
        },
    );
    let cropped = with_tags(
        500,
        500,
        &Tags {
            shorts: vec![(PIXEL_X, 800), (PIXEL_Y, 600), (EQUIVALENT, 26)],
            ..Tags::default()
        },
    );
    assert!(
        (cropped.camera.focal_px - plain.camera.focal_px).abs() < 1e-9,
        "its pixels remain"
    );
    assert!(cropped.camera.u_focal_percent > 10.0);
    let zoomed = with_tags(
        800,
        600,
        &Tags {
            shorts: vec![(EQUIVALENT, 52)],
            rationals: vec![(DIGITAL_ZOOM, 2, 1)],
            ..Tags::default()
        },
    );
    assert!(zoomed.camera.u_focal_percent > 50.0);
    let slipped = with_tags(
        800,
        600,
        &Tags {
            shorts: vec![(EQUIVALENT, 26)],
            rationals: vec![(FOCAL_LENGTH, 8064, 1)],
            ..Tags::default()
        },
    );
    assert!(slipped.camera.u_focal_percent < 3.0);
}

fn png(image: &DynamicImage) -> Vec<u8> {
    let mut bytes = std::io::Cursor::new(Vec::new());
    image
        .write_to(&mut bytes, image::ImageFormat::Png)
        .expect("encodes");
    bytes.into_inner()
}

#[test]
fn png_of_every_kind() {
    let rgb = marked(400, 300);
    let kinds = [
        DynamicImage::ImageRgb8(rgb.clone()),
        DynamicImage::ImageRgb16(DynamicImage::ImageRgb8(rgb.clone()).into_rgb16()),
        DynamicImage::ImageRgba8(DynamicImage::ImageRgb8(rgb.clone()).into_rgba8()),
        DynamicImage::ImageRgba16(DynamicImage::ImageRgb8(rgb.clone()).into_rgba16()),
    ];
    for image in kinds {
        let read = read(&png(&image), "a.png", &settings()).expect("good");
        assert_eq!(read.rgb, rgb, "{:?}", image.color());
    }
    let grey = DynamicImage::ImageLuma8(DynamicImage::ImageRgb8(rgb).into_luma8());
    let read = read(&png(&grey), "a.png", &settings()).expect("good");
    assert_eq!(read.rgb, grey.into_rgb8());
}

#[test]
fn transparency_is_laid_on_white() {
    let image = image::RgbaImage::from_pixel(300, 300, image::Rgba([0, 100, 200, 51]));
    let photo = read(&png(&DynamicImage::ImageRgba8(image)), "a.png", &settings()).expect("good");
    assert_eq!(photo.rgb.get_pixel(5, 5).0, [204, 224, 244]);
}

/// What fills the file evenly.
fn noisy(width: u32, height: u32) -> RgbImage {
    RgbImage::from_fn(width, height, |x, y| {
        let v = (x * 7919 + y * 104_729 + x * y * 31) % 251;
        image::Rgb([v as u8; 3])
    })
}

fn refusal(bytes: &[u8], file: &str) -> Error {
    // The photo itself would make a long message.
    let error = read(bytes, file, &settings())
        .map(|_| ())
        .expect_err("must be refused");
    assert!(error.to_string().contains(file), "{error}");
    error
}

#[test]
fn empty_and_unfinished_copies() {
    assert!(matches!(refusal(b"", "a.jpg"), Error::Empty { .. }));
    assert!(matches!(
        refusal(&[0; 4096], "a.jpg"),
        Error::Incomplete { .. }
    ));
    let jpeg = jpeg(&marked(400, 300), None);
    let png = png(&DynamicImage::ImageRgb8(marked(400, 300)));
    for (whole, name) in [(&jpeg, "a.jpg"), (&png, "a.png")] {
        for length in [2, 5, 20, whole.len() / 3, whole.len() - 2, whole.len() - 1] {
            let error = refusal(&whole[..length], name);
            assert!(
                matches!(error, Error::Incomplete { .. }),
                "{length} bytes: {error}"
            );
        }
        // Space reserved, but not yet filled.
        let mut half = whole.clone();
        let middle = half.len() / 2;
        half[middle..].fill(0);
        assert!(matches!(
            refusal(&half, name),
            Error::Incomplete { .. } | Error::Damaged { .. }
        ));
    }
}

/// A byte that is missing or there twice can shift all that follows without a word from a decoder.
#[test]
fn data_that_stands_in_the_file_twice() {
    let whole = jpeg(&noisy(400, 300), None);
    let middle = whole.len() / 2;
    for length in [100, 700] {
        let mut doubled = whole.clone();
        doubled.splice(middle..middle, whole[middle..middle + length].to_vec());
        let error = refusal(&doubled, "a.jpg");
        assert!(matches!(error, Error::Damaged { .. }), "{length}: {error}");
    }
    // Padding before the end is no damage.
    let mut padded = whole.clone();
    let end = whole.len() - 2;
    padded.splice(end..end, [0xff; 100]);
    assert!(read(&padded, "a.jpg", &settings()).is_ok());
}

#[test]
fn bytes_after_the_end_are_ignored() {
    let mut bytes = jpeg(&marked(400, 300), None);
    bytes.extend(b"\0\0\0 a motion clip");
    assert!(read(&bytes, "a.jpg", &settings()).is_ok());
}

#[test]
fn sizes_are_checked_before_decoding() {
    assert!(matches!(
        refusal(&jpeg(&marked(1, 1), None), "a.jpg"),
        Error::TooSmall { .. }
    ));
    let pixel = png(&DynamicImage::ImageRgb8(marked(1, 1)));
    assert!(matches!(refusal(&pixel, "a.png"), Error::TooSmall { .. }));
    // 20,000 × 20,000 in the header, a few bytes in the file: nothing may be allocated for it.
    let mut huge = jpeg(&marked(400, 300), None);
    let frame = huge
        .windows(2)
        .position(|w| w == [0xff, 0xc0])
        .expect("baseline");
    huge[frame + 5..frame + 9].copy_from_slice(&[0x4e, 0x20, 0x4e, 0x20]);
    let error = refusal(&huge, "a.jpg");
    assert!(
        matches!(
            error,
            Error::TooLarge {
                width: 20_000,
                height: 20_000,
                ..
            }
        ),
        "{error}"
    );
    let mut huge = png(&DynamicImage::ImageRgb8(marked(400, 300)));
    huge[16..24].copy_from_slice(&[0, 0, 0x4e, 0x20, 0, 0, 0x4e, 0x20]);
    assert!(matches!(
        refusal(&huge, "a.png"),
        Error::TooLarge { width: 20_000, .. }
    ));
}

#[test]
fn other_formats_are_named_with_a_way_out() {
    let cases: &[(&[u8], &str, &str)] = &[
        (b"\0\0\0\x1cftypavif\0\0\0\0avifmif1", "a.avif", "AVIF"),
        (b"II*\0\x08\0\0\0\0\0", "a.tif", "TIFF"),
        (b"MM\0*\0\0\0\x08\0\0", "a.tiff", "TIFF"),
        (b"II*\0\x10\0\0\0CR\x02\0", "a.cr2", "CR2"),
        (b"MM\0*\0\0\0\x08\0\0", "a.NEF", "RAW"),
        (b"II*\0\x08\0\0\0\0\0", "a.dng", "RAW"),
        (b"II*\0\x08\0\0\0\0\0", "a.arw", "RAW"),
        (b"\0\0\0\x18ftypcrx \0\0\0\x01", "a.cr3", "CR3"),
        (b"FUJIFILMCCD-RAW 0201", "a.raf", "RAF"),
        (b"IIU\0\x18\0\0\0", "a.rw2", "RW2"),
        (b"%PDF-1.7\n", "a.pdf", "PDF"),
        (b"RIFF\x10\0\0\0WEBPVP8 ", "a.webp", "WebP"),
        (b"GIF89a\x01\0\x01\0", "a.gif", "GIF"),
        (b"BM\x36\0\0\0", "a.bmp", "BMP"),
    ];
    for (bytes, file, kind) in cases {
        let text = refusal(bytes, file).to_string();
        assert!(text.contains(kind) && text.contains("JPEG"), "{text}");
    }
    assert!(matches!(
        refusal(b"dear diary, today", "a.jpg"),
        Error::NotAnImage { .. }
    ));
    assert!(matches!(
        refusal(b"\x7fELF\x02\x01\x01\0", "a.jpg"),
        Error::NotAnImage { .. }
    ));
}

#[cfg(not(feature = "heic"))]
#[test]
fn a_phones_own_format_is_refused_with_the_remedy_on_the_phone() {
    for brand in ["heic", "mif1"] {
        let bytes = format!("\0\0\0\x18ftyp{brand}\0\0\0\0mif1heic");
        let text = refusal(bytes.as_bytes(), "a.jpg").to_string();
        for part in ["HEIC", "\"most compatible\"", "JPEG", "feature \"heic\""] {
            assert!(text.contains(part), "{text}");
        }
    }
}

#[test]
fn printing_inks_are_refused() {
    let mut bytes = jpeg(&marked(400, 300), None);
    let frame = bytes
        .windows(2)
        .position(|w| w == [0xff, 0xc0])
        .expect("baseline");
    bytes[frame + 9] = 4;
    let text = refusal(&bytes, "a.jpg").to_string();
    assert!(text.contains("CMYK") && text.contains("RGB"), "{text}");
}

#[test]
fn no_byte_can_make_it_panic() {
    let whole = jpeg(
        &marked(320, 300),
        Some(
            Tags {
                orientation: 6,
                ..Tags::default()
            }
            .bytes(),
        ),
    );
    let mut state = 1u64;
    for _ in 0..200 {
        let mut bytes = whole.clone();
        for _ in 0..4 {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            let at = (state >> 33) as usize % bytes.len();
            bytes[at] = (state >> 20) as u8;
        }
        let _ = read(&bytes, "a.jpg", &settings());
    }
}
