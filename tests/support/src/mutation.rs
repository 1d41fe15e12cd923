//! Job folders gone wrong: what a failing card, a hasty copy, a typing error or ill will makes of
//! them. Each mutation follows from its seed alone.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::Command;

use crate::random::Rng;

/// What lies in a mutated folder under a name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Thing {
    /// A file.
    File(Vec<u8>),
    /// A link to this place.
    Link(String),
    /// A folder, empty.
    Folder,
    /// A pipe: whoever opens it waits for ever.
    Pipe,
}

/// A mutated job folder.
#[derive(Clone, Debug)]
pub struct Mutated {
    /// What was done.
    pub what: &'static str,
    /// What is in it, by name.
    pub things: BTreeMap<String, Thing>,
}

const JOB: &str = "job.toml";
/// Values that no key expects.
const ODD_VALUES: [&str; 18] = [
    "nan",
    "inf",
    "-inf",
    "1e308",
    "-1e308",
    "1e-308",
    "0",
    "-1",
    "9223372036854775807",
    "0x7f",
    "99999999999999999999",
    "true",
    "\"\"",
    "\"\\u0001\"",
    "[]",
    "{}",
    "1979-05-27T07:32:00Z",
    "[[[[1]]]]",
];
/// Lines that a job may well have, whether or not they are true.
const LIKELY_LINES: [&str; 12] = [
    "expected_width_mm = 25.4",
    "expected_width_mm = 1999",
    "look_in_px = [0, 0, 1200, 900]",
    "look_in_px = [1100, 800, 5000, 4000]",
    "look_in_px = [0, 0, 1, 1]",
    "copies = 1000",
    "layers = { \"shield\" = \"film\" }",
    "mend = \"thicken\"",
    "after_photo = \"photo.jpg\"",
    "landmarks = { seam = [1e9, -1e9] }",
    "extras = [\"weeding-lines\", \"test-square\"]",
    "known_widths = \"job.toml\"",
];
/// Rulers that a job may describe, whether or not they are true.
const LIKELY_RULERS: [&str; 8] = [
    "{ unit = \"inch\" }",
    "{ unit = \"mm\" }",
    "{ thickness_mm = 0 }",
    "{ thickness_mm = 20 }",
    "{ thickness_mm = 0.001, unit = \"inch\" }",
    "{ card_x_mm = 90, card_y_mm = 110 }",
    "{ thickness_mm = 2.5 }",
    "{ card_x_mm = 100, card_y_mm = 100 }",
];
const ODD_NUMBERS: [&str; 9] = [
    "NaN",
    "1e308",
    "-1e308",
    "1e-300",
    "1e39",
    "0",
    "-7",
    "99999999999",
    "--1",
];
const ODD_NAMES: [&str; 7] = [
    "photo.jpg ",
    "Photo.JPG",
    "a\nb",
    "..jpg",
    "con",
    "\u{202e}gpj.otohp",
    ".hidden.jpg",
];
const LINKS: [&str; 5] = [
    "/etc/hostname",
    "/dev/zero",
    "..",
    "job.toml",
    "/proc/self/mem",
];

/// A mutated copy of a job's files.
pub fn mutated(files: &[(String, Vec<u8>)], seed: u64) -> Mutated {
    let mut rng = Rng::new(seed);
    let mut things: BTreeMap<String, Thing> = files
        .iter()
        .map(|(name, bytes)| (name.clone(), Thing::File(bytes.clone())))
        .collect();
    let name = rng.pick(files).0.clone();
    let what = match rng.below(10) {
        0 | 1 => damage(&mut things, &name, &mut rng),
        2 => replace(&mut things, &name, &mut rng),
        3 => exchange(&mut things, files, &mut rng),
        4 | 5 => text(&mut things, JOB, &mut rng, odd_job),
        6 | 7 => text(&mut things, JOB, &mut rng, likely_job),
        _ => {
            let drawings: Vec<&String> = files
                .iter()
                .map(|(name, _)| name)
                .filter(|n| Path::new(n).extension().is_some_and(|e| e == "svg"))
                .collect();
            let drawing = (*rng.pick(&drawings)).clone();
            text(&mut things, &drawing, &mut rng, odd_drawing)
        }
    };
    Mutated { what, things }
}

