//! Prints what whole jobs cost, in multiples of decoding their photo with the `image` crate in
//! the same run.
//!
//! `cargo run --release -p speed -- --program target/release/emblemend --folder DIR`

mod child;
mod jobs;

use std::error::Error;
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use accuracy::table::print;
use clap::Parser;

use child::Cost;
use jobs::Wanted;

#[derive(Parser)]
struct Options {
    /// The program to be measured; build it with --release.
    #[arg(long)]
    program: PathBuf,
    /// Folder for painted jobs, kept for the next time, and for what is published of them.
    #[arg(long)]
    folder: PathBuf,
    /// Sizes of photo, in megapixels.
    #[arg(long, value_delimiter = ',', default_value = "3,12,48,108")]
    megapixels: Vec<u32>,
    /// Numbers of versions, at 12 megapixels.
    #[arg(long, value_delimiter = ',', default_value = "1,3,10")]
    versions: Vec<usize>,
    /// Numbers of nodes of an outline, at 12 megapixels.
    #[arg(long, value_delimiter = ',', default_value = "100,1000,10000")]
    nodes: Vec<usize>,
    /// Each figure is the best of so many runs.
    #[arg(long, default_value_t = 5)]
    runs: usize,
    /// A Python with OpenCV, to time its nearest calls on the same photo.
    #[arg(long)]
    python: Option<PathBuf>,
}

/// The job that all others are compared with.
const USUAL: Wanted = Wanted {
    megapixels: 12,
    versions: 1,
    nodes: None,
};

fn main() -> Result<(), Box<dyn Error>> {
    let options = Options::parse();
    std::fs::create_dir_all(&options.folder)?;
    println!("Times are multiples of decoding the job's JPEG once with the image crate.\n");
    options.sizes()?;
    options.stages()?;
    options.versions()?;
    options.nodes()?;
    options.workers()?;
    if let Some(python) = &options.python {
        let photo = USUAL.make(&options.folder)?.join("photo.jpg");
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/../outside/speed.py");
        println!("\nOpenCV on the 12-megapixel photo, one thread\n");
        Command::new(python).arg(script).arg(photo).status()?;
    }
    Ok(())
}

/// A job measured.
struct Measured {
    decode_seconds: f64,
    one: Cost,
    two: Cost,
}

impl Measured {
    fn times(&self, seconds: f64) -> f64 {
        seconds / self.decode_seconds
    }
}

impl Options {
    /// Decoding, one thread and two, in turn, so that what else the computer does meets all alike.
    fn measure(&self, wanted: &Wanted) -> Result<Measured, Box<dyn Error>> {
        let job = wanted.make(&self.folder)?;
        let jpeg = std::fs::read(job.join("photo.jpg"))?;
        let mut best: Option<Measured> = None;
        for _ in 0..self.runs {
            let decode_seconds = decoded(&jpeg)?;
            let one = self.run(&job, 1)?;
            let two = self.run(&job, 2)?;
            best = Some(match best {
                None => Measured {
                    decode_seconds,
                    one,
                    two,
                },
                Some(b) => Measured {
                    decode_seconds: b.decode_seconds.min(decode_seconds),
                    one: quicker(b.one, one),
                    two: quicker(b.two, two),
                },
            });
        }
        best.ok_or_else(|| "--runs must be at least 1".into())
    }

    fn run(&self, job: &Path, threads: usize) -> Result<Cost, Box<dyn Error>> {
        child::run(&self.program, job, &self.folder.join("out"), threads)
    }

    fn sizes(&self) -> Result<(), Box<dyn Error>> {
        let mut rows = vec![head(&[
            "photo",
            "decode s",
            "1 thread",
            "2 threads",
            "processor",
            "ruler, 1 thread",
            "peak MB",
            "peak MB, 2 threads",
        ])];
        let mut points = Vec::new();
        for &megapixels in &self.megapixels {
            let m = self.measure(&Wanted {
                megapixels,
                ..USUAL
            })?;
            points.push((
                format!("{megapixels} MP"),
                f64::from(megapixels) * 1e6,
                m.one.seconds,
            ));
            rows.push(vec![
                format!("{megapixels} MP"),
                format!("{:.3}", m.decode_seconds),
                format!("{:.1}", m.times(m.one.seconds)),
                format!("{:.1}", m.times(m.two.seconds)),
                format!("{:.1}", m.times(m.one.processor_seconds)),
                format!("{:.1}", m.times(m.one.step("looking for the ruler"))),
                format!("{:.0}", m.one.peak_mb),
                format!("{:.0}", m.two.peak_mb),
            ]);
        }
        println!("Whole job, one version\n");
        print(&rows);
        growth("pixels", &points);
        Ok(())
    }

