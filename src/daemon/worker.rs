//! A drive's worker: a thread of its own that does the drive's work when the loop sends it, and keeps nothing of the
//! drive open between two jobs. A drive that hangs, hangs its own thread only.

use super::events::{LoopEvent, ScrubOutcome, SyncFollowUp};
use crate::disk::{Access, ErrorKind, VolumeFacts};
use crate::job::catalogue::{Catalogue, DriveRowId, MessageCache};
use crate::job::extras::{Extras, write_extras_of_drive};
use crate::job::mirror::OpenMailbox;
use crate::job::replica::scrub::{ScrubRules, ScrubStep, Scrubber, Unfinished};
use crate::job::replica::{NewDrivePolicy, PresentDrives};
use crate::job::scan::mailboxes::open_all;
use crate::job::sync_drive::{self, SyncOutcome};
use crate::job::sync_job::SyncJob;
use crate::job::{DriveRef, JobError, MailboxRef, Progress};
use crate::model::{Clock, StationName};
use globset::GlobSet;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::Receiver;
use std::time::Duration;
use tokio::sync::mpsc::Sender;
use tokio::time::Instant;

/// What a worker can be sent to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum WorkerJob {
    /// Bring the drive up to date.
    Sync,
    /// The second after the last commit is over: record that the drive may be pulled. Reports only an error.
    RecordSafe,
    /// Bring up to date what the drive carries in addition to the copies. Reports nothing.
    UpdateExtras,
    /// Sync the drive, close it, and record that it was released.
    Release,
    /// Take a scrub step.
    Scrub,
}

/// What the loop and a worker see of each other while the worker is at work.
#[derive(Clone, Default)]
pub(super) struct WorkerSignals {
    /// Set by the loop: end at the next safe point.
    pub stop: Arc<AtomicBool>,
    /// Set by the loop: end a scrub step at once, there is something else to do.
    pub interrupt: Arc<AtomicBool>,
    /// Counted up by the worker: batches ended, copies scrubbed.
    pub progress: Arc<AtomicU64>,
    /// Jobs that the worker has not begun yet.
    pub queued: Arc<AtomicU64>,
}

/// What all workers share.
pub(super) struct WorkerContext {
    pub station: StationName,
    pub mailboxes: Vec<MailboxRef>,
    /// Paths that are never mirrored.
    pub ignore: GlobSet,
    /// The state folder.
    pub state: PathBuf,
    /// What drives carry in addition to the copies.
    pub extras: Extras,
    pub clock: Arc<dyn Clock>,
    /// How copies are scrubbed.
    pub scrub: ScrubRules,
    /// Superseded versions older than this may be removed from a full drive; `None`: none ever.
    pub prune: Option<Duration>,
    /// What the scanner has just read, in memory.
    pub messages: Arc<MessageCache>,
    /// How many workers are bringing a drive up to date.
    pub syncing: AtomicU64,
    /// Which drives are here at once.
    pub present_drives: PresentDrives,
    /// The daemon is ending.
    pub stop: AtomicBool,
}

/// The worker of one drive.
pub(super) struct Worker {
    pub number: usize,
    pub drive: DriveRef,
    pub signals: WorkerSignals,
    pub context: Arc<WorkerContext>,
}

impl Progress for Worker {
    fn advance(&self, _: u64, _: u64) {
        self.signals.progress.fetch_add(1, Ordering::Relaxed);
    }

    fn stop(&self) -> bool {
        self.signals.stop.load(Ordering::Relaxed) || self.context.stop.load(Ordering::Relaxed)
    }
}

/// Ends as soon as there is another job for the worker.
struct UntilNextJob<'a>(&'a Worker);

impl Progress for UntilNextJob<'_> {
    fn advance(&self, _: u64, _: u64) {}

    fn stop(&self) -> bool {
        self.0.stop() || self.0.signals.queued.load(Ordering::Relaxed) > 0
    }
}

/// Ends a scrub step for anything else there is to do on the drive.
struct UntilInterrupted<'a>(&'a Worker);