impl Mutated {
    /// Lays the folder down.
    ///
    /// # Errors
    /// Those of the file system.
    pub fn write(&self, folder: &Path) -> io::Result<()> {
        fs::create_dir_all(folder)?;
        for (name, thing) in &self.things {
            let path = folder.join(name);
            match thing {
                Thing::File(bytes) => fs::write(path, bytes)?,
                Thing::Link(to) => symlink(to, path)?,
                Thing::Folder => fs::create_dir(path)?,
                Thing::Pipe => drop(Command::new("mkfifo").arg(path).status()?),
            }
        }
        Ok(())
    }
}

/// Bytes changed, lost or gained.
fn damage(things: &mut BTreeMap<String, Thing>, name: &str, rng: &mut Rng) -> &'static str {
    let Some(Thing::File(bytes)) = things.get_mut(name) else {
        return "nothing";
    };
    let at = rng.below(bytes.len());
    let length = (1 + rng.below(200)).min(bytes.len() - at);
    match rng.below(6) {
        0 | 1 => {
            // Headers matter most and are short.
            let reach = if rng.chance(0.5) {
                bytes.len().min(600)
            } else {
                bytes.len()
            };
            for _ in 0..=rng.below(20) {
                bytes[rng.below(reach)] ^= 1 << rng.below(8);
            }
            "bits flipped"
        }
        2 => {
            bytes.truncate(at);
            "truncated"
        }
        3 => {
            bytes[at..at + length].fill(if rng.chance(0.5) { 0 } else { 0xff });
            "overwritten"
        }
        4 => {
            drop(bytes.drain(at..at + length));
            "bytes lost"
        }
        _ => {
            let again = bytes[at..at + length].to_vec();
            drop(bytes.splice(at..at, again));
            "bytes doubled"
        }
    }
}

/// No ordinary file of that name any more.
fn replace(things: &mut BTreeMap<String, Thing>, name: &str, rng: &mut Rng) -> &'static str {
    let bytes = match things.remove(name) {
        Some(Thing::File(bytes)) => bytes,
        _ => Vec::new(),
    };
    let (thing, what) = match rng.below(6) {
        0 => (Thing::File(Vec::new()), "empty file"),
        1 => (Thing::Folder, "folder for a file"),
        2 => (Thing::Pipe, "pipe for a file"),
        3 => return "file missing",
        4 => {
            things.insert((*rng.pick(&ODD_NAMES)).to_owned(), Thing::File(bytes));
            return "odd name";
        }
        _ => (
            Thing::Link((*rng.pick(&LINKS)).to_owned()),
            "link for a file",
        ),
    };
    things.insert(name.to_owned(), thing);
    what
}

fn exchange(
    things: &mut BTreeMap<String, Thing>,
    files: &[(String, Vec<u8>)],
    rng: &mut Rng,
) -> &'static str {
    let (a, b) = (rng.pick(files), rng.pick(files));
    things.insert(a.0.clone(), Thing::File(b.1.clone()));
    things.insert(b.0.clone(), Thing::File(a.1.clone()));
    "files exchanged"
}

fn text(
    things: &mut BTreeMap<String, Thing>,
    name: &str,
    rng: &mut Rng,
    change: fn(&str, &mut Rng) -> (String, &'static str),
) -> &'static str {
    let Some(Thing::File(bytes)) = things.get_mut(name) else {
        return "nothing";
    };
    let (changed, what) = change(&String::from_utf8_lossy(bytes), rng);
    *bytes = changed.into_bytes();
    what
}

