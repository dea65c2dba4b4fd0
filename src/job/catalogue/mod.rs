//! Owns the host's database of mailbox and drives: opening, rebuilding, copying it for a reader.
//! Never the only place of anything: whatever it says is read again from mailbox and drives when it is lost.
//!
//! Where the queries of a table are: each file named after a table has them. In addition `copies` has those of
//! `payload`, `assertions` also those of `mark`, `apply` what writes to these and to `departure`, `missing` also those
//! of `not_wanted`, `drive_trust` those of `written_by_day`, `logs` those of `checks` and `log_damage`, `witnesses`
//! also those of `known_end`; `known_drives`, `new_drives`, `forgotten_drives` and `counting` decide about drives. The
//! rest asks questions over several tables, for one purpose each.

mod apply;
mod assertions;
mod audit;
mod comparisons;
mod contents;
mod contradictions;
mod copies;
mod counting;
mod departed;
mod drive_history;
mod drive_trust;
mod drives;
mod file_rows;
mod files;
mod forgotten_drives;
mod index_queries;
mod known_drives;
mod lacking;
mod last_copies;
mod ledger_import;
mod logs;
mod mailboxes;
mod merge;
mod message_cache;
mod message_copies;
mod missing;
mod new_drives;
mod open;
mod previous_replica;
mod prunes;
mod replicas;
mod row_ids;
mod rows;
mod scrub;
mod states;
mod station;
mod traffic;
mod withheld;
mod witnesses;
mod writer_definitions;
mod writers;

pub use assertions::AssertedRow;
pub use audit::{MessageTotals, Overdue, OverdueMessage};
pub use contradictions::{Contradicting, Contradiction};
pub use copies::{CopyCounts, CopyRow, CopyStatus};
pub use departed::DepartedRow;
pub use drive_history::HistoryEntry;
pub use drives::{DriveFacts, DriveRow, Forgotten, FoundDrive, Replaced, ReplacedHow, SameDevice};
pub use file_rows::{FileRow, FileStatRow, NewFile};
pub use index_queries::{LastLocation, LocationStatus, NumberedCopy};
pub use known_drives::{KnownHow, Recognition};
pub use last_copies::LastCopies;
pub use ledger_import::{LedgerImport, LedgerRoom};
pub use logs::{KnownLines, LogDamage};
pub use mailboxes::{KnownMailbox, MailboxNotInForce};
pub use merge::{ContentVersion, Decision, Merge, RestoreItem, RestoreReason, Withheld};
pub use message_cache::{MessageCache, ScanFollowed, ScanFollower};
pub use message_copies::{Proof, TrackedMessage};
pub use missing::MissingRow;
pub use open::SetAside;
pub use previous_replica::{LostLine, LostStatement, PreviousReplica};
pub use replicas::{LackingCount, ReplicaState};
pub use row_ids::{ContentAt, ContentRowId, DriveRowId, MailboxRowId, ReplicaRowId};
pub use scrub::CycleTotals;
pub use states::{CopyState, FileState, Log};
pub use traffic::{LocationRecord, MessageInfo, StationOrder};
pub use withheld::WithheldCounts;

use super::JobError;
use crate::disk::MemoryFolder;
use crate::model::{Clock, Writers};
use globset::GlobSet;
use rusqlite::{Connection, OptionalExtension as _};
use std::cell::{Cell, RefCell};
use std::path::Path;
use std::sync::Arc;

/// An open catalogue.
pub struct Catalogue {
    db: Connection,
    /// The folder in memory that goes with it, of a passing copy that has one.
    home: Option<MemoryFolder>,
    /// Whether what is only good to know, as when a drive was last seen, is kept.
    records_sightings: bool,
    /// No change was made through it yet: the first one is a new writer's.
    is_fresh: Cell<bool>,
    /// What is known of writers, once it was asked for.
    lineage: RefCell<Option<Writers>>,
    /// How much the ledger that is being read says of writers: its replica, how many writers, and how many parents.
    writers_described: Cell<Option<(ReplicaRowId, u64, u64)>>,
    /// The rows of the mailboxes that questions are about; `None`: all there are.
    in_force: RefCell<Option<Vec<MailboxRowId>>>,
    /// What the config ignores in them.
    ignored: RefCell<GlobSet>,
    /// While a ledger is read, the last change of this card.
    reading: Cell<Option<u64>>,
    /// Messages in memory; its own ones unless it shares those of others.
    messages: Arc<MessageCache>,
}

impl Catalogue {
    /// Runs several changes as one.
    pub fn write_transaction<T>(
        &self,
        work: impl FnOnce() -> Result<T, JobError>,
    ) -> Result<T, JobError> {
        if !self.db.is_autocommit() {
            return work();
        }
        let transaction = rusqlite::Transaction::new_unchecked(
            &self.db,
            rusqlite::TransactionBehavior::Immediate,
        )?;
        let value = work()?;
        transaction.commit()?;
        Ok(value)
    }

    /// Answers several questions from one state of the catalogue, taking its lock once. Nothing may be
    /// changed in it.
    pub fn read_transaction<T>(
        &self,
        ask: impl FnOnce() -> Result<T, JobError>,
    ) -> Result<T, JobError> {
        if !self.db.is_autocommit() {
            return ask();
        }
        self.db.prepare_cached("BEGIN")?.execute([])?;
        let answer = ask();
        self.db.prepare_cached("COMMIT")?.execute([])?;
        answer
    }

    /// The state folder it is kept in; none of one in memory.
    fn state(&self) -> Option<&Path> {
        self.db.path().filter(|path| !path.is_empty()).map(Path::new).and_then(Path::parent)
    }

    fn meta(&self, name: &str) -> Result<Option<String>, JobError> {
        let mut query = self.db.prepare_cached("SELECT value FROM meta WHERE name = ?1")?;
        Ok(query.query_row([name], |row| row.get(0)).optional()?)
    }

    fn set_meta(&self, name: &str, value: &str) -> Result<(), JobError> {
        self.db
            .prepare_cached("INSERT OR REPLACE INTO meta VALUES (?1, ?2)")?
            .execute([name, value])?;
        Ok(())
    }
}

/// Monotonic milliseconds, as kept in the catalogue.
pub fn millis(clock: &dyn Clock) -> i64 {
    i64::try_from(clock.since_boot().as_millis()).unwrap_or(i64::MAX)
}
