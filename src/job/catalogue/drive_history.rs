//! What was said of each drive and found out about it, for a person. Never decides by any of it.

use super::Catalogue;
use super::row_ids::DriveRowId;
use super::rows::{Columns, FromRow};
use crate::job::JobError;
use crate::model::Timestamp;
use crate::model::limits::{DRIVE_EVENTS_KEPT, DRIVE_EVENTS_SHOWN};
use rusqlite::params;

/// Something that was said of a drive, or found out about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HistoryEntry {
    /// When, as claimed.
    pub time: Timestamp,
    /// What: `forgotten`, `taken-back`, `replaced`, `perhaps-replaced`, `seen-again`.
    pub what: String,
    /// Why, or by which drive.
    pub why: Option<String>,
    /// Where it went.
    pub place: Option<String>,
}

impl FromRow for HistoryEntry {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            time: columns.written_time()?.unwrap_or_default(),
            what: columns.read()?,
            why: columns.read()?,
            place: columns.read()?,
        })
    }
}

impl Catalogue {
    /// Adds to the history of a drive; of a long one the latest events are kept.
    pub(super) fn note_history(
        &self,
        drive: DriveRowId,
        at: Timestamp,
        what: &str,
        why: Option<&str>,
        place: Option<&str>,
    ) -> Result<(), JobError> {
        self.db.execute(
            "INSERT INTO drive_history (drive, at, what, why, place) VALUES (?1, ?2, ?3, ?4, ?5)",
            params![drive, at.to_text(), what, why, place],
        )?;
        self.db.execute(
            "DELETE FROM drive_history WHERE drive = ?1 AND id NOT IN \
             (SELECT id FROM drive_history WHERE drive = ?1 ORDER BY id DESC LIMIT ?2)",
            params![drive, DRIVE_EVENTS_KEPT],
        )?;
        Ok(())
    }

    /// What was said of a drive and found out about it, the latest first.
    pub fn drive_history(&self, drive: DriveRowId) -> Result<Vec<HistoryEntry>, JobError> {
        let sql = "SELECT at, what, why, place FROM drive_history WHERE drive = ?1 ORDER BY id \
                   DESC LIMIT ?2";
        self.rows(sql, params![drive, DRIVE_EVENTS_SHOWN])
    }
}
