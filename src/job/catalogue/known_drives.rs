//! Which drives are ours where only known ones are used: those that the operator added, let in, or let be copied to
//! while any stick was used, each with the serial number of its file system. Kept in the catalogue, and in a file of
//! its own next to it, since nothing that a stick says of itself may make it one of them.

use super::Catalogue;
use super::row_ids::DriveRowId;
use super::rows::{Columns, FromRow, read};
use crate::disk::host;
use crate::job::JobError;
use crate::model::{DriveId, Timestamp};
use rusqlite::{Connection, OpenFlags, params};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The file next to the catalogue: a line of JSON for each known drive.
pub(super) const KNOWN: &str = "known-drives";

/// How a drive became one of ours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KnownHow {
    /// By `drives add DIR`.
    Added,
    /// By `drives add --next`.
    LetIn,
    /// It was copied to while any stick was used, or as a folder that was named.
    Copied,
}

impl KnownHow {
    const ALL: [Self; 3] = [Self::Added, Self::LetIn, Self::Copied];

    /// The word in the catalogue, in its file and in JSON.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Added => "added",
            Self::LetIn => "let-in",
            Self::Copied => "copied",
        }
    }

    fn from_text(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|how| how.as_str() == text)
    }
}

/// What is kept of a drive that is ours.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recognition {
    /// Since when.
    pub since: Timestamp,
    /// How it became ours.
    pub how: KnownHow,
    /// Serial number of its file system then; `None`: it had none that could be read.
    pub serial: Option<String>,
}

/// A line of the file.
#[derive(Serialize, Deserialize)]
struct KnownRecord {
    id: String,
    label: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    serial: Option<String>,
    how: String,
    since: String,
}

impl FromRow for Recognition {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            since: columns.written_time()?.unwrap_or_default(),
            how: columns.parsed(KnownHow::from_text)?.unwrap_or(KnownHow::Copied),
            serial: columns.read()?,
        })
    }
}

impl FromRow for KnownRecord {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            id: columns.read()?,
            label: columns.read()?,
            serial: columns.read()?,
            how: columns.read()?,
            since: columns.read()?,
        })
    }
}

impl Catalogue {
    /// What is kept of a drive, if it is ours.
    pub fn known_as(&self, id: DriveId) -> Result<Option<Recognition>, JobError> {
        let sql = "SELECT since, how, serial FROM known_drive WHERE uuid = ?1";
        self.first_row(sql, [id.to_string()])
    }

    /// Whether this drive is ours: its id alone anybody can write who has read it once, so the file system must be the
    /// one that it had.
    pub fn is_known_drive(&self, id: DriveId, serial: Option<&str>) -> Result<bool, JobError> {
        Ok(self.known_as(id)?.is_some_and(|known| known.serial.as_deref() == serial))
    }

    /// A drive is ours from now on. What the operator says counts for the drive it was said of; otherwise one that is
    /// ours stays as it is, though another one comes with its id, except that a missing serial number is filled in.
    pub fn make_known(
        &self,
        (id, label): (DriveId, &str),
        serial: Option<&str>,
        how: KnownHow,
        now: Timestamp,
    ) -> Result<(), JobError> {
        if how == KnownHow::Copied
            && self.known_as(id)?.is_some_and(|k| k.how != how || k.serial.is_some())
        {
            return Ok(());
        }
        self.write_transaction(|| {
            let sql = "INSERT OR REPLACE INTO known_drive VALUES (?1, ?2, ?3, ?4, ?5)";
            let now = now.to_text();
            self.db.execute(sql, params![id.to_string(), label, serial, how.as_str(), now])?;
            self.keep_known();
            Ok(())
        })?;
        self.make_durable()
    }

