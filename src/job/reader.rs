//! `job.toml`, read with every problem at once.

use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};

use measures::Point;
use measures::ruler::{RulerHint, RulerUnit};
use toml_edit::{Document, Item, Table, TableLike};

use super::making;
use super::{Emblem, FileName, Garment, JOB_FILE, Job, Task};
use crate::folder::{Entry, Folder};
use crate::known::KnownWidths;
use crate::problem::{Problem, nearest};
use crate::settings::Config;
use crate::toml_keys::{Keys, Page};

const TOP_KEYS: [&str; 2] = ["garment", "emblem"];
const GARMENT_KEYS: [&str; 4] = ["title", "fabric", "iron_dots", "restored_on"];
const EMBLEM_KEYS: [&str; 15] = [
    "name",
    "photo",
    "versions",
    "material",
    "copies",
    "expected_width_mm",
    "known_widths",
    "ruler",
    "look_in_px",
    "after_photo",
    "landmarks",
    "after_landmarks",
    "layers",
    "mend",
    "extras",
];
const RULER_KEYS: [&str; 4] = ["unit", "thickness_mm", "card_x_mm", "card_y_mm"];

/// Longest emblem name, in characters.
const LONGEST_NAME: usize = 40;
/// The emblem's folder would be taken for the copy of the job folder.
const RESERVED_NAME: &str = "source";
const MOST_COPIES: i64 = 1000;
/// Sizes beyond these are typing errors, or metres and inches taken for millimetres.
const WIDTHS_MM: std::ops::RangeInclusive<f64> = 1.0..=2000.0;
/// What a printed bar of 100 mm may measure; beyond it the page was scaled on purpose.
const CARD_BARS_MM: std::ops::RangeInclusive<f64> = 90.0..=110.0;
/// Rulers are 0.2 to 3 mm thick (common practice, no source). Nothing in the photo contradicts an 8
/// typed for 0.8, and the emblem would come out several per cent too large.
const RULER_THICKNESSES_MM: std::ops::RangeInclusive<f64> = 0.0..=5.0;

const EXAMPLE: &str = "Write a file job.toml with at least  [[emblem]]  name = \"crest\"  \
                       photo = \"photo.jpg\"  versions = [\"crest.svg\"]";

/// Reads the job in a folder.
///
/// # Errors
/// Every problem that concerns the job as a whole. What is wrong with one emblem alone is in
/// that emblem's task.
pub fn read(folder: &Folder, config: &Config) -> Result<Job, Vec<Problem>> {
    let text = job_text(folder).map_err(|p| vec![p])?;
    let page = Page::new(JOB_FILE, &text);
    let document = Document::parse(text.as_str())
        .map_err(|e| vec![page.not_toml(e.message(), e.span().map(|s| s.start))])?;
    Reader {
        page: &page,
        folder,
        config,
    }
    .job(document.as_table())
}

fn job_text(folder: &Folder) -> Result<String, Problem> {
    let problem = |seen: &str, needed: &str| Problem::with_file(JOB_FILE, seen, needed, EXAMPLE);
    let path = Path::new(JOB_FILE);
    match folder.entry(path) {
        None => {
            return Err(problem(
                "there is no job.toml in the folder",
                "a file job.toml",
            ));
        }
        Some(Entry::File { bytes: 0 }) => {
            return Err(problem("the file is empty", "at least one [[emblem]]"));
        }
        Some(Entry::File { .. }) => {}
        Some(_) => return Err(problem("job.toml is not an ordinary file", "a text file")),
    }
    let bytes = folder
        .read(path)
        .map_err(|e| problem(&format!("it cannot be read: {e}"), "a readable file"))?;
    let text = String::from_utf8(bytes)
        .map_err(|_| problem("it is not plain text (UTF-8)", "a text file in UTF-8"))?;
    Ok(text
        .strip_prefix('\u{feff}')
        .map(str::to_owned)
        .unwrap_or(text))
}

struct Reader<'a> {
    page: &'a Page<'a>,
    folder: &'a Folder,
    config: &'a Config,
}

impl<'a> Reader<'a> {
    fn job(&self, top: &'a Table) -> Result<Job, Vec<Problem>> {
        let keys = Keys::open(self.page, top, "job.toml", None, &TOP_KEYS);
        let garment_item = keys.item("garment");
        let emblem_item = keys.item("emblem");
        let mut problems = keys.problems;
        let garment = match garment_item {
            None => Garment::default(),
            Some(item) => self.garment(item, &mut problems),
        };
        let tables = self.emblem_tables(emblem_item, &mut problems);
        if !problems.is_empty() {
            // The emblems' own problems belong in the same list when the job is refused anyway.
            let emblems = self.emblems(&tables);
            problems.extend(emblems.into_iter().filter_map(|e| e.task.err()).flatten());
            return Err(problems);
        }
        Ok(Job {
            garment,
            emblems: self.emblems(&tables),
        })
    }

