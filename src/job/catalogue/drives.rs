//! The drives known to this card: when seen, in what state, when proven.
//! Never decides by any of it; it is for a person.

use super::Catalogue;
use super::row_ids::DriveRowId;
use super::rows::{Columns, FromRow};
use crate::job::JobError;
use crate::model::{DriveId, DriveLoss, Medium, Timestamp};
use rusqlite::params;
use std::ops::Deref;

/// Whether the copies of a row of the table of drives count: it keeps its data, its operator has not given it up,
/// nothing else is in its place, it is distinguishable from others, it contradicts nothing that is better known, and it
/// does not die with the card; unless that was asked to count too.
pub(super) const COUNTS: &str = "(distrust IS NULL AND forgotten IS NULL \
     AND (replaced IS NULL OR replaced_how = 'place') AND uuid <> '0000000000000000' \
     AND NOT EXISTS (SELECT 1 FROM contradiction WHERE drive = drive.id AND disqualified AND NOT settled) \
     AND (same_device IS NULL OR EXISTS (SELECT 1 FROM meta WHERE name = 'count_same_device')))";

/// A row of the table of drives.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DriveRow {
    /// Row number.
    pub row: DriveRowId,
    /// Its random id.
    pub id: DriveId,
    /// What is known of it.
    pub facts: DriveFacts,
}

impl Deref for DriveRow {
    type Target = DriveFacts;
    fn deref(&self) -> &DriveFacts {
        &self.facts
    }
}

/// What is known of a drive, whatever its id.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct DriveFacts {
    /// How it is called: the last part of where it is found.
    pub label: String,
    /// Where it was last found, raw.
    pub path: Vec<u8>,
    /// The daemon's state of it, or of the last command's pass.
    pub state: String,
    /// What to add to the state.
    pub detail: String,
    /// When last seen.
    pub last_seen: Option<Timestamp>,
    /// When last all of it was re-read.
    pub last_verified: Option<Timestamp>,
    /// What it hung on when last seen.
    pub medium: Medium,
    /// Since when it is elsewhere, as the operator declared; nothing can be seen of that.
    pub away: Option<Timestamp>,
    /// Why it is to be replaced soon.
    pub worn: Option<String>,
    /// Why nothing on it counts any more.
    pub distrust: Option<String>,
    /// When this card first saw it.
    pub known_since: Option<Timestamp>,
    /// Serial number of the file system that it was last seen on.
    pub serial: Option<String>,
    /// The plain folder that it was last seen in; `None` of one on a device.
    pub folder: Option<Vec<u8>>,
    /// The drive that it was copied from; itself, where it is no copy.
    pub origin: Option<DriveId>,
    /// The mailbox on whose own device it was last seen.
    pub same_device: Option<String>,
    /// Its operator gave it up.
    pub forgotten: Option<Forgotten>,
    /// Another drive is in its place.
    pub replaced: Option<Replaced>,
    /// Its copies make messages safe.
    pub counts: bool,
}

/// The operator's statement that a drive is gone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Forgotten {
    /// Since when.
    pub since: Timestamp,
    /// What became of the drive, as the operator said.
    pub why: DriveLoss,
    /// Where it went, as it was said.
    pub place: Option<String>,
}

/// What was found where a drive was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Replaced {
    /// Since when.
    pub since: Timestamp,
    /// The drive that is there now; `None`: one without an id.
    pub by: Option<DriveId>,
    /// How that is known.
    pub how: ReplacedHow,
}

/// How it is known that a drive is not any more what it was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReplacedHow {
    /// Its file system, by the serial number, has another drive on it, or none.
    Serial,
    /// The folder that it was in, on the system's own device, has another drive in it.
    Folder,
    /// A drive whose id could not be read may have been this one, and has another id now.
    Unreadable,
    /// A drive with an id never seen before has this one's ledger: its id has rotted, or its files were copied.
    Ledger,
    /// A new drive was found where it was last: a stick reformatted, or a second one at the same mount point. Only
    /// its operator knows; until then its copies count.
    Place,
}

impl ReplacedHow {
    /// The word kept in the catalogue, and in JSON.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Serial => "serial",
            Self::Folder => "folder",
            Self::Unreadable => "unreadable",
            Self::Ledger => "ledger",
            Self::Place => "place",
        }
    }

    fn from_text(text: &str) -> Self {
        let known = [Self::Serial, Self::Folder, Self::Unreadable, Self::Ledger];
        known.into_iter().find(|how| how.as_str() == text).unwrap_or(Self::Place)
    }

    /// Whether it is sure enough that the copies known count no more.
    pub fn is_sure(self) -> bool {
        self != Self::Place
    }
}

