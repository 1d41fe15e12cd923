//! The daemon's loop: scan, claim, hand out, publish, tidy up, tell.

use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use notify::Watcher as _;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

use super::inbox::Arrivals;
use super::scan::Inbox;
use super::spool::{self, Spool, State, Ticket};
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
const PRUNE_EVERY: Duration = Duration::from_hours(1);
const TELL_EVERY: Duration = Duration::from_secs(10);

/// Runs until SIGTERM or SIGINT.
pub(super) async fn run(places: &Places, inbox: Inbox, config: Config) -> io::Result<()> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut hang_up = signal(SignalKind::hangup())?;
    let (tell_to_stop, stop) = watch::channel(false);
    tokio::spawn(async move {
        either(&mut terminate, &mut interrupt).await;
        let _ = tell_to_stop.send(true);
    });
    let mut told = stop.clone();
    let (hint, mut hints) = mpsc::channel(1);
    let mut daemon = Daemon::open(places, inbox, config, hint, stop)?;
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
            _ = told.wait_for(|told| *told) => break,
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

pub(super) struct Daemon<'a> {
    pub(super) places: &'a Places,
    pub(super) inbox: Inbox,
    pub(super) stop: watch::Receiver<bool>,
    hint: mpsc::Sender<()>,
    watcher: Option<notify::RecommendedWatcher>,
    pub(super) config: Config,
    /// The settings in force, for the workers: the shop's own may be half-edited.
    pub(super) config_folder: PathBuf,
    pub(super) spool: Spool,
    /// A step in the spool failed: what lies there is to be looked at anew.
    pub(super) unsure: bool,
    pub(super) arrivals: Arrivals,
    /// Claimed, but not set aside yet.
    pub(super) in_place: Vec<Ticket>,
    workers: JoinSet<Ended>,
    pub(super) at_work: Vec<Ticket>,
    resume_at: Option<Instant>,
    prune_at: Option<Instant>,
    told: Option<Instant>,
    status: Status,
}

impl<'a> Daemon<'a> {
    fn open(
        places: &'a Places,
        inbox: Inbox,
        config: Config,
        hint: mpsc::Sender<()>,
        stop: watch::Receiver<bool>,
    ) -> io::Result<Self> {
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
        let mut daemon = Self {
            places,
            inbox,
            stop,
            hint,
            watcher: None,
            config_folder: lay_out(&config, &places.state, None)?,
            config,
            spool,
            unsure: false,
            arrivals: Arrivals::default(),
            in_place,
            workers: JoinSet::new(),
            at_work: Vec::new(),
            resume_at: None,
            prune_at: None,
            told: None,
            status,
        };
        daemon.listen();
        Ok(daemon)
    }

    /// Asks for the inbox's events, if the settings want them.
    pub(super) fn listen(&mut self) {
        let wanted = self.settings().events;
        self.watcher = wanted
            .then(|| listen(&self.places.inbox, self.hint.clone()))
            .flatten();
    }

    pub(super) fn settings(&self) -> &WatchSettings {
        &self.config.settings.watch
    }

    /// One look at everything. Trouble becomes a waiting state, met again at the next round.
    async fn round(&mut self) {
        let begun = Instant::now();
        let mut trouble = None;
        if let Err(error) = self.scan().await {
            trouble = Some(format!("the inbox or the state folder: {error}"));
        }
        self.attend();
        self.status.last_scan = Utc::now().iso();
        let since_1970 = clock::now().duration_since(std::time::UNIX_EPOCH);
        self.status.last_scan_seconds_since_1970 = since_1970.unwrap_or_default().as_secs_f64();
        self.status.last_scan_seconds = begun.elapsed().as_secs_f64();
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

    pub(super) fn told_to_stop(&self) -> bool {
        *self.stop.borrow()
    }

    /// Files away what is done and gives the free workers their next jobs.
    pub(super) fn attend(&mut self) {
        while let Some(ended) = self.workers.try_join_next() {
            self.note(ended);
        }
        if self.resume_at.is_some_and(|at| at > Instant::now()) || self.told_to_stop() {
            return;
        }
        if self.resume_at.take().is_some() {
            self.status.waiting_for = None;
        }
        if let Err(error) = self.hand_out() {
            self.unsure = true;
            self.pause(format!("the state folder: {error}"));
        }
    }

    /// Starts workers for as many jobs as there are hands.
    fn hand_out(&mut self) -> io::Result<()> {
        let hands = hands(self.settings());
        self.status.workers = hands;
        if self.workers.len() >= hands {
            return Ok(());
        }
        for id in self.spool.ids(State::New)? {
            if self.workers.len() >= hands {
                break;
            }
            let mut ticket = self.spool.ticket(State::New, &id)?;
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
        };
        let notice = settings.notice_words.clone();
        let outbox = self.places.outbox.clone();
        self.at_work.push(ticket.clone());
        self.workers.spawn(async move {
            let begun = Instant::now();
            let result = worker::work(job).await;
            if let Try::Published(receipt) = &result {
                let path = outbox.join(&receipt.folder);
                worker::notify(&notice, &ticket, receipt, &path).await;
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
            && !spool::same_files(&dropped, &copy, &self.config.settings.limits)
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
            self.unsure = true;
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
        if self.prune_at.is_some_and(|at| at > Instant::now()) {
            return Ok(());
        }
        let keep = Duration::from_secs(86_400 * self.settings().keep_dropped_days);
        let (inbox, outbox) = (&self.places.inbox, &self.places.outbox);
        let kept = retention::prune(&self.spool, inbox, outbox, keep, clock::now());
        let pause = match kept {
            Ok(_) => PRUNE_EVERY,
            Err(_) => Duration::from_secs(self.settings().retry_seconds),
        };
        self.prune_at = Some(Instant::now() + pause);
        self.status.kept_aside = kept?;
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
            Ok(config) => match lay_out(&config, &self.places.state, Some(&self.config_folder)) {
                Ok(folder) => {
                    (self.config, self.config_folder) = (config, folder);
                    self.listen();
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
        let age = self
            .spool
            .oldest_claim()
            .map(|then| clock::now().duration_since(then));
        self.status.oldest_job_seconds = age.map_or(0, |age| age.unwrap_or_default().as_secs());
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

/// Writes the settings in force to a folder of their own and removes the folders of older ones,
/// but not of the last, which a worker may be reading.
fn lay_out(config: &Config, state: &Path, last: Option<&Path>) -> io::Result<PathBuf> {
    let all = state.join("settings");
    let folder = all.join(clock::unique_mark());
    std::fs::create_dir_all(&folder)?;
    for (name, text) in &config.texts {
        durable::write_new(&folder.join(name), text.as_bytes())?;
    }
    for other in std::fs::read_dir(&all)? {
        let other = other?.path();
        if other != folder && Some(&*other) != last {
            std::fs::remove_dir_all(other)?;
        }
    }
    Ok(folder)
}

/// As many workers as cores, and as memory lasts for.
fn hands(settings: &WatchSettings) -> usize {
    if settings.workers > 0 {
        return settings.workers;
    }
    let memory_mb = rustix::system::sysinfo().totalram / 1_000_000;
    let fit = memory_mb / settings.job_max_mb.max(1);
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    cores.min(fit as usize).max(1)
}
