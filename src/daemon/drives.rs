//! All drives as the loop sees them: which are served, by which worker, and what each is told to do.
//! Never waits for a drive: a hung one is only seen to be hung.

use super::control::{Answer, ReplyTo};
use super::drive_state::{DriveEvent, DriveState};
use super::events::{Event, EventSink, Notice};
use super::outcome::{PassFollowUp, ScrubOutcome};
use super::service::Service;
use super::settings::Find;
use super::slots::Slot;
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

/// The drives served.
pub(super) struct Drives<'a> {
    /// By number; a number is not used again, so that a late report finds nobody.
    slots: BTreeMap<usize, Slot>,
    next: usize,
    find: Box<Find>,
    context: Arc<WorkerContext>,
    events: Sender<Event>,
    sink: &'a dyn EventSink,
    service: Service,
    /// The states of the drives as last told to the service manager.
    status: Vec<(String, DriveState)>,
    /// Before this no drive is re-read: the last step came quicker than its bytes may.
    reread_from: Option<Instant>,
}

impl<'a> Drives<'a> {
    pub(super) fn new(
        find: Box<Find>,
        context: WorkerContext,
        events: Sender<Event>,
        sink: &'a dyn EventSink,
        service: Service,
    ) -> Self {
        Self {
            slots: BTreeMap::new(),
            next: 0,
            find,
            context: Arc::new(context),
            events,
            sink,
            service,
            status: Vec::new(),
            reread_from: None,
        }
    }

    /// Serves a drive from now on: a named folder, or one found mounted.
    pub(super) fn add(&mut self, mount: Option<MountKey>, drive: DriveRef) -> Result<(), JobError> {
        let number = self.next;
        self.next += 1;
        let signals = WorkerSignals::default();
        let (stop, place) = (Arc::clone(&signals.stop), Arc::clone(&self.context));
        let asked = move || stop.load(Ordering::Relaxed) || place.stop.load(Ordering::Relaxed);
        let volume_source =
            Arc::new(StoppableVolumeSource::new(drive.volume_source, Arc::new(asked)));
        let drive = DriveRef { volume_source, ..drive };
        let (jobs, waiting) = mpsc::channel();
        let slot = Slot::new(mount, &drive, signals.clone(), jobs);
        let worker = Worker { number, drive, signals, context: Arc::clone(&self.context) };
        let to = self.events.clone();
        super::spawn(format!("drive-{number}"), move || worker.run(&waiting, &to))?;
        self.slots.insert(number, slot);
        Ok(())
    }

    /// Looks which removable drives are mounted now: serves those that came, drops those that went. Its
    /// worker ends with its last piece of work, however long that takes.
    pub(super) fn refresh(&mut self) -> Result<(), JobError> {
        let found = (self.find)();
        let went = |slot: &Slot| {
            slot.mount.as_ref().is_some_and(|key| !found.iter().any(|(other, _)| other == key))
        };
        for (_, slot) in self.slots.extract_if(.., |_, slot| went(slot)) {
            self.sink.tell(&Notice::Went(&slot.label));
            slot.interrupt();
            slot.refuse("it was unmounted or pulled out");
        }
        for (key, drive) in found {
            if self.slots.values().any(|slot| slot.mount.as_ref() == Some(&key)) {
                continue;
            }
            if self.slots.len() >= DRIVES_MAX {
                self.sink.tell(&Notice::TooMany(&drive.label));
                continue;
            }
            self.sink.tell(&Notice::Came { label: &drive.label, at: &drive.at });
            self.add(Some(key), drive)?;
        }
        for slot in self.slots.values_mut().filter(|slot| slot.has_left()) {
            slot.happen(DriveEvent::Left, None, self.sink);
        }
        // A folder may have another drive in it now; a mount that is served is the same as before.
        self.want(|slot| slot.mount.is_none() || !slot.is_served());
        Ok(())
    }

    /// Sends every worker.
    pub(super) fn want_all(&mut self) {
        self.want(|_| true);
    }

    fn want(&mut self, which: impl Fn(&Slot) -> bool) {
        for slot in self.slots.values_mut().filter(|slot| which(slot)) {
            slot.happen(DriveEvent::Wanted, None, self.sink);
        }
        self.tell_status();
    }

    /// A worker has done its piece of work. One of a drive that is served no more has nobody to tell.
    pub(super) fn done(&mut self, number: usize, round: &SyncOutcome, after: &PassFollowUp) {
        let may_work = !self.context.stop.load(Ordering::Relaxed);
        let came = match self.slots.get_mut(&number) {
            Some(slot) => {
                let came = !slot.is_known();
                slot.done(round, after, self.sink, may_work);
                came && slot.is_known()
            }
            None => false,
        };
        let learnt = round.outcome.as_ref().is_ok_and(|report| report.learnt);
        if learnt && may_work {
            let others = self.slots.iter_mut().filter(|(n, _)| **n != number);
            others.for_each(|(_, slot)| slot.happen(DriveEvent::Wanted, None, self.sink));
        }
        if came && may_work {
            // It may hold what others have lost.
            let lacking = self.slots.iter_mut().filter(|(n, slot)| **n != number && slot.lacks);
            lacking.for_each(|(_, slot)| slot.happen(DriveEvent::Wanted, None, self.sink));
        }
        self.tell_status();
    }

