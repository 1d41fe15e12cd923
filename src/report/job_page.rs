//! `report.html`.

use askama::Template;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use measures::photo::FocalSource;
use measures::{ClothPlane, CutFrom, Verdict};
use press::Warning;

use super::figures::{href, measured, per_cent, size, two_digits, uncertainty_mm};
use super::finished_part::FinishedPart;
use super::outline_marks::RESIDUAL_FULL_MM;
use super::ruler_plot::plot;
use super::shapes::{Shapes, shapes};
use super::{EmblemReport, Error, JobReport, OutlineSize, Problem, unit_symbol};
use crate::record::RECORD_FILE;

/// The report of one job, as a page that opens from disk.
///
/// # Errors
/// When the template fails: a fault of the program.
pub fn job_page(job: &JobReport) -> Result<String, Error> {
    let title = job.garment.clone().unwrap_or_else(|| job.job.clone());
    let page = Page {
        facts: facts(job),
        verdict: VerdictWords::of(job.verdict),
        problems: &job.problems,
        emblems: job
            .emblems
            .iter()
            .enumerate()
            .map(|(i, e)| Emblem::new(i, e))
            .collect(),
        sheets: job.sheets.iter().map(File::new).collect(),
        record: job.record.then_some(RECORD_FILE),
        settings: &job.settings,
        program: &job.program,
        residual_full: format!("{RESIDUAL_FULL_MM:.1}"),
        title,
    };
    Ok(page.render()?)
}

fn facts(job: &JobReport) -> String {
    let mut facts = vec![format!("Job {}", job.job)];
    facts.extend(job.fabric.clone());
    facts.extend(job.iron_dots.map(|dots| match dots {
        0 => "care label: do not iron".to_owned(),
        1 => "care label: 1 iron dot".to_owned(),
        n => format!("care label: {n} iron dots"),
    }));
    facts.join(" · ")
}

#[derive(Template)]
#[template(path = "report.html")]
struct Page<'a> {
    title: String,
    facts: String,
    verdict: VerdictWords,
    problems: &'a [Problem],
    emblems: Vec<Emblem<'a>>,
    sheets: Vec<File<'a>>,
    record: Option<&'a str>,
    settings: &'a [(String, String)],
    program: &'a str,
    residual_full: String,
}

/// A verdict for people.
#[derive(Clone, Copy)]
pub(super) struct VerdictWords {
    pub(super) class: &'static str,
    pub(super) word: &'static str,
    pub(super) meaning: &'static str,
}

impl VerdictWords {
    pub(super) fn of(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Cut => Self {
                class: "cut",
                word: "Cut",
                meaning: "The figures support cutting material now, provided that the ruler lay flat \
                          on the cloth: a ruler held above it makes everything too small, and a \
                          photo does not always show it.",
            },
            Verdict::Look => Self {
                class: "look",
                word: "Look first",
                meaning: "A person should look at the points named below before material is cut.",
            },
            Verdict::Hold => Self {
                class: "hold",
                word: "Hold",
                meaning: "Do not cut. The points named below come first.",
            },
        }
    }
}

struct Emblem<'a> {
    id: String,
    name: &'a str,
    verdict: VerdictWords,
    size: Option<String>,
    summary: Option<String>,
    reasons: Vec<Reason<'a>>,
    reasons_title: &'static str,
    pictures: Vec<Picture>,
    residue: Option<Picture>,
    closeups: Option<Closeups>,
    difference: Option<Picture>,
    has_overlay: bool,
    shapes: Option<Shapes>,
    files: Vec<File<'a>>,
    measured: Vec<Measured>,
    versions: Vec<Version<'a>>,
    budget: Vec<BudgetLine>,
    budget_sum: String,
    plane_warnings: &'a [String],
    rulers: Vec<RulerWords>,
    ruler_strip: Option<Picture>,
    finished: Option<FinishedPart<'a>>,
    warnings: Vec<&'a Warning>,
    cautions: Vec<&'a Warning>,
}

/// One line of the verdict's why. A heat warning is named only: its whole text follows below.
struct Reason<'a> {
    words: &'a str,
    heat: bool,
}

impl<'a> Reason<'a> {
    fn new(reason: &'a str, warnings: &'a [Warning]) -> Self {
        match warnings.iter().find(|w| w.text == reason) {
            Some(warning) => Self {
                words: &warning.title,
                heat: true,
            },
            None => Self {
                words: reason,
                heat: false,
            },
        }
    }
}

pub(super) struct Picture {
    pub(super) base64: String,
    pub(super) alt: String,
    pub(super) caption: String,
    pub(super) link: Option<String>,
}

/// The outline's worst places.
struct Closeups {
    pictures: Vec<Picture>,
    bleed: Option<String>,
}

