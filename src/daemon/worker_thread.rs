//! One thread a drive: it brings its drive up to date when told, and holds nothing of it otherwise.
//! Never keeps a drive open between two jobs.

use super::events::Event;
use super::outcome::PassFollowUp;
use super::worker::{Worker, WorkerJob};
use crate::disk::{Access, VolumeFacts};
use crate::job::JobError;
use crate::job::catalogue::Catalogue;
use crate::job::mailboxes::open_all;
use crate::job::mirror::OpenMailbox;
use crate::job::sync_drive::SyncOutcome;
use crate::job::sync_job::SyncJob;
use std::sync::atomic::Ordering;
use std::sync::mpsc::Receiver;
use tokio::sync::mpsc::Sender;

impl Worker {
    /// Works until the sender of jobs is gone.
    pub(super) fn run(self, jobs: &Receiver<WorkerJob>, events: &Sender<Event>) {
        let mut unfinished = None;
        while let Ok(job) = jobs.recv() {
            self.signals.waiting.fetch_sub(1, Ordering::Relaxed);
            let report = match job {
                WorkerJob::Carry => {
                    self.look_after_the_rest();
                    continue;
                }
                WorkerJob::BringUpToDate => {
                    let round = self.bring_up_to_date().unwrap_or_else(|error| self.failed(error));
                    let after = self.after(&round);
                    Event::Drive(self.number, Box::new(round), after)
                }
                WorkerJob::Reread => {
                    let report = self.reread(&mut unfinished);
                    Event::Reread(self.number, Box::new(report))
                }
                WorkerJob::LetGo => Event::LetGo(self.number, self.release()),
                WorkerJob::CallSafe => match self.record_state("settling", "safe") {
                    Ok(()) => continue,
                    Err(error) => Event::Drive(
                        self.number,
                        Box::new(self.failed(error)),
                        PassFollowUp::default(),
                    ),
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

    fn bring_up_to_date(&self) -> Result<SyncOutcome, JobError> {
        let place = &self.context;
        let (catalogue, mailboxes) = self.open()?;
        let upkeep = SyncJob {
            catalogue: &catalogue,
            station: &place.station,
            mailboxes: &mailboxes,
            present_drives: &place.present_drives,
            prune: place.prune,
            clock: &*place.clock,
            progress: self,
        };
        Ok(upkeep.bring_up_to_date(&self.drive))
    }

    /// Opened for each piece of work: an idle worker holds neither drive nor catalogue. A mailbox that cannot be
    /// opened holds up no other.
    fn open(&self) -> Result<(Catalogue, Vec<OpenMailbox>), JobError> {
        let (catalogue, _) = Catalogue::open(&self.context.state)?;
        catalogue.put_ignored(&self.context.ignore);
        let mailboxes = open_all(&catalogue, &self.context.mailboxes)?;
        Ok((catalogue, mailboxes))
    }

    /// Syncs the drive once more, whatever others have written there, and closes it.
    fn release(&self) -> Result<VolumeFacts, JobError> {
        let volume = self.drive.volume_source.open(Access::Read)?;
        volume.sync_all()?;
        let facts = volume.facts().clone();
        drop(volume);
        if let Err(error) = self.record_state("", "released") {
            // It is let go all the same.
            tracing::debug!(%error, "that a drive was let go could not be kept");
        }
        Ok(facts)
    }

    /// Keeps the drive's state for whoever looks, if it was the one before or that does not matter.
    fn record_state(&self, before: &str, state: &str) -> Result<(), JobError> {
        let (catalogue, _) = Catalogue::open(&self.context.state)?;
        match catalogue.drive_at(&self.drive.at)? {
            Some(drive) if before.is_empty() || drive.state == before => {
                catalogue.set_drive_state(drive.row, state, "")
            }
            _ => Ok(()),
        }
    }
}
