//! The data's path, stage after stage: the only place that knows all of them and their order.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use measures::ruler::{RulerHint, RulerSearch};
use measures::{
    Artwork, ClothPlane, Map, Mm, Outline, Photo, Point, Px, ResidueField, Vector, Verdict,
};

use crate::folder::Folder;
use crate::job::{Emblem, FileName, JOB_FILE, Job, JobName, Task};
use crate::log::Progress;
use crate::outcome::{self, Outcome, Worked};
use crate::problem::Problem;
use crate::report::pictures::{self, Scene};
use crate::report::{FabricLines, Fitted, MaterialUsed, VersionScore};
use crate::residue_svg;
use crate::settings::{Config, Settings};

/// Works on every emblem of a job. What goes wrong with one does not touch the others.
pub fn process(
    job: &Job,
    folder: &Folder,
    name: &JobName,
    config: &Config,
    progress: Progress,
) -> Outcome {
    let bench = Bench {
        job,
        folder,
        name,
        config,
        progress,
    };
    let mut worked: Vec<Option<Worked>> = job.emblems.iter().map(held_by_input).collect();
    // Photo by photo, so that no more than one is in memory and none is read twice.
    while let Some(first) = worked.iter().position(Option::is_none) {
        let photo = job.emblems[first]
            .task
            .as_ref()
            .map(|t| t.photo.path.as_str());
        let shared: Vec<usize> = (first..worked.len())
            .filter(|&i| worked[i].is_none())
            .filter(|&i| job.emblems[i].task.as_ref().map(|t| t.photo.path.as_str()) == photo)
            .collect();
        for (i, done) in shared.iter().zip(bench.photo(&shared)) {
            worked[*i] = Some(done);
        }
    }
    outcome::assemble(job, name, config, worked.into_iter().flatten().collect())
}

/// What is wrong with the files that one emblem's task names; nothing is measured.
pub fn input_problems(task: &Task, folder: &Folder, settings: &Settings) -> Vec<Problem> {
    let after = task.after_photo.iter();
    let photos = std::iter::once(&task.photo).chain(after);
    let photos = photos.filter_map(|file| read_photo(file, folder, settings).err());
    let versions = task
        .versions
        .iter()
        .filter_map(|file| read_artwork(file, folder).err());
    photos.chain(versions).collect()
}

/// What happens to a task's drawings that whoever drew them should know.
pub fn artwork_notes(task: &Task, folder: &Folder) -> Vec<String> {
    let versions = task.versions.iter();
    let drawings = versions.filter_map(|file| read_artwork(file, folder).ok());
    drawings
        .flat_map(|d| {
            let notes = d.notes.into_iter();
            notes.map(move |note| format!("{}: {note}", d.file))
        })
        .collect()
}

/// What is missing of a photo that has not arrived to its end; `None` for a whole one, and for
/// one that is wrong in some other way.
pub fn cut_short(bytes: &[u8], file: &str, settings: &Settings) -> Option<String> {
    match photo::read(bytes, file, &settings.photo) {
        Err(error @ (photo::Error::Incomplete { .. } | photo::Error::Empty { .. })) => {
            Some(error.to_string())
        }
        _ => None,
    }
}

/// The rulers in one photo.
///
/// # Errors
/// When the photo cannot be used; the message says why.
pub fn rulers_in(bytes: &[u8], file: &str, settings: &Settings) -> Result<RulerSearch, String> {
    let photo = photo::read(bytes, file, &settings.photo).map_err(|e| e.to_string())?;
    Ok(ruler::find(&photo, &RulerHint::default(), &settings.ruler))
}

fn read_photo(file: &FileName, folder: &Folder, settings: &Settings) -> Result<Photo, Problem> {
    let bytes = read(file, folder)?;
    photo::read(&bytes, &file.path, &settings.photo).map_err(|e| unusable(file, &e.to_string()))
}