    fn stages(&self) -> Result<(), Box<dyn Error>> {
        let m = self.measure(&USUAL)?;
        let mut rows = vec![head(&["step", "1 thread", "share %", "2 threads"])];
        for (step, seconds) in &m.one.steps {
            rows.push(vec![
                step.clone(),
                format!("{:.2}", m.times(*seconds)),
                format!("{:.0}", 100.0 * seconds / m.one.seconds),
                format!("{:.2}", m.times(m.two.step(step))),
            ]);
        }
        println!("\nSteps of the job of 12 megapixels and one version\n");
        print(&rows);
        Ok(())
    }

    fn versions(&self) -> Result<(), Box<dyn Error>> {
        let mut rows = vec![head(&[
            "versions",
            "1 thread",
            "2 threads",
            "each further one, 2 threads",
        ])];
        let mut first: Option<(usize, f64)> = None;
        for &versions in &self.versions {
            let m = self.measure(&Wanted { versions, ..USUAL })?;
            let all = m.times(m.two.seconds);
            let (few, least) = *first.get_or_insert((versions, all));
            let more = versions.saturating_sub(few).max(1) as f64;
            rows.push(vec![
                versions.to_string(),
                format!("{:.1}", m.times(m.one.seconds)),
                format!("{all:.1}"),
                format!("{:+.2}", (all - least) / more),
            ]);
        }
        println!("\nVersions\n");
        print(&rows);
        Ok(())
    }

    fn nodes(&self) -> Result<(), Box<dyn Error>> {
        let mut rows = vec![head(&["nodes", "1 thread", "2 threads"])];
        let mut points = Vec::new();
        for &nodes in &self.nodes {
            let m = self.measure(&Wanted {
                nodes: Some(nodes),
                ..USUAL
            })?;
            points.push((nodes.to_string(), nodes as f64, m.one.seconds));
            rows.push(vec![
                nodes.to_string(),
                format!("{:.1}", m.times(m.one.seconds)),
                format!("{:.1}", m.times(m.two.seconds)),
            ]);
        }
        println!("\nNodes of the outline\n");
        print(&rows);
        growth("nodes", &points);
        Ok(())
    }

    /// Four jobs one after the other, and two at a time, each with one thread.
    fn workers(&self) -> Result<(), Box<dyn Error>> {
        const JOBS: usize = 4;
        let job = USUAL.make(&self.folder)?;
        let work = |workers: usize| -> Result<f64, String> {
            let start = Instant::now();
            std::thread::scope(|scope| {
                let workers: Vec<_> = (0..workers)
                    .map(|k| {
                        let (program, job) = (&self.program, &job);
                        let out = self.folder.join(format!("out-{k}"));
                        scope.spawn(move || {
                            (0..JOBS / workers).try_for_each(|_| {
                                let done = child::run(program, job, &out, 1);
                                done.map(|_| ()).map_err(|e| e.to_string())
                            })
                        })
                    })
                    .collect();
                workers
                    .into_iter()
                    .try_for_each(|w| w.join().map_err(|_| "a worker panicked".to_owned())?)
            })?;
            Ok(start.elapsed().as_secs_f64())
        };
        let (one, two) = (work(1)?, work(2)?);
        println!(
            "\n{JOBS} jobs: two workers are {:.2} times as fast as one",
            one / two
        );
        Ok(())
    }
}

fn head(cells: &[&str]) -> Vec<String> {
    cells.iter().map(ToString::to_string).collect()
}

fn quicker(a: Cost, b: Cost) -> Cost {
    if b.seconds < a.seconds { b } else { a }
}

fn decoded(jpeg: &[u8]) -> Result<f64, Box<dyn Error>> {
    let start = Instant::now();
    black_box(image::load_from_memory_with_format(
        jpeg,
        image::ImageFormat::Jpeg,
    )?);
    Ok(start.elapsed().as_secs_f64())
}

/// Bars of time against n log n, the first one's being 10 long: shorter ones grow more slowly.
fn growth(what: &str, points: &[(String, f64, f64)]) {
    let Some((_, n0, t0)) = points.first() else {
        return;
    };
    println!("\nTime for n log n {what}, against the first\n");
    let rows: Vec<Vec<String>> = points
        .iter()
        .map(|(name, n, t)| {
            let ratio = t / t0 / (n * n.ln() / (n0 * n0.ln()));
            let bar = "#".repeat((10.0 * ratio).round().min(60.0) as usize);
            vec![name.clone(), format!("{ratio:.2}"), bar]
        })
        .collect();
    print(&rows);
}
