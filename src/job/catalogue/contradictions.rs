//! Drives that contradict each other, or what this card remembers: another line at a number of a ledger, two contents
//! for one change, a writer with two beginnings. No honest program writes any of these. Never takes a line or a copy
//! away: decides only whose copies count, and reports to a person.

use super::Catalogue;
use super::row_ids::{DriveRowId, ReplicaRowId};
use super::rows::{Columns, FromRow};
use crate::job::JobError;
use crate::model::{DriveId, KnownDrive, escape};
use rusqlite::params;

/// What two say differently.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Contradicting {
    /// What a line of a ledger is, by the hash over it and all before it.
    Line,
    /// What left by a change, and from where. A number is given to one change only: each departure draws its own
    /// (`set_departed`), and one that is written again, or to another drive, keeps content, location and number; only
    /// the successor may differ.
    Change,
    /// The parents of a writer: they are written once, and copied from ledger to ledger.
    Writer,
}

impl Contradicting {
    /// The word used in JSON and in the catalogue.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Line => "line",
            Self::Change => "change",
            Self::Writer => "writer",
        }
    }

    fn from_text(text: &str) -> Self {
        let known = [Self::Line, Self::Change];
        known.into_iter().find(|what| what.as_str() == text).unwrap_or(Self::Writer)
    }
}

/// A drive that contradicts another, or this card.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Contradiction {
    /// Its row in the catalogue.
    pub row: DriveRowId,
    /// Which.
    pub drive: KnownDrive,
    /// The other one; `None` for this card, or for itself.
    pub other: Option<KnownDrive>,
    /// What they say differently.
    pub what: Contradicting,
    /// A line of its ledger: that there is another one there, or that it says so.
    pub line: u64,
    /// Its copies count for nothing.
    pub disqualified: bool,
    /// Where it was last found, raw.
    pub path: Vec<u8>,
}

/// Who says something, and in which line of a ledger.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct StatedContradiction {
    pub drive: DriveRowId,
    pub line: u64,
}

impl FromRow for StatedContradiction {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self { drive: columns.read()?, line: columns.read()? })
    }
}

impl FromRow for Option<KnownDrive> {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        let (id, label): (Option<DriveId>, Option<String>) = columns.read()?;
        let shown = |label: String| escape::shown(label.as_bytes());
        Ok(label.map(|label| KnownDrive { id: id.unwrap_or(DriveId::NIL), label: shown(label) }))
    }
}

impl FromRow for Contradiction {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        let drive = columns.read::<Option<KnownDrive>>()?;
        Ok(Self {
            drive: drive.unwrap_or(KnownDrive { id: DriveId::NIL, label: String::new() }),
            other: columns.read()?,
            row: columns.read()?,
            what: Contradicting::from_text(&columns.read::<String>()?),
            line: columns.read()?,
            disqualified: columns.read()?,
            path: columns.read()?,
        })
    }
}

impl Catalogue {
    /// All that is open: of no drive that was given up, and of none about which its operator has decided.
    pub fn contradictions(&self) -> Result<Vec<Contradiction>, JobError> {
        let sql = "SELECT d.uuid, d.label, o.uuid, o.label, c.drive, c.what, c.line, \
                   c.disqualified, d.found_at FROM contradiction c JOIN drive d ON d.id = c.drive \
                   LEFT JOIN drive o ON o.id = c.other WHERE NOT c.settled AND d.forgotten IS NULL \
                   ORDER BY d.label, d.id, c.rowid";
        self.rows(sql, [])
    }

    /// Its operator takes a drive for the true one, or gives it up: what it contradicts, and what contradicts it, is
    /// settled, and of its ledger no other end is remembered.
    pub(super) fn end_contradictions(&self, drive: DriveRowId) -> Result<(), JobError> {
        self.db.execute(
            "UPDATE contradiction SET settled = 1 WHERE drive = ?1 OR other = ?1",
            [drive],
        )?;
        self.db.execute("DELETE FROM known_end WHERE drive = ?1", [drive])?;
        self.db.execute(
            "DELETE FROM witness WHERE drive = (SELECT uuid FROM drive WHERE id = ?1) \
             OR replica IN (SELECT id FROM replica WHERE drive = ?1)",
            [drive],
        )?;
        self.recompute_all_counts()
    }