fn read_artwork(file: &FileName, folder: &Folder) -> Result<Artwork, Problem> {
    let bytes = read(file, folder)?;
    artwork::read(&bytes, &file.path).map_err(|e| unusable(file, &e.to_string()))
}

fn read(file: &FileName, folder: &Folder) -> Result<Vec<u8>, Problem> {
    folder.read(Path::new(&file.path)).map_err(|e| {
        unusable(
            file,
            &format!("{} cannot be read: {e}; copy it again", file.path),
        )
    })
}

/// A stage's message says what was seen, what is needed and what to do; the job file says where
/// the file was named.
fn unusable(file: &FileName, message: &str) -> Problem {
    Problem::with_file(JOB_FILE, message, "", "").at(file.line)
}

fn held_by_input(emblem: &Emblem) -> Option<Worked> {
    let problems = emblem.task.as_ref().err()?;
    Some(Worked::held(emblem, problems.clone()))
}

struct Bench<'a> {
    job: &'a Job,
    folder: &'a Folder,
    name: &'a JobName,
    config: &'a Config,
    progress: Progress,
}

/// The cloth laid flat.
struct Measured {
    plane: ClothPlane,
    field: ResidueField,
}

impl Bench<'_> {
    fn fabric(&self) -> Option<&press::Fabric> {
        self.config.fabrics.get(self.job.garment.fabric.as_ref()?)
    }

    fn step(&self, emblem: &Emblem, step: &str) {
        self.progress.step(self.name.as_str(), &emblem.name, step);
    }

    /// Works on all emblems that share a photo.
    fn photo(&self, shared: &[usize]) -> Vec<Worked> {
        let emblems = || shared.iter().map(|&i| &self.job.emblems[i]);
        let mut photo: Option<Result<Photo, Problem>> = None;
        let mut searches: Vec<(RulerHint, RulerSearch)> = Vec::new();
        let mut one = |emblem: &Emblem| {
            let Ok(task) = &emblem.task else {
                return Worked::held(emblem, Vec::new());
            };
            let photo = photo.get_or_insert_with(|| {
                self.step(emblem, "reading the photo");
                read_photo(&task.photo, self.folder, &self.config.settings)
            });
            let photo = match photo {
                Ok(photo) => photo,
                Err(problem) => return Worked::held(emblem, vec![problem.clone()]),
            };
            let known = searches.iter().position(|(hint, _)| *hint == task.ruler);
            let known = known.unwrap_or_else(|| {
                self.step(emblem, "looking for the ruler");
                let search = ruler::find(photo, &task.ruler, &self.config.settings.ruler);
                searches.push((task.ruler, search));
                searches.len() - 1
            });
            self.emblem(emblem, task, photo, &searches[known].1)
        };
        // A fault in a stage costs this emblem alone; nothing half-made outlives the panic.
        emblems()
            .map(|emblem| {
                catch_unwind(AssertUnwindSafe(|| one(emblem)))
                    .unwrap_or_else(|_| Worked::fault(emblem))
            })
            .collect()
    }

    fn emblem(&self, emblem: &Emblem, task: &Task, photo: &Photo, search: &RulerSearch) -> Worked {
        let mut problems = Vec::new();
        let mut artworks = Vec::new();
        for file in &task.versions {
            match read_artwork(file, self.folder) {
                Ok(artwork) => artworks.push(artwork),
                Err(problem) => problems.push(problem),
            }
        }
        if let Some(after) = &task.after_photo {
            problems.extend(read_photo(after, self.folder, &self.config.settings).err());
        }
        let mut worked = Worked::held(emblem, problems);
        worked.report.photo_size_px = Some([photo.width_px(), photo.height_px()]);
        worked.report.rulers.clone_from(&search.rulers);
        worked.report.material = self.material(task);
        if !worked.problems.is_empty() {
            return worked;
        }
        worked.report.verdict = Verdict::Cut;
        let measured = self.measure(emblem, task, photo, search, &mut worked);
        if let Some(measured) = &measured {
            self.fit(emblem, task, measured, &artworks, &mut worked);
            self.lines(measured, &mut worked);
        }
        self.draw(emblem, photo, measured.as_ref(), &mut worked);
        self.products(emblem, task, &mut worked);
        worked
    }

    fn material(&self, task: &Task) -> Option<MaterialUsed> {
        let material = self.config.materials.get(&task.material)?;
        Some(MaterialUsed {
            name: task.material.clone(),
            title: material.title.clone(),
            cut_from: material.cut_from.value,
            copies: task.copies,
        })
    }

    /// Ruler, cloth and residue.
    fn measure(
        &self,
        emblem: &Emblem,
        task: &Task,
        photo: &Photo,
        search: &RulerSearch,
        worked: &mut Worked,
    ) -> Option<Measured> {
        let settings = &self.config.settings;
        self.step(emblem, "measuring the cloth");
        let plane = scale::cloth_plane(&search.rulers, &photo.camera, &task.ruler, &settings.scale);
        let plane = match plane {
            Ok(plane) => plane,
            Err(error) => {
                worked.worsen(Verdict::Hold, error.to_string());
                worked.report.reasons.extend(search.reasons.iter().cloned());
                return None;
            }
        };
        let look_in = match task.look_in_px.map(|corners| within(corners, photo)) {
            Some(None) => {
                let seen = "look_in_px lies outside the photo";
                let needed = format!("at most {} × {} px", photo.width_px(), photo.height_px());
                let problem = Problem::with_file(JOB_FILE, seen, needed, "Correct look_in_px");
                worked.worsen(Verdict::Hold, problem.to_string());
                worked.problems.push(problem.at(task.photo.line));
                return None;
            }
            Some(inside) => inside,
            None => None,
        };
        self.step(emblem, "looking for the residue");
        let field = residue::measure(photo, &plane, &search.rulers, look_in, &settings.residue);
        worked.report.plane = Some(plane.clone());
        Some(Measured { plane, field })
    }

    /// The artwork laid on the residue, and what that allows.
    fn fit(
        &self,
        emblem: &Emblem,
        task: &Task,
        measured: &Measured,
        artworks: &[Artwork],
        worked: &mut Worked,
    ) {
        let settings = &self.config.settings;
        self.step(emblem, "fitting the artwork");
        let expected_width_mm = task.expected_width_mm;
        let hint = fit::Hint { expected_width_mm };
        let (field, plane) = (&measured.field, &measured.plane);
        let ranking = fit::register(field, plane, artworks, &hint, &settings.fit);
        let job = fit::Job {
            artworks,
            expected_width_mm,
            plane: Some(plane),
            doubts: &plane.warnings,
        };
        let (verdict, reasons) = fit::judge(&ranking, &job, &self.verdict_settings(task));
        worked.report.verdict = worked.report.verdict.max(verdict);
        worked.report.reasons.extend(reasons);
        worked.report.versions = artworks
            .iter()
            .enumerate()
            .map(|(i, a)| version_score(i, a, &ranking))
            .collect();
        worked.report.fitted = ranking.best().map(|best| Fitted {
            artwork: artworks[best.artwork].clone(),
            fit: best.fit.clone(),
            expected_width_mm,
        });
    }

    /// The cloth's own lines, the residue left out.
    fn lines(&self, measured: &Measured, worked: &mut Worked) {
        let (field, plane) = (&measured.field, &measured.plane);
        let fitted = worked.report.fitted.as_ref();
        let residue = fitted.map(|f| f.artwork.outline.mapped(&f.fit.art_to_cloth));
        let settings = &self.config.settings.lines;
        let lines = residue::lines(field, plane, residue.as_ref(), settings);
        worked.report.fabric_lines = lines.map(|l| FabricLines::new(l, plane, fitted));
    }

    /// The material may forgive less than the eye.
    fn verdict_settings(&self, task: &Task) -> fit::VerdictSettings {
        let mut settings = self.config.settings.verdict.clone();
        if let Some(material) = self.config.materials.get(&task.material) {
            settings.tolerance_mm = settings.tolerance_mm.min(material.tolerance_mm.value);
        }
        settings
    }

    /// What people look at: the residue's own outline, and pictures.
    fn draw(
        &self,
        emblem: &Emblem,
        photo: &Photo,
        measured: Option<&Measured>,
        worked: &mut Worked,
    ) {
        self.step(emblem, "drawing the pictures");
        let fitted = worked.report.fitted.as_ref();
        let expected = fitted.map(|f| f.artwork.outline.mapped(&f.fit.art_to_cloth));
        let (mut seen, mut picture) = (None, None);
        if let Some(measured) = measured {
            let [low, high] = frame(measured, expected.as_ref());
            let focus = residue::Focus {
                low,
                high,
                expected: expected.as_ref(),
            };
            seen = residue::outline(&measured.field, &focus);
            picture = residue::picture(&measured.field, &focus);
        }
        let scene = Scene {
            photo,
            rulers: &worked.report.rulers,
            plane: worked.report.plane.as_ref(),
            fitted: fitted.map(|f| (&f.artwork, &f.fit)),
            residue: picture.as_ref().map(|p| (&p.image, &p.grid)),
        };
        match pictures::draw(&scene) {
            Ok(drawn) => {
                let (overlay, thumbnail) = (drawn.overlay_jpg.clone(), drawn.thumbnail_jpg.clone());
                worked.report.pictures = drawn;
                worked.publish("overlay.jpg", "the photo with the fitted outline", overlay);
                worked.publish("thumbnail.jpg", "", thumbnail);
            }
            Err(error) => worked.worsen(Verdict::Look, error.to_string()),
        }
        if let Some(seen) = seen {
            let svg = residue_svg::write(&seen.outline, self.name.as_str(), &emblem.name);
            worked.publish(
                "residue.svg",
                "the residue as measured, true size",
                svg.into_bytes(),
            );
        }
    }

    /// Cut files and press sheet, unless the verdict forbids to cut.
    fn products(&self, emblem: &Emblem, task: &Task, worked: &mut Worked) {
        let Some(material) = self.config.materials.get(&task.material) else {
            return;
        };
        let iron_dots = self.job.garment.iron_dots;
        let material = &press::material_for_garment(material, self.fabric(), iron_dots);
        let heat = press::heat_warnings(material, self.fabric(), iron_dots);
        for warning in &heat {
            if warning.verdict > Verdict::Cut {
                worked.worsen(warning.verdict, warning.text.clone());
            }
        }
        worked.report.warnings = heat;
        worked
            .report
            .warnings
            .extend(press::cautions(material, self.fabric()));
        if worked.report.verdict == Verdict::Hold {
            return;
        }
        let (Some(fitted), Some(plane)) =
            (worked.report.fitted.clone(), worked.report.plane.clone())
        else {
            return;
        };
        self.step(emblem, "writing the cut files");
        if let Err(error) = self.cut(emblem, task, material, &fitted, worked) {
            worked.worsen(Verdict::Look, error.to_string());
        }
        self.step(emblem, "writing the press sheet");
        let content = press::SheetContent {
            job: self.name.as_str(),
            garment: self.job.garment.title.as_deref().unwrap_or_default(),
            emblem: &emblem.name,
            verdict: worked.report.verdict,
            reasons: &worked.report.reasons,
            artwork: &fitted.artwork,
            fit: &fitted.fit,
            plane: &plane,
            rulers: &worked.report.rulers,
            lines: worked.report.fabric_lines.map(|l| l.on_cloth),
            landmarks: &task.landmarks,
            ruler_thickness_mm: task.ruler.thickness_mm.unwrap_or(match task.ruler.card_mm {
                Some(_) => scale::CARD_THICKNESS_MM,
                None => self.config.settings.scale.assumed_thickness_mm,
            }),
            material,
            fabric: self.fabric(),
            iron_dots,
            copies: task.copies,
        };
        match press::sheet(&content, &self.config.settings.press) {
            Ok(pdf) => worked.publish("press-sheet.pdf", "template, settings and steps", pdf),
            Err(error) => worked.worsen(Verdict::Look, error.to_string()),
        }
    }

    fn cut(
        &self,
        emblem: &Emblem,
        task: &Task,
        material: &press::Material,
        fitted: &Fitted,
        worked: &mut Worked,
    ) -> Result<(), cut::Error> {
        let settings = &self.config.settings.cut;
        let upright = Map::similarity(fitted.fit.mm_per_art, 0.0, Vector::new(0.0, 0.0));
        let worn = fitted.artwork.outline.mapped(&upright);
        let size = worn.bounding_box().size();
        let from = material.cut_from.value;
        worked.report.warnings.extend(too_narrow(&worn, material));
        let outline = mirror::for_cutting(worn, from);
        let garment = self
            .job
            .garment
            .title
            .as_deref()
            .unwrap_or(self.name.as_str());
        let note = cut::CutNote {
            title: format!("{garment}: {}", emblem.name),
            material: task.material.clone(),
            from,
            width_mm: size.width,
            height_mm: size.height,
            copies: task.copies,
        };
        let svg = cut::svg(&outline, &note, settings)?;
        worked.publish(
            &format!("cut-{}.svg", task.material),
            "cut file, SVG",
            svg.into_bytes(),
        );
        let plotter = cut::plotter_for(&outline, &note, settings, &self.config.cutter)?;
        let file = format!("cut-{}.plt", task.material);
        worked.publish(&file, "cut file, plotter language", plotter.into_bytes());
        Ok(())
    }
}

