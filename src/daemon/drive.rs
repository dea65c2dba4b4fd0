//! One drive as the loop sees it: its state, what its worker is doing, who waits for it. Its state changes by the state
//! table alone.

use super::control::{Answer, DriveStatus, ReplyTo};
use super::drive_state::{DriveAction, DriveEvent, DriveState, next};
use super::events::{EventSink, Notice, ScrubOutcome, SyncFollowUp};
use super::timers::{DriveTimer, EXTRAS, Timer, Timers};
use super::worker::{WorkerJob, WorkerSignals};
use crate::disk::mounts::MountKey;
use crate::disk::{VolumeFacts, VolumeSource};
use crate::job::sync_drive::SyncOutcome;
use crate::job::{DriveRef, JobError};
use crate::model::limits::{
    DAYS_LEFT_LOW, RETRY_FIRST, RETRY_LONGEST, SAFE_TO_PULL_AFTER, SCRUB_PAUSE_AFTER_ERROR,
    STALLED_AFTER,
};
use crate::model::{DriveId, escape};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc;
use tokio::time::Instant;

/// One drive, as the loop sees it.
pub(super) struct Drive<'a> {
    number: usize,
    pub label: String,
    /// The mount that it is; a named folder is none.
    pub mount: Option<MountKey>,
    pub state: DriveState,
    /// What its worker was sent to do and has not reported on.
    work: Option<WorkInProgress>,
    /// Copies on it are lost that only another drive can give.
    pub has_unrecoverable: bool,
    full_soon: FullSoon,
    path: Vec<u8>,
    /// Its id, once a worker has read it.
    id: Option<DriveId>,
    volume_source: Arc<dyn VolumeSource>,
    signals: WorkerSignals,
    worker: mpsc::Sender<WorkerJob>,
    /// Who asked for it to be released and has no answer yet.
    release: Option<ReplyTo>,
    /// Another sync was requested during this one.
    sync_again: bool,
    /// Failures in a row, for the wait between attempts.
    failures: u32,
    /// The state and error of the last notice, so that the same is not said again at every attempt.
    noticed: Option<(&'static str, String)>,
    timers: &'a Timers<Timer>,
    sink: &'a dyn EventSink,
}

/// What a worker is doing, and how far it is.
struct WorkInProgress {
    job: WorkerJob,
    /// The worker's own count when it was last seen to make progress, and when that was.
    progress: u64,
    since: Instant,
    /// It has made none for [`STALLED_AFTER`].
    stalled: bool,
}

/// Whether there was a notice that the drive is full soon: one each time it becomes so.
#[derive(Debug, Default)]
struct FullSoon(bool);

impl FullSoon {
    /// The days left, if they call for a notice.
    fn notice(&mut self, days_left: Option<u64>) -> Option<u64> {
        let soon = days_left.filter(|days| *days < DAYS_LEFT_LOW);
        let was_soon = std::mem::replace(&mut self.0, soon.is_some());
        soon.filter(|_| !was_soon)
    }
}

impl<'a> Drive<'a> {
    pub(super) fn new(
        number: usize,
        mount: Option<MountKey>,
        drive: &DriveRef,
        signals: WorkerSignals,
        worker: mpsc::Sender<WorkerJob>,
        timers: &'a Timers<Timer>,
        sink: &'a dyn EventSink,
    ) -> Self {
        Self {
            number,
            label: drive.label.clone(),
            mount,
            state: DriveState::Away,
            work: None,
            has_unrecoverable: false,
            full_soon: FullSoon::default(),
            path: drive.path.clone(),
            id: None,
            volume_source: Arc::clone(&drive.volume_source),
            signals,
            worker,
            release: None,
            sync_again: false,
            failures: 0,
            noticed: None,
            timers,
            sink,
        }
    }

    fn timer(&self, timer: DriveTimer) -> Timer {
        Timer::Drive(self.number, timer)
    }