impl Progress for UntilInterrupted<'_> {
    fn advance(&self, messages: u64, bytes: u64) {
        self.0.advance(messages, bytes);
    }

    fn stop(&self) -> bool {
        self.0.stop() || self.0.signals.interrupt.load(Ordering::Relaxed)
    }
}

impl Worker {
    /// Works until the sender of jobs is gone.
    pub(super) fn run(self, jobs: &Receiver<WorkerJob>, events: &Sender<LoopEvent>) {
        let mut unfinished = None;
        while let Ok(job) = jobs.recv() {
            self.signals.queued.fetch_sub(1, Ordering::Relaxed);
            let report = match job {
                WorkerJob::UpdateExtras => {
                    self.update_extras();
                    continue;
                }
                WorkerJob::Sync => {
                    self.context.syncing.fetch_add(1, Ordering::Relaxed);
                    let sync = self.sync().unwrap_or_else(|error| self.failed(error));
                    self.context.syncing.fetch_sub(1, Ordering::Relaxed);
                    let follow_up = self.follow_up(&sync);
                    LoopEvent::Synced(self.number, Box::new(sync), follow_up)
                }
                WorkerJob::Scrub => {
                    LoopEvent::Scrubbed(self.number, Box::new(self.scrub(&mut unfinished)))
                }
                WorkerJob::Release => LoopEvent::Released(self.number, self.release()),
                WorkerJob::RecordSafe => match self.record_state("settling", "safe") {
                    Ok(()) => {
                        // An idle daemon keeps little in memory.
                        if self.context.syncing.load(Ordering::Relaxed) == 0 {
                            self.context.messages.clear();
                        }
                        continue;
                    }
                    Err(error) => {
                        let failed = Box::new(self.failed(error));
                        LoopEvent::Synced(self.number, failed, SyncFollowUp::default())
                    }
                },
            };
            if events.blocking_send(report).is_err() {
                return;
            }
        }
    }

    fn failed(&self, error: JobError) -> SyncOutcome {
        SyncOutcome {
            label: self.drive.label.clone(),
            drive: None,
            findings: Vec::new(),
            outcome: Err(error),
        }
    }

    fn sync(&self) -> Result<SyncOutcome, JobError> {
        let context = &self.context;
        let (catalogue, mailboxes) = self.open()?;
        let job = SyncJob {
            catalogue: &catalogue,
            station: &context.station,
            mailboxes: &mailboxes,
            present_drives: &context.present_drives,
            prune: context.prune,
            clock: &*context.clock,
            progress: self,
        };
        Ok(job.bring_up_to_date(&self.drive))
    }

    /// Opens catalogue and mailboxes, anew for each job: an idle worker keeps nothing open. A mailbox that cannot be
    /// opened does not delay the others.
    fn open(&self) -> Result<(Catalogue, Vec<OpenMailbox>), JobError> {
        let (mut catalogue, _) = Catalogue::open(&self.context.state)?;
        catalogue.share_messages(&self.context.messages);
        catalogue.put_ignored(&self.context.ignore);
        let mailboxes = open_all(&catalogue, &self.context.mailboxes)?;
        Ok((catalogue, mailboxes))
    }

    /// What the loop needs to know after a sync. A failure to read it is no trouble of the drive.
    fn follow_up(&self, sync: &SyncOutcome) -> SyncFollowUp {
        // A drive that can only be read is scrubbed too.
        let is_read_only = |error: &JobError| error.trouble() == ErrorKind::ReadOnly;
        let is_open = sync.outcome.as_ref().err().is_none_or(is_read_only);
        let Some((_, drive)) = sync.drive.filter(|_| is_open) else {
            return SyncFollowUp::default();
        };
        self.read_follow_up(drive).unwrap_or_else(|error| {
            tracing::debug!(%error, "what follows a sync could not be read");
            SyncFollowUp::default()
        })
    }

    fn read_follow_up(&self, drive: DriveRowId) -> Result<SyncFollowUp, JobError> {
        let context = &self.context;
        let (catalogue, _) = Catalogue::open(&context.state)?;
        let replica = catalogue.replica(drive, &context.station)?;
        Ok(SyncFollowUp {
            scrub_due: context.scrub.due(&catalogue, replica.row, &*context.clock)?,
            has_unrecoverable: !catalogue.unrecoverable_copies(replica.row, 0, 1)?.is_empty(),
            days_left: catalogue.days_left(drive, &context.clock.event_time())?,
        })
    }