    /// Whether this card knows any drive.
    pub fn knows_drives(&self) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM known_drive UNION ALL SELECT 1 FROM drive LIMIT 1";
        self.has_row(sql, [])
    }

    /// A drive is ours no more.
    pub(super) fn make_unknown(&self, drive: DriveRowId) -> Result<(), JobError> {
        let sql = "DELETE FROM known_drive WHERE uuid = (SELECT uuid FROM drive WHERE id = ?1)";
        if self.db.execute(sql, [drive])? > 0 {
            self.keep_known();
        }
        Ok(())
    }

    /// Writes the file anew, all of it at once. Within the change that it records, so that of two at the same time the
    /// later one writes what both did.
    fn keep_known(&self) {
        let Some(state) = self.state() else { return };
        let keep = || -> Result<(), JobError> {
            write(state, self.rows("SELECT uuid, label, serial, how, since FROM known_drive", [])?)
        };
        if let Err(error) = keep() {
            tracing::warn!(%error, "which drives are known is kept in the catalogue alone");
        }
    }

    /// Takes over into a new catalogue which drives are ours, by the file in the state folder. Without it none is,
    /// until the operator adds them: what a stick says of itself is no statement of his.
    pub fn recall_known(&self, state: &Path) -> Result<(), JobError> {
        let kept = host::read_text(&state.join(KNOWN)).unwrap_or_else(|error| {
            tracing::warn!(%error, "which drives are known cannot be read");
            None
        });
        for line in kept.unwrap_or_default().lines() {
            let Ok(kept) = serde_json::from_str::<KnownRecord>(line) else { continue };
            let (Ok(id), Some(how)) = (kept.id.parse::<DriveId>(), KnownHow::from_text(&kept.how))
            else {
                continue;
            };
            let since = Timestamp::from_text(&kept.since).unwrap_or_default();
            self.db.execute(
                "INSERT OR IGNORE INTO known_drive VALUES (?1, ?2, ?3, ?4, ?5)",
                params![id.to_string(), kept.label, kept.serial, how.as_str(), since.to_text()],
            )?;
        }
        Ok(())
    }
}

/// Keeps of a catalogue that is to be set aside, as after an update of the program, which drives were copied to; an
/// earlier version of the program wrote no such file. That it cannot be read is no trouble of its own.
pub(super) fn rescue_before_set_aside(catalogue: &Path, state: &Path) {
    if host::exists(&state.join(KNOWN)) {
        return;
    }
    let keep = || -> Result<(), JobError> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let db = Connection::open_with_flags(catalogue, flags)?;
        let copied_to = |column: &str| {
            db.prepare(&format!(
                "SELECT uuid, label, serial, ?1, coalesce(known_since, '') FROM drive WHERE forgotten IS NULL \
                 AND id IN (SELECT drive FROM replica WHERE {column} > 0)"
            ))
        };
        // The second is what versions of the tables before 16 called it.
        let mut query = copied_to("recorded_through").or_else(|_| copied_to("told"))?;
        let rows = query.query_map([KnownHow::Copied.as_str()], read)?;
        let kept = rows.collect::<Result<Vec<_>, _>>()?;
        if kept.is_empty() { Ok(()) } else { write(state, kept) }
    };
    if let Err(error) = keep() {
        tracing::debug!(%error, "which drives were copied to cannot be read any more");
    }
}

fn write(state: &Path, kept: Vec<KnownRecord>) -> Result<(), JobError> {
    let path = state.join(KNOWN);
    let lines = kept.iter().filter_map(|line| Some(serde_json::to_string(line).ok()? + "\n"));
    host::write_whole(&path, lines.collect::<String>().as_bytes())?;
    Ok(host::give_to_owner_of_folder(&path)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn drives_copied_to_are_kept_from_tables_of_an_earlier_version() {
        let state = tempfile::tempdir().unwrap();
        let path = Catalogue::path(state.path());
        let db = Connection::open(&path).unwrap();
        db.execute_batch(
            "CREATE TABLE drive (id INTEGER PRIMARY KEY, uuid, label, serial, known_since, forgotten); \
             CREATE TABLE replica (drive INTEGER, told INTEGER); \
             INSERT INTO drive VALUES (1, '00000000000000aa', 'pier-4', 'A1', NULL, NULL), \
             (2, '00000000000000bb', 'pier-5', NULL, NULL, NULL); \
             INSERT INTO replica VALUES (1, 7), (2, 0);",
        )
        .unwrap();
        rescue_before_set_aside(&path, state.path());
        let kept = host::read_text(&state.path().join(KNOWN)).unwrap().unwrap();
        assert_eq!(kept.lines().count(), 1, "{kept}");
        assert!(kept.contains("00000000000000aa") && kept.contains("\"A1\""), "{kept}");
    }
}
