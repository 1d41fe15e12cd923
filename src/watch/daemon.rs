//! The daemon's loop: scan, claim, hand out, publish, tidy up, tell.

use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use notify::Watcher as _;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::mpsc;
use tokio::task::JoinSet;

use super::inbox::{self, Arrival, Arrivals};
use super::spool::{self, ClaimError, Spool, State, Ticket};
use super::status::{self, Arriving, Free, Jobs, Status};
use super::worker::{self, Receipt, Try};
use super::{Places, WatchSettings, host, retention, sd_notify};
use crate::clock::{self, Utc};
use crate::durable;
use crate::settings::Config;

/// How long a stop waits for workers; what is not done by then is begun again at the next start.
const STOP_SECONDS: u64 = 25;
/// A daemon that dies so many times as often as a worker may has a job to blame.
const INTERRUPTIONS_FOR_A_CRASH: u32 = 10;
const HOLD_SECONDS: u64 = 60;
/// Cut-short files are looked for with this patience.
const LOOK_SECONDS: u64 = 60;
const PRUNE_EVERY: Duration = Duration::from_hours(1);
const TELL_EVERY: Duration = Duration::from_secs(10);

/// Runs until SIGTERM or SIGINT.
pub(super) async fn run(places: &Places, config: Config) -> io::Result<()> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut hang_up = signal(SignalKind::hangup())?;
    let (hint, mut hints) = mpsc::channel(1);
    let _watcher = config
        .settings
        .watch
        .events
        .then(|| listen(&places.inbox, hint.clone()));
    let mut daemon = Daemon::open(places, config)?;
    sd_notify::say("READY=1");
    tracing::info!(inbox = %places.inbox.display(), "watching");
    loop {
        daemon.round().await;
        sd_notify::say("WATCHDOG=1");
        let pause = Duration::from_secs(daemon.settings().scan_seconds.max(1));
        tokio::select! {
            () = tokio::time::sleep(pause) => {}
            Some(()) = hints.recv() => tokio::time::sleep(Duration::from_millis(200)).await,
            Some(ended) = daemon.workers.join_next() => daemon.note(ended),
            _ = hang_up.recv() => daemon.reload(),
            () = either(&mut terminate, &mut interrupt) => break,
        }
    }
    daemon.stop().await;
    Ok(())
}

async fn either(a: &mut Signal, b: &mut Signal) {
    tokio::select! { _ = a.recv() => {}, _ = b.recv() => {} }
}

/// File-system events only hasten the next scan: lost ones cost time, nothing else.
fn listen(inbox: &Path, hint: mpsc::Sender<()>) -> Option<notify::RecommendedWatcher> {
    let tell = move |event: notify::Result<notify::Event>| {
        if event.is_ok_and(|e| !e.kind.is_access()) {
            let _ = hint.try_send(());
        }
    };
    let watching = notify::recommended_watcher(tell).and_then(|mut watcher| {
        watcher.watch(inbox, notify::RecursiveMode::Recursive)?;
        Ok(watcher)
    });
    watching
        .inspect_err(|e| tracing::info!("no events from the inbox, scans only: {e}"))
        .ok()
}

struct Ended {
    ticket: Ticket,
    result: Try,
    seconds: f64,
}

struct Daemon<'a> {
    places: &'a Places,
    config: Config,
    /// The settings in force, for the workers: the shop's own may be half-edited.
    config_folder: PathBuf,
    spool: Spool,
    arrivals: Arrivals,
    /// Claimed, but not set aside yet.
    in_place: Vec<Ticket>,
    workers: JoinSet<Ended>,
    at_work: Vec<Ticket>,
    resume_at: Option<Instant>,
    pruned: Option<Instant>,
    told: Option<Instant>,
    status: Status,
}

impl<'a> Daemon<'a> {
    fn open(places: &'a Places, config: Config) -> io::Result<Self> {
        let spool = Spool::open(&places.state)?;
        let in_place = spool.left_in_place()?;
        let status = Status {
            host: host(),
            process: std::process::id(),
            since: Utc::now().iso(),
            inbox: places.inbox.to_string_lossy().into_owned(),
            outbox: places.outbox.to_string_lossy().into_owned(),
            ..Status::default()
        };
        Ok(Self {
            places,
            config_folder: lay_out(&config, &places.state)?,
            config,
            spool,
            arrivals: Arrivals::default(),
            in_place,
            workers: JoinSet::new(),
            at_work: Vec::new(),
            resume_at: None,
            pruned: None,
            told: None,
            status,
        })
    }

    fn settings(&self) -> &WatchSettings {
        &self.config.settings.watch
    }

