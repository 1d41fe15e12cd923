//! HEIC photos as phones write them, encoded here by libheif: what turns them, what is refused.
#![cfg(feature = "heic")]

use image::{Rgb, RgbImage};
use libheif_rs::{
    Channel, ColorSpace, CompressionFormat, EncoderQuality, HeifContext, Image, RgbChroma,
};
use measures::photo::FocalSource;
use photo::{Error, Settings, read};
use tags::Tags;

mod tags;

const EQUIVALENT: u16 = 0xa405;

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

const STORED: (u32, u32) = (480, 360);

/// Red along the 0th row, green along the 0th column, on grey.
fn heic(exif: Option<&Tags>) -> Vec<u8> {
    let (width, height) = STORED;
    let mut image = Image::new(width, height, ColorSpace::Rgb(RgbChroma::Rgb)).expect("an image");
    image
        .create_plane(Channel::Interleaved, width, height, 24)
        .expect("a plane");
    let plane = image.planes_mut().interleaved.expect("the plane");
    for y in 0..height as usize {
        for x in 0..width as usize {
            let colour = match (x < 40, y < 40) {
                (_, true) => [200, 20, 20],
                (true, false) => [20, 200, 20],
                _ => [128, 128, 128],
            };
            plane.data[y * plane.stride + 3 * x..][..3].copy_from_slice(&colour);
        }
    }
    let mut context = HeifContext::new().expect("a context");
    let mut encoder = context
        .encoder_for_format(CompressionFormat::Hevc)
        .expect("libheif with an encoder for HEVC");
    encoder
        .set_quality(EncoderQuality::Lossy(90))
        .expect("a quality");
    let handle = context
        .encode_image(&image, &mut encoder, None)
        .expect("encodes");
    if let Some(exif) = exif {
        context
            .add_exif_metadata(&handle, &exif.bytes())
            .expect("small enough");
    }
    context.write_to_bytes().expect("writes")
}

/// Where a box of this kind begins.
fn find(bytes: &[u8], kind: [u8; 4]) -> usize {
    let at = bytes.windows(4).position(|w| *w == kind);
    at.expect("the box") - 4
}

fn add(bytes: &mut [u8], at: usize, more: u32) {
    let old = u32::from_be_bytes(bytes[at..at + 4].try_into().expect("four"));
    bytes[at..at + 4].copy_from_slice(&(old + more).to_be_bytes());
}

/// The same file with one more property of its picture, item 1: a box of one byte's content, added
/// to the properties (`ipco`) and named as essential among the picture's own (`ipma`, ISO/IEC
/// 23008-12, 9.3), with what follows moved on (`iloc`, ISO/IEC 14496-12, 8.11.3).
fn with_property(mut bytes: Vec<u8>, kind: [u8; 4], value: u8) -> Vec<u8> {
    let properties = find(&bytes, *b"ipco");
    let end = |bytes: &[u8], at: usize| {
        at + u32::from_be_bytes(bytes[at..at + 4].try_into().expect("four")) as usize
    };
    let mut count = 0;
    let mut at = properties + 8;
    while at < end(&bytes, properties) {
        count += 1;
        at = end(&bytes, at);
    }
    // Version and flags, number of items; item, number of its properties, and they.
    let own = find(&bytes, *b"ipma") + 16;
    assert_eq!(bytes[own..own + 2], [0, 1], "the picture is item 1");
    let after_own = own + 3 + usize::from(bytes[own + 2]);
    bytes[own + 2] += 1;
    bytes.insert(after_own, 0x80 | (count + 1));
    let content = [&[0, 0, 0, 9], &kind[..], &[value]].concat();
    bytes.splice(at..at, content);
    add(&mut bytes, properties, 9);
    let own = find(&bytes, *b"ipma");
    add(&mut bytes, own, 1);
    for outer in [*b"iprp", *b"meta"] {
        let at = find(&bytes, outer);
        add(&mut bytes, at, 10);
    }
    // Version 0, base, offset and length of four bytes, one extent an item: entries of 18 bytes.
    let places = find(&bytes, *b"iloc");
    assert_eq!(
        (bytes[places + 8], &bytes[places + 12..places + 14]),
        (0, &[0x44, 0x40][..])
    );
    for item in 0..usize::from(bytes[places + 15]) {
        add(&mut bytes, places + 16 + item * 18 + 10, 10);
    }
    bytes
}

fn oriented(orientation: u16) -> Tags {
    Tags {
        orientation,
        shorts: vec![(EQUIVALENT, 26)],
        ..Tags::default()
    }
}

/// Which sides of the upright photo the red row and the green column fill.
fn sides(rgb: &RgbImage) -> [&'static str; 2] {
    let (w, h) = rgb.dimensions();
    let spots = [
        ("left", 10, h / 2),
        ("right", w - 11, h / 2),
        ("top", w / 2, 10),
        ("bottom", w / 2, h - 11),
    ];
    [0, 1].map(|channel| {
        let strong = |p: &Rgb<u8>| p.0[channel] > 150 && p.0[1 - channel] < 80;
        let found = spots.iter().find(|(_, x, y)| strong(rgb.get_pixel(*x, *y)));
        found.expect("on some side").0
    })
}

