//! The loop: receives events, fires timers, sends jobs to the scanner and the workers. One thread, which never waits
//! for a disk: everything slow happens in the threads of the scanner and the workers.

use super::control::{Answer, ReplyTo, Request};
use super::drives::Drives;
use super::events::{EventSink, LoopEvent, Notice, ScanOutcome};
use super::mailboxes::WatchedMailbox;
use super::overdue::OverdueMonitor;
use super::reporter::Reporter;
use super::scanner::{self, Scanner, ScannerJob};
use super::service::Service;
use super::settings::{ReloadSettings, Settings};
use super::sources::{FolderWatch, Hints};
use super::timer_fd::TimerFd;
use super::timers::{DriveTimer, RESCAN, Timer, Timers};
use super::worker::WorkerContext;
use crate::disk::host;
use crate::job::replica::PresentDrives;
use crate::job::report::card_use::written_by_this_process;
use crate::job::scan::mailboxes::note_drives_beneath;
use crate::job::sync_drive::SyncOutcome;
use crate::job::{JobError, MailboxRef};
use crate::model::limits::STOP_PATIENCE;
use crate::model::{Clock, RelName, StationName};
use std::cell::RefCell;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicU64};
use std::sync::{Arc, mpsc};
use std::time::Duration;
use tokio::sync::mpsc::{Receiver, Sender};
use tokio::time::Instant;

/// How long the scanner may be at one job before the watchdog gets no more signs of life: a scan of a million messages
/// on a board takes minutes.
const SCANNER_PATIENCE: Duration = Duration::from_secs(1800);

/// How the loop ended.
pub(super) enum LoopEnd {
    /// It was to stop.
    Stopped,
    /// There is a new config.
    Reloaded(Box<Settings>),
}

/// The scanner's job that is under way.
struct ScanUnderWay {
    since: Instant,
    /// The deletions that it knows of: they are needed again if hints were not enough.
    gone: Vec<RelName>,
}

/// The daemon, from one reading of the config to the next.
pub(super) struct Daemon<'a> {
    sink: &'a dyn EventSink,
    timers: &'a Timers<Timer>,
    service: Service,
    station: StationName,
    scan_every: Duration,
    drives: Drives<'a>,
    mailboxes: Vec<WatchedMailbox>,
    scanner: mpsc::Sender<ScannerJob>,
    scan: Option<ScanUnderWay>,
    /// The catalogue's last change for which the drives were synced.
    change_no: u64,
    timer_fd: TimerFd,
    reporter: Reporter<'a>,
    monitor: OverdueMonitor<'a>,
    hints: Hints,
    _folders: Vec<FolderWatch>,
}

impl<'a> Daemon<'a> {
    pub(super) fn start(
        settings: Settings,
        events: &Sender<LoopEvent>,
        sink: &'a dyn EventSink,
        timers: &'a Timers<Timer>,
        service: Service,
        clock: Arc<dyn Clock>,
    ) -> Result<Self, JobError> {
        let station = &settings.station;
        let catalogue = scanner::open_catalogue(&settings.state, station, &*clock)?;
        catalogue.count_same_device(settings.count_same_device)?;
        note_drives_beneath(&catalogue, station)?;
        let messages = Arc::clone(catalogue.messages());
        let scanner = Scanner {
            catalogue,
            mailboxes: station.mailboxes.clone(),
            ignore: settings.ignore.clone(),
            settle: i64::try_from(settings.settle.as_millis()).unwrap_or(i64::MAX / 4),
            churn: settings.churn,
            clock: Arc::clone(&clock),
            station: station.name.clone(),
            wanted_copies: settings.wanted_copies,
            away: RefCell::default(),
        };
        let (scanner_jobs, queue) = mpsc::channel();
        let to = events.clone();
        super::spawn("scanner".to_owned(), move || scanner.run(&queue, &to))?;
        let context = WorkerContext {
            messages,
            syncing: AtomicU64::new(0),
            station: station.name.clone(),
            mailboxes: station.mailboxes.clone(),
            ignore: settings.ignore,
            state: settings.state,
            extras: settings.extras,
            clock,
            scrub: settings.scrub,
            prune: settings.prune,
            present_drives: PresentDrives::default(),
            stop: AtomicBool::new(false),
        };
        let mut drives = Drives::new(settings.find, context, events.clone(), timers, sink, service);
        for drive in settings.drives {
            drives.add(None, drive)?;
        }
        let hints = Hints::new(events.clone());
        let folders = folder_watches(&settings.folders, &station.mailboxes, &hints);
        let now = Instant::now();
        timers.set(Timer::Scan, now);
        timers.set(Timer::Watchdog, service.watchdog_every().map(|_| now));
        let mut daemon = Self {
            sink,
            timers,
            service,
            mailboxes: station.mailboxes.iter().cloned().map(WatchedMailbox::new).collect(),
            station: settings.station.name,
            scan_every: settings.scan_every,
            drives,
            scanner: scanner_jobs,
            scan: None,
            change_no: 0,
            timer_fd: TimerFd::new()?,
            reporter: Reporter::new(settings.report, timers),
            monitor: OverdueMonitor::new(settings.notify, timers),
            hints,
            _folders: folders,
        };
        daemon.start_watches(|_| true);
        service.ready();
        Ok(daemon)
    }