    /// One look at everything. Trouble becomes a waiting state, met again at the next round.
    async fn round(&mut self) {
        let begun = Instant::now();
        let mut trouble = None;
        if let Err(error) = self.scan().await {
            trouble = Some(format!("the inbox or the state folder: {error}"));
        }
        self.status.last_scan = Utc::now().iso();
        self.status.last_scan_seconds = begun.elapsed().as_secs_f64();
        if self.resume_at.is_none_or(|at| at <= Instant::now()) {
            if self.resume_at.take().is_some() {
                self.status.waiting_for = None;
            }
            if let Err(error) = self.hand_out() {
                trouble = Some(format!("the state folder: {error}"));
            }
        }
        if let Err(error) = self.prune() {
            trouble = Some(format!("tidying up: {error}"));
        }
        if trouble.is_some() {
            self.wait_for(trouble);
        } else if self.resume_at.is_none() {
            self.status.waiting_for = None;
        }
        self.tell(false);
    }

    fn wait_for(&mut self, trouble: Option<String>) {
        if trouble != self.status.waiting_for {
            if let Some(trouble) = &trouble {
                tracing::warn!("waiting: {trouble}");
            }
            self.status.waiting_for = trouble;
            self.told = None;
        }
    }

    /// Finds what has arrived and claims it.
    async fn scan(&mut self) -> io::Result<()> {
        self.retry_setting_aside();
        let folders = inbox::job_folders(&self.places.inbox)?;
        let folders: Vec<PathBuf> = folders
            .into_iter()
            .filter(|f| !self.in_place.iter().any(|t| t.source == *f))
            .collect();
        self.arrivals.keep_only(&folders);
        let WatchSettings {
            scan_seconds,
            agreeing_scans: scans,
            arrival_max_seconds,
            ..
        } = *self.settings();
        let quiet = Duration::from_secs(scan_seconds * u64::from(scans.saturating_sub(1)));
        let patience = inbox::Patience {
            scans,
            quiet,
            deadline: Duration::from_secs(arrival_max_seconds),
        };
        let mut trouble = Ok(());
        for folder in folders {
            let arrival = match self.arrivals.look(&folder, patience) {
                Ok(arrival) => arrival,
                Err(error) => {
                    self.arrivals.incomplete(&folder, error.to_string());
                    continue;
                }
            };
            let claim = match arrival {
                Arrival::Settling => false,
                Arrival::Ready | Arrival::Overdue => true,
                Arrival::Quiet => {
                    match worker::is_whole(&folder, &self.config_folder, LOOK_SECONDS).await {
                        Ok(()) => true,
                        Err(missing) => {
                            self.arrivals.incomplete(&folder, missing);
                            false
                        }
                    }
                }
            };
            // One folder that cannot be copied does not keep the others waiting.
            if claim && let Err(error) = self.claim(&folder) {
                self.arrivals.incomplete(&folder, error.to_string());
                trouble = Err(io::Error::other(format!("{}: {error}", folder.display())));
            }
            sd_notify::say("WATCHDOG=1");
        }
        trouble
    }

    fn claim(&mut self, folder: &Path) -> io::Result<()> {
        match self.spool.claim(folder, &self.config.settings.limits) {
            Ok(ticket) => {
                tracing::info!(job = ticket.name, id = ticket.id, "claimed");
                self.in_place.push(ticket);
                self.retry_setting_aside();
                Ok(())
            }
            Err(ClaimError::Changing) => Ok(()),
            Err(ClaimError::Io(error)) => Err(error),
        }
    }

    fn retry_setting_aside(&mut self) {
        let inbox = &self.places.inbox;
        self.in_place.retain(|ticket| {
            if !spool::is_in_place(ticket) {
                // Set aside or taken away; an inbox that is not there now comes back.
                return !inbox.join(".emblemend-lock").exists();
            }
            match spool::set_aside(inbox, ticket) {
                Ok(()) => false,
                Err(error) => {
                    tracing::warn!(
                        job = ticket.name,
                        id = ticket.id,
                        "not set aside yet: {error}"
                    );
                    true
                }
            }
        });
    }

    /// Starts workers for as many jobs as there are hands.
    fn hand_out(&mut self) -> io::Result<()> {
        let hands = hands(self.settings());
        self.status.workers = hands;
        if self.workers.len() >= hands {
            return Ok(());
        }
        for mut ticket in self.spool.tickets(State::New)? {
            if self.workers.len() >= hands {
                break;
            }
            if ticket.crashes >= self.settings().crashes_max && ticket.hold_because.is_none() {
                ticket.hold_because = Some(format!(
                    "the program failed {} times on this job and does not try again. Keep the \
                     folder and report the fault; a photo taken again may help meanwhile",
                    ticket.crashes
                ));
            }
            if ticket.interruptions >= INTERRUPTIONS_FOR_A_CRASH * self.settings().crashes_max {
                ticket.hold_because.get_or_insert_with(|| {
                    "the computer stopped too often while this job was worked on".to_owned()
                });
            }
            self.note_late_change(&mut ticket);
            // Counted before the try: a try that takes the computer down is not forgotten.
            ticket.interruptions += 1;
            self.spool.save(State::New, &ticket)?;
            self.spool.shift(&ticket.id, State::New, State::Working)?;
            ticket.interruptions -= 1;
            self.employ(ticket);
        }
        Ok(())
    }