/// The boxes turn, the EXIF orientation does not, and together they turn once. `irot` counts
/// quarter turns anticlockwise; `imir` exchanges top and bottom (0) or left and right (1) (ISO/IEC
/// 23008-12:2022, 6.5.10 and 6.5.12). Transformations are not to be expressed by EXIF (ISO/IEC
/// 23000-22:2024, 7.3.10.1). The names of sides are those of CIPA DC-008, tag 0x0112, as for JPEG.
#[test]
fn turned_once_by_its_own_boxes() {
    type Boxes = &'static [(&'static [u8; 4], u8)];
    let turned: [(Boxes, u16, [&str; 2]); 8] = [
        (&[], 1, ["top", "left"]),
        (&[(b"imir", 1)], 2, ["top", "right"]),
        (&[(b"irot", 2)], 3, ["bottom", "right"]),
        (&[(b"imir", 0)], 4, ["bottom", "left"]),
        (&[(b"irot", 1), (b"imir", 0)], 5, ["left", "top"]),
        (&[(b"irot", 3)], 6, ["right", "top"]),
        (&[(b"irot", 1), (b"imir", 1)], 7, ["right", "bottom"]),
        (&[(b"irot", 1)], 8, ["left", "bottom"]),
    ];
    for (boxes, same, seen) in turned {
        // Nothing in the EXIF data, the same again (as phones write it), something else.
        for exif in [None, Some(same), Some(if same == 6 { 3 } else { 6 })] {
            let mut bytes = heic(exif.map(oriented).as_ref());
            for (kind, value) in boxes {
                bytes = with_property(bytes, **kind, *value);
            }
            let photo = read(&bytes, "a.heic", &settings()).expect("good");
            assert_eq!(sides(&photo.rgb), seen, "{boxes:?}, EXIF {exif:?}");
            let (w, h) = STORED;
            let size = if same < 5 { (w, h) } else { (h, w) };
            assert_eq!(photo.rgb.dimensions(), size);
            let middle = photo.camera.principal;
            let twice = (middle.x * 2.0, middle.y * 2.0);
            assert_eq!(twice, (f64::from(size.0), f64::from(size.1)));
        }
    }
}

/// CIPA DC-008: 26 mm against a frame of 43.267 mm, on a diagonal of 600 px, as for JPEG.
#[test]
fn the_focal_length_is_read() {
    let upright = heic(Some(&oriented(6)));
    for bytes in [upright.clone(), with_property(upright, *b"irot", 3)] {
        let camera = read(&bytes, "a.heic", &settings()).expect("good").camera;
        assert_eq!(camera.focal_source, FocalSource::Equivalent35Mm);
        assert!((camera.focal_px - 26.0 * 600.0 / 43.266_615).abs() < 0.01);
    }
    let silent = read(&heic(None), "a.heic", &settings());
    let camera = silent.expect("good").camera;
    assert_eq!(camera.focal_source, FocalSource::Assumed);
}

#[test]
fn cut_short_is_told_from_damaged() {
    let whole = heic(None);
    for length in [20, whole.len() / 2, whole.len() - 1] {
        let error = read(&whole[..length], "a.heic", &settings()).expect_err("cut short");
        assert!(
            matches!(error, Error::Incomplete { .. }),
            "{length}: {error}"
        );
    }
    // Every byte of the picture data wrong.
    let mut damaged = whole.clone();
    let data = damaged.windows(4).position(|w| w == b"mdat").expect("data") + 4;
    damaged[data..].fill(0xff);
    let error = read(&damaged, "a.heic", &settings()).expect_err("damaged");
    assert!(matches!(error, Error::Damaged { .. }), "{error}");
    let text = error.to_string();
    assert!(
        text.contains("copy the photo from the camera again"),
        "{text}"
    );
}

/// The size is in the header (`ispe`, ISO/IEC 23008-12, 6.5.3): nothing is decoded of a picture
/// that says it is huge, or that is too small.
#[test]
fn limits_come_before_decoding() {
    let mut bytes = heic(None);
    let ispe = bytes.windows(4).position(|w| w == b"ispe").expect("a size") + 8;
    bytes[ispe..ispe + 8].copy_from_slice(&[0, 0, 0x4e, 0x20, 0, 0, 0x4e, 0x20]);
    let error = read(&bytes, "a.heic", &settings()).expect_err("too large");
    assert!(
        matches!(error, Error::TooLarge { width: 20_000, .. }),
        "{error}"
    );
    bytes[ispe..ispe + 8].copy_from_slice(&[0, 0, 0, 40, 0, 0, 0, 40]);
    let error = read(&bytes, "a.heic", &settings()).expect_err("too small");
    assert!(
        matches!(error, Error::TooSmall { width: 40, .. }),
        "{error}"
    );
    // A picture larger than it says.
    bytes[ispe..ispe + 8].copy_from_slice(&[0, 0, 1, 0x40, 0, 0, 1, 0x40]);
    let error = read(&bytes, "a.heic", &settings()).expect_err("contradicts itself");
    assert!(matches!(error, Error::Damaged { .. }), "{error}");
}