    /// Watches mailboxes, anew where they were watched before.
    fn start_watches(&mut self, which: impl Fn(&WatchedMailbox) -> bool) {
        for (number, mailbox) in self.mailboxes.iter_mut().enumerate() {
            if which(mailbox) {
                mailbox.start_watch(number, &self.hints, self.sink);
            }
        }
    }

    /// Runs until it is to end. If it ends in an error, the workers are stopped too.
    pub(super) async fn run(
        &mut self,
        events: &mut Receiver<LoopEvent>,
        reload: &mut ReloadSettings<'_>,
    ) -> Result<LoopEnd, JobError> {
        let ended = self.run_loop(events, reload).await;
        if ended.is_err() {
            self.wind_down(events).await;
        }
        ended
    }

    async fn run_loop(
        &mut self,
        events: &mut Receiver<LoopEvent>,
        reload: &mut ReloadSettings<'_>,
    ) -> Result<LoopEnd, JobError> {
        self.drives.refresh()?;
        loop {
            self.fire_timers()?;
            self.start_scan();
            let deadline = self.timers.deadline(|timer| self.may_fire(timer));
            let event = tokio::select! {
                event = events.recv() => event,
                fired = self.timer_fd.until(deadline) => {
                    fired?;
                    continue;
                }
            };
            match event {
                None | Some(LoopEvent::Stop) => {
                    self.service.stopping();
                    self.wind_down(events).await;
                    return Ok(LoopEnd::Stopped);
                }
                Some(LoopEvent::Reload) => {
                    self.service.reloading();
                    match reload() {
                        Ok(new) => {
                            self.sink.emit(&Notice::Reloaded);
                            self.wind_down(events).await;
                            return Ok(LoopEnd::Reloaded(Box::new(new)));
                        }
                        Err(why) => {
                            self.sink.emit(&Notice::ReloadRefused(&why));
                            self.service.ready();
                        }
                    }
                }
                Some(event) => self.handle(event)?,
            }
            if self.hints.were_lost() {
                self.mailboxes.iter_mut().for_each(|mailbox| mailbox.pending.scan_whole());
            }
        }
    }

    fn handle(&mut self, event: LoopEvent) -> Result<(), JobError> {
        match event {
            // They end the loop.
            LoopEvent::Stop | LoopEvent::Reload => {}
            LoopEvent::Scanned(outcome) => self.scan_done(outcome)?,
            LoopEvent::Overdue(overdue) => self.monitor.notify(&self.station, &overdue),
            LoopEvent::Synced(number, sync, follow_up) => {
                let sync = without_state_error(*sync)?;
                self.drives.sync_done(number, &sync, &follow_up);
                self.reporter.changed(Instant::now());
            }
            LoopEvent::Scrubbed(number, report) => {
                self.drives.scrub_done(number, &report);
                match report.step {
                    Err(error) if error.state_trouble().is_some() => return Err(error),
                    _ => {}
                }
            }
            LoopEvent::Released(number, result) => self.drives.release_done(number, result),
            LoopEvent::DrivesChanged => {
                self.start_watches(|mailbox| !mailbox.has_same_root());
                self.drives.refresh()?;
                self.reporter.changed(Instant::now());
            }
            LoopEvent::Requested(request, reply_to) => self.answer(request, reply_to)?,
            LoopEvent::RootChanged(number) => {
                self.mailboxes[number].start_watch(number, &self.hints, self.sink);
            }
            LoopEvent::Doubt(number) => self.mailboxes[number].pending.scan_whole(),
            LoopEvent::NewFolder(number) => {
                self.mailboxes[number].pending.scan_whole();
                self.timers.request(Timer::Rescan(number), Instant::now(), RESCAN);
            }
            LoopEvent::Touched(number, path) => self.mailboxes[number].pending.touch(path),
            LoopEvent::Gone(number, path) => self.mailboxes[number].pending.gone(path),
        }
        Ok(())
    }