    fn garment(&self, item: &'a Item, problems: &mut Vec<Problem>) -> Garment {
        let at = item.span().map(|s| s.start);
        let Some(table) = item.as_table_like() else {
            problems.push(self.page.problem(
                at,
                "garment is not a section",
                "[garment] on a line of its own, its keys below",
                "Correct the line",
            ));
            return Garment::default();
        };
        let mut keys = Keys::open(self.page, table, "[garment]", at, &GARMENT_KEYS);
        let title = keys.text("title");
        let fabric = keys.text("fabric");
        let restored_on = keys.text("restored_on");
        let iron_dots = keys.whole("iron_dots", 1..=3).map(|n| n as u8);
        if let Some(fabric) = &fabric {
            known_name(
                &mut keys,
                "fabric",
                fabric,
                "fabrics.toml",
                &self.config.fabrics,
            );
        }
        problems.append(&mut keys.problems);
        Garment {
            title,
            fabric,
            iron_dots,
            restored_on,
        }
    }

    fn emblem_tables(
        &self,
        item: Option<&'a Item>,
        problems: &mut Vec<Problem>,
    ) -> Vec<(&'a dyn TableLike, Option<usize>)> {
        let tables: Vec<(&dyn TableLike, Option<usize>)> = match item {
            Some(Item::ArrayOfTables(tables)) => tables
                .iter()
                .map(|t| (t as &dyn TableLike, t.span().map(|s| s.start)))
                .collect(),
            Some(Item::Value(toml_edit::Value::Array(list))) => list
                .iter()
                .filter_map(|v| v.as_inline_table())
                .map(|t| (t as &dyn TableLike, t.span().map(|s| s.start)))
                .collect(),
            _ => Vec::new(),
        };
        if tables.is_empty() {
            let seen = match item {
                Some(Item::Table(_)) => "[emblem] in single brackets",
                Some(_) => "emblem is not a section",
                None => "no emblem in the job",
            };
            problems.push(self.page.problem(
                item.and_then(Item::span).map(|s| s.start),
                seen,
                "at least one section [[emblem]], in double brackets",
                EXAMPLE,
            ));
        }
        tables
    }

