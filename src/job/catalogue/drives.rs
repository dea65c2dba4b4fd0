//! The drives known to this card: when seen, in what state, when proven.
//! Never decides by any of it; it is for a person.

use super::Catalogue;
use crate::job::JobError;
use crate::model::{DriveId, Medium, Moment};
use rusqlite::{OptionalExtension as _, Row, params};

/// A row of the table of drives.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DriveRow {
    /// Row number.
    pub row: i64,
    /// Its random id.
    pub id: DriveId,
    /// How it is called: the last part of where it is found.
    pub label: String,
    /// Where it was last found, raw.
    pub at: Vec<u8>,
    /// The daemon's state of it, or of the last command's pass.
    pub state: String,
    /// What to add to the state.
    pub detail: String,
    /// When last seen.
    pub last_seen: Option<Moment>,
    /// When last all of it was re-read.
    pub last_verified: Option<Moment>,
    /// What it hung on when last seen.
    pub medium: Medium,
    /// Since when it is elsewhere, as the operator declared; nothing can be seen of that.
    pub away: Option<Moment>,
    /// Why it is to be replaced soon.
    pub worn: Option<String>,
    /// Why nothing on it counts any more.
    pub distrust: Option<String>,
}

/// A drive as it is found.
#[derive(Debug, Clone, Copy)]
pub struct FoundDrive<'a> {
    /// How it is called.
    pub label: &'a str,
    /// Where it is, raw.
    pub at: &'a [u8],
    /// What its device hangs on.
    pub medium: Medium,
}

impl DriveRow {
    fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        let moment = |at| -> rusqlite::Result<Option<Moment>> {
            Ok(row.get_ref(at)?.as_str_or_null()?.and_then(Moment::from_text))
        };
        Ok(Self {
            row: row.get(0)?,
            id: row.get_ref(1)?.as_str()?.parse().unwrap_or(DriveId::from_bits(0)),
            label: row.get(2)?,
            at: row.get(3)?,
            state: row.get(4)?,
            detail: row.get(5)?,
            last_seen: moment(6)?,
            last_verified: moment(7)?,
            medium: Medium::from_text(row.get_ref(8)?.as_str()?),
            away: moment(9)?,
            worn: row.get(10)?,
            distrust: row.get(11)?,
        })
    }
}

const COLUMNS: &str = "id, uuid, label, found_at, state, detail, last_seen, last_verified, medium, away, \
                       worn, distrust";

impl Catalogue {
    /// Every drive ever seen.
    pub fn drives(&self) -> Result<Vec<DriveRow>, JobError> {
        let mut query =
            self.db.prepare_cached(&format!("SELECT {COLUMNS} FROM drive ORDER BY label, id"))?;
        let rows = query.query_map([], DriveRow::read)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The drive with an id.
    pub fn drive(&self, id: DriveId) -> Result<Option<DriveRow>, JobError> {
        let mut query =
            self.db.prepare_cached(&format!("SELECT {COLUMNS} FROM drive WHERE uuid = ?1"))?;
        Ok(query.query_row([id.to_string()], DriveRow::read).optional()?)
    }

    /// The drive last found at a place, to tell an empty mount point from a new drive.
    pub fn drive_at(&self, at: &[u8]) -> Result<Option<DriveRow>, JobError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM drive WHERE id = (SELECT drive FROM found WHERE at = ?1)"
        );
        Ok(self.db.prepare_cached(&sql)?.query_row([at], DriveRow::read).optional()?)
    }

    /// Records that a drive is found at a place. Writes only if that is news: the time is kept to the
    /// hour, so that a pass with nothing to do writes nothing. A drive that is here is not elsewhere.
    pub fn drive_seen(
        &self,
        id: DriveId,
        found: &FoundDrive<'_>,
        now: Moment,
    ) -> Result<i64, JobError> {
        let FoundDrive { label, at, medium } = *found;
        let drive = match self.drive(id)? {
            Some(row) => {
                let old = row.last_seen.unwrap_or_default().seconds;
                let elsewhere = row.at != at
                    || row.label != label
                    || row.medium != medium
                    || row.away.is_some();
                let later = now.seconds.abs_diff(old) >= 3600;
                if elsewhere || later && self.keeps_sightings {
                    self.db.execute(
                        "UPDATE drive SET label = ?2, found_at = ?3, last_seen = ?4, medium = ?5, \
                         away = NULL WHERE id = ?1",
                        params![row.row, label, at, now.to_text(), medium.as_str()],
                    )?;
                }
                row.row
            }
            None => {
                self.db.execute(
                    "INSERT INTO drive (uuid, label, found_at, state, detail, last_seen, medium) \
                     VALUES (?1, ?2, ?3, '', '', ?4, ?5)",
                    params![id.to_string(), label, at, now.to_text(), medium.as_str()],
                )?;
                self.db.last_insert_rowid()
            }
        };
        if self.drive_at(at)?.is_none_or(|known| known.row != drive) {
            self.db.execute("INSERT OR REPLACE INTO found VALUES (?1, ?2)", params![at, drive])?;
        }
        Ok(drive)
    }

    /// Records what state a drive is in; writes only if that is news.
    pub fn set_drive_state(&self, drive: i64, state: &str, detail: &str) -> Result<(), JobError> {
        self.db
            .prepare_cached(
                "UPDATE drive SET state = ?2, detail = ?3 WHERE id = ?1 AND (state <> ?2 OR detail <> ?3)",
            )?
            .execute(params![drive, state, detail])?;
        Ok(())
    }

    /// Records that a drive is elsewhere since some time, or that it is not.
    pub fn declare_away(&self, drive: i64, since: Option<Moment>) -> Result<(), JobError> {
        self.db.execute(
            "UPDATE drive SET away = ?2 WHERE id = ?1",
            params![drive, since.map(Moment::to_text)],
        )?;
        Ok(())
    }

    /// Records that all of a drive was re-read.
    pub fn drive_verified(&self, drive: i64, when: Moment) -> Result<(), JobError> {
        self.db.execute(
            "UPDATE drive SET last_verified = ?2 WHERE id = ?1",
            params![drive, when.to_text()],
        )?;
        Ok(())
    }
}
