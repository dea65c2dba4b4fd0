//! Owns the host's database of mailbox and drives: opening, rebuilding, copying it for a reader.
//! Never the only place of anything: whatever it says is read again from mailbox and drives when it is lost.

mod apply;
mod assertions;
mod audit;
mod books;
mod candidates;
mod carried;
mod contents;
mod contradictions;
mod counting;
mod decisions;
mod drives;
mod files;
mod given_up;
mod gone;
mod health;
mod hearing;
mod heirs;
mod held_back;
mod holdings;
mod in_force;
mod known;
mod lacking;
mod last_copies;
mod ledger_lines;
mod logs;
mod merge;
mod newcomers;
mod opening;
mod payloads;
mod proofs;
mod prunes;
mod recheck;
mod rereads;
mod retired;
mod room;
mod stamps;
mod station;
mod suspect;
mod traffic;
mod witnesses;
mod writers;

pub use assertions::{Place, StandingRow};
pub use audit::{Overdue, OverdueMessage, Totals};
pub use books::BookRow;
pub use carried::{Dated, Stand, Whereabouts};
pub use contradictions::{AtNumber, Contradicting, Contradiction};
pub use decisions::{Decision, Role, Version, Wanted, Withheld};
pub use drives::{DriveRow, Forgotten, FoundDrive, Replaced, ReplacedHow, SameDevice};
pub use files::{FileRow, FileState, Glance, NewFile};
pub use given_up::DriveEvent;
pub use gone::{DepartedRow, MissingRow};
pub use held_back::HeldBack;
pub use holdings::CopyCounts;
pub use in_force::{KnownMailbox, LeftMailbox};
pub use known::{KnownAs, KnownHow};
pub use lacking::Lacking;
pub use last_copies::LastCopies;
pub use logs::{KnownLines, Log, LogDamage};
pub use merge::Judge;
pub use opening::SetAside;
pub use payloads::{Held, PayloadRow, PayloadState};
pub use proofs::{Passage, Proof};
pub use rereads::RoundTotals;
pub use retired::{Retired, Said, Untold};
pub use room::{LedgerRoom, TakingIn};
pub use traffic::{Counted, Known, Word};

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
    /// What the ledger that is read has told of writers: its book, how many, and how many positions before them.
    writers_told: Cell<Option<(i64, u64, u64)>>,
    /// The rows of the mailboxes that questions are about; `None`: all there are.
    in_force: RefCell<Option<Vec<i64>>>,
    /// What the config ignores in them.
    ignored: RefCell<GlobSet>,
    /// While a ledger is read, the last change of this card.
    reading: Cell<Option<u64>>,
}

impl Catalogue {
    /// Runs several changes as one.
    pub fn together<T>(&self, work: impl FnOnce() -> Result<T, JobError>) -> Result<T, JobError> {
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
    pub fn at_once<T>(&self, ask: impl FnOnce() -> Result<T, JobError>) -> Result<T, JobError> {
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

    /// Looks made in another boot, or by another run of the daemon, are no first looks of this one:
    /// their monotonic time means nothing here. The first change of a run is a new writer's.
    pub fn begin_run(&self, clock: &dyn Clock) -> Result<(), JobError> {
        self.is_fresh.set(true);
        // Nor is a ledger being read: a run that was cut off may have been in the middle of one.
        self.end_reading();
        let now = millis(clock);
        let stale = "state IN (2, 5, 6, 7) AND state > 1 AND looked <> ?1";
        if self.db.prepare_cached(&format!("SELECT 1 FROM file WHERE {stale}"))?.exists([now])? {
            self.db.execute(&format!("UPDATE file SET looked = ?1 WHERE {stale}"), [now])?;
        }
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
