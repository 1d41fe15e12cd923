//! Sheets that several emblems share: those of one job, or whatever waits for the same material.

use std::collections::BTreeMap;

use measures::{AsCut, CutFrom, Mm, Outline, Verdict};
use serde_json::{Value, json};

use crate::job::JobName;
use crate::outbox::rounded;
use crate::outcome::Worked;
use crate::parts;
use crate::report::FileLink;
use crate::settings::Config;

/// A piece that is to go on a sheet.
#[derive(Clone, Debug)]
pub(crate) struct Waiting {
    pub(crate) job: String,
    pub(crate) emblem: String,
    /// The layer; empty for an emblem of one material.
    pub(crate) layer: String,
    pub(crate) copies: u32,
    pub(crate) outline: Outline<Mm, AsCut>,
}

impl Waiting {
    fn name(&self, with_job: bool) -> String {
        let parts = [&self.emblem, &self.layer];
        let named = parts.into_iter().filter(|p| !p.is_empty());
        let own = named.map(String::as_str).collect::<Vec<_>>().join(", ");
        if with_job {
            format!("{}: {own}", self.job)
        } else {
            own
        }
    }
}

/// One sheet, written.
pub(crate) struct WrittenSheet {
    pub(crate) svg: String,
    /// `None`, and why, where plotter language does not reach.
    pub(crate) plotter: Result<String, cut::Error>,
    pub(crate) plan: String,
    pub(crate) facts: Value,
    pub(crate) pieces: usize,
    pub(crate) used_percent: f64,
    pub(crate) size_mm: [f64; 2],
}

/// What sheets are made of besides their pieces.
pub(crate) struct Heading<'a> {
    pub(crate) title: &'a str,
    pub(crate) material: &'a str,
    pub(crate) from: CutFrom,
    /// Whether the pieces come from several jobs.
    pub(crate) with_job: bool,
    pub(crate) extras: &'a [cut::Extra],
}

/// Lays pieces out on as many sheets as they need.
///
/// # Errors
/// When a piece is larger than a sheet.
pub(crate) fn lay(
    waiting: &[Waiting],
    heading: &Heading<'_>,
    config: &Config,
) -> Result<Vec<WrittenSheet>, cut::Error> {
    let settings = &config.settings.cut;
    let material = config.materials.get(heading.material);
    let turns = material.map_or(cut::Turns::Half, parts::turns);
    let pieces: Vec<cut::Piece<'_>> = waiting
        .iter()
        .map(|w| cut::Piece {
            name: w.name(heading.with_job),
            outline: &w.outline,
            copies: w.copies,
            turns,
        })
        .collect();
    let length_mm = Some(settings.sheet_length_mm);
    let sheets = cut::lay_out_all(&pieces, length_mm, heading.extras, settings)?;
    let count = sheets.len();
    let names: Vec<String> = pieces.iter().map(|p| p.name.clone()).collect();
    let written = sheets.iter().enumerate().map(|(i, sheet)| {
        let number = if count > 1 {
            format!(", sheet {} of {count}", i + 1)
        } else {
            String::new()
        };
        let note = cut::CutNote {
            title: format!("{}{number}", heading.title),
            material: heading.material.to_owned(),
            from: heading.from,
            contents: cut::Contents::Pieces(sheet.pieces().count()),
            remarks: Vec::new(),
        };
        WrittenSheet {
            svg: sheet.to_svg(&note),
            plotter: cut::plotter_for(sheet, &note, settings, &config.cutter),
            plan: cut::plan(sheet, &names, &note),
            facts: facts(sheet, waiting, heading),
            pieces: sheet.pieces().count(),
            used_percent: 100.0 * sheet.used_share,
            size_mm: [sheet.size.width, sheet.size.height],
        }
    });
    Ok(written.collect())
}

/// The sheet for other programs: each piece with its number, its job and its place.
fn facts(sheet: &cut::Sheet, waiting: &[Waiting], heading: &Heading<'_>) -> Value {
    let mut pieces: Vec<&cut::Part> = sheet.pieces().collect();
    pieces.sort_by_key(|p| p.number);
    let pieces: Vec<Value> = pieces
        .iter()
        .filter_map(|p| {
            let from = waiting.get(p.piece?)?;
            let corner = p.corner();
            Some(json!({
                "number": p.number,
                "job": from.job,
                "emblem": from.emblem,
                "layer": from.layer,
                "copy": p.copy,
                "x_mm": rounded(corner.x, 3),
                "y_mm": rounded(corner.y, 3),
                "turn_deg": p.turn_deg,
            }))
        })
        .collect();
    json!({
        "format": 1,
        "material": heading.material,
        "cut_from": heading.from,
        "width_mm": rounded(sheet.size.width, 3),
        "length_mm": rounded(sheet.size.height, 3),
        "used_percent": rounded(100.0 * sheet.used_share, 2),
        "travel_mm": rounded(sheet.travel_mm, 1),
        "pieces": pieces,
    })
}

/// Files of the sheets that a job's own emblems share.
pub(crate) struct OfJob {
    pub(crate) links: Vec<FileLink>,
    pub(crate) files: Vec<(String, Vec<u8>)>,
}

/// One set of sheets for each material that more than one of the job's emblems needs. Only what
/// may be cut now goes on a sheet: whoever cuts it does not look at each piece again.
pub(crate) fn of_job(worked: &[Worked], name: &JobName, config: &Config) -> Vec<OfJob> {
    let mut by_material: BTreeMap<&str, (CutFrom, Vec<Waiting>)> = BTreeMap::new();
    for emblem in worked.iter().filter(|w| w.report.verdict == Verdict::Cut) {
        for piece in &emblem.report.pieces {
            let entry = by_material.entry(&piece.material);
            let (_, waiting) = entry.or_insert_with(|| (piece.cut_from, Vec::new()));
            waiting.push(Waiting {
                job: name.to_string(),
                emblem: emblem.report.name.clone(),
                layer: piece.layer.clone(),
                copies: piece.copies,
                outline: piece.outline.clone(),
            });
        }
    }
    by_material
        .into_iter()
        .filter(|(_, (_, waiting))| waiting.iter().any(|w| w.emblem != waiting[0].emblem))
        .filter_map(|(material, (from, waiting))| {
            let heading = Heading {
                title: &format!("{name}: {material}"),
                material,
                from,
                with_job: false,
                extras: &[],
            };
            // A piece too large for a sheet is still in its own cut file, which says so.
            let sheets = lay(&waiting, &heading, config).ok()?;
            Some(files(material, &sheets))
        })
        .collect()
}

fn files(material: &str, sheets: &[WrittenSheet]) -> OfJob {
    let mut all = OfJob {
        links: Vec::new(),
        files: Vec::new(),
    };
    for (i, sheet) in sheets.iter().enumerate() {
        let stem = match sheets.len() {
            1 => format!("sheet-{material}"),
            _ => format!("sheet-{material}-{}", i + 1),
        };
        let [width, length] = sheet.size_mm;
        let mut add = |ending: &str, what: String, text: &str| {
            let path = format!("{stem}{ending}");
            all.files.push((path.clone(), text.as_bytes().to_vec()));
            all.links.push(FileLink { path, what });
        };
        let what = format!(
            "{} pieces on {width:.0} × {length:.0} mm, {:.1} % of the material used",
            sheet.pieces, sheet.used_percent
        );
        add("-plan.svg", "which piece is which".to_owned(), &sheet.plan);
        add(".svg", what, &sheet.svg);
        if let Ok(plotter) = &sheet.plotter {
            add(".plt", "the same in plotter language".to_owned(), plotter);
        }
    }
    all
}