    fn emblems(&self, tables: &[(&'a dyn TableLike, Option<usize>)]) -> Vec<Emblem> {
        let mut emblems: Vec<Emblem> = tables
            .iter()
            .enumerate()
            .map(|(i, t)| self.emblem(i + 1, t.0, t.1))
            .collect();
        self.refuse_doubles(tables, &mut emblems);
        emblems
    }

    /// Names that differ only in case would share a folder on many file systems.
    fn refuse_doubles(
        &self,
        tables: &[(&'a dyn TableLike, Option<usize>)],
        emblems: &mut [Emblem],
    ) {
        let mut bearers: BTreeMap<String, Vec<usize>> = BTreeMap::new();
        for (i, emblem) in emblems.iter().enumerate() {
            bearers
                .entry(emblem.name.to_lowercase())
                .or_default()
                .push(i);
        }
        for doubles in bearers.into_values().filter(|d| d.len() > 1) {
            for i in doubles {
                let (table, at) = tables[i];
                let at = table
                    .get_key_value("name")
                    .and_then(|(k, _)| k.span())
                    .map(|s| s.start)
                    .or(at);
                let problem = self.page.problem(
                    at,
                    format!("more than one emblem is called \"{}\"", emblems[i].name),
                    "a name for each emblem, different in more than capital letters",
                    "Give one of them another name",
                );
                match &mut emblems[i].task {
                    Ok(_) => emblems[i].task = Err(vec![problem]),
                    Err(problems) => problems.push(problem),
                }
            }
        }
    }

    fn emblem(&self, number: usize, table: &'a dyn TableLike, at: Option<usize>) -> Emblem {
        let mut keys = Keys::open(self.page, table, "[[emblem]]", at, &EMBLEM_KEYS);
        let name = emblem_name(&mut keys);
        let task = self.task(&mut keys);
        Emblem {
            name: name.unwrap_or_else(|| format!("emblem-{number}")),
            task: match task {
                Some(task) if keys.problems.is_empty() => Ok(task),
                _ => Err(keys.problems),
            },
        }
    }

    /// The task; `None`, and the reason among the keys' problems, when a required key is missing.
    fn task(&self, keys: &mut Keys<'a>) -> Option<Task> {
        keys.require("photo", "\"photo.jpg\"");
        keys.require("versions", "[\"crest.svg\"]");
        let photo = keys.text("photo").and_then(|p| self.file(keys, "photo", p));
        let versions = keys
            .texts("versions", "[\"crest.svg\"]")
            .unwrap_or_default();
        let versions = self.versions(keys, versions);
        let given = keys.text("material");
        if let Some(material) = &given {
            known_name(
                keys,
                "material",
                material,
                "materials.toml",
                &self.config.materials,
            );
        }
        let copies = keys.whole("copies", 1..=MOST_COPIES).unwrap_or(1) as u32;
        let expected_width_mm = keys.number("expected_width_mm", WIDTHS_MM);
        let ruler = self.ruler(keys);
        let look_in_px = look_in(keys);
        let known_widths = self.known_widths(keys);
        let after_photo = keys
            .text("after_photo")
            .and_then(|p| self.file(keys, "after_photo", p));
        let layers = making::layers(keys, self.config);
        let mend = making::mend(keys);
        let extras = making::extras(keys);
        Some(Task {
            photo: photo?,
            versions,
            material_given: given.is_some(),
            material: given.unwrap_or_else(|| self.config.settings.job.usual_material.clone()),
            copies,
            expected_width_mm,
            known_widths,
            ruler,
            look_in_px,
            after_photo,
            landmarks: landmarks(keys, "landmarks"),
            after_landmarks: landmarks(keys, "after_landmarks"),
            layers,
            mend,
            extras,
        })
    }

    /// The table of sizes measured so far, a file of the job folder.
    fn known_widths(&self, keys: &mut Keys<'a>) -> Option<KnownWidths> {
        let path = keys.text("known_widths")?;
        let file = self.file(keys, "known_widths", path)?;
        let bytes = self.folder.read(Path::new(&file.path)).unwrap_or_default();
        match toml::from_str(&String::from_utf8_lossy(&bytes)) {
            Ok(known) => Some(known),
            Err(error) => {
                keys.wrong(
                    "known_widths",
                    format!(
                        "{} is not a table of known widths: {}",
                        file.path,
                        error.message()
                    ),
                    "a file as  emblemend known --out known-widths.toml  writes it",
                    "Write it anew and copy it into the job folder",
                );
                None
            }
        }
    }

    fn versions(&self, keys: &mut Keys<'a>, paths: Vec<String>) -> Vec<FileName> {
        let mut seen = Vec::new();
        for path in &paths {
            if seen.contains(&path) {
                keys.wrong(
                    "versions",
                    format!("\"{path}\" is named twice"),
                    "each version once",
                    "Remove one of the two",
                );
            }
            seen.push(path);
        }
        paths
            .into_iter()
            .filter_map(|p| self.file(keys, "versions", p))
            .collect()
    }

    /// A file inside the folder that has something in it.
    fn file(&self, keys: &mut Keys<'a>, key: &str, path: String) -> Option<FileName> {
        let Some(inner) = inside(&path) else {
            keys.wrong(
                key,
                format!("the path \"{path}\" leaves the job folder"),
                "a file inside the job folder, named without .. and without a leading /",
                "Copy the file into the job folder and name it by its own name",
            );
            return None;
        };
        let (seen, remedy) = match self.folder.entry(&inner) {
            Some(Entry::File { bytes: 1.. }) => {
                return Some(FileName {
                    path,
                    line: keys.line_of(key),
                });
            }
            Some(Entry::File { bytes: 0 }) => (
                format!("the file \"{path}\" is empty"),
                "Copy it again: the copying was probably cut short".to_owned(),
            ),
            Some(Entry::Folder) => (
                format!("\"{path}\" is a folder"),
                "Name the file itself".to_owned(),
            ),
            Some(Entry::Refused(what)) => (
                format!("\"{path}\" is {what}"),
                "Put a copy of the file itself in the job folder".to_owned(),
            ),
            Some(Entry::TooLarge { bytes }) => (
                format!("the file \"{path}\" has {} MB", bytes / 1_000_000),
                "Export it smaller, or raise largest_file_mb in the settings".to_owned(),
            ),
            None => {
                let files = self.folder.entries().filter_map(|(path, _)| path.to_str());
                let meant = nearest(&path, files)
                    .map_or(String::new(), |near| format!("Did you mean \"{near}\"? "));
                (
                    format!("there is no file \"{path}\" in the job folder"),
                    format!("{meant}Correct the name or add the file"),
                )
            }
        };
        keys.wrong(key, seen, format!("an ordinary file for {key}"), remedy);
        None
    }

    fn ruler(&self, keys: &mut Keys<'a>) -> RulerHint {
        let Some(item) = keys.item("ruler") else {
            return RulerHint::default();
        };
        let Some(table) = item.as_table_like() else {
            keys.wrong(
                "ruler",
                "ruler is not written as it should be",
                "ruler = { unit = \"mm\", thickness_mm = 0.8 }",
                "Correct the line",
            );
            return RulerHint::default();
        };
        let at = item.span().map(|s| s.start);
        let mut inner = Keys::open(self.page, table, "ruler", at, &RULER_KEYS);
        let thickness_mm = inner.number("thickness_mm", RULER_THICKNESSES_MM);
        let unit = inner.text("unit");
        let unit = match unit.as_deref() {
            Some("mm") => Some(RulerUnit::Mm),
            Some("inch") => Some(RulerUnit::Inch),
            Some(other) => {
                let seen = format!("the ruler's unit is \"{other}\"");
                inner.wrong("unit", seen, "\"mm\" or \"inch\"", "Correct the line");
                None
            }
            None => None,
        };
        let card_mm = card(&mut inner);
        keys.problems.append(&mut inner.problems);
        RulerHint {
            unit: unit.or(card_mm.map(|_| RulerUnit::Mm)),
            thickness_mm,
            card_mm,
        }
    }
}

/// What the scale card's two bars measure.
fn card(ruler: &mut Keys<'_>) -> Option<[f64; 2]> {
    let x = ruler.number("card_x_mm", CARD_BARS_MM);
    let y = ruler.number("card_y_mm", CARD_BARS_MM);
    if x.is_some() != y.is_some() {
        let key = if x.is_some() {
            "card_x_mm"
        } else {
            "card_y_mm"
        };
        ruler.wrong(
            key,
            "only one of the scale card's two bars is given",
            "card_x_mm and card_y_mm, both in millimetres",
            "Measure the other bar of the card too",
        );
    }
    x.zip(y).map(|(x, y)| [x, y])
}

fn emblem_name(keys: &mut Keys<'_>) -> Option<String> {
    keys.require("name", "\"crest\"");
    let name = keys.text("name")?;
    let allowed = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    let starts_well = name.starts_with(|c: char| c.is_ascii_alphanumeric());
    if name.chars().all(allowed)
        && starts_well
        && name.len() <= LONGEST_NAME
        && !name.eq_ignore_ascii_case(RESERVED_NAME)
    {
        return Some(name);
    }
    keys.wrong(
        "name",
        format!("the emblem is called \"{}\"", name.escape_debug()),
        format!(
            "at most {LONGEST_NAME} of the letters a to z, A to Z, digits, - and _, beginning with a \
             letter or digit, and not \"{RESERVED_NAME}\""
        ),
        "Give it a name that can name a folder, like \"crest\" or \"sleeve-left\"",
    );
    None
}

fn look_in(keys: &mut Keys<'_>) -> Option<[f64; 4]> {
    let needed = "four numbers [x0, y0, x1, y1] in pixels, left, top, right, bottom, \
                  right of left and below top";
    let [x0, y0, x1, y1] = keys.four_numbers("look_in_px", needed)?;
    if 0.0 <= x0 && x0 < x1 && 0.0 <= y0 && y0 < y1 {
        return Some([x0, y0, x1, y1]);
    }
    let seen = format!("look_in_px = [{x0}, {y0}, {x1}, {y1}]");
    keys.wrong("look_in_px", seen, needed, "Correct the order");
    None
}

/// Places on the garment, by name, in the order of the file.
fn landmarks(keys: &mut Keys<'_>, key: &str) -> Vec<press::Landmark> {
    let places = keys.named_pairs(
        key,
        "{ collar-seam = [1200, 80] }: a name and the place in the photo, x and y in pixels",
    );
    places
        .into_iter()
        .map(|(name, [x, y])| press::Landmark {
            name,
            at: Point::new(x, y),
        })
        .collect()
}

pub(super) fn known_name<T>(
    keys: &mut Keys<'_>,
    key: &str,
    seen: &str,
    file: &str,
    known: &BTreeMap<String, T>,
) {
    if known.contains_key(seen) {
        return;
    }
    let names = || known.keys().map(String::as_str);
    let meant = nearest(seen, names()).map_or(String::new(), |n| format!("Did you mean \"{n}\"? "));
    keys.wrong(
        key,
        format!(
            "unknown {} \"{seen}\"",
            if key == "layers" { "material" } else { key }
        ),
        format!("one of: {}", names().collect::<Vec<_>>().join(", ")),
        format!("{meant}Correct the name, or add a section [{seen}] to {file}"),
    );
}

/// The path as the folder lists it, if it stays inside.
fn inside(path: &str) -> Option<PathBuf> {
    let mut inner = PathBuf::new();
    for component in Path::new(path).components() {
        match component {
            Component::Normal(name) => inner.push(name),
            Component::CurDir => {}
            _ => return None,
        }
    }
    (!inner.as_os_str().is_empty() && !path.contains('\0')).then_some(inner)
}