    /// Whether it has everything, or is getting it, or was released to its owner.
    pub(super) fn needs_nothing(&self) -> bool {
        use DriveState::{Copying, Released, Safe, Settling};
        matches!(self.state, Copying | Safe | Settling | Released(_))
    }

    /// Whether a worker has read its id.
    pub(super) fn is_identified(&self) -> bool {
        self.id.is_some()
    }

    /// Whether this is the drive with an id.
    pub(super) fn has_id(&self, id: DriveId) -> bool {
        self.id == Some(id)
    }

    /// Whether its worker is at work.
    pub(super) fn is_at_work(&self) -> bool {
        self.work.is_some()
    }

    /// Ends a scrub step.
    pub(super) fn interrupt_scrub(&self) {
        self.signals.interrupt.store(true, Ordering::Relaxed);
    }

    /// Whether a name means this drive: its label, path or id.
    pub(super) fn is_called(&self, name: &str) -> bool {
        escape::is_place(&self.label, &self.path, name)
            || self.id.is_some_and(|id| id.to_string() == name)
    }

    /// Whether it was released and is not there any more.
    pub(super) fn is_removed(&self) -> bool {
        match &self.state {
            DriveState::Released(facts) => !self.volume_source.still_present(facts),
            _ => false,
        }
    }

    /// Its status, for whoever asks.
    pub(super) fn status(&self, now: Instant) -> DriveStatus {
        let stalled = self.work.as_ref().filter(|work| work.stalled);
        DriveStatus {
            label: self.label.clone(),
            path: self.path.clone(),
            id: self.id.map(|id| id.to_string()),
            state: self.state.as_str().to_owned(),
            stalled_seconds: stalled.map(|work| (now - work.since).as_secs()),
        }
    }

    /// Releases it as soon as its worker can.
    pub(super) fn release(&mut self, reply_to: ReplyTo) {
        if let DriveState::Released(_) = self.state {
            // Whoever asked may have gone.
            return drop(reply_to.send(Answer::Released(self.status(Instant::now()))));
        }
        if let Some(before) = self.release.replace(reply_to) {
            drop(before.send(Answer::Refused("it was asked for once more".into())));
        }
        self.signals.stop.store(true, Ordering::Relaxed);
        if self.work.is_none() {
            self.start_release();
        }
    }

    /// Something is known of the drive that its worker has not seen: a sync ends at the next safe point, and another
    /// one follows.
    pub(super) fn resync(&mut self) {
        let syncs = self.work.as_ref().is_some_and(|work| work.job != WorkerJob::Scrub);
        if syncs && self.release.is_none() {
            self.signals.stop.store(true, Ordering::Relaxed);
        }
        self.handle(DriveEvent::SyncRequested, None);
    }

    /// Answers whoever asked for its release that it cannot be done.
    pub(super) fn refuse_release(self, why: &str) {
        if let Some(reply_to) = self.release {
            drop(reply_to.send(Answer::Refused(format!("{}: {why}", self.label))));
        }
    }

    fn start_release(&mut self) {
        self.signals.stop.store(false, Ordering::Relaxed);
        self.start(WorkerJob::Release);
    }

    /// Sends the worker to work and expects its report. Anything but a scrub ends a scrub step that is under way.
    fn start(&mut self, job: WorkerJob) {
        self.signals.interrupt.store(job != WorkerJob::Scrub, Ordering::Relaxed);
        let (progress, since) = (self.signals.progress.load(Ordering::Relaxed), Instant::now());
        self.work = Some(WorkInProgress { job, progress, since, stalled: false });
        self.timers.set(self.timer(DriveTimer::Stall), since + STALLED_AFTER);
        self.send(job);
    }

    fn send(&self, job: WorkerJob) {
        self.signals.queued.fetch_add(1, Ordering::Relaxed);
        // A worker ends only when this sender is dropped, so there is one to take it.
        if self.worker.send(job).is_err() {
            tracing::error!(drive = self.label, "the worker has ended: restart the daemon");
        }
    }

