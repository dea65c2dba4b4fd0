//! One drive as the loop sees it: its state, its worker, its time. Moves on by the state table alone.

use super::events::{News, Voice};
use super::states::{Action, DriveState, Happening, next};
use super::worker::WorkerJob;
use crate::disk::Trouble;
use crate::job::JobError;
use crate::job::round::DriveRound;
use crate::model::Reason;
use crate::model::limits::{RETRY_FIRST, RETRY_LONGEST, SAFE_TO_PULL_AFTER};
use std::sync::mpsc;
use tokio::time::Instant;

/// One drive, as the loop sees it.
pub(super) struct Slot {
    pub label: String,
    pub state: DriveState,
    /// The worker is at work. Set when it is sent, cleared when it reports.
    pub busy: bool,
    /// When the state's time is over.
    pub until: Option<Instant>,
    worker: mpsc::Sender<WorkerJob>,
    /// Something came up while the worker was at work.
    again: bool,
    /// Failures in a row, for the wait between tries.
    failures: u32,
    /// The state and error last told, so that the same is not told again at every try.
    told: Option<(DriveState, String)>,
}

impl Slot {
    pub(super) fn new(label: String, worker: mpsc::Sender<WorkerJob>) -> Self {
        Self {
            label,
            state: DriveState::Away,
            busy: false,
            until: None,
            worker,
            again: false,
            failures: 0,
            told: None,
        }
    }

    fn send(&self, job: WorkerJob) {
        // A worker ends only when this sender is dropped, so there is somebody to take it.
        if self.worker.send(job).is_err() {
            tracing::error!(drive = self.label, "the worker has ended: restart the daemon");
        }
    }

    /// The worker has reported. `may_work` tells whether it may be sent again.
    pub(super) fn done(&mut self, round: &DriveRound, voice: &dyn Voice, may_work: bool) {
        self.busy = false;
        let label = self.label.clone();
        for finding in &round.findings {
            voice.tell(&News::DriveFinding(&label, finding));
        }
        if let Ok(report) = &round.outcome {
            if report.batches > 0 {
                self.told = None;
            }
            if report.copied > 0 {
                let (messages, bytes) = (report.copied, report.bytes);
                voice.tell(&News::Mirrored { label: &label, messages, bytes });
            }
            if !report.failed.is_empty() {
                voice.tell(&News::NotCopied { label: &label, messages: report.failed.len() });
            }
        }
        let again = std::mem::take(&mut self.again) && may_work;
        self.happen(meaning(round), round.outcome.as_ref().err(), voice);
        if again {
            self.happen(Happening::Wanted, None, voice);
        }
    }

    /// Moves the drive on by the state table, and does what the table says.
    pub(super) fn happen(
        &mut self,
        happening: Happening,
        error: Option<&JobError>,
        voice: &dyn Voice,
    ) {
        let before = self.state;
        let (state, action) = next(before, happening);
        self.state = state;
        let now = Instant::now();
        match action {
            Action::Rest => {
                if before == DriveState::Settling && state == DriveState::Safe {
                    self.send(WorkerJob::CallSafe);
                }
            }
            Action::Work => {
                self.until = None;
                self.busy = true;
                self.send(WorkerJob::BringUpToDate);
            }
            Action::WorkAgain => self.again = true,
            Action::Settle => self.until = Some(now + SAFE_TO_PULL_AFTER),
            Action::BackOff => {
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
            voice.tell(&News::Drive { label: &self.label, state, error });
            self.told = Some(word);
        }
    }
}

/// What a worker's report means for the state of its drive.
fn meaning(round: &DriveRound) -> Happening {
    match &round.outcome {
        Ok(report) if report.failed.iter().any(|f| f.reason == Reason::DriveFull) => {
            Happening::OutOfRoom
        }
        Ok(report) if report.batches > 0 => Happening::Copied,
        Ok(_) => Happening::NothingNew,
        Err(error) => match error.trouble() {
            Trouble::Gone => Happening::Vanished,
            Trouble::ReadOnly => Happening::WriteProtected,
            Trouble::Full => Happening::OutOfRoom,
            _ => Happening::Broke,
        },
    }
}
