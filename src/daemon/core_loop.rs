//! The loop: waits for events and deadlines, hands out work, keeps the state of each drive. One place,
//! one thread; everything slow happens in the scanner's and the workers' threads.

use super::control::{Answer, ReplyTo, Request};
use super::drives::Drives;
use super::events::{Event, EventSink, Notice};
use super::mailboxes::PendingScan;
use super::outcome::{ScanOutcome, drive_round, states_own};
use super::overdue::OverdueMonitor;
use super::reporter::Reporter;
use super::scanner::{self, Scanner, Task};
use super::service::Service;
use super::settings::{Reload, Settings};
use super::sources::{FolderWatch, Hints, MailboxWatch};
use super::timer_fd::TimerFd;
use super::worker::WorkerContext;
use crate::disk::MailboxDir;
use crate::job::mailboxes::note_drives_beneath;
use crate::job::replica::PresentDrives;
use crate::job::{JobError, MailboxRef, Station};
use crate::model::Clock;
use crate::model::limits::{NEW_FOLDER_LOOKED_AT_AGAIN, STOP_PATIENCE};
use std::cell::RefCell;
use std::path::PathBuf;
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, mpsc};
use std::time::Duration;
use tokio::sync::mpsc::{Receiver, Sender};
use tokio::time::Instant;

/// How long the scanner may be at one piece of work before the watchdog is told nothing more: a scan
/// of a million messages on a board takes minutes.
const SCANNER_PATIENCE: Duration = Duration::from_secs(1800);

/// How the loop ended.
pub(super) enum Ended {
    /// It was called to stop.
    Stopped,
    /// There is a new config.
    Reloaded(Box<Settings>),
}

/// The daemon at work, from one reading of the config to the next.
pub(super) struct Daemon<'a> {
    sink: &'a dyn EventSink,
    service: Service,
    station: Station,
    scan_every: Duration,
    drives: Drives<'a>,
    waiting: Vec<PendingScan>,
    scanner: mpsc::Sender<Task>,
    /// What the scanner is at, since when: its deletions are needed again if hints were not enough.
    scanner_at: Option<(Vec<crate::model::RelName>, Instant)>,
    /// The catalogue's last change that the drives were sent to work for.
    change_no: u64,
    next_scan: Instant,
    settle_at: Option<Instant>,
    /// For each mailbox, when it is to be looked over once more after a folder appeared in it.
    again_at: Vec<Option<Instant>>,
    watchdog_at: Option<Instant>,
    timer: TimerFd,
    reporter: Reporter,
    monitor: OverdueMonitor,
    watches: Vec<Option<MailboxWatch>>,
    /// The folder that each mailbox was when its watch began: another one may be mounted over it, or it may be
    /// unmounted, and no hint tells of that.
    roots: Vec<Option<(u64, u64)>>,
    hints: Hints,
    _folders: Vec<FolderWatch>,
}

