//! The record of restoration: what was on the garment, what replaces it, how it was measured and
//! pressed. For whoever owns the garment next.

use measures::{Artwork, Fit};
use serde::Deserialize;

use crate::canvas::{self, Faces, Page, Style};
use crate::flow::Flow;
use crate::marks::two_digits;
use crate::{Error, Material, Pressed, Settings};

/// What the shop says of itself; section `[record]`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecordSettings {
    /// The shop's name and address, as they are to stand on the record; may be empty.
    pub shop: String,
    /// What else the shop wants to say; may be empty.
    pub text: String,
}

/// What the record of one job is made from.
#[derive(Clone, Copy, Debug)]
pub struct RecordContent<'a> {
    /// The job's name.
    pub job: &'a str,
    /// The garment's title; empty when the job gives none.
    pub garment: &'a str,
    /// Its fabric, if the job names it.
    pub fabric: Option<&'a str>,
    /// The day of the work, as the job writes it.
    pub restored_on: Option<&'a str>,
    /// The emblems that were measured.
    pub emblems: &'a [RecordEmblem<'a>],
    /// SHA-256 of the list of the job folder's files with their own SHA-256, in hexadecimal.
    pub sources_sha256: &'a str,
    /// Name and version of the program.
    pub program: &'a str,
}

/// One emblem on the record.
#[derive(Clone, Copy, Debug)]
pub struct RecordEmblem<'a> {
    /// Its name.
    pub name: &'a str,
    /// The version that fits.
    pub artwork: &'a Artwork,
    /// How the old one lay.
    pub fit: &'a Fit,
    /// Expanded uncertainty (k = 2) of the scale at the emblem, in per cent.
    pub u_scale_percent: f64,
    /// How many rulers the photo shows.
    pub rulers: usize,
    /// What the new one is cut from, with the settings for this garment.
    pub material: &'a Material,
    /// The finished article, if there is a photo of it.
    pub pressed: Option<&'a Pressed>,
    /// JPEG of the old mark, and of the finished article; may be empty.
    pub before_jpg: &'a [u8],
    /// The latter.
    pub after_jpg: &'a [u8],
}

/// Draws the record as a PDF. The same content gives the same bytes.
///
/// # Errors
/// Those of writing a PDF.
pub fn record(
    content: &RecordContent<'_>,
    words: &RecordSettings,
    settings: &Settings,
) -> Result<Vec<u8>, Error> {
    let (pages, faces) = laid_out(content, words, settings)?;
    let title = format!("Record of restoration: {}", content.job);
    canvas::write(&pages, settings.paper.size_mm(), &title, &faces)
}

pub(crate) fn laid_out(
    content: &RecordContent<'_>,
    words: &RecordSettings,
    settings: &Settings,
) -> Result<(Vec<Page>, Faces), Error> {
    let faces = Faces::load()?;
    let mut flow = Flow::new(settings, &faces);
    head(&mut flow, content, words);
    for emblem in content.emblems {
        about(&mut flow, emblem);
    }
    foot(&mut flow, content, words);
    let mut pages = flow.finished();
    let line = format!(
        "record of restoration  ·  {}  ·  {}",
        content.job, content.program
    );
    crate::number_pages(&mut pages, settings, &line);
    Ok((pages, faces))
}

fn head(flow: &mut Flow<'_>, content: &RecordContent<'_>, words: &RecordSettings) {
    if !words.shop.trim().is_empty() {
        flow.words(Style::plain(10.0), words.shop.trim());
    }
    flow.words(Style::bold(20.0), "Record of restoration");
    let garment = if content.garment.is_empty() {
        content.job
    } else {
        content.garment
    };
    flow.words(Style::bold(12.0), garment);
    flow.fact("Fabric", content.fabric.unwrap_or("not named in the job"));
    flow.fact("Job", content.job);
    flow.fact(
        "Day of the work",
        content.restored_on.unwrap_or("________________"),
    );
    flow.gap(1.0);
    flow.boxed(
        "The emblems named here are replacements",
        "They are new, cut and pressed on in place of emblems that had come off. They are not \
         the garment's original emblems, and are not offered as such. This record says nothing \
         about the age, maker or authenticity of the garment.",
    );
}

