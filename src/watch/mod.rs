//! `emblemend watch`: an inbox that is watched for months.
//!
//! Each job's state is the spool folder it lies in; every step between two states is a rename, so
//! that a crash at any point is met again at the next start and finished or undone.

mod daemon;
mod inbox;
mod retention;
mod scan;
mod sd_notify;
mod settled;
mod spool;
mod status;
mod worker;

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read as _, Write as _};
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

use clap::Args;
use rustix::fs::{FlockOperation, flock};
use serde::Deserialize;

use crate::cli::Ending;
use crate::log::LogFormat;
use crate::settings::Config;

pub(crate) use settled::settled;
pub(crate) use worker::Receipt;

/// Section `[watch]`.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WatchSettings {
    /// Whether events from the file system hasten the next look.
    pub events: bool,
    /// Time between two looks at the whole inbox.
    pub scan_seconds: u64,
    /// Scans that must agree before a folder's files are looked at.
    pub agreeing_scans: u32,
    /// A folder without change for so long is published as held, with what is missing.
    pub arrival_max_seconds: u64,
    /// Workers at a time; 0 takes the number from cores and memory.
    pub workers: usize,
    /// Longest time for one job.
    pub job_max_seconds: u64,
    /// Address space of one worker.
    pub job_max_mb: u64,
    /// A job whose worker dies so often is published as held.
    pub crashes_max: u32,
    /// Pause before the next try when the outbox or the disk did not let a job finish.
    pub retry_seconds: u64,
    /// Dropped folders are set aside for so long before they are removed.
    pub keep_dropped_days: u64,
    /// A command to run when a job is published, word by word; empty for none.
    pub notice_words: Vec<String>,
}

/// What `watch` is told.
#[derive(Args, Debug)]
pub(crate) struct Arguments {
    /// Folder that jobs are dropped into [default: from the settings]
    #[arg(long, value_name = "DIR")]
    inbox: Option<PathBuf>,
    /// Where to publish [default: from the settings]
    #[arg(long, value_name = "DIR")]
    outbox: Option<PathBuf>,
    /// The daemon's own folder, on a local disk [default: from the settings]
    #[arg(long, value_name = "DIR")]
    state: Option<PathBuf>,
}

/// Watches until told to stop.
pub(crate) fn watch(
    arguments: &Arguments,
    config: Config,
    config_folder: Option<&Path>,
    log: Option<LogFormat>,
) -> Ending {
    let folders = &config.settings.folders;
    let pick = |given: &Option<PathBuf>, usual: &Path| given.clone().unwrap_or(usual.to_owned());
    let places = Places {
        inbox: pick(&arguments.inbox, &folders.inbox),
        outbox: pick(&arguments.outbox, &folders.outbox),
        state: pick(&arguments.state, &folders.state),
        config: config_folder.map(Path::to_owned),
        log,
    };
    match start(&places, config) {
        Ok(()) => Ending::Done,
        Err(error) => {
            eprintln!("{error}");
            Ending::Failed
        }
    }
}

/// The folders that the daemon works with.
#[derive(Clone, Debug)]
struct Places {
    inbox: PathBuf,
    outbox: PathBuf,
    state: PathBuf,
    config: Option<PathBuf>,
    log: Option<LogFormat>,
}

fn start(places: &Places, config: Config) -> io::Result<()> {
    fs::create_dir_all(&places.state)?;
    let inbox = scan::Inbox::open(&places.inbox)?;
    let _state_lock = Holder::lock(&places.state.join("lock"))?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    runtime.block_on(daemon::run(places, inbox, config))
}

/// A lock that names its holder.
struct Holder {
    file: File,
}

impl Holder {
    fn lock(path: &Path) -> io::Result<Self> {
        let mut file = OpenOptions::new()
            .create(true)
            .truncate(false)
            .read(true)
            .write(true)
            .open(path)?;
        if flock(&file, FlockOperation::NonBlockingLockExclusive).is_err() {
            let mut holder = String::new();
            file.read_to_string(&mut holder)?;
            return Err(io::Error::other(format!(
                "{}: another daemon is at work here: {}. Stop that one first, or give this one \
                 its own --inbox and --state",
                path.display(),
                holder.trim()
            )));
        }
        file.set_len(0)?;
        writeln!(file, "host {}, process {}", host(), std::process::id())?;
        file.sync_all()?;
        Ok(Self { file })
    }

    /// Device and number of the lock's file.
    fn identity(&self) -> io::Result<(u64, u64)> {
        self.file.metadata().map(|meta| (meta.dev(), meta.ino()))
    }
}

fn host() -> String {
    rustix::system::uname()
        .nodename()
        .to_string_lossy()
        .into_owned()
}