    fn employ(&mut self, ticket: Ticket) {
        let settings = self.settings();
        let job = worker::Job {
            id: ticket.id.clone(),
            folder: self.folder_to_read(&ticket),
            outbox: self.places.outbox.clone(),
            config: self.config_folder.clone(),
            hold_because: ticket.hold_because.clone(),
            notes: ticket.notes.clone(),
            seconds_max: match ticket.hold_because {
                // Copying and publishing take their time even for a job that is not worked on.
                Some(_) => settings.job_max_seconds.max(HOLD_SECONDS),
                None => settings.job_max_seconds,
            },
            log: self.places.log,
            memory_max_mb: settings.job_max_mb,
            threads: (cores() / hands(settings)).max(1),
        };
        let notice = settings.notice_words.clone();
        let outbox = self.places.outbox.clone();
        self.at_work.push(ticket.clone());
        self.workers.spawn(async move {
            let begun = Instant::now();
            let result = worker::work(job).await;
            if let Try::Published(receipt) = &result {
                let path = outbox.join(&receipt.folder);
                worker::notify(&notice, &ticket.name, receipt, &path).await;
            }
            Ended {
                ticket,
                result,
                seconds: begun.elapsed().as_secs_f64(),
            }
        });
    }

    fn folder_to_read(&self, ticket: &Ticket) -> PathBuf {
        if !ticket.uncopied {
            return self.spool.job_folder(State::Working, ticket);
        }
        let aside = spool::aside(&self.places.inbox, ticket);
        if aside.is_dir() {
            aside
        } else {
            ticket.source.clone()
        }
    }

    /// Files that came after the claim are not in the copy that is worked on.
    fn note_late_change(&self, ticket: &mut Ticket) {
        let dropped = spool::aside(&self.places.inbox, ticket);
        let copy = self.spool.job_folder(State::New, ticket);
        if dropped.is_dir()
            && !ticket.uncopied
            && ticket.notes.is_empty()
            && !spool::same_names_and_sizes(&dropped, &copy)
        {
            ticket.notes.push(
                "the dropped folder was changed after it had been taken: this report is about what \
                 was there first. Drop the folder again if the change matters"
                    .to_owned(),
            );
        }
    }

    fn note(&mut self, ended: Result<Ended, tokio::task::JoinError>) {
        let Ok(ended) = ended else { return };
        let (job, id) = (ended.ticket.name.clone(), ended.ticket.id.clone());
        self.at_work.retain(|t| t.id != id);
        if let Err(error) = self.file_away(ended) {
            tracing::error!(job, id, "the spool could not be written: {error}");
            self.wait_for(Some(format!("the state folder: {error}")));
        }
    }

    fn file_away(&mut self, ended: Ended) -> io::Result<()> {
        let Ended {
            mut ticket,
            result,
            seconds,
        } = ended;
        let (job, id) = (ticket.name.clone(), ticket.id.clone());
        match result {
            Try::Published(Receipt { folder, verdict }) => {
                tracing::info!(job, id, folder, verdict, seconds, "published");
                self.status.published += 1;
                self.status.published_seconds += seconds;
                let state = if ticket.hold_because.is_some() {
                    State::Held
                } else {
                    State::Done
                };
                ticket.published = Some(folder);
                self.spool.save(State::Working, &ticket)?;
                self.spool.shift(&id, State::Working, state)?;
                if state == State::Done {
                    self.spool.drop_copy(state, &id)?;
                }
            }
            Try::NotNow(why) => {
                tracing::warn!(job, id, "not now: {why}");
                self.spool.save(State::Working, &ticket)?;
                self.spool.shift(&id, State::Working, State::New)?;
                self.pause(why);
            }
            Try::Crashed(why) => {
                tracing::error!(
                    job,
                    id,
                    tries = ticket.crashes + 1,
                    "the worker died: {why}"
                );
                self.status.crashed_tries += 1;
                ticket.crashes += 1;
                self.spool.save(State::Working, &ticket)?;
                self.spool.shift(&id, State::Working, State::New)?;
                if ticket.hold_because.is_some() {
                    self.pause(format!("{job} cannot even be published as held: {why}"));
                }
            }
        }
        Ok(())
    }

