//! The data's path, stage after stage: the only place that knows all of them and their order.

mod after;
mod cut_files;
mod outlined;
mod seen;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use cut_files::CutFiles;
use measures::ruler::{RulerHint, RulerSearch};
use measures::{
    Artwork, AsCut, ClothPlane, CutFrom, Mm, Outline, Photo, Point, Px, ResidueField, Verdict,
};
use rayon::prelude::*;

use crate::folder::Folder;
use crate::job::{Emblem, FileName, JOB_FILE, Job, JobName, Task};
use crate::log::Progress;
use crate::outcome::{self, Outcome, Worked};
use crate::parts::{self, Drawn};
use crate::problem::Problem;
use crate::record;
use crate::report::{CutPiece, Fitted, MaterialUsed, pictures};
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
    let mut outcome = outcome::assemble(job, name, config, worked.into_iter().flatten().collect());
    match record::record(job, folder, &outcome.report, config) {
        Ok(None) => {}
        Ok(Some(pdf)) => outcome.files.push((record::RECORD_FILE.to_owned(), pdf)),
        Err(error) => tracing::warn!("{error}"),
    }
    outcome.report.record = outcome.files.iter().any(|(f, _)| f == record::RECORD_FILE);
    outcome
}

/// What is wrong with the files that one emblem's task names; nothing is measured.
pub fn input_problems(task: &Task, folder: &Folder, settings: &Settings) -> Vec<Problem> {
    let after = task.after_photo.iter();
    let photos = std::iter::once(&task.photo).chain(after);
    let photos = photos.filter_map(|file| read_photo(file, folder, settings).err());
    let versions = task
        .versions
        .iter()
        .filter_map(|file| read_artwork(file, task, folder).err());
    photos.chain(versions).collect()
}