impl<'a> Daemon<'a> {
    pub(super) fn start(
        settings: Settings,
        events: &Sender<Event>,
        sink: &'a dyn EventSink,
        service: Service,
        clock: Arc<dyn Clock>,
    ) -> Result<Self, JobError> {
        let catalogue = scanner::catalogue(&settings.state, &settings.station, &*clock)?;
        catalogue.count_same_device(settings.count_same_device)?;
        note_drives_beneath(&catalogue, &settings.station)?;
        let scanner = Scanner {
            catalogue,
            mailboxes: settings.station.mailboxes.clone(),
            ignore: settings.ignore.clone(),
            settle: milliseconds(settings.settle),
            churn: milliseconds(settings.churn),
            clock: Arc::clone(&clock),
            station: settings.station.name.clone(),
            wanted_copies: settings.wanted_copies,
            away: RefCell::default(),
        };
        let (scanner_tasks, jobs) = mpsc::channel();
        let to = events.clone();
        super::spawn("scanner".to_owned(), move || scanner.run(&jobs, &to))?;
        let context = WorkerContext {
            station: settings.station.name.clone(),
            mailboxes: settings.station.mailboxes.clone(),
            ignore: settings.ignore,
            state: settings.state,
            cargo: settings.cargo,
            clock,
            reread: settings.reread,
            prune: settings.prune,
            present_drives: PresentDrives::default(),
            stop: AtomicBool::new(false),
        };
        let mut drives = Drives::new(settings.find, context, events.clone(), sink, service);
        for drive in settings.drives {
            drives.add(None, drive)?;
        }
        let hints = Hints::new(events.clone());
        let folders = folder_watches(&settings.folders, &settings.station, &hints);
        let mut daemon = Self {
            sink,
            service,
            waiting: settings.station.mailboxes.iter().map(|_| PendingScan::default()).collect(),
            watches: settings.station.mailboxes.iter().map(|_| None).collect(),
            roots: vec![None; settings.station.mailboxes.len()],
            again_at: vec![None; settings.station.mailboxes.len()],
            station: settings.station,
            scan_every: settings.scan_every,
            drives,
            scanner: scanner_tasks,
            scanner_at: None,
            change_no: 0,
            next_scan: Instant::now(),
            settle_at: None,
            watchdog_at: service.watchdog_every().map(|_| Instant::now()),
            timer: TimerFd::new()?,
            reporter: Reporter::new(settings.report),
            monitor: OverdueMonitor::new(settings.notify),
            hints,
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
        self.roots[mailbox] = root_of(place);
        self.watches[mailbox] = match MailboxWatch::new(mailbox, &root, self.hints.clone()) {
            Ok(watch) => Some(watch),
            Err(why) => {
                self.sink.tell(&Notice::Unwatched(&place.name, &why));
                None
            }
        };
        self.waiting[mailbox].doubt();
    }

    /// Watches anew whatever is another folder than when its watch began.
    fn arm_changed(&mut self) {
        for mailbox in 0..self.roots.len() {
            if root_of(&self.station.mailboxes[mailbox]) != self.roots[mailbox] {
                self.arm(mailbox);
            }
        }
    }

    /// Serves until it is to end. Also where it ends in an error, nobody is at work behind its back.
    pub(super) async fn serve(
        &mut self,
        events: &mut Receiver<Event>,
        reload: &mut Reload<'_>,
    ) -> Result<Ended, JobError> {
        let ended = self.serve_until(events, reload).await;
        if ended.is_err() {
            self.wind_down(events).await;
        }
        ended
    }

    async fn serve_until(
        &mut self,
        events: &mut Receiver<Event>,
        reload: &mut Reload<'_>,
    ) -> Result<Ended, JobError> {
        self.drives.refresh()?;
        loop {
            self.on_time()?;
            self.give_scanner_work();
            if self.is_quiet() {
                self.drives.reread(Instant::now());
            }
            let deadline = self.deadline();
            let event = tokio::select! {
                event = events.recv() => event,
                rung = self.timer.until(deadline) => {
                    rung?;
                    continue;
                }
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
                            self.sink.tell(&Notice::Reloaded);
                            self.wind_down(events).await;
                            return Ok(Ended::Reloaded(Box::new(new)));
                        }
                        Err(why) => {
                            self.sink.tell(&Notice::ReloadRefused(&why));
                            self.service.ready();
                        }
                    }
                }
                Some(Event::Scanner(report)) => self.scanner_done(report)?,
                Some(Event::Overdue(overdue)) => {
                    self.monitor.tell(&self.station.name, &overdue);
                }
                Some(Event::Drive(number, round, after)) => {
                    let round = drive_round(*round)?;
                    self.drives.done(number, &round, &after);
                    self.reporter.changed(Instant::now());
                }
                Some(Event::Reread(number, report)) => {
                    self.drives.reread_done(number, &report);
                    report.step.map(drop).or_else(states_own)?;
                }
                Some(Event::LetGo(number, result)) => self.drives.released(number, result),
                Some(Event::DrivesChanged) => {
                    self.arm_changed();
                    self.drives.refresh()?;
                    self.reporter.changed(Instant::now());
                }
                Some(Event::Asked(request, reply_to)) => self.answer(request, reply_to)?,
                Some(Event::RootChanged(mailbox)) => self.arm(mailbox),
                Some(Event::Doubt(mailbox)) => self.waiting[mailbox].doubt(),
                Some(Event::NewFolder(mailbox)) => {
                    self.waiting[mailbox].doubt();
                    self.again_at[mailbox] = Some(Instant::now() + NEW_FOLDER_LOOKED_AT_AGAIN);
                }
                Some(Event::Touched(mailbox, path)) => self.waiting[mailbox].touch(path),
                Some(Event::Gone(mailbox, path)) => self.waiting[mailbox].gone(path),
            }
            if self.hints.were_lost() {
                self.waiting.iter_mut().for_each(PendingScan::doubt);
            }
        }
    }

    /// Whatever a deadline has passed for.
    fn on_time(&mut self) -> Result<(), JobError> {
        let now = Instant::now();
        if self.next_scan <= now {
            self.next_scan = now + self.scan_every;
            self.arm_changed();
            for mailbox in 0..self.waiting.len() {
                match self.watches[mailbox] {
                    Some(_) => self.waiting[mailbox].doubt(),
                    None => self.arm(mailbox),
                }
            }
            self.drives.refresh()?;
        }
        if self.settle_at.is_some_and(|at| at <= now) {
            self.settle_at = None;
            self.waiting.iter_mut().for_each(PendingScan::settle);
        }
        for (waiting, again_at) in self.waiting.iter_mut().zip(&mut self.again_at) {
            if again_at.is_some_and(|at| at <= now) {
                *again_at = None;
                waiting.doubt();
            }
        }
        self.drives.on_time(now);
        self.reporter.on_time(now);
        if let Some(span) = self.monitor.on_time(now) {
            // The scanner ends only with this sender.
            drop(self.scanner.send(Task::Overdue(span)));
        }
        if self.watchdog_at.is_some_and(|at| at <= now) {
            self.watchdog_at = self.service.watchdog_every().map(|every| now + every);
            // A hung drive must not end the daemon; a scanner that never comes back must.
            if self.scanner_at.as_ref().is_none_or(|(_, since)| now - *since < SCANNER_PATIENCE) {
                self.service.alive();
            }
        }
        Ok(())
    }

    /// Whether nothing is done in the mailboxes, nor known to be waited for.
    fn is_quiet(&self) -> bool {
        let waits = self.settle_at.is_some() || self.again_at.iter().any(Option::is_some);
        self.scanner_at.is_none() && !waits
    }

    fn deadline(&self) -> Instant {
        let reread = self.is_quiet().then(|| self.drives.reread_deadline()).flatten();
        let drives = self.drives.deadline();
        let all = [Some(self.next_scan), self.settle_at, self.watchdog_at, drives, reread];
        let again = self.again_at.iter().copied();
        let told = [self.reporter.deadline(), self.monitor.deadline()];
        all.into_iter().chain(told).chain(again).flatten().min().unwrap_or(self.next_scan)
    }

    fn give_scanner_work(&mut self) {
        if self.scanner_at.is_some() {
            return;
        }
        let job = self.waiting.iter_mut().enumerate().find_map(|(n, waiting)| waiting.take(n));
        if let Some(job) = job {
            self.scanner_at = Some((job.gone.clone(), Instant::now()));
            // The scanner ends only with this sender.
            drop(self.scanner.send(Task::Look(job)));
        }
    }

    fn scanner_done(&mut self, report: ScanOutcome) -> Result<(), JobError> {
        let (gone, _) = self.scanner_at.take().unwrap_or_else(|| (Vec::new(), Instant::now()));
        let mailbox = &self.station.mailboxes[report.mailbox];
        let name = &mailbox.name;
        match &report.outcome {
            Ok(findings) => {
                findings.iter().for_each(|f| self.sink.tell(&Notice::MailboxFinding(name, f)));
            }
            // Without its catalogue the daemon knows nothing: end, and be started anew.
            Err(JobError::Catalogue(_) | JobError::State(_)) => {
                report.outcome?;
            }
            Err(error) => self.sink.tell(&Notice::MailboxAway(mailbox, error)),
        }
        if report.wants_whole {
            // A folder was renamed into the mailbox, or out of it.
            self.waiting[report.mailbox].again(gone);
            self.again_at[report.mailbox] = Some(Instant::now() + NEW_FOLDER_LOOKED_AT_AGAIN);
        }
        self.settle_at = report
            .due_in
            .and_then(|ms| u64::try_from(ms).ok())
            .map(|ms| Instant::now() + Duration::from_millis(ms));
        let changed = report.change_no != self.change_no;
        if changed || report.unsettled {
            self.monitor.looked(Instant::now(), (report.change_no, report.at));
        }
        if changed {
            self.change_no = report.change_no;
        }
        if changed || report.is_back {
            self.drives.want_all();
            self.reporter.changed(Instant::now());
        }
        Ok(())
    }

    fn answer(&mut self, request: Request, reply_to: ReplyTo) -> Result<(), JobError> {
        if let Request::Afresh(id) = &request {
            self.drives.restore_trust(id)?;
        }
        if let Request::Forget { id, why, place } = &request {
            let refusal = match self.drives.forget(id, why, place.as_deref()) {
                Err(error) if !error.is_damaged_catalogue() => Some(error.to_string()),
                done => done?,
            };
            if let Some(refusal) = refusal {
                // Whoever asked may have gone.
                drop(reply_to.send(Answer::Refused(refusal)));
                return Ok(());
            }
            // What was safe by that drive alone is not any more.
            self.monitor.begin_again(Instant::now());
            self.reporter.changed(Instant::now());
        }
        if let Request::LetNextIn { seconds, before } = &request {
            let within = Duration::from_secs(*seconds);
            self.drives.let_next_in(within, before.clone())?;
            self.sink.tell(&Notice::NextLetIn(within));
        }
        if matches!(request, Request::Look | Request::Afresh(_)) {
            self.drives.refresh()?;
        }
        match request {
            // Whoever asked may have gone.
            Request::Drives
            | Request::Look
            | Request::Afresh(_)
            | Request::LetNextIn { .. }
            | Request::Forget { .. } => drop(reply_to.send(self.drives.describe())),
            Request::Release(name) => self.drives.release(&name, reply_to),
        }
        Ok(())
    }

    /// Lets every worker end its batch, for a while.
    async fn wind_down(&mut self, events: &mut Receiver<Event>) {
        self.drives.stop();
        let patience = Instant::now() + STOP_PATIENCE;
        while self.drives.at_work().next().is_some() || self.scanner_at.is_some() {
            tokio::select! {
                event = events.recv() => match event {
                    Some(Event::Drive(number, round, after)) => {
                        self.drives.done(number, &round, &after);
                    }
                    Some(Event::Reread(number, report)) => self.drives.reread_done(number, &report),
                    Some(Event::LetGo(number, result)) => self.drives.released(number, result),
                    Some(Event::Scanner(_)) => self.scanner_at = None,
                    Some(_) => {}
                    None => return,
                },
                // A timer that does not work ends the wait.
                _ = self.timer.until(patience) => break,
            }
        }
        for label in self.drives.at_work() {
            self.sink.tell(&Notice::LeftWorking(label));
        }
    }
}

/// Which folder a mailbox is now.
fn root_of(mailbox: &MailboxRef) -> Option<(u64, u64)> {
    MailboxDir::open(&mailbox.path).ok()?.identity().ok()
}

fn folder_watches(folders: &[PathBuf], station: &Station, hints: &Hints) -> Vec<FolderWatch> {
    let roots: Vec<PathBuf> =
        station.mailboxes.iter().map(|m| crate::disk::host::resolved(&m.path)).collect();
    let drives = FolderWatch::new(folders, |_| Event::DrivesChanged, hints.clone());
    let mailboxes = FolderWatch::new(&roots, Event::RootChanged, hints.clone());
    // Without them the timer finds what comes and goes.
    [drives, mailboxes].into_iter().flatten().collect()
}

fn milliseconds(span: Duration) -> i64 {
    i64::try_from(span.as_millis()).unwrap_or(i64::MAX / 4)
}