struct File<'a> {
    href: String,
    name: &'a str,
    what: &'a str,
}

pub(super) struct Measured {
    pub(super) name: &'static str,
    pub(super) value: String,
    pub(super) note: String,
}

struct Version<'a> {
    file: &'a str,
    best: bool,
    score: String,
    width: String,
    size: String,
    seen: String,
    edge: String,
    notes: &'a [String],
}

struct BudgetLine {
    name: String,
    u: String,
    share: String,
    source: String,
}

struct RulerWords {
    words: String,
    plot: Option<String>,
}

impl<'a> Emblem<'a> {
    fn new(index: usize, e: &'a EmblemReport) -> Self {
        let budget = budget(e);
        let (warnings, cautions) = e.warnings.iter().partition(|w| w.verdict > Verdict::Cut);
        Self {
            id: format!("emblem-{}", index + 1),
            name: &e.name,
            verdict: VerdictWords::of(e.verdict),
            size: e.fitted.as_ref().map(|f| size(f.size_mm())),
            summary: summary(e),
            reasons: e
                .reasons
                .iter()
                .map(|r| Reason::new(r, &e.warnings))
                .collect(),
            reasons_title: match e.verdict {
                Verdict::Cut => "Worth knowing",
                Verdict::Look => "Look at this first",
                Verdict::Hold => "Why not to cut",
            },
            pictures: pictures(e),
            residue: residue_picture(e),
            closeups: closeups(e),
            difference: difference(e),
            has_overlay: e.fitted.is_some() && !e.pictures.fitted_jpg.is_empty(),
            shapes: shapes(e),
            files: e.files.iter().map(File::new).collect(),
            measured: measured_rows(e),
            versions: versions(e),
            budget_sum: two_digits(budget.expanded_percent()),
            budget: shares(&budget),
            plane_warnings: e.plane.as_ref().map_or(&[], |p| &p.warnings),
            rulers: e.rulers.iter().map(RulerWords::new).collect(),
            ruler_strip: ruler_picture(e),
            finished: e.finished.as_ref().map(|f| FinishedPart::new(&e.name, f)),
            warnings,
            cautions,
        }
    }
}

fn summary(e: &EmblemReport) -> Option<String> {
    let f = e.fitted.as_ref()?;
    let layers = e.pieces.iter().filter(|p| !p.layer.is_empty());
    let layers: Vec<String> = layers
        .map(|p| format!("{} from {}", p.layer, p.title))
        .collect();
    let material = e.material.as_ref().map_or(String::new(), |m| {
        if !layers.is_empty() {
            return format!(" To be cut in layers: {}.", layers.join(", then "));
        }
        let copies = if m.copies == 1 {
            String::new()
        } else {
            format!("{} times ", m.copies)
        };
        let side = match m.cut_from {
            CutFrom::Back => "from the back, so mirrored",
            CutFrom::Face => "from the face, not mirrored",
        };
        format!(" To be cut {copies}from {} {side}.", m.title)
    });
    let [width, height] = f.size_mm();
    let u = f.fit.u_size_percent / 100.0;
    Some(format!(
        "{}, {} wide and {} high as worn.{material}",
        f.artwork.file,
        measured(width, u * width, "mm"),
        measured(height, u * height, "mm"),
    ))
}

pub(super) fn picture(
    bytes: &[u8],
    alt: String,
    caption: impl Into<String>,
    link: Option<String>,
) -> Option<Picture> {
    let base64 = (!bytes.is_empty()).then(|| STANDARD.encode(bytes))?;
    Some(Picture {
        base64,
        alt,
        caption: caption.into(),
        link,
    })
}

fn pictures(e: &EmblemReport) -> Vec<Picture> {
    let overlay = e.files.iter().find(|f| f.path.ends_with("overlay.jpg"));
    let overlay = overlay.map(|f| href(&f.path));
    let name = &e.name;
    let before = picture(
        &e.pictures.before_jpg,
        format!("The photo around the residue of {name}, untouched"),
        "The photo, untouched.",
        None,
    );
    let fitted = picture(
        &e.pictures.fitted_jpg,
        format!("The same part of the photo with the fitted outline of {name} on the residue"),
        "The fitted outline on the residue.",
        overlay,
    );
    before.into_iter().chain(fitted).collect()
}

fn ruler_picture(e: &EmblemReport) -> Option<Picture> {
    picture(
        &e.pictures.ruler_jpg,
        "The photo along the ruler, laid level, with a mark at every division used and the lengths \
         read from them"
            .to_owned(),
        "Above, every division used and the lengths from the first one; below, the ruler itself. \
         Steps between printed figures and between these must agree.",
        None,
    )
}

