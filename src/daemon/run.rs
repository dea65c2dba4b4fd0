//! The loop: waits for events and deadlines, hands out work, keeps the state of each drive. One place,
//! one thread; everything slow happens in the clerk's and the workers' threads.

use super::clerk::{self, Clerk, ClerkJob, ClerkReport};
use super::events::{Event, News, Voice};
use super::mailboxes::Waiting;
use super::service::Service;
use super::sources::{FolderWatch, Hints, MailboxWatch, watch_mounts};
use super::states::{Action, DriveState, Happening, next};
use super::worker::{Worker, WorkerJob};
use crate::disk::Trouble;
use crate::job::round::DriveRound;
use crate::job::{DriveRef, JobError, Station};
use crate::model::limits::{
    HINTS_MAX, RETRY_FIRST, RETRY_LONGEST, SAFE_TO_PULL_AFTER, STOP_PATIENCE,
};
use crate::model::{Clock, Reason};
use globset::GlobSet;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;
use std::time::Duration;
use tokio::sync::mpsc::{Receiver, Sender, channel};
use tokio::time::{Instant, sleep_until};

/// How long the clerk may be at one piece of work before the watchdog is told nothing more: a scan
/// of a million messages on a board takes minutes.
const CLERK_PATIENCE: Duration = Duration::from_secs(1800);

/// What the daemon works with; made anew when the config is read again.
pub struct Settings {
    /// The station.
    pub station: Station,
    /// The drives' folders, in the order of `drives`.
    pub folders: Vec<PathBuf>,
    /// The drives.
    pub drives: Vec<DriveRef>,
    /// The state folder.
    pub state: PathBuf,
    /// Paths never taken.
    pub ignore: GlobSet,
    /// Time between two looks.
    pub settle: Duration,
    /// Time between two copies of a changing file.
    pub churn: Duration,
    /// Time between two scans.
    pub scan_every: Duration,
}

/// Reads the config again; the error is for a person.
pub type Reload<'a> = dyn FnMut() -> Result<Settings, String> + 'a;

/// What is asked of a running daemon.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Call {
    /// End.
    Stop,
    /// Read the config again.
    Reload,
}

/// Runs until called to stop. The caller holds the state's lock.
pub async fn run(
    mut settings: Settings,
    reload: &mut Reload<'_>,
    voice: &dyn Voice,
    clock: Arc<dyn Clock>,
    mut calls: Receiver<Call>,
) -> Result<(), JobError> {
    let service = Service::new();
    let (sender, mut events) = channel(HINTS_MAX);
    let to = sender.clone();
    tokio::spawn(async move {
        while let Some(call) = calls.recv().await {
            let event = match call {
                Call::Stop => Event::Stop,
                Call::Reload => Event::Reload,
            };
            if to.send(event).await.is_err() {
                return;
            }
        }
    });
    watch_mounts(sender.clone())?;
    loop {
        let mut daemon = Daemon::start(settings, &sender, voice, service, Arc::clone(&clock))?;
        match daemon.serve(&mut events, reload).await? {
            Ended::Stopped => return Ok(()),
            Ended::Reloaded(new) => settings = *new,
        }
        // What the old workers still had to say is of no use to the new ones.
        while events.try_recv().is_ok() {}
    }
}

enum Ended {
    Stopped,
    Reloaded(Box<Settings>),
}

/// One drive, as the loop sees it.
struct Slot {
    label: String,
    state: DriveState,
    worker: mpsc::Sender<WorkerJob>,
    /// The worker is at work.
    busy: bool,
    /// Something came up while it was.
    again: bool,
    /// When the state's time is over.
    until: Option<Instant>,
    /// Failures in a row, for the wait between tries.
    failures: u32,
    /// The state and error last told, so that the same is not told again at every try.
    told: Option<(DriveState, String)>,
}

impl Slot {
    fn send(&self, job: WorkerJob) {
        // A worker ends only when this sender is dropped, so there is somebody to take it.
        if self.worker.send(job).is_err() {
            tracing::error!(drive = self.label, "the worker has ended: restart the daemon");
        }
    }
}

