//! One thread a drive: it brings its drive up to date when told, and holds nothing of it otherwise.
//! Never shared: a hung drive hangs its own thread only.

use super::events::Event;
use crate::job::catalogue::Catalogue;
use crate::job::mirror::OpenMailbox;
use crate::job::round::{DriveRound, mirror_drive};
use crate::job::{DriveRef, JobError, Progress};
use crate::model::{Clock, StationName};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::Receiver;
use tokio::sync::mpsc::Sender;

/// What a worker is told to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum WorkerJob {
    /// Bring the drive up to date.
    BringUpToDate,
    /// The second after the last commit is over: keep the word that it may be pulled.
    CallSafe,
}

/// What a worker works with.
pub(super) struct Worker {
    pub number: usize,
    pub drive: DriveRef,
    pub station: StationName,
    pub mailboxes: Vec<crate::job::MailboxRef>,
    pub state: PathBuf,
    pub clock: Arc<dyn Clock>,
    pub stop: Arc<AtomicBool>,
}

struct UntilStopped(Arc<AtomicBool>);

impl Progress for UntilStopped {
    fn advance(&self, _: u64, _: u64) {}

    fn stop(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

impl Worker {
    /// Works until the sender of jobs is gone.
    pub(super) fn run(self, jobs: &Receiver<WorkerJob>, events: &Sender<Event>) {
        while let Ok(job) = jobs.recv() {
            let result = match job {
                WorkerJob::BringUpToDate => self.bring_up_to_date(),
                WorkerJob::CallSafe => match self.call_safe() {
                    Ok(()) => continue,
                    Err(error) => Err(error),
                },
            };
            let round = result.unwrap_or_else(|error| DriveRound {
                label: self.drive.label.clone(),
                drive: None,
                findings: Vec::new(),
                outcome: Err(error),
            });
            if events.blocking_send(Event::Drive(self.number, Box::new(round))).is_err() {
                return;
            }
        }
    }

    fn bring_up_to_date(&self) -> Result<DriveRound, JobError> {
        // Opened for each piece of work: an idle worker holds neither drive nor catalogue.
        let (catalogue, _) = Catalogue::open(&self.state)?;
        let mut mailboxes = Vec::new();
        for mailbox in &self.mailboxes {
            mailboxes.push(OpenMailbox::open(&catalogue, mailbox)?);
        }
        let progress = UntilStopped(Arc::clone(&self.stop));
        let clock = &*self.clock;
        Ok(mirror_drive(&catalogue, &self.station, &mailboxes, &self.drive, clock, &progress))
    }

    fn call_safe(&self) -> Result<(), JobError> {
        let (catalogue, _) = Catalogue::open(&self.state)?;
        match catalogue.drive_at(&self.drive.at)? {
            Some(drive) if drive.state == "settling" => {
                catalogue.set_drive_state(drive.row, "safe", "")
            }
            _ => Ok(()),
        }
    }
}
