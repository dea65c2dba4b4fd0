//! Brings a drive up to what the mailbox is: what it has to be told is planned, then committed in
//! batches. Never reports a message as mirrored before the drive's ledger says so durably.

mod batch;
mod commit;
mod copy;
mod damage;
mod plan;
mod repair_from_peers;
pub mod steps;
mod sweep;

use super::catalogue::{Catalogue, Lacking, millis};
use super::replica::{PresentDrives, Replica};
use super::{JobError, MailboxRef, Progress};
use crate::disk::{DiskError, MailboxDir};
use crate::model::limits::LISTED_MAX;
use crate::model::{Clock, MailboxName, Reason, RelName};
use batch::{BatchPlan, BatchSize, LeftOut};
use std::os::unix::ffi::OsStrExt as _;

/// A mailbox open for reading.
pub struct OpenMailbox {
    /// Its row in the catalogue.
    pub row: i64,
    /// Its name.
    pub name: MailboxName,
    /// The folder.
    pub dir: MailboxDir,
}

impl OpenMailbox {
    /// Opens a mailbox and gives it its row.
    pub fn open(catalogue: &Catalogue, mailbox: &MailboxRef) -> Result<Self, JobError> {
        let dir = MailboxDir::open(&mailbox.path)?;
        let root = crate::disk::host::resolved(&mailbox.path);
        let row = catalogue.mailbox(&mailbox.name, Some(root.as_os_str().as_bytes()))?;
        Ok(Self { row, name: mailbox.name.clone(), dir })
    }
}

/// What a pass works with.
pub struct Pass<'a> {
    /// The catalogue.
    pub catalogue: &'a Catalogue,
    /// The mailboxes.
    pub mailboxes: &'a [OpenMailbox],
    /// Time.
    pub clock: &'a dyn Clock,
    /// Who is told about progress.
    pub progress: &'a dyn Progress,
}

/// A message that was not copied in this pass.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotCopied {
    /// Its mailbox.
    pub mailbox: MailboxName,
    /// Its path.
    pub path: RelName,
    /// Why.
    pub reason: Reason,
}

/// What a pass did on one drive.
#[derive(Debug, Default)]
pub struct PassReport {
    /// Messages copied and proven.
    pub copied: u64,
    /// Bytes of them.
    pub bytes: u64,
    /// Places, moves and departures recorded without a copy.
    pub noted: u64,
    /// Messages that could not be copied, at most [`LISTED_MAX`] of them.
    pub failed: Vec<NotCopied>,
    /// Messages that could not be copied, beside those.
    pub failed_more: u64,
    /// Batches committed.
    pub batches: u64,
    /// The pass ended early, because it was asked to.
    pub stopped: bool,
    /// The drive was told of every change there is.
    pub told_all: bool,
    /// A copy on this drive has shown what became of a message: every other drive is to be told.
    pub learnt: bool,
    /// What the drive asserts and this card's mailboxes lack.
    pub lacking: Lacking,
    /// Bytes free on the drive behind everything planned, where something was.
    pub room: Option<u64>,
}

impl PassReport {
    /// This and what was done before, as one.
    pub fn after(&mut self, first: &Self) {
        self.copied += first.copied;
        self.bytes += first.bytes;
        self.noted += first.noted;
        self.batches += first.batches;
        self.learnt |= first.learnt;
    }
}

impl Pass<'_> {
    fn mailbox(&self, row: i64) -> Option<&OpenMailbox> {
        self.mailboxes.iter().find(|mailbox| mailbox.row == row)
    }

    /// Tells one admitted drive of everything new, the newest message first.
    pub fn run(&self, drive: &mut Replica) -> Result<PassReport, JobError> {
        let mut report = PassReport::default();
        let mut size = BatchSize::default();
        let anew = drive.state.recorded_through == 0 || drive.state.lacking.messages > 0;
        loop {
            // A batch whose messages were all gone has brought nothing, and would bring nothing again.
            let done = (report.copied, report.noted);
            report.failed.clear();
            report.failed_more = 0;
            let again = sweep::sweep(self, drive, &mut size, &mut report)?;
            if !again || (report.copied, report.noted) == done || report.stopped {
                break;
            }
        }
        if anew {
            drive.state.lacking = self.catalogue.lacking(&drive.state)?;
            self.catalogue.save_replica(&drive.state)?;
        }
        report.told_all = drive.state.recorded_through >= self.catalogue.change_no()?;
        report.lacking = drive.state.lacking;
        Ok(report)
    }

    /// Commits a batch and counts it; the earliest change_no that must be told again.
    fn commit(
        &self,
        drive: &mut Replica,
        batch: BatchPlan,
        size: &mut BatchSize,
        report: &mut PassReport,
    ) -> Result<u64, JobError> {
        report.room = Some(batch.room);
        if batch.is_empty() {
            return Ok(u64::MAX);
        }
        let begun = millis(self.clock);
        let notes = (batch.notes.len() + batch.departures.len()) as u64;
        let mut left_out = LeftOut::default();
        let committed = commit::commit(self, drive, batch, &mut left_out)?;
        size.took(millis(self.clock) - begun);
        if let Some(committed) = committed {
            report.copied += committed.copied();
            report.bytes += committed.bytes();
        }
        report.noted += notes;
        report.batches += 1;
        let mut unfinished = u64::MAX;
        for (row, reason) in left_out {
            unfinished = unfinished.min(row.change_no);
            report.fail(self, row.mailbox, row.path()?, reason);
        }
        Ok(unfinished)
    }
}

impl PassReport {
    /// How many messages could not be copied.
    pub fn failed_count(&self) -> u64 {
        self.failed.len() as u64 + self.failed_more
    }

    fn fail(&mut self, pass: &Pass<'_>, mailbox: i64, path: RelName, reason: Reason) {
        let Some(mailbox) = pass.mailbox(mailbox) else { return };
        if self.failed.len() >= LISTED_MAX {
            self.failed_more += 1;
        } else {
            self.failed.push(NotCopied { mailbox: mailbox.name.clone(), path, reason });
        }
    }
}

/// Whether an error of reading the mailbox means that the file is not there any more.
fn is_gone(error: &DiskError) -> bool {
    error.trouble == crate::disk::Trouble::Gone
}