struct Daemon<'a> {
    voice: &'a dyn Voice,
    service: Service,
    station: Station,
    scan_every: Duration,
    slots: Vec<Slot>,
    waiting: Vec<Waiting>,
    clerk: mpsc::Sender<ClerkJob>,
    /// What the clerk is at, since when: its deletions are needed again if hints were not enough.
    clerk_at: Option<(Vec<crate::model::RelName>, Instant)>,
    /// The catalogue's last change that the drives were sent to work for.
    tick: u64,
    next_scan: Instant,
    settle_at: Option<Instant>,
    watchdog_at: Option<Instant>,
    watches: Vec<Option<MailboxWatch>>,
    hints: Hints,
    stop: Arc<AtomicBool>,
    _folders: Vec<FolderWatch>,
}

impl<'a> Daemon<'a> {
    fn start(
        settings: Settings,
        events: &Sender<Event>,
        voice: &'a dyn Voice,
        service: Service,
        clock: Arc<dyn Clock>,
    ) -> Result<Self, JobError> {
        let stop = Arc::new(AtomicBool::new(false));
        let catalogue = clerk::catalogue(&settings.state, &*clock)?;
        let clerk = Clerk {
            catalogue,
            mailboxes: settings.station.mailboxes.clone(),
            ignore: settings.ignore,
            settle: milliseconds(settings.settle),
            churn: milliseconds(settings.churn),
            clock: Arc::clone(&clock),
        };
        let (clerk_jobs, jobs) = mpsc::channel();
        let to = events.clone();
        spawn("clerk".to_owned(), move || clerk.run(&jobs, &to))?;
        let mut slots = Vec::new();
        for (number, drive) in settings.drives.into_iter().enumerate() {
            let label = drive.label.clone();
            let worker = Worker {
                number,
                drive,
                station: settings.station.name.clone(),
                mailboxes: settings.station.mailboxes.clone(),
                state: settings.state.clone(),
                clock: Arc::clone(&clock),
                stop: Arc::clone(&stop),
            };
            let (worker_jobs, jobs) = mpsc::channel();
            let to = events.clone();
            spawn(format!("drive-{number}"), move || worker.run(&jobs, &to))?;
            slots.push(Slot {
                label,
                state: DriveState::Away,
                worker: worker_jobs,
                busy: false,
                again: false,
                until: None,
                failures: 0,
                told: None,
            });
        }
        let hints = Hints::new(events.clone());
        let folders = folder_watches(&settings.folders, &settings.station, &hints);
        let mut daemon = Self {
            voice,
            service,
            waiting: settings.station.mailboxes.iter().map(|_| Waiting::default()).collect(),
            watches: settings.station.mailboxes.iter().map(|_| None).collect(),
            station: settings.station,
            scan_every: settings.scan_every,
            slots,
            clerk: clerk_jobs,
            clerk_at: None,
            tick: 0,
            next_scan: Instant::now(),
            settle_at: None,
            watchdog_at: service.watchdog_every().map(|_| Instant::now()),
            hints,
            stop,
            _folders: folders,
        };
        for mailbox in 0..daemon.watches.len() {
            daemon.arm(mailbox);
        }
        service.ready();
        Ok(daemon)
    }

    /// Watches a mailbox's tree, anew if it was watched before.
    fn arm(&mut self, mailbox: usize) {
        let place = &self.station.mailboxes[mailbox];
        let root = crate::disk::host::resolved(&place.path);
        self.watches[mailbox] = match MailboxWatch::new(mailbox, &root, self.hints.clone()) {
            Ok(watch) => Some(watch),
            Err(why) => {
                self.voice.tell(&News::Unwatched(&place.name, &why));
                None
            }
        };
        self.waiting[mailbox].doubt();
    }

    async fn serve(
        &mut self,
        events: &mut Receiver<Event>,
        reload: &mut Reload<'_>,
    ) -> Result<Ended, JobError> {
        self.want_all();
        loop {
            self.on_time();
            self.give_clerk_work();
            let deadline = self.deadline();
            let event = tokio::select! {
                event = events.recv() => event,
                () = sleep_until(deadline) => continue,
            };
            match event {
                None | Some(Event::Stop) => {
                    self.service.stopping();
                    self.wind_down(events).await;
                    return Ok(Ended::Stopped);
                }
                Some(Event::Reload) => {
                    self.service.reloading();
                    match reload() {
                        Ok(new) => {
                            self.voice.tell(&News::Reloaded);
                            self.wind_down(events).await;
                            return Ok(Ended::Reloaded(Box::new(new)));
                        }
                        Err(why) => {
                            self.voice.tell(&News::ReloadRefused(&why));
                            self.service.ready();
                        }
                    }
                }
                Some(Event::Clerk(report)) => self.clerk_done(report)?,
                Some(Event::Drive(number, round)) => self.drive_done(number, &round),
                Some(Event::DrivesChanged) => self.want_all(),
                Some(Event::RootChanged(mailbox)) => self.arm(mailbox),
                Some(Event::Doubt(mailbox)) => self.waiting[mailbox].doubt(),
                Some(Event::Touched(mailbox, path)) => self.waiting[mailbox].touch(path),
                Some(Event::Gone(mailbox, path)) => self.waiting[mailbox].gone(path),
            }
            if self.hints.were_lost() {
                self.waiting.iter_mut().for_each(Waiting::doubt);
            }
        }
    }

