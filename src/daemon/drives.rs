//! All drives of the daemon: which there are, and the worker of each.
//! Never waits for a drive: of one that hangs it only knows that it does.

use super::control::{Answer, ReplyTo};
use super::drive::Drive;
use super::drive_state::DriveEvent;
use super::events::{EventSink, LoopEvent, Notice, ScrubOutcome, SyncFollowUp};
use super::service::Service;
use super::settings::FindDrives;
use super::timers::{DriveTimer, Timer, Timers};
use super::worker::{Worker, WorkerContext, WorkerSignals};
use crate::disk::mounts::MountKey;
use crate::disk::{StoppableVolumeSource, VolumeFacts};
use crate::job::catalogue::Catalogue;
use crate::job::sync_drive::SyncOutcome;
use crate::job::{DriveRef, JobError};
use crate::model::limits::DRIVES_MAX;
use crate::model::{DriveId, DriveLoss};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc;
use std::time::Duration;
use tokio::sync::mpsc::Sender;
use tokio::time::Instant;

/// The drives of the daemon: the named folders, and the removable drives that are mounted.
pub(super) struct Drives<'a> {
    /// By number; a number is never used again, so that a late report of a removed drive is not taken for another's.
    drives: BTreeMap<usize, Drive<'a>>,
    next: usize,
    find: Box<FindDrives>,
    context: Arc<WorkerContext>,
    events: Sender<LoopEvent>,
    timers: &'a Timers<Timer>,
    sink: &'a dyn EventSink,
    service: Service,
    /// Label and state of each drive as last sent to the service manager.
    status: Vec<(String, &'static str)>,
}

impl<'a> Drives<'a> {
    pub(super) fn new(
        find: Box<FindDrives>,
        context: WorkerContext,
        events: Sender<LoopEvent>,
        timers: &'a Timers<Timer>,
        sink: &'a dyn EventSink,
        service: Service,
    ) -> Self {
        Self {
            drives: BTreeMap::new(),
            next: 0,
            find,
            context: Arc::new(context),
            events,
            timers,
            sink,
            service,
            status: Vec::new(),
        }
    }

    /// Adds a drive and starts its worker.
    pub(super) fn add(&mut self, mount: Option<MountKey>, drive: DriveRef) -> Result<(), JobError> {
        let number = self.next;
        self.next += 1;
        let signals = WorkerSignals::default();
        let (stop, context) = (Arc::clone(&signals.stop), Arc::clone(&self.context));
        let is_stopped =
            move || stop.load(Ordering::Relaxed) || context.stop.load(Ordering::Relaxed);
        let volume_source =
            Arc::new(StoppableVolumeSource::new(drive.volume_source, Arc::new(is_stopped)));
        let drive_ref = DriveRef { volume_source, ..drive };
        let (jobs, queue) = mpsc::channel();
        let drive =
            Drive::new(number, mount, &drive_ref, signals.clone(), jobs, self.timers, self.sink);
        let context = Arc::clone(&self.context);
        let worker = Worker { number, drive: drive_ref, signals, context };
        let events = self.events.clone();
        super::spawn(format!("drive-{number}"), move || worker.run(&queue, &events))?;
        self.drives.insert(number, drive);
        Ok(())
    }

