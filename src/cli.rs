//! The command words.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand};

use crate::commands;
use crate::log::{self, LogFormat, Progress};
use crate::problem::Problem;
use crate::settings::Config;
use crate::watch;

/// Measures the residue of a peeled-off garment emblem and prepares its replacement.
#[derive(Debug, Parser)]
#[command(
    name = "emblemend",
    version,
    after_help = "Exit status: 0 done (verdicts cut or look), \
    1 the program itself failed, 2 bad usage or a job refused for bad input, 3 done but some \
    verdict is hold."
)]
struct CommandLine {
    #[command(subcommand)]
    command: Command,
    #[command(flatten)]
    common: Common,
}

#[derive(Args, Debug)]
struct Common {
    /// The shop's own settings: each file in it replaces the built-in file of the same name
    #[arg(long, global = true, value_name = "DIR")]
    config: Option<PathBuf>,
    /// Say nothing but warnings, errors and results
    #[arg(long, global = true)]
    quiet: bool,
    /// Write log lines to standard error, for reading or as JSON
    #[arg(long, global = true, value_name = "FORMAT")]
    log: Option<LogFormat>,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Work on job folders now and publish the results
    Run(commands::run::Arguments),
    /// Read and check job folders, process nothing
    Check {
        /// Folders with a job.toml each
        #[arg(required = true, value_name = "JOB_FOLDER")]
        folders: Vec<PathBuf>,
    },
    /// Watch the inbox and publish to the outbox, until told to stop
    Watch(watch::Arguments),
    /// Whether a dropped folder has arrived whole; for the daemon's own use
    #[command(hide = true)]
    Settled { folder: PathBuf },
    /// Find the rulers in photos: one JSON object a photo, a line each
    Ruler {
        /// JPEG or PNG files
        #[arg(required = true, value_name = "PHOTO")]
        photos: Vec<PathBuf>,
    },
    /// Print a scale card to lay around a residue
    Card {
        /// PDF file to write
        #[arg(long, value_name = "FILE.pdf")]
        out: PathBuf,
        /// Paper in the printer, a4 or letter [default: from the settings]
        #[arg(long, value_name = "PAPER", value_parser = paper)]
        paper: Option<press::Paper>,
    },
    /// Lay out everything that waits for the same material on as few sheets as possible
    Sheet(commands::sheet::Arguments),
    /// Gather the sizes measured so far from the outbox, by emblem and version
    Known {
        /// Where jobs were published [default: from the settings]
        #[arg(long, value_name = "DIR")]
        outbox: Option<PathBuf>,
        /// File to write for jobs to refer to
        #[arg(long, value_name = "FILE.toml")]
        out: Option<PathBuf>,
    },
    /// Turn a picture of an emblem into smooth closed outlines
    Trace {
        /// PNG or JPEG file
        #[arg(value_name = "ARTWORK")]
        artwork: PathBuf,
        /// SVG file to write
        #[arg(long, value_name = "FILE.svg")]
        out: PathBuf,
        /// Of several colours, let each reach so far under those that come after it
        #[arg(long, value_name = "PX", default_value_t = 0.0, value_parser = pixels)]
        overlap: f64,
    },
}

/// How a command ended. Ordered so that the worst of several is the greatest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Ending {
    /// Done, verdicts `cut` or `look`.
    Done,
    /// Done, but some verdict is `hold`.
    Hold,
    /// Bad usage, or a job refused for bad input.
    Refused,
    /// The program itself failed.
    Failed,
}

impl From<Ending> for ExitCode {
    fn from(ending: Ending) -> Self {
        Self::from(match ending {
            Ending::Done => 0,
            Ending::Failed => 1,
            Ending::Refused => 2,
            Ending::Hold => 3,
        })
    }
}

/// Runs the command that the process was started with.
pub fn main() -> ExitCode {
    // Wrong words on the command line end here, with status 2.
    let CommandLine { command, common } = CommandLine::parse();
    let config = match load(common.config.as_deref()) {
        Ok(config) => config,
        Err(problems) => {
            for problem in problems {
                eprintln!("{problem}");
            }
            return Ending::Refused.into();
        }
    };
    let progress = log::start(common.log, config.settings.log.level, common.quiet);
    dispatch(command, config, &common, progress).into()
}

fn paper(name: &str) -> Result<press::Paper, String> {
    match name {
        "a4" => Ok(press::Paper::A4),
        "letter" => Ok(press::Paper::Letter),
        _ => Err("the papers are a4 and letter".to_owned()),
    }
}

fn pixels(text: &str) -> Result<f64, String> {
    let pixels = text.parse::<f64>().ok();
    let pixels = pixels.filter(|p| (0.0..=100.0).contains(p));
    pixels.ok_or_else(|| "a number of pixels from 0 to 100".to_owned())
}

fn load(folder: Option<&Path>) -> Result<Config, Vec<Problem>> {
    folder.map_or_else(Config::built_in, Config::from_folder)
}

fn dispatch(command: Command, config: Config, common: &Common, progress: Progress) -> Ending {
    match command {
        Command::Run(arguments) => commands::run::run(&arguments, &config, progress),
        Command::Check { folders } => commands::check::check(&folders, &config),
        Command::Watch(arguments) => {
            watch::watch(&arguments, config, common.config.as_deref(), common.log)
        }
        Command::Settled { folder } => match watch::settled(&folder, &config.settings) {
            None => Ending::Done,
            Some(missing) => {
                println!("{missing}");
                Ending::Hold
            }
        },
        Command::Ruler { photos } => commands::ruler::ruler(&photos, &config),
        Command::Card { out, paper } => commands::card::card(&out, paper, &config),
        Command::Sheet(arguments) => commands::sheet::sheet(&arguments, &config),
        Command::Trace {
            artwork,
            out,
            overlap,
        } => commands::trace::trace(&artwork, &out, overlap, &config),
        Command::Known { outbox, out } => {
            commands::known::known(outbox.as_deref(), out.as_deref(), &config)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_consistent() {
        use clap::CommandFactory as _;
        CommandLine::command().debug_assert();
    }

    #[test]
    fn a_program_failure_outweighs_everything() {
        assert_eq!(
            [Ending::Hold, Ending::Failed, Ending::Refused]
                .into_iter()
                .max(),
            Some(Ending::Failed)
        );
    }
}
