//! What becomes of each content that drives have, as the merge decides it. Owns no rule.

use crate::job::JobError;
use crate::job::catalogue::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use crate::job::catalogue::rows::{Columns, FromRow};
use crate::model::ledger::Departed;
use crate::model::{RelName, Suspicion, Timestamp};

/// One content that was at a location.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ContentVersion {
    /// Its row in the table of contents: a SHA-256 and a length.
    pub content: ContentRowId,
    /// The file's own time.
    pub modified: Timestamp,
    /// Permission bits.
    pub mode: u32,
    /// Why it is suspect.
    pub suspect: Option<Suspicion>,
}

impl FromRow for ContentVersion {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            content: columns.read()?,
            suspect: columns.read()?,
            modified: columns.read()?,
            mode: columns.read()?,
        })
    }
}

/// Why a content is given back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RestoreReason {
    /// It is what belongs at its location.
    InPlace,
    /// The same, and a later version that looks like damage is left out for it.
    InsteadOfSuspect,
    /// Another content belongs at its location, and this one was not seen to go.
    Beside,
    /// It was removed, and is asked for all the same.
    Removed,
    /// Only other drives' ledgers say that it left, and a drive without that departure has it.
    InDoubt {
        /// Why it left, by that ledger.
        why: Departed,
        /// The replica whose ledger says so.
        replica: ReplicaRowId,
    },
}

impl RestoreReason {
    /// Whether drives disagree about it.
    pub fn is_in_doubt(self) -> bool {
        matches!(self, Self::InDoubt { .. })
    }
}

/// What to restore at one location.
#[derive(Debug, Clone)]
pub struct RestoreItem {
    /// Its row in the table of mailboxes.
    pub mailbox: MailboxRowId,
    /// Path, as its sorting key.
    pub key: Vec<u8>,
    /// What is to be there.
    pub version: ContentVersion,
    /// Why.
    pub role: RestoreReason,
    /// It is missing from the card, or was when a drive was last written to.
    pub missing: bool,
    /// Neither of two contents was asserted later than the other.
    pub conflict: bool,
    /// What to give where there is no good copy of it: a version that looks like damage, then older ones.
    pub instead: Vec<ContentVersion>,
    /// The latest position as of which a ledger says so; for the order in which messages came.
    pub latest: u64,
}

/// A content that a restore leaves out.
#[derive(Debug, Clone)]
pub struct Withheld {
    /// Its row in the table of mailboxes.
    pub mailbox: MailboxRowId,
    /// Path, as its sorting key.
    pub key: Vec<u8>,
    /// What it is.
    pub version: ContentVersion,
    /// Why it left.
    pub why: Departed,
    /// The replica whose ledger says so; `None` where a person said so on this card alone.
    pub replica: Option<ReplicaRowId>,
}

/// What becomes of one content at one location.
pub enum Decision {
    /// It is given back.
    Give(RestoreItem),
    /// It is left out.
    Withhold(Withheld),
}

impl RestoreItem {
    /// Read back from the sorting key; an error means a damaged catalogue.
    pub fn path(&self) -> Result<RelName, JobError> {
        RelName::from_key(&self.key).map_err(|e| JobError::Broken(format!("ledger: {e}")))
    }
}