    /// Whatever a deadline has passed for.
    fn on_time(&mut self) {
        let now = Instant::now();
        if self.next_scan <= now {
            self.next_scan = now + self.scan_every;
            for mailbox in 0..self.waiting.len() {
                match self.watches[mailbox] {
                    Some(_) => self.waiting[mailbox].doubt(),
                    None => self.arm(mailbox),
                }
            }
            self.want_absent();
        }
        if self.settle_at.is_some_and(|at| at <= now) {
            self.settle_at = None;
            self.waiting.iter_mut().for_each(Waiting::settle);
        }
        for number in 0..self.slots.len() {
            if self.slots[number].until.is_some_and(|at| at <= now) {
                self.slots[number].until = None;
                self.happen(number, Happening::TimeUp, None);
            }
        }
        if self.watchdog_at.is_some_and(|at| at <= now) {
            self.watchdog_at = self.service.watchdog_every().map(|every| now + every);
            // A hung drive must not end the daemon; a clerk that never comes back must.
            if self.clerk_at.as_ref().is_none_or(|(_, since)| now - *since < CLERK_PATIENCE) {
                self.service.alive();
            }
        }
    }

    fn deadline(&self) -> Instant {
        let slots = self.slots.iter().filter_map(|slot| slot.until);
        let others = [Some(self.next_scan), self.settle_at, self.watchdog_at];
        slots.chain(others.into_iter().flatten()).min().unwrap_or(self.next_scan)
    }

    fn give_clerk_work(&mut self) {
        if self.clerk_at.is_some() {
            return;
        }
        let job = self.waiting.iter_mut().enumerate().find_map(|(n, waiting)| waiting.take(n));
        if let Some(job) = job {
            self.clerk_at = Some((job.gone.clone(), Instant::now()));
            // The clerk ends only with this sender.
            drop(self.clerk.send(job));
        }
    }

    fn clerk_done(&mut self, report: ClerkReport) -> Result<(), JobError> {
        let (gone, _) = self.clerk_at.take().unwrap_or_else(|| (Vec::new(), Instant::now()));
        let name = &self.station.mailboxes[report.mailbox].name;
        match &report.outcome {
            Ok(findings) => {
                findings.iter().for_each(|f| self.voice.tell(&News::MailboxFinding(name, f)));
            }
            // Without its catalogue the daemon knows nothing: end, and be started anew.
            Err(JobError::Catalogue(_)) => {
                report.outcome?;
            }
            Err(error) => self.voice.tell(&News::MailboxAway(name, error)),
        }
        if report.wants_whole {
            self.waiting[report.mailbox].again(gone);
        }
        self.settle_at = report
            .due_in
            .and_then(|ms| u64::try_from(ms).ok())
            .map(|ms| Instant::now() + Duration::from_millis(ms));
        if report.tick != self.tick {
            self.tick = report.tick;
            self.want_all();
        }
        Ok(())
    }

    fn want_all(&mut self) {
        for number in 0..self.slots.len() {
            self.happen(number, Happening::Wanted, None);
        }
    }

    /// Looks again for drives that are not there or could not take messages.
    fn want_absent(&mut self) {
        for number in 0..self.slots.len() {
            if !matches!(self.slots[number].state, DriveState::Safe | DriveState::Settling) {
                self.happen(number, Happening::Wanted, None);
            }
        }
    }

