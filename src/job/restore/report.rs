//! The counts of a restore, done or simulated. The sentences are elsewhere.

use crate::disk::{DiskError, ErrorKind};
use crate::model::ledger::Departed;
use crate::model::limits::RESTORE_UNFIT_LISTED;
use crate::model::{Digest, MailboxName, RelName};
use serde::{Serialize, Serializer};

/// A message that could not be restored.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct UnrestoredMessage {
    /// As the config names it, or a ledger.
    pub mailbox: MailboxName,
    /// Below the folder of its mailbox.
    #[serde(flatten)]
    pub path: RelName,
    /// The hash that it should have.
    #[serde(rename = "sha256")]
    pub digest: Digest,
}

/// Messages that are left out for one reason because of one drive.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LeftOut {
    /// The drive's name for a person.
    pub by: String,
    /// Whether it was deleted, replaced, moved or acknowledged.
    pub why: Departed,
    /// How many.
    pub messages: u64,
    /// Sum of their lengths, in bytes.
    pub bytes: u64,
}

/// The result of a restore, or what it would be.
#[derive(Debug, Default, Serialize)]
pub struct RestoreReport {
    /// Messages restored.
    pub restored: u64,
    /// Sum of their lengths, in bytes.
    pub bytes: u64,
    /// Messages already there.
    pub identical: u64,
    /// Messages restored next to another file that had their name; also counted as restored.
    pub kept_both: u64,
    /// Messages restored from another copy because the first was not right; also counted as restored.
    pub from_second_copy: u64,
    /// Messages whose last good version was restored instead of a suspect one; also counted as restored.
    pub instead_of_suspect: u64,
    /// Messages of which only damaged copies were found.
    pub damaged: Vec<UnrestoredMessage>,
    /// Messages of which no copy was found.
    pub missing: Vec<UnrestoredMessage>,
    /// Messages that could not be written, with the error; of those without room only the first.
    #[serde(serialize_with = "with_errors")]
    pub not_written: Vec<(RelName, DiskError)>,
    /// Messages restored in an older version, since no good copy of the latest was found; also counted as restored.
    pub older: u64,
    /// Messages left out because they were seen to go.
    pub left_out: Vec<LeftOut>,
    /// Messages that one drive alone says have left, and another drive has: restored into a folder of their own.
    pub in_doubt: Vec<LeftOut>,
    /// Locations with two messages, neither of which is known to be the later; both were restored.
    pub conflicts: Vec<RelName>,
    /// Messages that did not fit.
    pub no_room: u64,
    /// Sum of their lengths, in bytes.
    pub no_room_bytes: u64,
    /// Folders that mail programs need next to the messages and that could not be created, with the error.
    #[serde(serialize_with = "with_errors")]
    pub not_made: Vec<(RelName, DiskError)>,
    /// Messages of which only a number is known, restored under `recovered`; also counted as restored.
    pub numbered: u64,
    /// Copies that look like the remains of a power failure, and were not requested. After both logs were lost,
    /// messages may be among them.
    pub doubtful: u64,
    /// It ended early, on request.
    #[serde(skip)]
    pub stopped: bool,
}

/// In JSON each is an object of the path and the error's text.
fn with_errors<S: Serializer>(all: &[(RelName, DiskError)], to: S) -> Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    struct WithError<'a> {
        #[serde(flatten)]
        path: &'a RelName,
        error: String,
    }
    to.collect_seq(all.iter().map(|(path, error)| WithError { path, error: error.to_string() }))
}

/// The counts to which one restored message belongs.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Tally {
    pub(super) bytes: u64,
    pub(super) renamed: bool,
    pub(super) from_second_copy: bool,
    pub(super) instead_of_suspect: bool,
    pub(super) older: bool,
    pub(super) numbered: bool,
}

impl RestoreReport {
    /// Whether everything that the drives hold is in the mailbox now.
    pub fn is_whole(&self) -> bool {
        self.damaged.is_empty()
            && self.missing.is_empty()
            && self.not_written.is_empty()
            && self.no_room == 0
            && self.not_made.is_empty()
            && !self.stopped
    }

    /// Messages that could not be written for another reason than missing room.
    pub fn refused(&self) -> u64 {
        self.not_written.iter().filter(|(_, error)| error.trouble != ErrorKind::Full).count() as u64
    }

    /// Counts a message that is staged whole, and is restored once it has its name.
    pub(super) fn count(&mut self, tally: &Tally) {
        self.restored += 1;
        self.bytes += tally.bytes;
        self.kept_both += u64::from(tally.renamed);
        self.from_second_copy += u64::from(tally.from_second_copy);
        self.instead_of_suspect += u64::from(tally.instead_of_suspect);
        self.older += u64::from(tally.older);
        self.numbered += u64::from(tally.numbered);
    }

    /// Undoes the count of a message that did not get its name.
    pub(super) fn uncount(&mut self, path: RelName, tally: &Tally, error: DiskError) {
        self.restored -= 1;
        self.bytes -= tally.bytes;
        self.kept_both -= u64::from(tally.renamed);
        self.from_second_copy -= u64::from(tally.from_second_copy);
        self.instead_of_suspect -= u64::from(tally.instead_of_suspect);
        self.older -= u64::from(tally.older);
        self.numbered -= u64::from(tally.numbered);
        self.unwritten(path, tally.bytes, error);
    }

    /// Counts a message that could not be written.
    pub(super) fn unwritten(&mut self, path: RelName, bytes: u64, error: DiskError) {
        if error.trouble == ErrorKind::Full {
            self.no_room += 1;
            self.no_room_bytes = self.no_room_bytes.saturating_add(bytes);
            if self.no_room > RESTORE_UNFIT_LISTED {
                return;
            }
        }
        self.not_written.push((path, error));
    }
}