/// Whether a drive lies on the device of a mailbox, and dies with it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum SameDevice {
    /// Unknown: what was known before holds.
    #[default]
    NotKnown,
    /// On none's.
    No,
    /// On that of the mailbox with this name.
    As(String),
}

/// A drive as it is found.
#[derive(Debug, Clone, Default)]
pub struct FoundDrive<'a> {
    /// How it is called.
    pub label: &'a str,
    /// Where it is, raw.
    pub path: &'a [u8],
    /// What its device hangs on.
    pub medium: Medium,
    /// Serial number of its file system, where it is known.
    pub serial: Option<String>,
    /// The plain folder it is in, if it is in one that nothing is ever mounted on.
    pub folder: Option<Vec<u8>>,
    /// The drive that it was copied from; itself, where it is no copy.
    pub origin: Option<DriveId>,
    /// Whether it dies with the card.
    pub same_device: SameDevice,
}

impl FoundDrive<'_> {
    /// Whether this is news of a drive, apart from the time.
    fn is_change_of(&self, row: &DriveRow) -> bool {
        let other_device = match &self.same_device {
            SameDevice::NotKnown => false,
            SameDevice::No => row.same_device.is_some(),
            SameDevice::As(mailbox) => row.same_device.as_ref() != Some(mailbox),
        };
        row.path != self.path
            || row.label != self.label
            || row.medium != self.medium
            || row.away.is_some()
            || self.serial.is_some() && self.serial != row.serial
            || self.folder != row.folder
            || self.origin.is_some() && self.origin != row.origin
            || other_device
    }
}

impl DriveFacts {
    /// Whether everything of ours was deleted on it, by this program.
    pub fn is_wiped(&self) -> bool {
        self.forgotten.as_ref().is_some_and(|gone| gone.why == DriveLoss::Wiped)
    }
}

impl FromRow for DriveRow {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            row: columns.read()?,
            id: columns.read::<Option<DriveId>>()?.unwrap_or(DriveId::NIL),
            facts: columns.read()?,
        })
    }
}

impl FromRow for DriveFacts {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            label: columns.read()?,
            path: columns.read()?,
            state: columns.read()?,
            detail: columns.read()?,
            last_seen: columns.written_time()?,
            last_verified: columns.written_time()?,
            medium: Medium::from_text(&columns.read::<String>()?),
            away: columns.written_time()?,
            worn: columns.read()?,
            distrust: columns.read()?,
            known_since: columns.written_time()?,
            serial: columns.read()?,
            folder: columns.read()?,
            origin: columns.read()?,
            same_device: columns.read()?,
            forgotten: {
                let since = columns.written_time()?;
                let why = columns.parsed(DriveLoss::from_text)?;
                let (place, why) = (columns.read()?, why.unwrap_or(DriveLoss::Broken));
                Option::map(since, |since| Forgotten { since, why, place })
            },
            replaced: {
                let (since, by) = (columns.written_time()?, columns.read()?);
                let how = columns.parsed(|text| Some(ReplacedHow::from_text(text)))?;
                let how = how.unwrap_or(ReplacedHow::Place);
                Option::map(since, |since| Replaced { since, by, how })
            },
            counts: columns.read()?,
        })
    }
}

fn columns() -> String {
    format!(
        "id, uuid, label, found_at, state, detail, last_seen, last_verified, medium, away, worn, distrust, \
         known_since, serial, folder, origin, same_device, forgotten, forgotten_why, forgotten_place, \
         replaced, replaced_by, replaced_how, {COUNTS}"
    )
}

impl Catalogue {
    /// Every drive ever seen.
    pub fn drives(&self) -> Result<Vec<DriveRow>, JobError> {
        let sql = format!("SELECT {} FROM drive ORDER BY label, id", columns());
        self.rows(&sql, [])
    }

    /// The drive with an id.
    pub fn drive(&self, id: DriveId) -> Result<Option<DriveRow>, JobError> {
        let sql = format!("SELECT {} FROM drive WHERE uuid = ?1", columns());
        self.first_row(&sql, [id.to_string()])
    }

