//! What kind of file this is, from its first bytes: names can lie.

use crate::Error;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Format {
    Jpeg,
    Png,
    #[cfg(feature = "heic")]
    Heif,
}

const EXPORT_RAW: &str = "this is the camera's raw data: develop it in your photo program and export a JPEG at full size";
/// Brands of HEIF files with HEVC pictures, and with pictures of a kind told further inside
/// (ISO/IEC 23008-12, annex B, and 10.2.2).
const HEIF: &[&[u8]] = &[
    b"ftypheic",
    b"ftypheix",
    b"ftypheim",
    b"ftypheis",
    b"ftyphevc",
    b"ftyphevx",
    b"ftypmif1",
    b"ftypmsf1",
];
#[cfg(not(feature = "heic"))]
const EXPORT_HEIC: &str = "set the phone's camera to its \"most compatible\" format and photograph again, or open this \
     one on the phone or computer and export it as JPEG at full size. An emblemend built with the \
     feature \"heic\" reads it as it is";
const EXPORT: &str = "open it in a photo program and export it as JPEG or PNG at full size";
const EXPORT_PDF: &str =
    "export the photo inside it as JPEG at full size; a photo of a printed page will not do";

/// First bytes at an offset, what they announce, and what to do.
const UNREAD: &[(usize, &[u8], &str, &str)] = &[
    (4, b"ftypcrx", "a RAW file (CR3)", EXPORT_RAW),
    (4, b"ftypavif", "an AVIF picture", EXPORT),
    (4, b"ftyp", "a film", "take a photo instead"),
    (8, b"CR\x02", "a RAW file (CR2)", EXPORT_RAW),
    (0, b"FUJIFILMCCD-RAW", "a RAW file (RAF)", EXPORT_RAW),
    (0, b"IIRO", "a RAW file (ORF)", EXPORT_RAW),
    (0, b"IIRS", "a RAW file (ORF)", EXPORT_RAW),
    (0, b"MMOR", "a RAW file (ORF)", EXPORT_RAW),
    (0, b"IIU\0", "a RAW file (RW2)", EXPORT_RAW),
    (0, b"FOVb", "a RAW file (X3F)", EXPORT_RAW),
    (0, b"%PDF", "a PDF document", EXPORT_PDF),
    (8, b"WEBP", "a WebP picture", EXPORT),
    (0, b"GIF8", "a GIF picture", EXPORT),
    (0, b"BM", "a BMP picture", EXPORT),
    (0, b"8BPS", "a layered picture document", EXPORT),
    (0, b"\0\0\0\x0cJXL ", "a JPEG XL picture", EXPORT),
    (0, b"\xff\x0a", "a JPEG XL picture", EXPORT),
    (0, b"\0\0\0\x0cjP  ", "a JPEG 2000 picture", EXPORT),
];

/// RAW formats that are TIFF inside, told apart by their names only.
const RAW_EXTENSIONS: &[&str] = &[
    "arw", "cr2", "dng", "erf", "iiq", "kdc", "nef", "nrw", "pef", "raw", "sr2", "srw", "3fr",
];

/// Which of the formats that are read this is.
pub(crate) fn recognise(bytes: &[u8], file: &str) -> Result<Format, Error> {
    if bytes.is_empty() {
        return Err(Error::Empty {
            file: file.to_owned(),
        });
    }
    if bytes.starts_with(b"\xff\xd8\xff") {
        return Ok(Format::Jpeg);
    }
    if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        return Ok(Format::Png);
    }
    if bytes.get(4..12).is_some_and(|brand| HEIF.contains(&brand)) {
        return heif(file);
    }
    let announces = |offset: usize, magic: &[u8]| {
        bytes
            .get(offset..)
            .is_some_and(|rest| rest.starts_with(magic))
    };
    let wrong = |seen, remedy| Error::WrongFormat {
        file: file.to_owned(),
        seen,
        remedy,
    };
    if let Some(&(_, _, seen, remedy)) = UNREAD.iter().find(|(o, m, ..)| announces(*o, m)) {
        return Err(wrong(seen, remedy));
    }
    if announces(0, b"II*\0") || announces(0, b"MM\0*") {
        return Err(if has_raw_name(file) {
            wrong("a RAW file", EXPORT_RAW)
        } else {
            wrong("a TIFF picture", EXPORT)
        });
    }
    Err(unknown(bytes, file))
}

#[cfg(feature = "heic")]
#[expect(
    clippy::unnecessary_wraps,
    reason = "it is refused where the feature is off"
)]
fn heif(_file: &str) -> Result<Format, Error> {
    Ok(Format::Heif)
}

#[cfg(not(feature = "heic"))]
fn heif(file: &str) -> Result<Format, Error> {
    Err(Error::WrongFormat {
        file: file.to_owned(),
        seen: "a HEIC picture",
        remedy: EXPORT_HEIC,
    })
}

fn has_raw_name(file: &str) -> bool {
    let extension = file.rsplit_once('.').map(|(_, e)| e.to_ascii_lowercase());
    extension.is_some_and(|e| RAW_EXTENSIONS.contains(&e.as_str()))
}

fn unknown(bytes: &[u8], file: &str) -> Error {
    let head = &bytes[..bytes.len().min(16)];
    let file = file.to_owned();
    if b"\xff\xd8\xff".starts_with(head) || b"\x89PNG\r\n\x1a\n".starts_with(head) {
        return Error::Incomplete {
            file,
            seen: format!("it ends after {} bytes", bytes.len()),
        };
    }
    // Copying programs reserve space first: a file of zeros is a copy in progress.
    if head.iter().all(|&b| b == 0) {
        return Error::Incomplete {
            file,
            seen: "it begins with zeros only".to_owned(),
        };
    }
    let text = head
        .iter()
        .all(|b| b.is_ascii_graphic() || b.is_ascii_whitespace());
    let seen = if text {
        format!("the text {:?}", String::from_utf8_lossy(head))
    } else {
        let hex: Vec<String> = head.iter().take(8).map(|b| format!("{b:02x}")).collect();
        format!("the bytes {}", hex.join(" "))
    };
    Error::NotAnImage { file, seen }
}