fn residue_picture(e: &EmblemReport) -> Option<Picture> {
    picture(
        &e.pictures.residue_jpg,
        format!(
            "The cloth around {} laid flat, in greys, the residue standing out from mid grey",
            e.name
        ),
        "The residue as the program sees it: laid flat, light and texture evened out.",
        None,
    )
}

fn closeups(e: &EmblemReport) -> Option<Closeups> {
    let fit = &e.fitted.as_ref()?.fit;
    let pictures = e.pictures.closeups.iter().enumerate();
    let pictures: Vec<Picture> = pictures
        .filter_map(|(k, closeup)| {
            let place = k + 1;
            let alt = format!(
                "Place {place} of {} close up, without and with the outline: {}",
                e.name, closeup.words
            );
            picture(
                &closeup.jpg,
                alt,
                format!("{place}: {}.", closeup.words),
                None,
            )
        })
        .collect();
    let bleed = (fit.bleed_mm >= 0.05).then(|| format!("{:.2} mm", fit.bleed_mm));
    (!pictures.is_empty()).then_some(Closeups { pictures, bleed })
}

fn difference(e: &EmblemReport) -> Option<Picture> {
    let (difference, fitted) = (e.pictures.difference.as_ref()?, e.fitted.as_ref()?);
    let (best, rival) = (&fitted.artwork.file, &difference.rival);
    let [only_best, only_rival] = difference.only_mm2;
    picture(
        &difference.jpg,
        format!("The residue, tinted where only {best} and where only {rival} would have left any"),
        format!(
            "Where to look on the garment. Orange: only {best} has something there, {only_best:.0} mm². \
             Blue: only {rival}, {only_rival:.0} mm². Residue is light, bare cloth dark."
        ),
        None,
    )
}

impl<'a> File<'a> {
    fn new(file: &'a super::FileLink) -> Self {
        Self {
            href: href(&file.path),
            name: &file.path,
            what: &file.what,
        }
    }
}

fn measured_rows(e: &EmblemReport) -> Vec<Measured> {
    let row = |name, value: String, note: String| Measured { name, value, note };
    let mut rows = Vec::new();
    if let Some(f) = &e.fitted {
        let fit = &f.fit;
        let [width, height] = f.size_mm();
        let u = fit.u_size_percent / 100.0;
        let expected = f.expected_width_mm.map_or(String::new(), |mm| {
            let off = 100.0 * (width / mm - 1.0);
            format!("the job expects {mm:.1} mm: {off:+.1} %")
        });
        rows.push(row(
            "Width as worn",
            measured(width, u * width, "mm"),
            expected,
        ));
        rows.push(row(
            "Height as worn",
            measured(height, u * height, "mm"),
            String::new(),
        ));
        rows.push(row(
            "Turn",
            measured(fit.rotation_deg, fit.u_rotation_deg, "°"),
            "clockwise, against the photo’s upper edge".to_owned(),
        ));
        rows.push(row("Place", uncertainty_mm(fit.u_shift_mm), String::new()));
        rows.push(row(
            "Any point of the outline",
            uncertainty_mm(fit.u_outline_mm),
            "the worst point, everything taken together".to_owned(),
        ));
        rows.push(row(
            "Outline seen",
            per_cent(fit.outline_seen),
            "share of the outline that the residue supports".to_owned(),
        ));
        rows.push(row(
            "Residue’s edge from outline",
            format!("{:.2} mm", fit.edge_mean_mm),
            format!("mean; 95 % within {:.2} mm", fit.edge_p95_mm),
        ));
        rows.push(row(
            "Adhesive bleed",
            format!("{:.2} mm", fit.bleed_mm),
            "even on all sides, taken off".to_owned(),
        ));
    }
    rows.extend(e.outline.iter().flat_map(outline_rows));
    rows.extend(lines_row(e));
    if let Some(plane) = &e.plane {
        rows.extend(plane_rows(plane, e));
    }
    rows
}

fn outline_rows(outline: &OutlineSize) -> [Measured; 3] {
    let row = |name, value, note: &str| Measured {
        name,
        value,
        note: note.to_owned(),
    };
    [
        row(
            "Residue’s width",
            measured(outline.width_mm, outline.u_width_mm, "mm"),
            "as seen, adhesive that has bled included; upright in the photo",
        ),
        row(
            "Residue’s height",
            measured(outline.height_mm, outline.u_height_mm, "mm"),
            "",
        ),
        row(
            "Residue’s outline seen",
            per_cent(outline.border_seen),
            "share of it that stands out of the cloth’s own unevenness",
        ),
    ]
}