    /// Whether a timer may fire now: drives are scrubbed only while nothing is to be done in the mailboxes.
    fn may_fire(&self, timer: &Timer) -> bool {
        match timer {
            Timer::Drive(_, DriveTimer::Scrub) if !self.is_quiet() => false,
            Timer::Drive(number, timer) => self.drives.may_fire(*number, *timer),
            _ => true,
        }
    }

    /// Whether no mailbox is scanned, nor is a scan or a confirmation due soon.
    fn is_quiet(&self) -> bool {
        let mut mailboxes = self.mailboxes.iter().enumerate();
        let is_quiet = |(number, mailbox): (usize, &WatchedMailbox)| {
            mailbox.pending.is_empty() && !self.timers.is_set(&Timer::Rescan(number))
        };
        self.scan.is_none() && !self.timers.is_set(&Timer::Confirm) && mailboxes.all(is_quiet)
    }

    /// Does what is due.
    fn fire_timers(&mut self) -> Result<(), JobError> {
        let now = Instant::now();
        self.drives.note_progress(now);
        while let Some(timer) = self.timers.pop(now, |timer| self.may_fire(timer)) {
            match timer {
                Timer::Scan => {
                    self.timers.set(Timer::Scan, now + self.scan_every);
                    self.start_watches(|mailbox| !mailbox.is_watched());
                    self.mailboxes.iter_mut().for_each(|mailbox| mailbox.pending.scan_whole());
                    self.drives.refresh()?;
                }
                Timer::Confirm => {
                    self.mailboxes.iter_mut().for_each(|mailbox| mailbox.pending.confirm());
                }
                Timer::Rescan(number) => self.mailboxes[number].pending.scan_whole(),
                Timer::Watchdog => {
                    let next = self.service.watchdog_every().map(|every| now + every);
                    self.timers.set(Timer::Watchdog, next);
                    // A hung drive must not end the daemon; a scanner that never comes back must.
                    if self.scan.as_ref().is_none_or(|scan| now - scan.since < SCANNER_PATIENCE) {
                        self.service.alive();
                    }
                }
                Timer::Report => self.reporter.write(),
                Timer::Overdue => {
                    if let Some(span) = self.monitor.on_timer() {
                        // The scanner ends only with this sender.
                        drop(self.scanner.send(ScannerJob::Overdue(span)));
                    }
                }
                Timer::ScrubPause => {}
                Timer::Drive(number, timer) => self.drives.on_timer(number, timer),
            }
        }
        Ok(())
    }

    /// Sends the scanner its next job, if it has none.
    fn start_scan(&mut self) {
        if self.scan.is_some() {
            return;
        }
        let mut mailboxes = self.mailboxes.iter_mut().enumerate();
        if let Some(job) = mailboxes.find_map(|(number, mailbox)| mailbox.pending.take(number)) {
            self.scan = Some(ScanUnderWay { since: Instant::now(), gone: job.gone.clone() });
            // The scanner ends only with this sender.
            drop(self.scanner.send(ScannerJob::Scan(job)));
        }
    }