    /// No new tries for a while.
    fn pause(&mut self, why: String) {
        let pause = Duration::from_secs(self.settings().retry_seconds);
        self.resume_at = Some(Instant::now() + pause);
        self.wait_for(Some(why));
    }

    fn prune(&mut self) -> io::Result<()> {
        if self.pruned.is_some_and(|at| at.elapsed() < PRUNE_EVERY) {
            return Ok(());
        }
        self.pruned = Some(Instant::now());
        let keep = Duration::from_secs(86_400 * self.settings().keep_dropped_days);
        let (inbox, outbox) = (&self.places.inbox, &self.places.outbox);
        self.status.kept_aside = retention::prune(&self.spool, inbox, outbox, keep, clock::now())?;
        Ok(())
    }

    /// A new configuration, unless it has mistakes.
    fn reload(&mut self) {
        sd_notify::say("RELOADING=1");
        match self
            .places
            .config
            .as_deref()
            .map_or_else(Config::built_in, Config::from_folder)
        {
            Ok(config) => match lay_out(&config, &self.places.state) {
                Ok(folder) => {
                    (self.config, self.config_folder) = (config, folder);
                    tracing::info!("settings read again");
                }
                Err(error) => tracing::error!("the old settings stay in force: {error}"),
            },
            Err(problems) => {
                for problem in problems {
                    tracing::error!("the old settings stay in force: {problem}");
                }
            }
        }
        sd_notify::say("READY=1");
    }

    /// Lets workers finish for a while; the rest is begun again at the next start.
    async fn stop(&mut self) {
        sd_notify::say("STOPPING=1");
        "stopping".clone_into(&mut self.status.state);
        tracing::info!(at_work = self.at_work.len(), "stopping");
        let deadline = tokio::time::Instant::now() + Duration::from_secs(STOP_SECONDS);
        while let Ok(Some(ended)) =
            tokio::time::timeout_at(deadline, self.workers.join_next()).await
        {
            self.note(ended);
        }
        self.workers.shutdown().await;
        for ticket in std::mem::take(&mut self.at_work) {
            let back = self
                .spool
                .save(State::Working, &ticket)
                .and_then(|()| self.spool.shift(&ticket.id, State::Working, State::New));
            if let Err(error) = back {
                tracing::error!(job = ticket.name, id = ticket.id, "not requeued: {error}");
            }
        }
        self.tell(true);
    }

    fn tell(&mut self, now: bool) {
        if !now && self.told.is_some_and(|at| at.elapsed() < TELL_EVERY) {
            return;
        }
        self.told = Some(Instant::now());
        if self.status.state != "stopping" {
            let word = if self.status.waiting_for.is_some() {
                "waiting"
            } else {
                "working"
            };
            word.clone_into(&mut self.status.state);
        }
        let count = |state| self.spool.count(state).unwrap_or(0);
        self.status.arriving = self
            .arrivals
            .waiting()
            .map(|(folder, why, unchanged)| Arriving {
                folder: folder.to_string_lossy().into_owned(),
                why: why.to_owned(),
                unchanged_seconds: unchanged.as_secs(),
            })
            .collect();
        self.status.jobs = Jobs {
            arriving: self.status.arriving.len(),
            new: count(State::New),
            working: count(State::Working),
            done: count(State::Done),
            held: count(State::Held),
        };
        self.status.free_mb = Free {
            inbox: status::free_mb(&self.places.inbox),
            outbox: status::free_mb(&self.places.outbox),
            state: status::free_mb(&self.places.state),
        };
        if let Err(error) = self.status.write(&self.places.state) {
            tracing::warn!("status.json could not be written: {error}");
        }
    }
}

/// Writes the settings in force to a folder of their own and removes the folders of older ones
/// that no worker can be reading any more.
fn lay_out(config: &Config, state: &Path) -> io::Result<PathBuf> {
    let all = state.join("settings");
    let folder = all.join(clock::unique_mark());
    std::fs::create_dir_all(&folder)?;
    for (name, text) in &config.texts {
        durable::write_new(&folder.join(name), text.as_bytes())?;
    }
    let mut folders: Vec<PathBuf> = std::fs::read_dir(&all)?
        .map(|e| Ok(e?.path()))
        .collect::<io::Result<_>>()?;
    folders.retain(|other| *other != folder);
    folders.sort();
    // The last one may still be in use.
    folders.pop();
    folders.iter().try_for_each(std::fs::remove_dir_all)?;
    Ok(folder)
}

fn cores() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

/// As many workers as cores, and as memory lasts for.
fn hands(settings: &WatchSettings) -> usize {
    if settings.workers > 0 {
        return settings.workers;
    }
    let memory_mb = rustix::system::sysinfo().totalram / 1_000_000;
    let fit = memory_mb / settings.job_max_mb.max(1);
    cores().min(fit as usize).max(1)
}