fn lines_row(e: &EmblemReport) -> Option<Measured> {
    e.plane.as_ref()?;
    let row = |value, note| Measured {
        name: "Cloth’s own lines",
        value,
        note,
    };
    let Some(lines) = &e.fabric_lines else {
        return Some(row("none seen".to_owned(), String::new()));
    };
    let cloth = &lines.on_cloth;
    let turn = lines.emblem_to_lines_deg.map_or(String::new(), |deg| {
        let u = cloth
            .u_angle_deg
            .hypot(e.fitted.as_ref().map_or(0.0, |f| f.fit.u_rotation_deg));
        format!(
            "; the old emblem is turned {} against them, or square to them",
            measured(deg, u, "°")
        )
    });
    Some(row(
        measured(lines.angle_deg, cloth.u_angle_deg, "°"),
        format!(
            "{}, clockwise from the photo’s upper edge, {} of the cloth’s changes{turn}",
            cloth.name(),
            per_cent(cloth.strength),
        ),
    ))
}

/// The place that the scale is given for: the emblem's centre.
fn scale_point(e: &EmblemReport, plane: &ClothPlane) -> measures::Point<measures::Px> {
    e.fitted.as_ref().map_or(plane.pose.anchor, |f| {
        f.fit
            .art_to_photo
            .apply(f.artwork.outline.bounding_box().center().into())
    })
}

fn plane_rows(plane: &ClothPlane, e: &EmblemReport) -> [Measured; 3] {
    let at = scale_point(e, plane);
    let scale = plane.px_per_mm_at(at);
    let u = 2.0 * plane.u_scale_percent_at(at) / 100.0 * scale;
    let focal = match plane.camera.focal_source {
        FocalSource::Equivalent35Mm | FocalSource::SensorResolution => "from the photo’s own data",
        FocalSource::Assumed => "assumed: the photo says nothing of its camera",
    };
    [
        Measured {
            name: "Scale on the cloth",
            value: measured(scale, u, "px/mm"),
            note: "at the emblem’s centre".to_owned(),
        },
        Measured {
            name: "Tilt of the camera",
            value: format!("{:.1}°", plane.pose.tilt_deg()),
            note: "removed from all figures".to_owned(),
        },
        Measured {
            name: "Focal length",
            value: format!("{:.0} px", plane.camera.focal_px),
            note: focal.to_owned(),
        },
    ]
}

fn versions(e: &EmblemReport) -> Vec<Version<'_>> {
    let best = e.fitted.as_ref().map(|f| f.artwork.file.as_str());
    let dash = || "–".to_owned();
    e.versions
        .iter()
        .map(|v| Version {
            file: &v.file,
            best: best == Some(v.file.as_str()),
            score: per_cent(v.score),
            width: format!("{:.1}", 100.0 * v.score.clamp(0.0, 1.0)),
            size: v.size_mm.map_or_else(dash, size),
            seen: v.outline_seen.map_or_else(dash, per_cent),
            edge: v.edge_mean_mm.map_or_else(dash, |mm| format!("{mm:.2} mm")),
            notes: &v.notes,
        })
        .collect()
}

fn budget(e: &EmblemReport) -> measures::uncertainty::Budget {
    e.plane
        .as_ref()
        .map_or_else(Default::default, |p| p.budget_at(scale_point(e, p)))
}

fn shares(budget: &measures::uncertainty::Budget) -> Vec<BudgetLine> {
    let mut all: Vec<_> = budget.terms.iter().zip(budget.shares()).collect();
    all.sort_by(|a, b| b.1.total_cmp(&a.1));
    all.into_iter()
        .map(|(t, share)| BudgetLine {
            name: t.name.clone(),
            u: two_digits(t.u_percent),
            share: format!("{:.0}", 100.0 * share),
            source: t.source.clone(),
        })
        .collect()
}

impl RulerWords {
    fn new(ruler: &measures::Ruler) -> Self {
        let others: Vec<String> = ruler
            .other_readings
            .iter()
            .map(|r| {
                format!(
                    "{:.3} mm apart ({}), probability {}",
                    r.pitch_mm,
                    unit_symbol(r.unit),
                    per_cent(r.probability)
                )
            })
            .collect();
        let others = if others.is_empty() {
            String::new()
        } else {
            format!(" It might also be read as: {}.", others.join("; "))
        };
        let words = format!(
            "{} ticks of a ruler in {}, {:.4} mm apart (probability {}), over {:.1} mm: {} px/mm \
             between the ends, from locating the ticks alone.{others}",
            ruler.ticks.len(),
            unit_symbol(ruler.reading.unit),
            ruler.reading.pitch_mm,
            per_cent(ruler.reading.probability),
            ruler.base_mm(),
            measured(ruler.px_per_mm, ruler.u_px_per_mm, "").trim_end(),
        );
        Self {
            words,
            plot: plot(ruler),
        }
    }
}
