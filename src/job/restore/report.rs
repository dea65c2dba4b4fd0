//! What a restore did, or would do. Counts only; the words are elsewhere.

use crate::disk::DiskError;
use crate::model::{Digest, MailboxName, RelName};

/// A message that could not be restored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lost {
    /// Its mailbox.
    pub mailbox: MailboxName,
    /// Its path.
    pub path: RelName,
    /// What it should be.
    pub digest: Digest,
}

/// What was done, or would be.
#[derive(Debug, Default)]
pub struct RestoreReport {
    /// Messages put back.
    pub restored: u64,
    /// Octets of them.
    pub bytes: u64,
    /// Messages already there.
    pub identical: u64,
    /// Messages put beside another file that had their name; also counted as restored.
    pub kept_both: u64,
    /// Messages taken from another copy because the first was not right; also counted as restored.
    pub from_second_copy: u64,
    /// Messages whose last good version was taken instead of a suspect one; also counted.
    pub instead_of_suspect: u64,
    /// Messages of which only damaged copies were found.
    pub damaged: Vec<Lost>,
    /// Messages of which no copy was found.
    pub missing: Vec<Lost>,
    /// Messages that could not be written, and why.
    pub not_written: Vec<(RelName, DiskError)>,
    /// Messages of which only a number is known, put under `recovered`; also counted as restored.
    pub numbered: u64,
    /// Copies that look like what a cut left, and were not asked for. After both logs were lost there may be
    /// messages among them.
    pub doubtful: u64,
    /// It ended early, because it was asked to.
    pub stopped: bool,
}

impl RestoreReport {
    /// Whether everything the drives tell of is there now.
    pub fn is_whole(&self) -> bool {
        self.damaged.is_empty()
            && self.missing.is_empty()
            && self.not_written.is_empty()
            && !self.stopped
    }

    pub(super) fn lost(&self) -> usize {
        self.damaged.len() + self.missing.len()
    }

    pub(super) fn unwritten(&mut self, path: RelName, error: DiskError) {
        self.restored -= 1;
        self.not_written.push((path, error));
    }
}
