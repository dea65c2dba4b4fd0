//! The context of a pass over one drive, and its report. Decides nothing and writes nothing.

use crate::job::Progress;
use crate::job::catalogue::{Catalogue, LackingCount, MailboxRowId};
use crate::job::scan::OpenMailbox;
use crate::model::limits::LISTED_MAX;
use crate::model::{Clock, MailboxName, Reason, RelName};

/// The context of a pass.
pub struct Pass<'a> {
    /// What this card knows of its mailboxes and drives.
    pub catalogue: &'a Catalogue,
    /// The mailboxes that can be opened now.
    pub mailboxes: &'a [OpenMailbox],
    /// Where the time comes from.
    pub clock: &'a dyn Clock,
    /// Receives the progress, and can ask to stop.
    pub progress: &'a dyn Progress,
}

impl Pass<'_> {
    pub(super) fn mailbox(&self, row: MailboxRowId) -> Option<&OpenMailbox> {
        self.mailboxes.iter().find(|mailbox| mailbox.row == row)
    }
}

/// A message that was not copied in this pass.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotCopied {
    /// As the config names it, or a ledger.
    pub mailbox: MailboxName,
    /// Below the folder of its mailbox.
    pub path: RelName,
    /// Why.
    pub reason: Reason,
}

/// What a pass did on one drive.
#[derive(Debug, Default)]
pub struct PassReport {
    /// Messages copied and proven.
    pub copied: u64,
    /// Sum of their lengths, in bytes.
    pub bytes: u64,
    /// Assertions, moves and departures recorded without a copy.
    pub noted: u64,
    /// Messages that could not be copied, at most [`LISTED_MAX`] of them.
    pub failed: Vec<NotCopied>,
    /// Messages that could not be copied, in addition to those listed.
    pub failed_more: u64,
    /// Batches committed.
    pub batches: u64,
    /// The pass ended early, on request.
    pub stopped: bool,
    /// Every change of the mailboxes is recorded on the drive.
    pub is_complete: bool,
    /// A copy on this drive has shown what became of a message, so every other drive needs another pass.
    pub others_need_pass: bool,
    /// The messages that the drive asserts and this card's mailboxes lack.
    pub lacking: LackingCount,
    /// Bytes free on the drive after everything planned, if anything was.
    pub room: Option<u64>,
}

impl PassReport {
    /// Adds the counts of an earlier pass of the same run.
    pub fn add_earlier_run(&mut self, first: &Self) {
        self.copied += first.copied;
        self.bytes += first.bytes;
        self.noted += first.noted;
        self.batches += first.batches;
        self.others_need_pass |= first.others_need_pass;
    }

    /// How many messages could not be copied.
    pub fn failed_count(&self) -> u64 {
        self.failed.len() as u64 + self.failed_more
    }

    /// Whether messages were copied and the drive now has everything: what it carries in addition is due.
    pub fn has_completed(&self) -> bool {
        self.copied > 0 && self.is_complete && self.failed.is_empty()
    }

    pub(super) fn fail(
        &mut self,
        pass: &Pass<'_>,
        mailbox: MailboxRowId,
        path: RelName,
        reason: Reason,
    ) {
        let Some(mailbox) = pass.mailbox(mailbox) else { return };
        if self.failed.len() >= LISTED_MAX {
            self.failed_more += 1;
        } else {
            self.failed.push(NotCopied { mailbox: mailbox.name.clone(), path, reason });
        }
    }
}