    fn drive_done(&mut self, number: usize, round: &DriveRound) {
        let slot = &mut self.slots[number];
        slot.busy = false;
        let again = std::mem::take(&mut slot.again);
        let label = slot.label.clone();
        for finding in &round.findings {
            self.voice.tell(&News::DriveFinding(&label, finding));
        }
        let (happening, error) = match &round.outcome {
            Ok(report) => {
                if report.batches > 0 {
                    slot.told = None;
                }
                if report.copied > 0 {
                    let (messages, bytes) = (report.copied, report.bytes);
                    self.voice.tell(&News::Mirrored { label: &label, messages, bytes });
                }
                if !report.failed.is_empty() {
                    let messages = report.failed.len();
                    self.voice.tell(&News::NotCopied { label: &label, messages });
                }
                let full = report.failed.iter().any(|f| f.reason == Reason::DriveFull);
                let happening = match (full, report.batches) {
                    (true, _) => Happening::OutOfRoom,
                    (false, 0) => Happening::NothingNew,
                    (false, _) => Happening::Copied,
                };
                (happening, None)
            }
            Err(error) => (
                match error.trouble() {
                    Trouble::Gone => Happening::Vanished,
                    Trouble::ReadOnly => Happening::WriteProtected,
                    Trouble::Full => Happening::OutOfRoom,
                    _ => Happening::Broke,
                },
                Some(error),
            ),
        };
        self.happen(number, happening, error);
        if again {
            self.happen(number, Happening::Wanted, None);
        }
    }

    /// Moves a drive on by the state table, and does what the table says.
    fn happen(&mut self, number: usize, happening: Happening, error: Option<&JobError>) {
        let slot = &mut self.slots[number];
        let before = slot.state;
        let (state, action) = next(before, happening);
        slot.state = state;
        let now = Instant::now();
        match action {
            Action::Rest => {
                if before == DriveState::Settling && state == DriveState::Safe {
                    slot.send(WorkerJob::CallSafe);
                }
            }
            Action::Work => {
                slot.until = None;
                slot.busy = true;
                slot.send(WorkerJob::BringUpToDate);
            }
            Action::WorkAgain => slot.again = true,
            Action::Settle => slot.until = Some(now + SAFE_TO_PULL_AFTER),
            Action::BackOff => {
                let wait =
                    RETRY_FIRST.saturating_mul(1 << slot.failures.min(10)).min(RETRY_LONGEST);
                slot.failures += 1;
                slot.until = Some(now + wait);
            }
        }
        if matches!(state, DriveState::Safe | DriveState::Settling) {
            slot.failures = 0;
        }
        if !matches!(state, DriveState::Copying | DriveState::Settling) {
            let word = (state, error.map(ToString::to_string).unwrap_or_default());
            if slot.told.as_ref() != Some(&word) {
                self.voice.tell(&News::Drive { label: &slot.label, state, error });
                slot.told = Some(word);
            }
        }
        if state != before {
            let states: Vec<_> = self.slots.iter().map(|s| (s.label.as_str(), s.state)).collect();
            self.service.status(&self.voice.status(&states));
        }
    }

    /// Lets every worker end its batch, for a while.
    async fn wind_down(&mut self, events: &mut Receiver<Event>) {
        self.stop.store(true, Ordering::Relaxed);
        let patience = Instant::now() + STOP_PATIENCE;
        while self.slots.iter().any(|slot| slot.busy) || self.clerk_at.is_some() {
            tokio::select! {
                event = events.recv() => match event {
                    Some(Event::Drive(number, round)) => {
                        self.slots[number].again = false;
                        self.drive_done(number, &round);
                    }
                    Some(Event::Clerk(_)) => self.clerk_at = None,
                    Some(_) => {}
                    None => return,
                },
                () = sleep_until(patience) => break,
            }
        }
        for slot in self.slots.iter().filter(|slot| slot.busy) {
            self.voice.tell(&News::LeftWorking(&slot.label));
        }
    }
}

fn folder_watches(folders: &[PathBuf], station: &Station, hints: &Hints) -> Vec<FolderWatch> {
    let roots: Vec<PathBuf> =
        station.mailboxes.iter().map(|m| crate::disk::host::resolved(&m.path)).collect();
    let drives = FolderWatch::new(folders, |_| Event::DrivesChanged, hints.clone());
    let mailboxes = FolderWatch::new(&roots, Event::RootChanged, hints.clone());
    // Without them the timer finds what comes and goes.
    [drives, mailboxes].into_iter().flatten().collect()
}

fn spawn(name: String, run: impl FnOnce() + Send + 'static) -> Result<(), JobError> {
    std::thread::Builder::new()
        .name(name)
        .spawn(run)
        .map(drop)
        .map_err(|e| JobError::Broken(format!("no thread could be started: {e}")))
}

fn milliseconds(span: Duration) -> i64 {
    i64::try_from(span.as_millis()).unwrap_or(i64::MAX / 4)
}