/// A job file that does not hold.
fn odd_job(text: &str, rng: &mut Rng) -> (String, &'static str) {
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    let at = rng.below(lines.len());
    let key = lines[at]
        .split('=')
        .next()
        .unwrap_or_default()
        .trim()
        .to_owned();
    let what = match rng.below(7) {
        0 | 1 => {
            lines[at] = format!("{key} = {}", rng.pick(&ODD_VALUES));
            "odd value"
        }
        2 => {
            lines[at] = lines[at].replacen(['a', 'e', 'o'], "", 1);
            "letter lost"
        }
        3 => {
            lines.remove(at);
            "line lost"
        }
        4 => {
            lines.insert(at, lines[at].clone());
            "line doubled"
        }
        5 => {
            let depth = 1 << rng.below(17);
            let (open, close) = *rng.pick(&[("[", "]"), ("{a=", "}"), ("[{a=", "}]")]);
            lines[at] = format!("{key} = {}1{}", open.repeat(depth), close.repeat(depth));
            "values nested"
        }
        _ => {
            lines[at] = format!("{key} = \"{}\"", "../".repeat(1 << rng.below(12)));
            "path upwards"
        }
    };
    (lines.join("\n"), what)
}

/// A job file that holds and may not be true.
fn likely_job(text: &str, rng: &mut Rng) -> (String, &'static str) {
    let kept = |lost: &str| {
        let lines: Vec<&str> = text.lines().filter(|l| !l.starts_with(lost)).collect();
        lines.join("\n") + "\n"
    };
    match rng.below(3) {
        0 => (
            format!("{}ruler = {}\n", kept("ruler"), rng.pick(&LIKELY_RULERS)),
            "other ruler",
        ),
        1 => (
            format!("{text}{}\n", rng.pick(&LIKELY_LINES)),
            "other wishes",
        ),
        _ => {
            let materials = ["film", "flock", "felt"];
            (
                format!(
                    "{}material = \"{}\"\n",
                    kept("material"),
                    rng.pick(&materials)
                ),
                "other material",
            )
        }
    }
}

/// A drawing that is none, or another one, or far too much of one.
fn odd_drawing(text: &str, rng: &mut Rng) -> (String, &'static str) {
    let numbers: Vec<(usize, usize)> = text
        .split(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-'))
        .filter(|word| word.bytes().any(|b| b.is_ascii_digit()))
        .map(|word| (word.as_ptr() as usize - text.as_ptr() as usize, word.len()))
        .collect();
    let inside = text.find("<path").unwrap_or(text.len());
    let around = |open: &str, close: &str, times: usize| {
        let (head, body) = text.split_at(inside);
        let body = body.replace("</svg>", "");
        format!(
            "{head}{}{body}{}</svg>",
            open.repeat(times),
            close.repeat(times)
        )
    };
    match rng.below(6) {
        0 | 1 => {
            let mut out = text.to_owned();
            let (at, length) = *rng.pick(&numbers);
            let odd = *rng.pick(&ODD_NUMBERS);
            out.replace_range(at..at + length, odd);
            (out, "odd number in a drawing")
        }
        2 => (around("<g>", "</g>", 1 << rng.below(16)), "groups nested"),
        3 => {
            let repeats: Vec<String> = (0..=rng.below(12))
                .map(|i| {
                    let again = format!("<use href=\"#x{i}\"/>").repeat(10);
                    format!("<g id=\"x{}\">{again}</g>", i + 1)
                })
                .collect();
            let repeats = repeats.concat();
            let first = "<rect id=\"x0\" width=\"1\" height=\"1\"/>";
            let out = text.replacen(
                "</svg>",
                &format!("<defs>{first}{repeats}</defs><use href=\"#x9\"/></svg>"),
                1,
            );
            (out, "repeats of repeats")
        }
        4 => {
            let turns = [
                "scale(1e-9)",
                "scale(1e30)",
                "skewX(89.9999)",
                "scale(-1 1)",
                "matrix(0 0 0 0 0 0)",
            ];
            let open = format!("<g transform=\"{}\">", rng.pick(&turns));
            (
                around(&open, "</g>", 1 + rng.below(3)),
                "drawing transformed",
            )
        }
        _ => {
            let link = *rng.pick(&[
                "file:///etc/passwd",
                "http://localhost:9/x.svg#a",
                "job.toml",
            ]);
            let entity = format!("<!DOCTYPE svg [<!ENTITY e SYSTEM \"{link}\">]>\n{text}");
            let image = format!("<image href=\"{link}\" width=\"9\" height=\"9\"/>");
            let placed = text.replacen("</svg>", &format!("{image}</svg>"), 1);
            (
                if rng.chance(0.5) { entity } else { placed },
                "drawing that points elsewhere",
            )
        }
    }
}