    fn scan_done(&mut self, scan: ScanOutcome) -> Result<(), JobError> {
        let gone = self.scan.take().map(|job| job.gone).unwrap_or_default();
        let now = Instant::now();
        let WatchedMailbox { mailbox, pending, .. } = &mut self.mailboxes[scan.mailbox];
        match &scan.outcome {
            Ok(findings) => {
                let notice = |found| self.sink.emit(&Notice::MailboxFinding(&mailbox.name, found));
                findings.iter().for_each(notice);
            }
            // Without its catalogue the daemon knows nothing: it ends, and is started anew.
            Err(JobError::Catalogue(_) | JobError::State(_)) => {
                scan.outcome?;
            }
            Err(error) => self.sink.emit(&Notice::MailboxAway(mailbox, error)),
        }
        if scan.needs_whole_scan {
            // A folder was renamed into the mailbox, or out of it.
            pending.retry_whole(gone);
            self.timers.request(Timer::Rescan(scan.mailbox), now, RESCAN);
        }
        self.timers.set(Timer::Confirm, scan.confirm_at);
        let changed = scan.change_no != self.change_no;
        if changed || scan.unsettled {
            self.monitor.scanned(now, (scan.change_no, scan.boot_ms));
        }
        self.change_no = scan.change_no;
        if changed || scan.is_back {
            self.drives.sync_all();
            self.reporter.changed(now);
        }
        Ok(())
    }

    fn answer(&mut self, request: Request, reply_to: ReplyTo) -> Result<(), JobError> {
        let now = Instant::now();
        let refusal = match request {
            Request::Drives => None,
            Request::Trust(id) => {
                self.drives.restore_trust(&id)?;
                self.drives.refresh()?;
                None
            }
            Request::Forget { id, why, place } => {
                let refusal = match self.drives.forget(&id, &why, place.as_deref()) {
                    Err(error) if !error.is_damaged_catalogue() => Some(error.to_string()),
                    done => done?,
                };
                if refusal.is_none() {
                    // What only that drive made safe is not safe any more.
                    self.monitor.begin_again(now);
                    self.reporter.changed(now);
                }
                refusal
            }
            Request::LetNextIn { seconds, before } => {
                let within = Duration::from_secs(seconds);
                self.drives.let_next_in(within, before)?;
                self.sink.emit(&Notice::NextLetIn(within));
                None
            }
            Request::Written => {
                drop(reply_to.send(Answer::Written(written_by_this_process())));
                return Ok(());
            }
            Request::Release(name) => {
                self.drives.release(&name, reply_to);
                return Ok(());
            }
        };
        let answer = refusal.map_or_else(|| self.drives.status(), Answer::Refused);
        // Whoever asked may have gone.
        drop(reply_to.send(answer));
        Ok(())
    }

    /// Stops the workers, and waits for a while until each has ended its batch.
    async fn wind_down(&mut self, events: &mut Receiver<LoopEvent>) {
        self.drives.stop();
        let patience = Instant::now() + STOP_PATIENCE;
        while self.drives.busy_labels().next().is_some() || self.scan.is_some() {
            tokio::select! {
                event = events.recv() => match event {
                    Some(LoopEvent::Synced(number, sync, follow_up)) => {
                        self.drives.sync_done(number, &sync, &follow_up);
                    }
                    Some(LoopEvent::Scrubbed(number, report)) => self.drives.scrub_done(number, &report),
                    Some(LoopEvent::Released(number, result)) => self.drives.release_done(number, result),
                    Some(LoopEvent::Scanned(_)) => self.scan = None,
                    Some(_) => {}
                    None => return,
                },
                // A timer that does not work ends the wait.
                _ = self.timer_fd.until(Some(patience)) => break,
            }
        }
        for label in self.drives.busy_labels() {
            self.sink.emit(&Notice::LeftWorking(label));
        }
    }
}

/// The outcome of a sync, unless it ended in trouble with the state folder: that is no trouble of the drive, and ends
/// the daemon.
fn without_state_error(sync: SyncOutcome) -> Result<SyncOutcome, JobError> {
    match sync.outcome {
        Err(error) if error.state_trouble().is_some() => Err(error),
        outcome => Ok(SyncOutcome { outcome, ..sync }),
    }
}

/// Watches the folders above the drives' folders and the mailboxes.
fn folder_watches(drives: &[PathBuf], mailboxes: &[MailboxRef], hints: &Hints) -> Vec<FolderWatch> {
    let roots: Vec<PathBuf> = mailboxes.iter().map(|m| host::resolved(&m.path)).collect();
    let drives = FolderWatch::new(drives, |_| LoopEvent::DrivesChanged, hints.clone());
    let mailboxes = FolderWatch::new(&roots, LoopEvent::RootChanged, hints.clone());
    // Where one cannot be watched, the timer finds what comes and goes.
    [drives, mailboxes].into_iter().flatten().collect()
}
