//! One drive as the loop sees it: its state, its worker, its time. Moves on by the state table alone.

use super::control::{Answer, DriveStatus, ReplyTo};
use super::drive_state::{DriveAction, DriveEvent, DriveState, next};
use super::events::{EventSink, Notice};
use super::extras_timer::ExtrasTimer;
use super::outcome::{PassFollowUp, ScrubOutcome};
use super::scrub::FullSoon;
use super::worker::{WorkerJob, WorkerSignals};
use crate::disk::mounts::MountKey;
use crate::disk::{Trouble, VolumeFacts, VolumeSource};
use crate::job::sync_drive::SyncOutcome;
use crate::job::{DriveRef, JobError};
use crate::model::limits::{
    REREAD_AFTER_ERROR, RETRY_FIRST, RETRY_LONGEST, SAFE_TO_PULL_AFTER, STALLED_AFTER,
};
use crate::model::{DriveId, Reason, escape};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc;
use tokio::time::Instant;

/// One drive, as the loop sees it.
pub(super) struct Slot {
    pub label: String,
    /// The mount it is, unless it is a named folder.
    pub mount: Option<MountKey>,
    pub state: DriveState,
    /// The worker is at work. Set when it is sent, cleared when it reports.
    pub busy: bool,
    /// The worker takes a scrub step; beside that it may be sent.
    pub reading: bool,
    /// When its next step is due.
    reread_at: Option<Instant>,
    /// Before this none is, since the last one failed.
    reread_rest: Option<Instant>,
    /// Copies on it are lost that only another drive can give.
    pub(super) lacks: bool,
    full_soon: FullSoon,
    at: Vec<u8>,
    /// Its id, once a worker has read it.
    id: Option<DriveId>,
    volume_source: Arc<dyn VolumeSource>,
    signals: WorkerSignals,
    /// When the state's time is over.
    until: Option<Instant>,
    /// Batches ended when it was last seen to get anywhere, and when that was.
    moved: (u64, Instant),
    /// It was told that it gets nowhere.
    stalled: bool,
    /// Who wants it let go. Set when asked, taken when answered.
    reply_to: Option<ReplyTo>,
    /// What was let go.
    released: Option<VolumeFacts>,
    worker: mpsc::Sender<WorkerJob>,
    /// Something came up while the worker was at work.
    again: bool,
    /// Failures in a row, for the wait between tries.
    failures: u32,
    /// When what it carries beside the copies is to be looked after.
    extras_timer: ExtrasTimer,
    /// The state and error last told, so that the same is not told again at every try.
    told: Option<(DriveState, String)>,
}

impl Slot {
    pub(super) fn new(
        mount: Option<MountKey>,
        drive: &DriveRef,
        signals: WorkerSignals,
        worker: mpsc::Sender<WorkerJob>,
    ) -> Self {
        Self {
            label: drive.label.clone(),
            mount,
            state: DriveState::Away,
            busy: false,
            reading: false,
            reread_at: None,
            reread_rest: None,
            lacks: false,
            full_soon: FullSoon::default(),
            at: drive.at.clone(),
            id: None,
            volume_source: Arc::clone(&drive.volume_source),
            signals,
            until: None,
            moved: (0, Instant::now()),
            stalled: false,
            reply_to: None,
            released: None,
            worker,
            again: false,
            failures: 0,
            extras_timer: ExtrasTimer::default(),
            told: None,
        }
    }

    /// Whether it has everything it was told, or its owner has it back.
    pub(super) fn is_served(&self) -> bool {
        use DriveState::{Copying, Released, Safe, Settling};
        matches!(self.state, Copying | Safe | Settling | Released)
    }

    /// Whether a worker has read its id.
    pub(super) fn is_known(&self) -> bool {
        self.id.is_some()
    }

    /// Whether this is the drive with an id.
    pub(super) fn has_id(&self, id: DriveId) -> bool {
        self.id == Some(id)
    }

    /// Ends a scrub step.
    pub(super) fn interrupt(&self) {
        self.signals.interrupt.store(true, Ordering::Relaxed);
    }

    /// Whether a name means this drive.
    pub(super) fn is_called(&self, name: &str) -> bool {
        escape::is_place(&self.label, &self.at, name)
            || self.id.is_some_and(|id| id.to_string() == name)
    }

    /// Whether it was let go and is not there any more.
    pub(super) fn has_left(&self) -> bool {
        self.released.as_ref().is_some_and(|facts| !self.volume_source.still_present(facts))
    }

    /// How it is, for whoever asks.
    pub(super) fn served(&self, now: Instant) -> DriveStatus {
        DriveStatus {
            label: self.label.clone(),
            at: self.at.clone(),
            id: self.id.map(|id| id.to_string()),
            state: self.state.as_str().to_owned(),
            stalled_seconds: self.stalled.then(|| (now - self.moved.1).as_secs()),
        }
    }

    /// Lets go of it as soon as its worker can.
    pub(super) fn release(&mut self, reply_to: ReplyTo) {
        if self.state == DriveState::Released {
            // Whoever asked may have gone.
            return drop(reply_to.send(Answer::Released(self.served(Instant::now()))));
        }
        self.refuse_before(reply_to);
        self.signals.stop.store(true, Ordering::Relaxed);
        if !self.busy && !self.reading {
            self.start_release();
        }
    }