/// Where on the cloth to look for the residue's own outline: about the fitted artwork, or else
/// where the job says, or else everywhere.
fn frame(measured: &Measured, expected: Option<&Outline<Mm>>) -> [Point<Mm>; 2] {
    const MARGIN_MM: f64 = 10.0;
    let grid = &measured.field.grid;
    let everywhere = || {
        [
            grid.place(0.0, 0.0),
            grid.place(grid.width as f64, grid.height as f64),
        ]
    };
    match expected {
        Some(outline) => {
            let frame = outline.bounding_box().inflate(MARGIN_MM, MARGIN_MM);
            [
                Point::new(frame.x0, frame.y0),
                Point::new(frame.x1, frame.y1),
            ]
        }
        None => measured.field.look_in.unwrap_or_else(everywhere),
    }
}

fn within([x0, y0, x1, y1]: [f64; 4], photo: &Photo) -> Option<[Point<Px>; 2]> {
    let (width, height) = (f64::from(photo.width_px()), f64::from(photo.height_px()));
    (x0 < width && y0 < height).then(|| {
        [
            Point::new(x0, y0),
            Point::new(x1.min(width), y1.min(height)),
        ]
    })
}

/// Strokes and gaps of the emblem at its final size that the material may not hold.
fn too_narrow(worn: &Outline<Mm>, material: &press::Material) -> Vec<press::Warning> {
    let (stroke, gap) = (&material.min_stroke_mm, &material.min_gap_mm);
    let frame = worn.bounding_box();
    cut::narrow_places(worn, stroke.value, gap.value)
        .iter()
        .map(|place| {
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
        })
        .collect()
}

fn version_score(number: usize, artwork: &Artwork, ranking: &fit::Ranking) -> VersionScore {
    let ranked = ranking.versions.iter().find(|v| v.artwork == number);
    VersionScore {
        file: artwork.file.clone(),
        score: ranked.map_or(0.0, |r| r.score),
        size_mm: ranked.map(|r| {
            let size = artwork.outline.bounding_box().size() * r.fit.mm_per_art;
            [size.width, size.height]
        }),
        outline_seen: ranked.map(|r| r.fit.outline_seen),
        edge_mean_mm: ranked.map(|r| r.fit.edge_mean_mm),
        notes: artwork.notes.clone(),
    }
}
