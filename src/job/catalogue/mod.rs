//! Owns the host's database of mailbox and drives: opening, rebuilding, copying it for a reader.
//! Never the only place of anything: whatever it says is read again from mailbox and drives when it is lost.

mod apply;
mod assertions;
mod audit;
mod candidates;
mod contents;
mod contradictions;
mod copies;
mod counting;
mod decisions;
mod drive_trust;
mod drives;
mod files;
mod given_up;
mod gone;
mod hearing;
mod heirs;
mod held_back;
mod in_force;
mod index_queries;
mod inventory;
mod known;
mod lacking;
mod last_copies;
mod ledger_lines;
mod logs;
mod merge;
mod message_copies;
mod newcomers;
mod open;
mod prunes;
mod recheck;
mod replicas;
mod retired;
mod room;
mod row_ids;
mod scrub;
mod stamps;
mod station;
mod suspect;
mod traffic;
mod witnesses;
mod writers;

pub use assertions::{AssertedRow, ContentAt};
pub use audit::{Overdue, OverdueMessage, Totals};
pub use contradictions::{AtNumber, Contradicting, Contradiction};
pub use copies::{CopyRow, CopyState, CopyStatus};
pub use decisions::{Decision, RestoreItem, Role, Version, Withheld};
pub use drives::{DriveRow, Forgotten, FoundDrive, Replaced, ReplacedHow, SameDevice};
pub use files::{FileRow, FileStatRow, FileState, NewFile};
pub use given_up::DriveEvent;
pub use gone::{DepartedRow, MissingRow};
pub use held_back::HeldBack;
pub use in_force::{KnownMailbox, LeftMailbox};
pub use index_queries::{DatedCopy, LastLocation, LocationStatus};
pub use inventory::CopyCounts;
pub use known::{KnownAs, KnownHow};
pub use lacking::Lacking;
pub use last_copies::LastCopies;
pub use logs::{KnownLines, Log, LogDamage};
pub use merge::Judge;
pub use message_copies::{Proof, TrackedMessage};
pub use open::SetAside;
pub use replicas::ReplicaState;
pub use retired::{Retired, Said, Untold};
pub use room::{LedgerImport, LedgerRoom};
pub use row_ids::{DriveRowId, ReplicaRowId};
pub use scrub::CycleTotals;
pub use traffic::{Counted, LocationRecord, MessageInfo};

use super::JobError;
use crate::disk::MemoryFolder;
use crate::model::{Clock, MailboxName, Writers};
use globset::GlobSet;
use rusqlite::{Connection, OptionalExtension as _, params};
use std::cell::{Cell, RefCell};

/// An open catalogue.
pub struct Catalogue {
    db: Connection,
    /// The folder in memory that goes with it, of a passing copy that has one.
    home: Option<MemoryFolder>,
    /// Whether what is only good to know, as when a drive was last seen, is kept.
    keeps_sightings: bool,
    /// No change was made through it yet: the first one is a new writer's.
    is_fresh: Cell<bool>,
    /// What is known of writers, once it was asked for.
    lineage: RefCell<Option<Writers>>,
    /// What the ledger that is read has told of writers: its replica, how many, and how many positions before them.
    writers_told: Cell<Option<(ReplicaRowId, u64, u64)>>,
    /// The rows of the mailboxes that questions are about; `None`: all there are.
    in_force: RefCell<Option<Vec<i64>>>,
    /// What the config ignores in them.
    ignored: RefCell<GlobSet>,
    /// While a ledger is read, the last change of this card.
    reading: Cell<Option<u64>>,
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

    /// The row of a mailbox; `root` is its path on the card, raw.
    pub fn mailbox(&self, name: &MailboxName, root: Option<&[u8]>) -> Result<i64, JobError> {
        let found = self
            .db
            .prepare_cached("SELECT id, root FROM mailbox WHERE name = ?1")?
            .query_row([name.as_str()], |row| Ok((row.get(0)?, row.get::<_, Option<Vec<u8>>>(1)?)))
            .optional()?;
        match found {
            Some((id, known)) => {
                if root.is_some() && known.as_deref() != root {
                    self.db
                        .execute("UPDATE mailbox SET root = ?2 WHERE id = ?1", params![id, root])?;
                }
                Ok(id)
            }
            None => {
                // Another thread may have made it since the look: then that row is the one.
                self.db.execute(
                    "INSERT INTO mailbox (name, root) VALUES (?1, ?2) ON CONFLICT DO NOTHING",
                    params![name.as_str(), root],
                )?;
                let sql = "SELECT id FROM mailbox WHERE name = ?1";
                Ok(self.db.query_row(sql, [name.as_str()], |row| row.get(0))?)
            }
        }
    }

    /// Name and path of a mailbox.
    pub fn mailbox_name(&self, id: i64) -> Result<(MailboxName, Option<Vec<u8>>), JobError> {
        let (name, root): (String, _) = self
            .db
            .prepare_cached("SELECT name, root FROM mailbox WHERE id = ?1")?
            .query_row([id], |row| Ok((row.get(0)?, row.get(1)?)))?;
        let name = name.parse().map_err(|e| JobError::Broken(format!("catalogue: {e}")))?;
        Ok((name, root))
    }
}

/// Monotonic milliseconds, as kept in the catalogue.
pub fn millis(clock: &dyn Clock) -> i64 {
    i64::try_from(clock.since_boot().as_millis()).unwrap_or(i64::MAX)
}

fn digest_column(row: &rusqlite::Row<'_>, at: usize) -> rusqlite::Result<crate::model::Digest> {
    row.get::<_, [u8; 32]>(at).map(crate::model::Digest::from_bytes)
}
