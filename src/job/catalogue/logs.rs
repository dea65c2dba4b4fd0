//! What the checks of a drive compare with: what a replica's two logs were when they were last read or written, by
//! which a line that rotted is noticed anywhere in them; and what of them was found damaged and is not written again
//! yet. Never says that a log is whole: only that nothing else was found.

use super::row_ids::{DriveRowId, ReplicaRowId};
use super::rows::{Columns, FromRow};
use super::{Catalogue, Log};
use crate::job::JobError;
use crate::model::{Digest, Hasher, StationName};
use rusqlite::params;

/// The whole lines of a ledger: how many, and a digest over their hashes in order. A chain shows that a line is
/// damaged; it does not show a second one before a line that settled the break at the first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KnownLines {
    /// How many.
    pub lines: u64,
    digest: Digest,
}

impl Default for KnownLines {
    fn default() -> Self {
        Self { lines: 0, digest: Digest::from_bytes([0; 32]) }
    }
}

impl KnownLines {
    /// One more line, by the hash at its end.
    pub fn add(&mut self, hash: &Digest) {
        let mut hasher = Hasher::default();
        hasher.update(self.digest.as_bytes());
        hasher.update(hash.as_bytes());
        *self = Self { lines: self.lines + 1, digest: hasher.finish().digest };
    }
}

/// Lines of a log that could be read once and cannot any more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LogDamage {
    /// Which log.
    pub log: Log,
    /// Byte of the log from which on.
    pub offset: u64,
    /// How many lines, at least.
    pub lines: u64,
    /// The medium does not give these bytes at all: then writing lines again after them helps no reader, since none
    /// gets that far.
    pub unreadable: bool,
}

impl FromRow for LogDamage {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            log: columns.read()?,
            offset: columns.read()?,
            lines: columns.read()?,
            unreadable: columns.read()?,
        })
    }
}

const DAMAGE: &str = "log, at, lines, unreadable";

impl Catalogue {
    /// The lines of a replica's ledger as far as it is known.
    pub fn known_lines(&self, replica: ReplicaRowId) -> Result<KnownLines, JobError> {
        let known =
            self.first_row("SELECT lines, digest FROM checks WHERE replica = ?1", [replica])?;
        Ok(known.map(|(lines, digest)| KnownLines { lines, digest }).unwrap_or_default())
    }

    /// Writes down what they are now, together with how far the ledger is known.
    pub fn set_known_lines(
        &self,
        replica: ReplicaRowId,
        known: &KnownLines,
    ) -> Result<(), JobError> {
        let sql = "INSERT INTO checks (replica, lines, digest, cycle, lengths_to) VALUES (?1, ?2, \
                   ?3, 0, 0) ON CONFLICT DO UPDATE SET lines = ?2, digest = ?3";
        self.change(sql, params![replica, known.lines as i64, known.digest.as_bytes().as_slice()])?;
        Ok(())
    }

    /// Whether a scrub cycle has read both logs of a replica.
    pub fn logs_read_in(&self, replica: ReplicaRowId, cycle: i64) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM checks WHERE replica = ?1 AND cycle = ?2";
        self.has_row(sql, params![replica, cycle])
    }

    /// A scrub cycle has read both.
    pub fn set_logs_read_in(&self, replica: ReplicaRowId, cycle: i64) -> Result<(), JobError> {
        let sql = "INSERT INTO checks (replica, lines, digest, cycle, lengths_to) VALUES (?1, 0, \
                   zeroblob(32), ?2, 0) ON CONFLICT DO UPDATE SET cycle = ?2";
        self.change(sql, params![replica, cycle])?;
        Ok(())
    }

    /// The segment up to which lengths were checked when the drive last came; 0 if all of them were.
    pub fn lengths_seen_to(&self, replica: ReplicaRowId) -> Result<u32, JobError> {
        Ok(self
            .first_row("SELECT lengths_to FROM checks WHERE replica = ?1", [replica])?
            .unwrap_or(0))
    }

    /// Where the next look at lengths continues.
    pub fn set_lengths_seen_to(&self, replica: ReplicaRowId, segment: u32) -> Result<(), JobError> {
        let sql = "UPDATE checks SET lengths_to = ?2 WHERE replica = ?1";
        self.change(sql, params![replica, segment])?;
        Ok(())
    }

    /// What is damaged of a replica's logs, and not written again yet.
    pub fn log_damage(&self, replica: ReplicaRowId) -> Result<Vec<LogDamage>, JobError> {
        let sql = format!("SELECT {DAMAGE} FROM log_damage WHERE replica = ?1 ORDER BY log");
        self.rows(&sql, [replica])
    }

    /// The same of all drives of a station: the drive's row, and what.
    pub fn damaged_logs(
        &self,
        station: &StationName,
    ) -> Result<Vec<(DriveRowId, LogDamage)>, JobError> {
        let sql = format!(
            "SELECT drive, {DAMAGE} FROM log_damage JOIN replica \
             ON replica.id = log_damage.replica WHERE station = ?1 ORDER BY drive, log"
        );
        self.rows(&sql, [station.as_str()])
    }

    /// Both logs of a replica were read through: what was found is what is damaged now. Durable at once, since a power
    /// failure must not bring back that nothing was.
    pub fn set_log_damage(
        &self,
        replica: ReplicaRowId,
        found: &[LogDamage],
    ) -> Result<(), JobError> {
        if self.log_damage(replica)? == found {
            return Ok(());
        }
        self.write_transaction(|| {
            self.db.execute("DELETE FROM log_damage WHERE replica = ?1", [replica])?;
            found.iter().try_for_each(|damage| {
                let LogDamage { log, offset, lines, unreadable } = *damage;
                self.db.execute(
                    "INSERT INTO log_damage (replica, log, at, lines, unreadable) \
                     VALUES (?1, ?2, ?3, ?4, ?5)",
                    params![replica, log, offset as i64, lines as i64, unreadable],
                )?;
                Ok(())
            })
        })?;
        self.make_durable()
    }

    /// What could be written again is: a damage that the medium does not give stays.
    pub fn log_damage_mended(&self, replica: ReplicaRowId) -> Result<(), JobError> {
        let sql = "DELETE FROM log_damage WHERE replica = ?1 AND NOT unreadable";
        self.change(sql, [replica])?;
        Ok(())
    }
}