    fn scrub(&self, unfinished: &mut Option<Unfinished>) -> ScrubOutcome {
        let begun = Instant::now();
        match self.scrub_step(unfinished) {
            Ok((step, due)) => {
                let at_least = self.context.scrub.time_for(step.bytes);
                ScrubOutcome { step: Ok(step), due, begun, at_least }
            }
            Err(error) => {
                ScrubOutcome { step: Err(error), due: None, begun, at_least: Duration::ZERO }
            }
        }
    }

    /// Takes a step; what it came to, and how long until the next one is due.
    fn scrub_step(
        &self,
        unfinished: &mut Option<Unfinished>,
    ) -> Result<(ScrubStep, Option<Duration>), JobError> {
        let context = &self.context;
        let (catalogue, _) = Catalogue::open(&context.state)?;
        catalogue.use_small_cache()?;
        // Messages of a mailbox that is not there are not compared.
        let mailboxes = open_all(&catalogue, &context.mailboxes)?;
        let (station, clock) = (&context.station, &*context.clock);
        // Whatever drive is there now, a scrub begins no bag on it.
        let drive = DriveRef {
            volume_source: Arc::clone(&self.drive.volume_source),
            label: self.drive.label.clone(),
            path: self.drive.path.clone(),
            begin: NewDrivePolicy::Never,
        };
        let open = |access| {
            sync_drive::open(&catalogue, station, &drive, access, &context.present_drives, clock)
        };
        let (mut replica, record) = match open(Access::Write) {
            Ok(replica) => (replica, true),
            Err(error) if matches!(error.trouble(), ErrorKind::ReadOnly | ErrorKind::Denied) => {
                (open(Access::Read)?, false)
            }
            Err(error) => return Err(error),
        };
        let progress = &UntilInterrupted(self);
        let scrubber =
            Scrubber { catalogue: &catalogue, mailboxes: &mailboxes, clock, progress, record };
        let step = scrubber.step(&mut replica, unfinished)?;
        let due = context.scrub.due(&catalogue, replica.state.row, clock)?;
        Ok((step, due))
    }

    /// Brings up to date what the drive carries in addition to the copies. It is reported to the log only: no message
    /// depends on it.
    fn update_extras(&self) {
        let context = &self.context;
        let updated = Catalogue::open(&context.state).and_then(|(catalogue, _)| {
            let (station, clock) = (&context.station, &*context.clock);
            let (present_drives, extras) = (&context.present_drives, &context.extras);
            let until = UntilNextJob(self);
            write_extras_of_drive(
                &catalogue,
                station,
                &self.drive,
                present_drives,
                clock,
                extras,
                &until,
            )
        });
        let drive = self.drive.label.as_str();
        match updated {
            Ok(updated) => tracing::debug!(drive, ?updated, "its extras are up to date"),
            Err(error) => {
                tracing::info!(drive, %error, "what it carries in addition to the copies is not up to date");
            }
        }
    }

    /// Syncs the drive once more, including what others have written there, and closes it.
    fn release(&self) -> Result<VolumeFacts, JobError> {
        let volume = self.drive.volume_source.open(Access::Read)?;
        volume.sync_all()?;
        let facts = volume.facts().clone();
        drop(volume);
        if let Err(error) = self.record_state("", "released") {
            // It is released all the same.
            tracing::debug!(%error, "the release of a drive could not be recorded");
        }
        Ok(facts)
    }

    /// Records the drive's state in the catalogue if it is in the state `before`; empty: in any.
    fn record_state(&self, before: &str, state: &str) -> Result<(), JobError> {
        let (catalogue, _) = Catalogue::open(&self.context.state)?;
        match catalogue.drive_at(&self.drive.path)? {
            Some(drive) if before.is_empty() || drive.state == before => {
                catalogue.set_drive_state(drive.row, state, "")
            }
            _ => Ok(()),
        }
    }
}
