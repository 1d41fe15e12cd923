//! Painted jobs of any size, with any number of versions and of nodes.

use std::error::Error;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use kurbo::{ParamCurve, ParamCurveArclen, Shape};
use measures::{Art, Outline, Point};
use scene_painter::{Emblem, Family, Scene, job};

/// The scene that all jobs show: a shield of middling contrast on a knit with stripes.
const SEED: u64 = 1;

/// A job to be made.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Wanted {
    /// Size of the photo, 4 : 3.
    pub(crate) megapixels: u32,
    /// Versions of the artwork, the first of them the true one.
    pub(crate) versions: usize,
    /// Corners of each version's outline; as drawn, in curves, without.
    pub(crate) nodes: Option<usize>,
}

impl Wanted {
    fn name(&self) -> String {
        let nodes = self.nodes.map_or(String::new(), |n| format!("-{n}-nodes"));
        format!("{}-mp-{}-versions{nodes}", self.megapixels, self.versions)
    }

    /// Paints the job into `folder`, unless that was done before.
    ///
    /// # Errors
    /// When the folder cannot be written.
    pub(crate) fn make(&self, folder: &Path) -> Result<PathBuf, Box<dyn Error>> {
        let job_folder = folder.join(self.name());
        if job_folder.join("job.toml").exists() {
            return Ok(job_folder);
        }
        fs::create_dir_all(&job_folder)?;
        let mut scene = scene(self.megapixels);
        scene.versions = versions(scene.versions[0], self.versions);
        let photo = photo(&scene, self.megapixels, folder)?;
        let mut names = Vec::new();
        for (i, version) in scene.versions.iter().enumerate() {
            let svg = self
                .nodes
                .map_or_else(|| version.svg(), |n| polygons(&version.outline(), n));
            names.push(format!("\"{i}.svg\""));
            fs::write(job_folder.join(format!("{i}.svg")), svg)?;
        }
        fs::hard_link(photo, job_folder.join("photo.jpg"))?;
        let text = format!(
            "[[emblem]]\nname = \"emblem\"\nphoto = \"photo.jpg\"\nversions = [{}]\n",
            names.join(", ")
        );
        fs::write(job_folder.join("job.toml"), text)?;
        Ok(job_folder)
    }
}

/// Jobs of one size show one photo.
fn photo(scene: &Scene, megapixels: u32, folder: &Path) -> Result<PathBuf, Box<dyn Error>> {
    let file = folder.join(format!("{megapixels}-mp.jpg"));
    if !file.exists() {
        let files = job::files(scene, &scene.paint());
        let (_, jpeg) = files
            .iter()
            .find(|(name, _)| name == "photo.jpg")
            .ok_or("the painter made no photo")?;
        fs::write(&file, jpeg)?;
    }
    Ok(file)
}

/// The same view through a finer or coarser sensor.
fn scene(megapixels: u32) -> Scene {
    let mut scene = Scene::random(SEED, &Family::MAIN);
    let height_px = (f64::from(megapixels) * 1e6 * 0.75).sqrt().round();
    let finer = height_px / f64::from(scene.height_px);
    scene.height_px = height_px as u32;
    scene.width_px = (height_px / 0.75).round() as u32;
    let anchor = scene.pose.anchor;
    scene.pose.anchor = Point::new(anchor.x * finer, anchor.y * finer);
    scene
}

/// The true version and others, each with other proportions.
fn versions(first: Emblem, count: usize) -> Vec<Emblem> {
    let changed = |i: usize| Emblem {
        proportion: first.proportion * (1.0 + 0.03 * i as f64),
        corner: if i.is_multiple_of(2) { 1.0 } else { 1.5 },
        ..first
    };
    (0..count).map(changed).collect()
}

/// The outline as polygons with `nodes` corners in all, evenly along it.
fn polygons(outline: &Outline<Art>, nodes: usize) -> String {
    const ACCURACY: f64 = 1e-3;
    let lengths: Vec<f64> = outline
        .contours()
        .iter()
        .map(|c| c.perimeter(ACCURACY))
        .collect();
    let total: f64 = lengths.iter().sum();
    let mut path = String::new();
    for (contour, length) in outline.contours().iter().zip(lengths) {
        let count = (nodes as f64 * length / total).round().max(3.0);
        let mut next = 0.0;
        let mut passed = 0.0;
        for segment in contour.segments() {
            let side = segment.arclen(ACCURACY);
            while next < passed + side {
                let p = segment.eval(segment.inv_arclen(next - passed, ACCURACY));
                let command = if next == 0.0 { 'M' } else { 'L' };
                let _ = write!(path, "{command}{:.4} {:.4}", p.x, p.y);
                next += length / count;
            }
            passed += side;
        }
        path.push('Z');
    }
    let bounds = outline.bounding_box();
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"{} {} {} {}\">\
         <path fill-rule=\"evenodd\" d=\"{path}\"/></svg>\n",
        bounds.x0,
        bounds.y0,
        bounds.width(),
        bounds.height()
    )
}