    /// Takes a step of the drive whose next one is due first, if no drive is at work. One at a time, so that all
    /// together keep to the rate.
    pub(super) fn reread(&mut self, now: Instant) {
        if self.reread_deadline().is_some_and(|at| at <= now) {
            let waiting = self.slots.values_mut().filter(|slot| slot.next_step().is_some());
            if let Some(slot) = waiting.min_by_key(|slot| slot.next_step()) {
                slot.reread();
            }
        }
    }

    /// When that is; `None` while a drive is at work, which makes an event when it ends.
    pub(super) fn reread_deadline(&self) -> Option<Instant> {
        if !self.slots.values().all(Slot::is_quiet) {
            return None;
        }
        let due = self.slots.values().filter_map(Slot::next_step).min()?;
        Some(self.reread_from.map_or(due, |from| due.max(from)))
    }

    /// A worker has taken its step.
    pub(super) fn reread_done(&mut self, number: usize, report: &ScrubOutcome) {
        self.reread_from = report.begun.checked_add(report.at_least);
        let altered = report.step.as_ref().is_ok_and(|step| !step.altered.is_empty());
        if let Some(slot) = self.slots.get_mut(&number) {
            slot.reread_done(report, self.sink);
        }
        if altered && !self.context.stop.load(Ordering::Relaxed) {
            self.want_all();
        }
        self.tell_status();
    }

    /// Forgets what was held against a drive.
    pub(super) fn restore_trust(&self, id: &str) -> Result<(), JobError> {
        let Ok(id) = id.parse() else { return Ok(()) };
        let (catalogue, _) = Catalogue::open(&self.context.state)?;
        if let Some(drive) = catalogue.drive(id)? {
            catalogue.restore_trust(drive.row, self.context.clock.stamp().time)?;
        }
        Ok(())
    }

    /// Lets the next new stick in by its operator's word.
    pub(super) fn let_next_in(
        &self,
        within: Duration,
        before: Vec<String>,
    ) -> Result<(), JobError> {
        let (catalogue, _) = Catalogue::open(&self.context.state)?;
        catalogue.let_next_in(within, before, &*self.context.clock)
    }

    /// Gives a drive up by its operator's word; why it cannot be, if it cannot.
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
        catalogue.forget_drive(drive.row, why, place, self.context.clock.stamp().time)?;
        for slot in self.slots.values_mut().filter(|slot| slot.has_id(id)) {
            slot.look_again(self.sink);
        }
        self.tell_status();
        Ok(None)
    }

    /// A worker has let go of its drive, or could not.
    pub(super) fn released(&mut self, number: usize, result: Result<VolumeFacts, JobError>) {
        if let Some(slot) = self.slots.get_mut(&number) {
            slot.let_go_done(result, self.sink);
        }
        self.tell_status();
    }

    /// Tells how the drives are.
    pub(super) fn describe(&self) -> Answer {
        let now = Instant::now();
        Answer::Drives(self.slots.values().map(|slot| slot.served(now)).collect())
    }

    /// Lets go of the one drive that has a name.
    pub(super) fn release(&mut self, name: &str, reply_to: ReplyTo) {
        let mut named = self.slots.values_mut().filter(|slot| slot.is_called(name));
        let refusal = match (named.next(), named.next()) {
            (Some(slot), None) => return slot.release(reply_to),
            (None, _) => format!("no drive {name} is served: counterfoil status lists them"),
            (Some(_), Some(_)) => format!("several drives are called {name}: give its path"),
        };
        // Whoever asked may have gone.
        drop(reply_to.send(Answer::Refused(refusal)));
    }

    /// Whatever a deadline of a drive has passed for.
    pub(super) fn on_time(&mut self, now: Instant) {
        for slot in self.slots.values_mut() {
            slot.on_time(now, self.sink);
        }
        self.tell_status();
    }

    /// The next deadline of any drive.
    pub(super) fn deadline(&self) -> Option<Instant> {
        self.slots.values().filter_map(Slot::deadline).min()
    }

    /// Asks every worker to end at the next safe point.
    pub(super) fn stop(&self) {
        self.context.stop.store(true, Ordering::Relaxed);
    }

    /// The drives whose workers are at work.
    pub(super) fn at_work(&self) -> impl Iterator<Item = &str> {
        self.slots.values().filter(|slot| slot.busy || slot.reading).map(|slot| slot.label.as_str())
    }

    /// Tells the service manager what each drive is doing, if that is news.
    fn tell_status(&mut self) {
        let states = self.slots.values().map(|s| (s.label.clone(), s.state));
        if !states.clone().eq(self.status.iter().cloned()) {
            self.status = states.collect();
            let words: Vec<_> = self.status.iter().map(|(l, s)| (l.as_str(), *s)).collect();
            self.service.status(&self.sink.status(&words));
        }
    }
}