    /// Something is known of the drive that its worker has not seen: what it is at is ended at the next safe point, and
    /// the drive looked at again.
    pub(super) fn look_again(&mut self, sink: &dyn EventSink) {
        if self.busy && self.reply_to.is_none() {
            self.signals.stop.store(true, Ordering::Relaxed);
        }
        self.happen(DriveEvent::Wanted, None, sink);
    }

    fn refuse_before(&mut self, reply_to: ReplyTo) {
        if let Some(before) = self.reply_to.replace(reply_to) {
            drop(before.send(Answer::Refused("it was asked for once more".into())));
        }
    }

    /// Answers whoever wants it let go that it cannot be done.
    pub(super) fn refuse(self, why: &str) {
        if let Some(reply_to) = self.reply_to {
            drop(reply_to.send(Answer::Refused(format!("{}: {why}", self.label))));
        }
    }

    fn start_release(&mut self) {
        self.signals.stop.store(false, Ordering::Relaxed);
        self.at_work(WorkerJob::LetGo);
    }

    fn at_work(&mut self, job: WorkerJob) {
        // Sent while it re-reads, it has the job as soon as it has ended that.
        self.signals.interrupt.store(true, Ordering::Relaxed);
        self.busy = true;
        self.sent(job);
    }

    /// When its next step may be taken, if it is a drive at rest.
    pub(super) fn next_step(&self) -> Option<Instant> {
        use DriveState::{Full, ReadOnly, Safe};
        let idle = !self.busy && !self.reading && self.reply_to.is_none();
        let due = self.reread_at.filter(|_| idle && matches!(self.state, Safe | Full | ReadOnly));
        due.max(self.reread_rest.filter(|_| due.is_some()))
    }

    /// Whether something is done on it, or it is not yet given its second after.
    pub(super) fn is_quiet(&self) -> bool {
        !self.reading && (!self.busy || self.stalled) && self.state != DriveState::Settling
    }

    /// Takes a scrub step.
    pub(super) fn reread(&mut self) {
        self.signals.interrupt.store(false, Ordering::Relaxed);
        self.reading = true;
        self.sent(WorkerJob::Reread);
    }

    /// The worker has taken it.
    pub(super) fn reread_done(&mut self, report: &ScrubOutcome, sink: &dyn EventSink) {
        self.reading = false;
        let now = Instant::now();
        let (due, again) = match &report.step {
            Ok(step) => {
                for found in &step.findings {
                    sink.tell(&Notice::DriveFinding(&self.label, found));
                }
                for (mailbox, found) in &step.altered {
                    sink.tell(&Notice::MailboxFinding(mailbox, found));
                }
                (report.due.and_then(|wait| now.checked_add(wait)), step.lost)
            }
            Err(error) => {
                tracing::debug!(%error, drive = self.label, "re-reading was broken off");
                // What it is, a pass finds out and says.
                self.reread_rest = Some(now + REREAD_AFTER_ERROR);
                (self.reread_at, true)
            }
        };
        self.reread_at = due;
        if self.reply_to.is_some() && !self.busy {
            self.start_release();
        } else if again {
            self.happen(DriveEvent::Wanted, None, sink);
        }
    }

    fn sent(&mut self, job: WorkerJob) {
        self.stalled = false;
        self.moved = (self.signals.batches.load(Ordering::Relaxed), Instant::now());
        self.send(job);
    }

    /// The worker has let go of it, or could not.
    pub(super) fn let_go_done(
        &mut self,
        result: Result<VolumeFacts, JobError>,
        sink: &dyn EventSink,
    ) {
        self.busy = false;
        self.again = false;
        let answer = match result {
            Ok(facts) => {
                self.released = Some(facts);
                self.happen(DriveEvent::LetGo, None, sink);
                Answer::Released(self.served(Instant::now()))
            }
            Err(error) => {
                self.happen(of_error(&error), Some(&error), sink);
                Answer::Refused(error.to_string())
            }
        };
        if let Some(reply_to) = self.reply_to.take() {
            // Whoever asked may have gone; it is let go all the same.
            drop(reply_to.send(answer));
        }
    }

    /// Whatever a deadline has passed for.
    pub(super) fn on_time(&mut self, now: Instant, sink: &dyn EventSink) {
        if self.until.is_some_and(|at| at <= now) {
            self.until = None;
            self.happen(DriveEvent::TimeUp, None, sink);
        }
        if self.extras_timer.is_due(now, self.state, self.busy || self.reading) {
            self.send(WorkerJob::Carry);
        }
        let batches = self.signals.batches.load(Ordering::Relaxed);
        if batches != self.moved.0 {
            self.moved = (batches, now);
            self.stalled = false;
        }
        if (self.busy || self.reading) && !self.stalled && self.moved.1 + STALLED_AFTER <= now {
            self.stalled = true;
            sink.tell(&Notice::Stalled(&self.label));
        }
    }