/// What happens to a task's drawings that whoever drew them should know.
pub fn artwork_notes(task: &Task, folder: &Folder) -> Vec<String> {
    let versions = task.versions.iter();
    let drawings = versions.filter_map(|file| read_artwork(file, task, folder).ok());
    drawings
        .map(|d| d.artwork)
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

fn read_artwork(file: &FileName, task: &Task, folder: &Folder) -> Result<Drawn, Problem> {
    let bytes = read(file, folder)?;
    let drawn = if task.layers.is_empty() {
        artwork::read(&bytes, &file.path).map(|artwork| Drawn::whole(artwork, task))
    } else {
        Drawn::in_layers(&bytes, &file.path, task)
    };
    drawn.map_err(|e| unusable(file, &e.to_string()))
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

/// A photo and the rulers found in it, by what was known of them.
#[derive(Default)]
struct Seen {
    photo: Option<Result<Photo, Problem>>,
    searches: Vec<(RulerHint, RulerSearch)>,
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
        let mut seen = Seen::default();
        let mut one = |emblem: &Emblem| {
            let Ok(task) = &emblem.task else {
                return Worked::held(emblem, Vec::new());
            };
            let seen = &mut seen;
            let look = rayon::join(
                move || self.rulers(emblem, task, seen),
                || self.drawings(task),
            );
            match look {
                (Ok((photo, search)), drawings) => {
                    self.emblem(emblem, task, photo, search, drawings)
                }
                (Err(problem), _) => Worked::held(emblem, vec![problem]),
            }
        };
        // A fault in a stage costs this emblem alone; nothing half-made outlives the panic.
        emblems()
            .map(|emblem| {
                catch_unwind(AssertUnwindSafe(|| in_pool(|| one(emblem))))
                    .unwrap_or_else(|_| Worked::fault(emblem))
            })
            .collect()
    }

    /// The photo and its rulers, as they were seen for another emblem, or else now.
    fn rulers<'a>(
        &self,
        emblem: &Emblem,
        task: &Task,
        seen: &'a mut Seen,
    ) -> Result<(&'a Photo, &'a RulerSearch), Problem> {
        let photo = seen.photo.get_or_insert_with(|| {
            self.step(emblem, "reading the photo");
            read_photo(&task.photo, self.folder, &self.config.settings)
        });
        let photo = photo.as_ref().map_err(Problem::clone)?;
        let searches = &mut seen.searches;
        let known = searches.iter().position(|(hint, _)| *hint == task.ruler);
        let known = known.unwrap_or_else(|| {
            self.step(emblem, "looking for the ruler");
            let search = ruler::find(photo, &task.ruler, &self.config.settings.ruler);
            searches.push((task.ruler, search));
            searches.len() - 1
        });
        Ok((photo, &searches[known].1))
    }

    fn drawings(&self, task: &Task) -> Vec<Result<Drawn, Problem>> {
        let versions = task.versions.par_iter();
        let drawings = versions.map(|file| read_artwork(file, task, self.folder));
        drawings.collect()
    }

    fn emblem(
        &self,
        emblem: &Emblem,
        task: &Task,
        photo: &Photo,
        search: &RulerSearch,
        drawings: Vec<Result<Drawn, Problem>>,
    ) -> Worked {
        let mut problems = Vec::new();
        let drawings: Vec<Drawn> = drawings
            .into_iter()
            .filter_map(|drawn| drawn.map_err(|problem| problems.push(problem)).ok())
            .collect();
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
        let fit = || {
            let artworks: Vec<Artwork> = drawings.iter().map(|d| d.artwork.clone()).collect();
            self.fit(emblem, task, measured.as_ref()?, &artworks, &mut worked)
        };
        let plain = || pictures::Plain::new(&photo.rgb, &search.rulers);
        let (chosen, plain) = rayon::join(fit, plain);
        if measured.is_some() {
            worked.against_known(task);
        }
        let drawn = chosen.map(|i| &drawings[i]);
        let cut = |worked: &Worked| self.cut(emblem, task, drawn?, worked);
        let cut = self.look(emblem, photo, plain, measured.as_ref(), cut, &mut worked);
        self.finished(emblem, task, measured.as_ref(), &mut worked);
        self.products(emblem, task, drawn, cut, &mut worked);
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

    /// The artwork laid on the residue, and what that allows; returns the version that fits best.
    fn fit(
        &self,
        emblem: &Emblem,
        task: &Task,
        measured: &Measured,
        artworks: &[Artwork],
        worked: &mut Worked,
    ) -> Option<usize> {
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
        let verdict_settings = self.verdict_settings(task);
        let (verdict, reasons) = fit::judge(&ranking, &job, &verdict_settings);
        worked.report.verdict = worked.report.verdict.max(verdict);
        worked.report.reasons.extend(reasons);
        worked.report.versions = artworks
            .iter()
            .enumerate()
            .map(|(i, a)| outcome::version_score(i, a, &ranking))
            .collect();
        let fitted = |ranked: &fit::Ranked| Fitted {
            artwork: artworks[ranked.artwork].clone(),
            fit: ranked.fit.clone(),
            expected_width_mm,
        };
        worked.report.fitted = ranking.best().map(fitted);
        worked.report.suspicions = ranking
            .best()
            .map_or(Vec::new(), |best| fit::suspicions(best, &verdict_settings));
        worked.report.rival = ranking.versions.get(1).map(fitted);
        ranking.best().map(|best| best.artwork)
    }

    /// The material may forgive less than the eye.
    fn verdict_settings(&self, task: &Task) -> fit::VerdictSettings {
        let mut settings = self.config.settings.verdict.clone();
        for material in task.materials() {
            if let Some(material) = self.config.materials.get(material) {
                settings.tolerance_mm = settings.tolerance_mm.min(material.tolerance_mm.value);
            }
        }
        settings
    }

    /// Cut files and press sheet, unless the verdict forbids to cut.
    fn products(
        &self,
        emblem: &Emblem,
        task: &Task,
        drawn: Option<&Drawn>,
        cut: Option<CutFiles>,
        worked: &mut Worked,
    ) {
        let iron_dots = self.job.garment.iron_dots;
        let shares = drawn.map_or(Vec::new(), |d| d.shares.iter().collect());
        let names = match shares.as_slice() {
            [] => task.materials(),
            shares => shares.iter().map(|s| s.material.as_str()).collect(),
        };
        let materials: Vec<press::Material> = names
            .iter()
            .filter_map(|name| self.config.materials.get(*name))
            .map(|m| press::material_for_garment(m, self.fabric(), iron_dots))
            .collect();
        let Some(material) = materials.first() else {
            return;
        };
        for material in &materials {
            self.warn_of_heat(material, worked);
        }
        if drawn.is_some_and(|d| d.left_over) {
            worked.worsen(
                Verdict::Look,
                "the drawing has areas in no group that layers names: they are not in any cut file. \
                 Name their groups, or give material for them",
            );
        }
        if worked.report.verdict == Verdict::Hold {
            return;
        }
        let (Some(fitted), Some(plane), Some(cut)) = (
            worked.report.fitted.clone(),
            worked.report.plane.clone(),
            cut,
        ) else {
            return;
        };
        cut.hand_in(worked);
        let layers: Vec<press::Layer<'_>> = shares
            .iter()
            .zip(&materials)
            .map(|(share, material)| press::Layer {
                name: share.group.as_deref().unwrap_or("ground"),
                material,
            })
            .collect();
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
            layers: if layers.len() > 1 { &layers } else { &[] },
            fabric: self.fabric(),
            iron_dots,
            copies: task.copies,
        };
        match press::sheet(&content, &self.config.settings.press) {
            Ok(pdf) => worked.publish("press-sheet.pdf", "template, settings and steps", pdf),
            Err(error) => worked.worsen(Verdict::Look, error.to_string()),
        }
    }

    fn title_of(&self, material: &str) -> String {
        let known = self.config.materials.get(material);
        known.map_or(material.to_owned(), |m| m.title.clone())
    }

    fn warn_of_heat(&self, material: &press::Material, worked: &mut Worked) {
        let heat = press::heat_warnings(material, self.fabric(), self.job.garment.iron_dots);
        for warning in &heat {
            if warning.verdict > Verdict::Cut {
                worked.worsen(warning.verdict, warning.text.clone());
            }
        }
        let cautions = press::cautions(material, self.fabric());
        for warning in heat.into_iter().chain(cautions) {
            // Layers share most of their cautions.
            if !worked.report.warnings.contains(&warning) {
                worked.report.warnings.push(warning);
            }
        }
    }

    /// What is cut if the verdict allows it; `None` where it is known to forbid it.
    fn cut(
        &self,
        emblem: &Emblem,
        task: &Task,
        drawn: &Drawn,
        worked: &Worked,
    ) -> Option<CutFiles> {
        let fitted = worked.report.fitted.as_ref()?;
        if worked.report.verdict == Verdict::Hold {
            return None;
        }
        let mut files = CutFiles::default();
        for part in parts::to_cut(drawn, fitted.fit.mm_per_art, task, self.config) {
            if let Err(error) = self.cut_part(emblem, task, part, &mut files) {
                files.error = Some(error);
                break;
            }
        }
        Some(files)
    }

    fn cut_part(
        &self,
        emblem: &Emblem,
        task: &Task,
        part: parts::Part,
        files: &mut CutFiles,
    ) -> Result<(), cut::Error> {
        let settings = &self.config.settings.cut;
        let title = self.job.garment.title.as_deref();
        let garment = title.unwrap_or(self.name.as_str());
        let name = if part.layer.is_empty() {
            emblem.name.clone()
        } else {
            format!("{}, {}", emblem.name, part.layer)
        };
        files.warnings.extend(part.warnings);
        let outline = mirror::for_cutting(part.worn, part.from);
        let piece = cut::Piece {
            name: name.clone(),
            outline: &outline,
            copies: task.copies,
            // Its own file shows an emblem upright; copies may lie head to foot.
            turns: if task.copies == 1 {
                cut::Turns::None
            } else {
                cut::Turns::Half
            },
        };
        let sheet = cut::lay_out(&piece, &task.extras, settings)?;
        let note = cut::CutNote {
            title: format!("{garment}: {name}"),
            material: part.material.clone(),
            from: part.from,
            contents: cut::Contents::Piece {
                width_mm: part.size_mm[0],
                height_mm: part.size_mm[1],
                copies: task.copies,
            },
            remarks: part.remarks,
        };
        let svg = format!("{}.svg", part.stem);
        let drawing = cut::svg(&sheet, &note).into_bytes();
        files.add(svg.clone(), "cut file, SVG", drawing);
        let plotter = cut::plotter_for(&sheet, &note, settings, &self.config.cutter)?;
        let file = format!("{}.plt", part.stem);
        files.add(file, "cut file, plotter language", plotter.into_bytes());
        files.pieces.push(CutPiece {
            layer: part.layer,
            title: self.title_of(&part.material),
            material: part.material,
            outline,
            too_fine: part.too_fine,
            cut_from: part.from,
            copies: task.copies,
            file: format!("{}/{svg}", emblem.name),
            travel_mm: sheet.travel_mm,
        });
        Ok(())
    }
}

/// A piece as it was published: as cut already.
pub(crate) fn published_piece(contours: Vec<kurbo::BezPath>) -> Outline<Mm, AsCut> {
    use kurbo::Shape;
    let holes: Vec<bool> = contours.iter().map(|c| c.area() < 0.0).collect();
    // What lies in the file is cut as it lies there; it was mirrored when it was written.
    mirror::for_cutting(Outline::from_contours(contours, &holes), CutFrom::Face)
}

/// Works where the stages share out their own work, so that handing it over and back costs nothing.
fn in_pool<T: Send>(work: impl FnOnce() -> T + Send) -> T {
    let span = tracing::Span::current();
    rayon::scope(|_| span.in_scope(work))
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