    fn end_work(&mut self, job: WorkerJob) {
        if self.work.take_if(|work| work.job == job).is_some() {
            self.timers.set(self.timer(DriveTimer::Stall), None);
        }
    }

    /// Whether nothing is done on it, nor is it in the second after a sync. A drive whose sync hangs counts as quiet.
    pub(super) fn is_quiet(&self) -> bool {
        let hangs = |work: &WorkInProgress| work.stalled && work.job != WorkerJob::Scrub;
        self.work.as_ref().is_none_or(hangs) && self.state != DriveState::Settling
    }

    /// Whether a timer may fire in the state in which the drive is.
    pub(super) fn may_fire(&self, timer: DriveTimer) -> bool {
        use DriveState::{Full, ReadOnly, Safe};
        let is_idle = self.work.is_none();
        match timer {
            DriveTimer::State | DriveTimer::Stall => true,
            DriveTimer::Extras => is_idle && self.state == Safe,
            DriveTimer::Scrub => {
                let rests = matches!(self.state, Safe | Full | ReadOnly);
                is_idle && rests && self.release.is_none()
            }
        }
    }

    /// One of its timers has fired.
    pub(super) fn on_timer(&mut self, timer: DriveTimer) {
        match timer {
            DriveTimer::State => self.handle(DriveEvent::TimerExpired, None),
            DriveTimer::Stall => {
                if let Some(work) = &mut self.work {
                    work.stalled = true;
                    self.sink.emit(&Notice::Stalled(&self.label));
                }
            }
            DriveTimer::Extras => self.send(WorkerJob::UpdateExtras),
            DriveTimer::Scrub => self.start(WorkerJob::Scrub),
        }
    }

    /// Takes note of its worker's progress since the last time.
    pub(super) fn note_progress(&mut self, now: Instant) {
        let progress = self.signals.progress.load(Ordering::Relaxed);
        if let Some(work) = self.work.as_mut().filter(|work| work.progress != progress) {
            (work.progress, work.since, work.stalled) = (progress, now, false);
            self.timers.set(self.timer(DriveTimer::Stall), now + STALLED_AFTER);
        }
    }

    /// The worker has taken a scrub step.
    pub(super) fn scrub_done(&mut self, report: &ScrubOutcome) {
        self.end_work(WorkerJob::Scrub);
        let (now, timer) = (Instant::now(), self.timer(DriveTimer::Scrub));
        let needs_sync = match &report.step {
            Ok(step) => {
                for found in &step.findings {
                    self.sink.emit(&Notice::DriveFinding(&self.label, found));
                }
                for (mailbox, found) in &step.altered {
                    self.sink.emit(&Notice::MailboxFinding(mailbox, found));
                }
                self.timers.set(timer, report.due.and_then(|wait| now.checked_add(wait)));
                step.lost
            }
            Err(error) => {
                tracing::debug!(%error, drive = self.label, "a scrub step ended in an error");
                // The sync that follows finds the cause and reports it.
                self.timers.set(timer, now);
                self.timers.postpone(timer, now + SCRUB_PAUSE_AFTER_ERROR);
                true
            }
        };
        if self.release.is_some() && self.work.is_none() {
            self.start_release();
        } else if needs_sync {
            self.handle(DriveEvent::SyncRequested, None);
        }
    }

    /// The worker has released it, or could not.
    pub(super) fn release_done(&mut self, result: Result<VolumeFacts, JobError>) {
        self.end_work(WorkerJob::Release);
        self.sync_again = false;
        let answer = match result {
            Ok(facts) => {
                self.handle(DriveEvent::Released(facts), None);
                Answer::Released(self.status(Instant::now()))
            }
            Err(error) => {
                self.handle(DriveEvent::of_error(&error), Some(&error));
                Answer::Refused(error.to_string())
            }
        };
        if let Some(reply_to) = self.release.take() {
            // Whoever asked may have gone; it is released all the same.
            drop(reply_to.send(answer));
        }
    }

