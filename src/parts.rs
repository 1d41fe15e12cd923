//! From a fitted drawing to what is cut from each material: one part for each layer.

use measures::{Art, Artwork, CutFrom, Map, Mm, Outline, Point, Vector, Verdict, crosses};

use crate::job::{Mend, Task};
use crate::report::TooFine;
use crate::settings::Config;

/// One material's share of a drawing.
#[derive(Clone, Debug)]
pub(crate) struct Share {
    /// The group of the drawing; `None` for the whole, or for what is in no group named.
    pub(crate) group: Option<String>,
    /// What it is cut from: a name from `materials.toml`.
    pub(crate) material: String,
    /// Its area.
    pub(crate) outline: Outline<Art>,
}

/// A drawing and how it is shared out to materials, in the order of pressing.
#[derive(Clone, Debug)]
pub(crate) struct Drawn {
    pub(crate) artwork: Artwork,
    pub(crate) shares: Vec<Share>,
    /// Something is drawn that no material was named for.
    pub(crate) left_over: bool,
}

impl Drawn {
    /// A drawing cut from one material.
    pub(crate) fn whole(artwork: Artwork, task: &Task) -> Self {
        let share = Share {
            group: None,
            material: task.material.clone(),
            outline: artwork.outline.clone(),
        };
        Self {
            artwork,
            shares: vec![share],
            left_over: false,
        }
    }

    /// A drawing whose groups are cut from the materials that the job names.
    pub(crate) fn in_layers(bytes: &[u8], file: &str, task: &Task) -> Result<Self, artwork::Error> {
        let ids: Vec<&str> = task.layers.iter().map(|l| l.group.as_str()).collect();
        let read = artwork::read_groups(bytes, file, &ids)?;
        let mut shares: Vec<Share> = read
            .groups
            .into_iter()
            .map(|(i, outline)| Share {
                group: Some(task.layers[i].group.clone()),
                material: task.layers[i].material.clone(),
                outline,
            })
            .collect();
        let left_over = read.rest.is_some() && !task.material_given;
        if let Some(outline) = read.rest.filter(|_| task.material_given) {
            let material = task.material.clone();
            let rest = Share {
                group: None,
                material,
                outline,
            };
            // What no group claims lies under the groups, as a ground does.
            shares.insert(0, rest);
        }
        Ok(Self {
            artwork: read.artwork,
            shares,
            left_over,
        })
    }
}

/// What goes into one pair of cut files.
pub(crate) struct Part {
    /// The files' name without its ending.
    pub(crate) stem: String,
    /// The layer, as people call it; empty for an emblem of one material.
    pub(crate) layer: String,
    /// The material's name.
    pub(crate) material: String,
    pub(crate) from: CutFrom,
    /// The piece as worn, with its placement crosses.
    pub(crate) worn: Outline<Mm>,
    /// Width and height without crosses.
    pub(crate) size_mm: [f64; 2],
    /// What the cut file must say.
    pub(crate) remarks: Vec<String>,
    /// Places that the material may not hold, and what was done about them.
    pub(crate) warnings: Vec<press::Warning>,
    /// The same places, to be shown.
    pub(crate) too_fine: Vec<TooFine>,
}

/// The parts of a fitted drawing at the size to be cut.
pub(crate) fn to_cut(drawn: &Drawn, mm_per_art: f64, task: &Task, config: &Config) -> Vec<Part> {
    let upright: Map<Art, Mm> = Map::similarity(mm_per_art, 0.0, Vector::new(0.0, 0.0));
    let frame = drawn.artwork.outline.mapped(&upright).bounding_box();
    let count = drawn.shares.len();
    let mut parts = Vec::with_capacity(count);
    for (i, share) in drawn.shares.iter().enumerate() {
        let Some(material) = config.materials.get(&share.material) else {
            continue;
        };
        let mut worn = share.outline.mapped(&upright);
        let mut remarks = Vec::new();
        let mut warnings = Vec::new();
        if task.mend == Some(Mend::Thicken) {
            mend(&mut worn, material, &mut remarks, &mut warnings);
        }
        let places = too_narrow(&worn, material, &mut warnings);
        let too_fine = places
            .iter()
            .map(|place| TooFine {
                at: Point::new(place.at.x / mm_per_art, place.at.y / mm_per_art),
                width_mm: place.width_mm,
            })
            .collect();
        let size = worn.bounding_box().size();
        let layer = share.group.clone().unwrap_or_else(|| "ground".to_owned());
        let layered = count > 1;
        if layered {
            worn = with_crosses(&worn, frame);
            remarks.push(format!(
                "Layer {} of {count} ({layer}), pressed in this order. The {} crosses lie in the same \
                 place in every layer's file: line them up, and weed them out before pressing.",
                i + 1,
                crosses::COUNT
            ));
        }
        let twice = drawn.shares.iter().filter(|s| s.material == share.material);
        let stem = if twice.count() > 1 {
            format!("cut-{}-{}", share.material, file_word(&layer))
        } else {
            format!("cut-{}", share.material)
        };
        parts.push(Part {
            stem,
            layer: if layered { layer } else { String::new() },
            material: share.material.clone(),
            from: material.cut_from.value,
            worn,
            size_mm: [size.width, size.height],
            remarks,
            warnings,
            too_fine,
        });
    }
    parts
}