    /// What is on a drive that was ever accused is read as if it were seen for the first time.
    pub(super) fn read_accused_anew(&self, drive: DriveRowId) -> Result<(), JobError> {
        let sql = "SELECT 1 FROM contradiction WHERE drive = ?1";
        if self.has_row(sql, [drive])? {
            for (_, station) in self.replicas_of(drive)? {
                let mut replica = self.replica(drive, &station)?;
                self.forget_replica(&mut replica)?;
                self.save_replica(&replica)?;
            }
        }
        Ok(())
    }

    fn recompute_all_counts(&self) -> Result<(), JobError> {
        self.drives()?.iter().try_for_each(|drive| self.recompute_counts(drive.row))
    }

    /// One of a kind for each two drives: a forged ledger may have any number.
    pub(super) fn record_contradiction(
        &self,
        statement: StatedContradiction,
        other: Option<DriveRowId>,
        what: Contradicting,
        disqualified: bool,
    ) -> Result<(), JobError> {
        let sql = "SELECT 1 FROM contradiction WHERE drive = ?1 AND other IS ?2 AND what = ?3 \
                   AND (line = ?4 OR NOT settled)";
        let known = self
            .has_row(sql, params![statement.drive, other, what.as_str(), statement.line as i64])?;
        if !known {
            self.change(
                "INSERT INTO contradiction VALUES (?1, ?2, ?3, ?4, ?5, 0)",
                params![statement.drive, other, what.as_str(), statement.line as i64, disqualified],
            )?;
            if other.is_none() {
                // What it said of others, or they of it, is no question any more.
                self.db.execute(
                    "DELETE FROM contradiction WHERE NOT settled AND other IS NOT NULL AND (drive = ?1 OR other = ?1)",
                    [statement.drive],
                )?;
            }
            self.recompute_all_counts()?;
        }
        Ok(())
    }

    /// Two drives differ. Where this card knows one of them, only the other one is disqualified: otherwise any stick
    /// could discredit a good one. Where it knows neither, nobody can say which is right, and neither counts; where it
    /// knows both, only a person can, and both go on counting.
    pub(super) fn differ(
        &self,
        one: StatedContradiction,
        other: StatedContradiction,
        what: Contradicting,
    ) -> Result<(), JobError> {
        if one.drive == other.drive {
            return self.record_contradiction(one, None, what, true);
        }
        // What contradicts itself, or this card, says nothing of others.
        if self.is_accused_by_this_card(one.drive)? || self.is_accused_by_this_card(other.drive)? {
            return Ok(());
        }
        let known = (self.is_recorded(one)?, self.is_recorded(other)?);
        if !known.0 || known.1 {
            self.record_contradiction(one, Some(other.drive), what, !known.0)?;
        }
        if !known.1 || known.0 {
            self.record_contradiction(other, Some(one.drive), what, !known.1)?;
        }
        Ok(())
    }

    /// Whether this card knows a line by more than having read it: it has written to that ledger before, and found it
    /// again as it had left it.
    fn is_recorded(&self, statement: StatedContradiction) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM drive WHERE id = ?1 AND own_from <= ?2";
        self.has_row(sql, params![statement.drive, statement.line as i64])
    }

    pub(super) fn is_accused_by_this_card(&self, drive: DriveRowId) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM contradiction WHERE drive = ?1 AND other IS NULL AND NOT settled";
        self.has_row(sql, [drive])
    }

    pub(super) fn is_disqualified(&self, drive: DriveRowId) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM contradiction WHERE drive = ?1 AND disqualified AND NOT settled";
        self.has_row(sql, [drive])
    }

    /// Replicas of drives that are disqualified: their departures withhold nothing that another replica asserts.
    pub(super) fn disqualified_replicas(&self) -> Result<Vec<ReplicaRowId>, JobError> {
        let sql = "SELECT id FROM replica WHERE drive IN (SELECT drive FROM contradiction \
                   WHERE disqualified AND NOT settled)";
        self.rows(sql, [])
    }
}