fn about(flow: &mut Flow<'_>, e: &RecordEmblem<'_>) {
    flow.heading(&format!("Emblem: {}", e.name));
    let size = e.artwork.outline.bounding_box().size() * e.fit.mm_per_art;
    flow.fact(
        "What was there",
        &format!(
            "Residue of an emblem that fits the drawing {}, {:.1} × {:.1} mm (± {} %), turned \
             {:.1}° in the photo. {:.0} % of its outline is seen.",
            e.artwork.file,
            size.width,
            size.height,
            two_digits(e.fit.u_size_percent),
            e.fit.rotation_deg + 0.0,
            100.0 * e.fit.outline_seen,
        ),
    );
    let rulers = match e.rulers {
        1 => "one ruler".to_owned(),
        n => format!("{n} rulers or sides of a scale card"),
    };
    flow.fact(
        "How it was measured",
        &format!(
            "From a photograph with {rulers} beside the residue; scale on the cloth ± {} %. Every ± \
             is an expanded uncertainty, coverage factor k = 2, about 95 % (JCGM 100:2008).",
            two_digits(e.u_scale_percent),
        ),
    );
    let m = e.material;
    let presses = match m.passes.value {
        0 | 1 => String::new(),
        2 => format!(", then again {:.0} s", m.second_press_seconds.value),
        n => format!(
            ", then {} times {:.0} s",
            n - 1,
            m.second_press_seconds.value
        ),
    };
    let replaced = if e.pressed.is_some() {
        "Replaced by"
    } else {
        "To be replaced by"
    };
    flow.fact(
        replaced,
        &format!(
            "{}, cut to that size. Planned settings: {:.0} °C for {:.0} s at {:.1} bar{presses} \
             (temperature: {}).",
            m.title,
            m.press_celsius.value,
            m.press_seconds.value,
            m.pressure_bar.value,
            m.press_celsius.source
        ),
    );
    flow.fact("As finished", &finished(e.pressed));
    flow.pictures(&[
        (e.before_jpg, "Before: the residue."),
        (e.after_jpg, "After: the finished article."),
    ]);
}

fn finished(pressed: Option<&Pressed>) -> String {
    let Some(p) = pressed else {
        return "No photograph of the finished article with this record.".to_owned();
    };
    let mut words = Vec::new();
    if let (Some([x, y]), Some(u)) = (p.shift_mm, p.u_shift_mm) {
        words.push(format!(
            "{:.1} mm from the old mark's place (± {} mm)",
            x.hypot(y),
            two_digits(u)
        ));
    }
    if let (Some(turn), Some(u)) = (p.turn_deg, p.u_turn_deg) {
        words.push(format!(
            "turned {:.1}° from it (± {}°)",
            turn.abs(),
            two_digits(u)
        ));
    }
    if let (Some(width), Some(u)) = (p.width_mm, p.u_size_percent) {
        words.push(format!("{width:.1} mm wide (± {} %)", two_digits(u)));
    }
    let remarks = if p.findings.is_empty() {
        "Nothing to remark on.".to_owned()
    } else {
        format!("Remarks: {}.", p.findings.join("; "))
    };
    if words.is_empty() {
        return remarks;
    }
    format!("From the photograph: {}. {remarks}", words.join(", "))
}

fn foot(flow: &mut Flow<'_>, content: &RecordContent<'_>, words: &RecordSettings) {
    if !words.text.trim().is_empty() {
        flow.gap(2.0);
        flow.words(Style::plain(10.0), words.text.trim());
    }
    flow.heading("Where this comes from");
    flow.fact(
        "Sources",
        &format!(
            "SHA-256 {} of the list of the job folder's files, each line its own SHA-256, two \
             spaces and its name, in the order of the names. The files lie in source/.",
            content.sources_sha256
        ),
    );
    flow.fact("Signed", "________________________________");
}
