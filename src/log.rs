//! What the program says while it works: log lines, or one line of progress on a terminal.

use std::io::{IsTerminal as _, Write as _};

use clap::ValueEnum;
use tracing::level_filters::LevelFilter;
use tracing_subscriber::EnvFilter;

use crate::settings::LogLevel;

/// How log lines are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum LogFormat {
    /// For reading.
    Human,
    /// One JSON object a line.
    Json,
}

/// Starts logging to standard error. On a terminal, unless a format is asked for, progress takes
/// the place of the lines that are no warnings.
pub fn start(format: Option<LogFormat>, level: LogLevel, quiet: bool) -> Progress {
    let shown = format.is_none() && !quiet && std::io::stderr().is_terminal();
    let level = match level {
        LogLevel::Info | LogLevel::Debug | LogLevel::Warn if quiet || shown => LevelFilter::WARN,
        LogLevel::Error => LevelFilter::ERROR,
        LogLevel::Warn => LevelFilter::WARN,
        LogLevel::Info => LevelFilter::INFO,
        LogLevel::Debug => LevelFilter::DEBUG,
    };
    let lines = tracing_subscriber::fmt()
        // The drawing's reader speaks in its own words; ours say what to do.
        .with_env_filter(EnvFilter::new(format!("{level},usvg=off")))
        .with_writer(std::io::stderr);
    // A second start, as in tests, keeps the first subscriber.
    let _ = match format {
        Some(LogFormat::Json) => lines
            .json()
            .flatten_event(true)
            .with_target(false)
            .try_init(),
        _ => lines.with_target(false).with_ansi(shown).try_init(),
    };
    Progress { shown }
}

/// One line on a terminal that says what is being done.
#[derive(Clone, Copy, Debug)]
pub struct Progress {
    shown: bool,
}

impl Progress {
    /// Nothing is shown.
    pub fn hidden() -> Self {
        Self { shown: false }
    }

    /// Says which step of which emblem begins.
    pub fn step(self, job: &str, emblem: &str, step: &str) {
        tracing::info!(emblem, "{step}");
        if self.shown {
            let mut out = std::io::stderr().lock();
            // A terminal that is gone is no reason to stop.
            let _ = write!(out, "\r\x1b[K  {job} · {emblem}: {step} …");
            let _ = out.flush();
        }
    }

    /// Clears the line.
    pub fn done(self) {
        if self.shown {
            let _ = write!(std::io::stderr().lock(), "\r\x1b[K");
        }
    }
}