    /// The drive last found at a place, to tell an empty mount point from a new drive.
    pub fn drive_at(&self, at: &[u8]) -> Result<Option<DriveRow>, JobError> {
        let sql = format!(
            "SELECT {} FROM drive WHERE id = (SELECT drive FROM found WHERE at = ?1)",
            columns()
        );
        self.first_row(&sql, [at])
    }

    /// Records that a drive is found at a place. Writes only if that is news: the time is kept to the
    /// hour, so that a pass with nothing to do writes nothing. A drive that is here is not elsewhere.
    pub fn drive_seen(
        &self,
        id: DriveId,
        found: &FoundDrive<'_>,
        now: Timestamp,
    ) -> Result<DriveRowId, JobError> {
        let at = found.path;
        let drive = match self.drive(id)? {
            Some(row) => {
                let old = row.last_seen.unwrap_or_default().seconds;
                let later = now.seconds.abs_diff(old) >= 3600;
                if found.is_change_of(&row) || later && self.records_sightings {
                    self.set_found(row.row, found, now)?;
                }
                row.row
            }
            None => {
                self.db.execute(
                    "INSERT INTO drive (uuid, label, found_at, state, detail, last_seen, medium, known_since) \
                     VALUES (?1, ?2, ?3, '', '', ?4, ?5, ?4)",
                    params![id.to_string(), found.label, at, now.to_text(), found.medium.as_str()],
                )?;
                let row = DriveRowId::of_inserted(&self.db);
                self.set_found(row, found, now)?;
                row
            }
        };
        if self.drive_at(at)?.is_none_or(|known| known.row != drive) {
            self.db.execute("INSERT OR REPLACE INTO found VALUES (?1, ?2)", params![at, drive])?;
        }
        Ok(drive)
    }

    fn set_found(
        &self,
        row: DriveRowId,
        found: &FoundDrive<'_>,
        now: Timestamp,
    ) -> Result<(), JobError> {
        let (device_known, same_device) = match &found.same_device {
            SameDevice::NotKnown => (false, None),
            SameDevice::No => (true, None),
            SameDevice::As(mailbox) => (true, Some(mailbox.as_str())),
        };
        let sql = "UPDATE drive SET label = ?2, found_at = ?3, last_seen = ?4, medium = ?5, \
                   away = NULL, serial = coalesce(?6, serial), folder = ?7, origin = coalesce(?8, \
                   origin), same_device = CASE WHEN ?9 THEN ?10 ELSE same_device END WHERE id = ?1";
        self.change(
            sql,
            params![
                row,
                found.label,
                found.path,
                now.to_text(),
                found.medium.as_str(),
                found.serial,
                found.folder,
                found.origin.map(|id| id.to_string()),
                device_known,
                same_device,
            ],
        )?;
        Ok(())
    }

    /// Records what state a drive is in; writes only if that is news.
    pub fn set_drive_state(
        &self,
        drive: DriveRowId,
        state: &str,
        detail: &str,
    ) -> Result<(), JobError> {
        let sql = "UPDATE drive SET state = ?2, detail = ?3 WHERE id = ?1 AND (state <> ?2 \
                   OR detail <> ?3)";
        self.change(sql, params![drive, state, detail])?;
        Ok(())
    }

    /// Records that a drive is elsewhere since some time, or that it is not. One that is elsewhere was not
    /// reformatted: that question is answered.
    pub fn declare_away(
        &self,
        drive: DriveRowId,
        since: Option<Timestamp>,
    ) -> Result<(), JobError> {
        self.db.execute(
            "UPDATE drive SET away = ?2 WHERE id = ?1",
            params![drive, since.map(Timestamp::to_text)],
        )?;
        match since {
            Some(_) => self.not_reformatted(drive),
            None => Ok(()),
        }
    }

    /// Its operator says that a drive is kept elsewhere: then it was not reformatted.
    fn not_reformatted(&self, drive: DriveRowId) -> Result<(), JobError> {
        self.db.execute(
            "UPDATE drive SET replaced = NULL, replaced_by = NULL, replaced_how = NULL \
             WHERE id = ?1 AND replaced_how = 'place'",
            [drive],
        )?;
        Ok(())
    }

    /// Records that all of a drive was re-read.
    pub fn drive_verified(&self, drive: DriveRowId, when: Timestamp) -> Result<(), JobError> {
        self.db.execute(
            "UPDATE drive SET last_verified = ?2 WHERE id = ?1",
            params![drive, when.to_text()],
        )?;
        Ok(())
    }
}
