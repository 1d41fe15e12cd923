//! What the daemon does with the inbox at every round: finds what has arrived, and claims it.

use std::io;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::daemon::Daemon;
use super::inbox::{self, Arrival, INBOX_LOCK};
use super::spool::{self, ClaimError};
use super::{Holder, WatchSettings, sd_notify, worker};

/// Cut-short files are looked for with this patience.
const LOOK_SECONDS: u64 = 60;

/// The inbox that this daemon holds the lock of. A share may go, and come back, or another folder
/// may take its place.
pub(super) struct Inbox {
    folder: PathBuf,
    /// Device and number.
    identity: (u64, u64),
    holder: Option<Holder>,
}

fn identity(path: &Path) -> io::Result<(u64, u64)> {
    path.metadata().map(|meta| (meta.dev(), meta.ino()))
}

impl Inbox {
    pub(super) fn open(folder: &Path) -> io::Result<Self> {
        std::fs::create_dir_all(folder)?;
        Ok(Self {
            folder: folder.to_owned(),
            identity: identity(folder)?,
            holder: Some(Holder::lock(&folder.join(INBOX_LOCK))?),
        })
    }

    /// Makes sure that it is there and that its lock is held; `true` when it is another folder
    /// than before, or had to be locked again.
    fn check(&mut self) -> io::Result<bool> {
        let folder = &self.folder;
        let gone = |e: io::Error| {
            let text = format!("{}: {e}; is its share mounted?", folder.display());
            io::Error::new(e.kind(), text)
        };
        let now = identity(folder).map_err(gone)?;
        let path = folder.join(INBOX_LOCK);
        match (identity(&path), &self.holder) {
            (Ok(lock), Some(holder)) if lock == holder.identity()? && now == self.identity => {
                return Ok(false);
            }
            // A folder on another disk that no daemon has ever watched: the bare mount point.
            (Err(_), _) if now.0 != self.identity.0 => {
                return Err(io::Error::other(format!(
                    "{} is not the folder that it was: is its share mounted? If it is meant to be \
                     a new inbox, start the daemon again",
                    folder.display()
                )));
            }
            _ => {}
        }
        // Released first: it may be the same lock, seen through a new mount.
        self.holder = None;
        self.holder = Some(Holder::lock(&path)?);
        self.identity = now;
        Ok(true)
    }
}

impl Daemon<'_> {
    /// Finds what has arrived and claims it.
    pub(super) async fn scan(&mut self) -> io::Result<()> {
        let renewed = self.inbox.check()?;
        if renewed {
            self.listen();
        }
        if renewed || self.unsure {
            self.spool.recover(&self.at_work)?;
            self.in_place = self.spool.left_in_place()?;
            self.unsure = false;
        }
        self.retry_setting_aside();
        let folders = inbox::job_folders(&self.places.inbox)?;
        let claimed = |folder: &Path| {
            let mut tickets = self.in_place.iter();
            tickets.any(|t| t.source == folder && spool::is_in_place(t))
        };
        let folders: Vec<PathBuf> = folders.into_iter().filter(|f| !claimed(f)).collect();
        self.arrivals.keep_only(&folders);
        let mut trouble = Ok(());
        for folder in folders {
            if self.told_to_stop() {
                break;
            }
            // One folder that cannot be copied does not keep the others waiting.
            if self.has_arrived(&folder).await
                && let Err(error) = self.claim(&folder)
            {
                self.arrivals.refused(&folder, error.to_string());
                trouble = Err(io::Error::other(format!("{}: {error}", folder.display())));
            }
            sd_notify::say("WATCHDOG=1");
            // A thousand folders dropped at once do not keep workers, or a signal, waiting.
            tokio::task::yield_now().await;
            self.attend();
        }
        trouble
    }

    async fn has_arrived(&mut self, folder: &Path) -> bool {
        let WatchSettings {
            scan_seconds,
            agreeing_scans: scans,
            arrival_max_seconds,
            ..
        } = *self.settings();
        let patience = inbox::Patience {
            scans,
            quiet: Duration::from_secs(scan_seconds * u64::from(scans.saturating_sub(1))),
            deadline: Duration::from_secs(arrival_max_seconds),
        };
        match self.arrivals.look(folder, patience) {
            Err(error) => {
                self.arrivals.refused(folder, error.to_string());
                return false;
            }
            Ok(Arrival::Settling) => return false,
            Ok(Arrival::Ready | Arrival::Overdue) => return true,
            Ok(Arrival::Quiet) => {}
        }
        let mut stop = self.stop.clone();
        let whole = tokio::select! {
            whole = worker::is_whole(folder, &self.config_folder, LOOK_SECONDS) => whole,
            _ = stop.wait_for(|told| *told) => return false,
        };
        whole
            .map_err(|missing| self.arrivals.incomplete(folder, missing))
            .is_ok()
    }

    fn claim(&mut self, folder: &Path) -> io::Result<()> {
        let limits = &self.config.settings.limits;
        match self.spool.claim(&self.places.inbox, folder, limits) {
            Ok(ticket) => {
                tracing::info!(job = ticket.name, id = ticket.id, "claimed");
                self.in_place.push(ticket);
                self.retry_setting_aside();
                Ok(())
            }
            Err(ClaimError::Changing) => Ok(()),
            Err(ClaimError::Io(error)) => {
                self.unsure = true;
                Err(error)
            }
        }
    }

    fn retry_setting_aside(&mut self) {
        let mut left = std::mem::take(&mut self.in_place);
        left.retain(|ticket| match self.set_aside(ticket) {
            Ok(done) => !done,
            Err(error) => {
                let (job, id) = (&ticket.name, &ticket.id);
                tracing::warn!(job, id, "not set aside yet: {error}");
                true
            }
        });
        self.in_place = left;
    }

    /// `true` when the dropped folder no longer lies where it was dropped.
    fn set_aside(&self, ticket: &spool::Ticket) -> io::Result<bool> {
        let inbox = &self.places.inbox;
        if spool::is_in_place(ticket) {
            spool::set_aside(inbox, ticket)?;
        } else if inbox.metadata()?.ino() != ticket.inbox_inode {
            // Another folder in the inbox's place; the inbox may come back.
            return Ok(false);
        }
        self.spool.note_set_aside(&ticket.id)?;
        Ok(true)
    }
}