    /// When [`on_time`](Self::on_time) has something to do.
    pub(super) fn deadline(&self) -> Option<Instant> {
        let stall =
            ((self.busy || self.reading) && !self.stalled).then(|| self.moved.1 + STALLED_AFTER);
        let carry = self.extras_timer.deadline(self.state, self.busy || self.reading);
        self.until.into_iter().chain(stall).chain(carry).min()
    }

    fn send(&self, job: WorkerJob) {
        self.signals.waiting.fetch_add(1, Ordering::Relaxed);
        // A worker ends only when this sender is dropped, so there is somebody to take it.
        if self.worker.send(job).is_err() {
            tracing::error!(drive = self.label, "the worker has ended: restart the daemon");
        }
    }

    /// The worker has reported. `may_work` tells whether it may be sent again.
    pub(super) fn done(
        &mut self,
        round: &SyncOutcome,
        after: &PassFollowUp,
        sink: &dyn EventSink,
        may_work: bool,
    ) {
        self.busy = false;
        self.stalled = false;
        self.take_after(after, sink);
        self.id = round.drive.map(|(id, _)| id).or(self.id);
        let label = self.label.clone();
        for finding in &round.findings {
            sink.tell(&Notice::DriveFinding(&label, finding));
        }
        if let Ok(report) = &round.outcome {
            if report.batches > 0 {
                self.told = None;
            }
            if report.batches > 0 || self.extras_timer.is_new() {
                self.extras_timer.changed(Instant::now());
            }
            if report.copied > 0 {
                let (messages, bytes) = (report.copied, report.bytes);
                sink.tell(&Notice::Mirrored { label: &label, messages, bytes });
            }
            if !report.failed.is_empty() {
                sink.tell(&Notice::NotCopied { label: &label, messages: report.failed_count() });
            }
        }
        let again = std::mem::take(&mut self.again) && may_work;
        if self.reply_to.is_none() {
            self.signals.stop.store(false, Ordering::Relaxed);
        }
        self.happen(meaning(round), round.outcome.as_ref().err(), sink);
        if self.reply_to.is_some() {
            self.start_release();
        } else if again {
            self.happen(DriveEvent::Wanted, None, sink);
        }
    }

    fn take_after(&mut self, after: &PassFollowUp, sink: &dyn EventSink) {
        self.reread_at = after.reread.and_then(|wait| Instant::now().checked_add(wait));
        self.lacks = after.lacks;
        if let Some(days) = self.full_soon.news_of(after.days_left) {
            sink.tell(&Notice::FullSoon { label: &self.label, days });
        }
    }

    /// Moves the drive on by the state table, and does what the table says.
    pub(super) fn happen(
        &mut self,
        event: DriveEvent,
        error: Option<&JobError>,
        sink: &dyn EventSink,
    ) {
        if event == DriveEvent::Wanted && self.reply_to.is_some() {
            return;
        }
        let before = self.state;
        let (state, action) = next(before, event);
        self.state = state;
        let now = Instant::now();
        match action {
            DriveAction::Rest => {
                if before == DriveState::Settling && state == DriveState::Safe {
                    self.send(WorkerJob::CallSafe);
                }
            }
            DriveAction::Work => {
                self.until = None;
                self.released = None;
                self.at_work(WorkerJob::BringUpToDate);
            }
            DriveAction::WorkAgain => self.again = true,
            DriveAction::Settle => self.until = Some(now + SAFE_TO_PULL_AFTER),
            DriveAction::BackOff => {
                let wait = RETRY_FIRST.saturating_mul(1 << self.failures.min(10));
                self.failures += 1;
                self.until = Some(now + wait.min(RETRY_LONGEST));
            }
        }
        if matches!(state, DriveState::Safe | DriveState::Settling) {
            self.failures = 0;
        }
        if matches!(state, DriveState::Copying | DriveState::Settling) {
            return;
        }
        let word = (state, error.map(ToString::to_string).unwrap_or_default());
        if self.told.as_ref() != Some(&word) {
            sink.tell(&Notice::Drive { label: &self.label, state, error });
            self.told = Some(word);
        }
    }
}

/// What a worker's report means for the state of its drive.
fn meaning(round: &SyncOutcome) -> DriveEvent {
    match &round.outcome {
        Ok(report) if report.failed.iter().any(|f| f.reason == Reason::DriveFull) => {
            DriveEvent::OutOfRoom
        }
        Ok(report) if report.batches > 0 => DriveEvent::Copied,
        Ok(_) => DriveEvent::NothingNew,
        Err(error) => of_error(error),
    }
}

fn of_error(error: &JobError) -> DriveEvent {
    match error.trouble() {
        _ if matches!(error, JobError::Forgotten { .. }) => DriveEvent::GivenUp,
        Trouble::Gone => DriveEvent::Vanished,
        Trouble::ReadOnly => DriveEvent::WriteProtected,
        Trouble::Full => DriveEvent::OutOfRoom,
        Trouble::Unwanted => DriveEvent::Unwanted,
        Trouble::Untrusted => DriveEvent::Distrusted,
        _ => DriveEvent::Broke,
    }
}