    /// Finds the removable drives that are mounted now: adds new ones, drops those that are gone. The worker of a
    /// dropped drive ends with its last job, however long that takes.
    pub(super) fn refresh(&mut self) -> Result<(), JobError> {
        let found = (self.find)();
        let is_gone = |drive: &Drive<'_>| {
            drive.mount.as_ref().is_some_and(|key| !found.iter().any(|(other, _)| other == key))
        };
        for (number, drive) in self.drives.extract_if(.., |_, drive| is_gone(drive)) {
            self.sink.emit(&Notice::Unmounted(&drive.label));
            self.timers.remove(|timer| matches!(timer, Timer::Drive(of, _) if *of == number));
            drive.interrupt_scrub();
            drive.refuse_release("it was unmounted or pulled out");
        }
        for (key, drive) in found {
            if self.drives.values().any(|known| known.mount.as_ref() == Some(&key)) {
                continue;
            }
            if self.drives.len() >= DRIVES_MAX {
                self.sink.emit(&Notice::TooMany(&drive.label));
                continue;
            }
            self.sink.emit(&Notice::Mounted { label: &drive.label, at: &drive.path });
            self.add(Some(key), drive)?;
        }
        for drive in self.drives.values_mut().filter(|drive| drive.is_removed()) {
            drive.handle(DriveEvent::Removed, None);
        }
        // There may be another drive in a folder now; what is mounted with the same key is the same drive.
        self.sync_each(|_, drive| drive.mount.is_none() || !drive.needs_nothing());
        self.send_status();
        Ok(())
    }

    /// Starts a sync of every drive.
    pub(super) fn sync_all(&mut self) {
        self.sync_each(|_, _| true);
        self.send_status();
    }

    fn sync_each(&mut self, which: impl Fn(usize, &Drive<'_>) -> bool) {
        for (_, drive) in self.drives.iter_mut().filter(|(number, drive)| which(**number, drive)) {
            drive.handle(DriveEvent::SyncRequested, None);
        }
    }

    /// A worker has ended a sync. One whose drive was dropped is ignored.
    pub(super) fn sync_done(
        &mut self,
        number: usize,
        sync: &SyncOutcome,
        follow_up: &SyncFollowUp,
    ) {
        let may_work = !self.context.stop.load(Ordering::Relaxed);
        let is_new = match self.drives.get_mut(&number) {
            Some(drive) => {
                let was_identified = drive.is_identified();
                drive.sync_done(sync, follow_up, may_work);
                !was_identified && drive.is_identified()
            }
            None => false,
        };
        let others_need_pass = sync.outcome.as_ref().is_ok_and(|report| report.others_need_pass);
        if others_need_pass && may_work {
            self.sync_each(|other, _| other != number);
        }
        if is_new && may_work {
            // It may have what others have lost.
            self.sync_each(|other, drive| other != number && drive.has_unrecoverable);
        }
        self.send_status();
    }

    /// Whether a timer of a drive may fire now. Scrub steps are taken one at a time, while nothing is done on
    /// any drive, so that all drives together keep to the rate.
    pub(super) fn may_fire(&self, number: usize, timer: DriveTimer) -> bool {
        let may_scrub =
            || !self.timers.is_set(&Timer::ScrubPause) && self.drives.values().all(Drive::is_quiet);
        self.drives.get(&number).is_some_and(|drive| drive.may_fire(timer))
            && (timer != DriveTimer::Scrub || may_scrub())
    }

    /// A timer of a drive has fired.
    pub(super) fn on_timer(&mut self, number: usize, timer: DriveTimer) {
        if let Some(drive) = self.drives.get_mut(&number) {
            drive.on_timer(timer);
        }
        self.send_status();
    }

    /// Takes note of the progress of all workers.
    pub(super) fn note_progress(&mut self, now: Instant) {
        self.drives.values_mut().for_each(|drive| drive.note_progress(now));
    }

    /// A worker has taken its scrub step.
    pub(super) fn scrub_done(&mut self, number: usize, report: &ScrubOutcome) {
        self.timers.set(Timer::ScrubPause, report.begun.checked_add(report.at_least));
        let altered = report.step.as_ref().is_ok_and(|step| !step.altered.is_empty());
        if let Some(drive) = self.drives.get_mut(&number) {
            drive.scrub_done(report);
        }
        if altered && !self.context.stop.load(Ordering::Relaxed) {
            self.sync_each(|_, _| true);
        }
        self.send_status();
    }

    /// Trusts a drive again that was found not to keep what it is given.
    pub(super) fn restore_trust(&self, id: &str) -> Result<(), JobError> {
        let Ok(id) = id.parse() else { return Ok(()) };
        let (catalogue, _) = Catalogue::open(&self.context.state)?;
        if let Some(drive) = catalogue.drive(id)? {
            catalogue.restore_trust(drive.row, self.context.clock.event_time().time)?;
        }
        Ok(())
    }

    /// Lets the next new stick in, as the operator decided.
    pub(super) fn let_next_in(
        &self,
        within: Duration,
        before: Vec<String>,
    ) -> Result<(), JobError> {
        let (catalogue, _) = Catalogue::open(&self.context.state)?;
        catalogue.let_next_in(within, before, &*self.context.clock)
    }

    /// Gives a drive up, as its operator decided. Returns why it cannot be, if it cannot.
    pub(super) fn forget(
        &mut self,
        id: &str,
        why: &str,
        place: Option<&str>,
    ) -> Result<Option<String>, JobError> {
        let (catalogue, _) = Catalogue::open(&self.context.state)?;
        let known = id.parse::<DriveId>().ok().zip(DriveLoss::from_text(why));
        let Some((id, why)) = known else {
            return Ok(Some(format!("drive {id}, {why}: not understood")));
        };
        let Some(drive) = catalogue.drive(id)? else {
            return Ok(Some(format!("no drive {id} is known here")));
        };
        catalogue.forget_drive(drive.row, why, place, self.context.clock.event_time().time)?;
        self.drives.values_mut().filter(|drive| drive.has_id(id)).for_each(Drive::resync);
        self.send_status();
        Ok(None)
    }

    /// A worker has released its drive, or could not.
    pub(super) fn release_done(&mut self, number: usize, result: Result<VolumeFacts, JobError>) {
        if let Some(drive) = self.drives.get_mut(&number) {
            drive.release_done(result);
        }
        self.send_status();
    }

    /// The status of all drives.
    pub(super) fn status(&self) -> Answer {
        let now = Instant::now();
        Answer::Drives(self.drives.values().map(|drive| drive.status(now)).collect())
    }

    /// Releases the one drive that has a name.
    pub(super) fn release(&mut self, name: &str, reply_to: ReplyTo) {
        let mut named = self.drives.values_mut().filter(|drive| drive.is_called(name));
        let refusal = match (named.next(), named.next()) {
            (Some(drive), None) => return drive.release(reply_to),
            (None, _) => format!("no drive {name} is served: counterfoil status lists them"),
            (Some(_), Some(_)) => format!("several drives are called {name}: give its path"),
        };
        // Whoever asked may have gone.
        drop(reply_to.send(Answer::Refused(refusal)));
    }

    /// Asks every worker to end at the next safe point.
    pub(super) fn stop(&self) {
        self.context.stop.store(true, Ordering::Relaxed);
    }

    /// The labels of the drives whose workers are at work.
    pub(super) fn busy_labels(&self) -> impl Iterator<Item = &str> {
        self.drives.values().filter(|drive| drive.is_at_work()).map(|drive| drive.label.as_str())
    }

    /// Sends the state of each drive to the service manager, if any has changed.
    fn send_status(&mut self) {
        let states = self.drives.values().map(|drive| (drive.label.clone(), drive.state.as_str()));
        if !states.clone().eq(self.status.iter().cloned()) {
            self.status = states.collect();
            let words: Vec<_> = self.status.iter().map(|(l, s)| (l.as_str(), *s)).collect();
            self.service.status(&self.sink.status(&words));
        }
    }
}