/// Flock has a grain: its pile leans along the roll.
pub(crate) fn turns(material: &press::Material) -> cut::Turns {
    match material.kind {
        press::MaterialKind::Flock => cut::Turns::Half,
        _ => cut::Turns::Quarter,
    }
}

/// An id as a word that every file system takes.
fn file_word(id: &str) -> String {
    let safe = |c: char| c.is_ascii_alphanumeric() || c == '_';
    id.chars().map(|c| if safe(c) { c } else { '-' }).collect()
}

fn with_crosses(worn: &Outline<Mm>, frame: kurbo::Rect) -> Outline<Mm> {
    use kurbo::Shape;
    let mut contours = worn.contours().to_vec();
    contours.extend(crosses::centres(frame).map(crosses::outline));
    let holes: Vec<bool> = contours.iter().map(|c| c.area() < 0.0).collect();
    Outline::from_contours(contours, &holes)
}

/// Rounds of thickening: a stroke made wider may narrow the gap beside it.
const MENDING_ROUNDS: usize = 3;

/// Makes strokes and gaps as wide as the material needs; says so, and by how much.
fn mend(
    worn: &mut Outline<Mm>,
    material: &press::Material,
    remarks: &mut Vec<String>,
    warnings: &mut Vec<press::Warning>,
) {
    let before = worn.area();
    let limits = [
        (cut::Narrow::Stroke, &material.min_stroke_mm),
        (cut::Narrow::Gap, &material.min_gap_mm),
    ];
    let mut deviation_mm: f64 = 0.0;
    for _ in 0..MENDING_ROUNDS {
        let mut changed = false;
        for (kind, limit) in limits {
            let need = cut::thickening(worn, kind, limit.value);
            if need.add.is_empty() && need.take.is_empty() {
                continue;
            }
            let Ok(mended) = artwork::with_areas(worn, &need.add, &need.take, "") else {
                continue;
            };
            *worn = mended;
            changed = true;
            deviation_mm = deviation_mm.max(need.deviation_mm);
        }
        if !changed {
            break;
        }
    }
    if deviation_mm == 0.0 {
        return;
    }
    let change = worn.area() - before;
    let words = format!(
        "Mended for {}: the outline was moved by up to {deviation_mm:.2} mm where strokes were narrower \
         than {} mm or gaps narrower than {} mm ({change:+.1} mm² of material); elsewhere it is as drawn.",
        material.title, material.min_stroke_mm.value, material.min_gap_mm.value
    );
    remarks.push(words.clone());
    warnings.push(press::Warning {
        verdict: Verdict::Cut,
        title: format!("Thickened for {}", material.title),
        text: format!(
            "{words} The job asks for it (mend = \"thicken\"); leave that out to cut it as drawn."
        ),
        source: material.min_stroke_mm.source.clone(),
    });
}

/// Strokes and gaps of the emblem at its final size that the material may not hold.
fn too_narrow(
    worn: &Outline<Mm>,
    material: &press::Material,
    warnings: &mut Vec<press::Warning>,
) -> Vec<cut::NarrowPlace> {
    let (stroke, gap) = (&material.min_stroke_mm, &material.min_gap_mm);
    let frame = worn.bounding_box();
    let places = cut::narrow_places(worn, stroke.value, gap.value);
    warnings.extend(places.iter().map(|place| {
        let limit = match place.kind {
            cut::Narrow::Stroke => stroke,
            cut::Narrow::Gap => gap,
        };
        press::Warning {
            verdict: Verdict::Cut,
            title: format!("Too fine for {}", material.title),
            text: place.words(frame, limit.value),
            source: limit.source.clone(),
        }
    }));
    places
}