    /// The worker has ended a sync. `may_work` says whether it may be sent again.
    pub(super) fn sync_done(
        &mut self,
        sync: &SyncOutcome,
        follow_up: &SyncFollowUp,
        may_work: bool,
    ) {
        self.end_work(WorkerJob::Sync);
        self.follow_up(follow_up);
        self.id = sync.drive.map(|(id, _)| id).or(self.id);
        let label = &self.label;
        for finding in &sync.findings {
            self.sink.emit(&Notice::DriveFinding(label, finding));
        }
        if let Ok(report) = &sync.outcome {
            if report.batches > 0 {
                self.noticed = None;
            }
            let extras = self.timer(DriveTimer::Extras);
            if report.batches > 0 || !self.timers.was_requested(&extras) {
                self.timers.request(extras, Instant::now(), EXTRAS);
            }
            if report.copied > 0 {
                let (messages, bytes) = (report.copied, report.bytes);
                self.sink.emit(&Notice::Mirrored { label, messages, bytes });
            }
            if !report.failed.is_empty() {
                self.sink.emit(&Notice::NotCopied { label, messages: report.failed_count() });
            }
        }
        let again = std::mem::take(&mut self.sync_again) && may_work;
        if self.release.is_none() {
            self.signals.stop.store(false, Ordering::Relaxed);
        }
        self.handle(DriveEvent::of_sync(sync), sync.outcome.as_ref().err());
        if self.release.is_some() {
            self.start_release();
        } else if again {
            self.handle(DriveEvent::SyncRequested, None);
        }
    }

    fn follow_up(&mut self, follow_up: &SyncFollowUp) {
        let scrub_due = follow_up.scrub_due.and_then(|wait| Instant::now().checked_add(wait));
        self.timers.set(self.timer(DriveTimer::Scrub), scrub_due);
        self.has_unrecoverable = follow_up.has_unrecoverable;
        if let Some(days) = self.full_soon.notice(follow_up.days_left) {
            self.sink.emit(&Notice::FullSoon { label: &self.label, days });
        }
    }

    /// Brings the drive into the state that the table gives for an event, and does what it says.
    pub(super) fn handle(&mut self, event: DriveEvent, error: Option<&JobError>) {
        if event == DriveEvent::SyncRequested && self.release.is_some() {
            return;
        }
        let before = std::mem::replace(&mut self.state, DriveState::Away);
        let (state, action) = next(before, event);
        self.state = state;
        let (now, timer) = (Instant::now(), self.timer(DriveTimer::State));
        match action {
            DriveAction::Nothing => {}
            DriveAction::Sync => {
                self.timers.set(timer, None);
                self.start(WorkerJob::Sync);
            }
            DriveAction::SyncAgain => self.sync_again = true,
            DriveAction::Settle => self.timers.set(timer, now + SAFE_TO_PULL_AFTER),
            DriveAction::RecordSafe => self.send(WorkerJob::RecordSafe),
            DriveAction::BackOff => {
                let wait = RETRY_FIRST.saturating_mul(1 << self.failures.min(10));
                self.failures += 1;
                self.timers.set(timer, now + wait.min(RETRY_LONGEST));
            }
        }
        if matches!(self.state, DriveState::Safe | DriveState::Settling) {
            self.failures = 0;
        }
        if matches!(self.state, DriveState::Copying | DriveState::Settling) {
            return;
        }
        let notice = (self.state.as_str(), error.map(ToString::to_string).unwrap_or_default());
        if self.noticed.as_ref() != Some(&notice) {
            self.sink.emit(&Notice::Drive { label: &self.label, state: &self.state, error });
            self.noticed = Some(notice);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn that_a_drive_is_full_soon_is_said_once_each_time_it_becomes_so() {
        let mut soon = FullSoon::default();
        let days =
            [None, Some(400), Some(14), Some(13), Some(12), None, Some(3), Some(90), Some(0)];
        let said: Vec<_> = days.into_iter().filter_map(|days| soon.notice(days)).collect();
        assert_eq!(said, [13, 3, 0]);
    }
}
