//! Questions for the list of messages that a drive carries, and what is remembered of that list.
//! Never decides anything.

use super::Catalogue;
use super::CopyState;
use super::row_ids::{ContentRowId, DriveRowId, MailboxRowId, ReplicaRowId};
use super::rows::{Columns, FromRow};
use crate::job::JobError;
use crate::model::Timestamp;
use rusqlite::params;

/// Places of one message that its line in the list may name.
const PLACES_NAMED: u32 = 8;

/// A copy, as far as is needed to see on which page of the list it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NumberedCopy {
    /// Its number.
    pub number: u32,
    /// Whether it was given up, and is not there to be opened.
    pub given_up: bool,
}

/// How a message stands at a location, by a ledger; the first of several is reported of the message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum LocationStatus {
    /// It is there.
    There,
    /// It is missing from there.
    Missing,
    /// It was deleted there.
    Removed,
    /// A later version took its place.
    Replaced,
    /// It moved away.
    Moved,
}

/// Where a message is or was, and how it went.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LastLocation {
    /// Its row in the table of mailboxes.
    pub mailbox: MailboxRowId,
    /// Path, as its sorting key.
    pub key: Vec<u8>,
    /// Whether it is there; else how it went.
    pub status: LocationStatus,
}

impl FromRow for LastLocation {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        let (mailbox, key) = (columns.read()?, columns.read()?);
        let (ended, missing): (Option<i64>, bool) = columns.read()?;
        let why: Option<String> = columns.read()?;
        let status = match (ended, why.as_deref()) {
            (None, _) if missing => LocationStatus::Missing,
            (None, _) => LocationStatus::There,
            (_, Some("moved")) => LocationStatus::Moved,
            (_, Some("replaced")) => LocationStatus::Replaced,
            _ => LocationStatus::Removed,
        };
        Ok(Self { mailbox, key, status })
    }
}

impl Catalogue {
    /// Every copy that a drive has of a station, in order of their numbers.
    pub fn numbered_copies(&self, replica: ReplicaRowId) -> Result<Vec<NumberedCopy>, JobError> {
        let mut copies = Vec::new();
        let sql = "SELECT number, state FROM payload WHERE replica = ?1 ORDER BY number";
        self.each_row(sql, [replica], |(number, state): (u32, CopyState)| {
            copies.push(NumberedCopy { number, given_up: state.is_given_up() });
            Ok(())
        })?;
        Ok(copies)
    }

    /// Where, by a drive's ledger, a content is, or else was; one row a location.
    pub fn last_locations(
        &self,
        replica: ReplicaRowId,
        content: ContentRowId,
    ) -> Result<Vec<LastLocation>, JobError> {
        let sql = "SELECT a.mailbox, a.key, a.ended, a.missing, (SELECT why FROM departure d \
                   WHERE d.replica = a.replica AND d.mailbox = a.mailbox AND d.key = a.key \
                   AND d.content = a.content ORDER BY d.line DESC LIMIT 1), max(a.line) \
                   FROM assertion a INDEXED BY assertion_by_content WHERE a.content = ?2 \
                   AND a.replica = ?1 GROUP BY a.mailbox, a.key ORDER BY a.ended IS NOT NULL, \
                   a.missing, a.mailbox, a.key LIMIT ?3";
        let mut locations: Vec<LastLocation> =
            self.rows(sql, params![replica, content, PLACES_NAMED])?;
        locations.sort_by_key(|location| location.status);
        Ok(locations)
    }

    /// Bytes of everything that a drive carries in addition to the copies, as this card last left it.
    pub fn extras_bytes(&self, drive: DriveRowId) -> Result<Option<u64>, JobError> {
        Ok(self.meta(&format!("carried {drive}"))?.and_then(|text| text.parse().ok()))
    }

    /// Keeps that.
    pub fn set_extras_bytes(&self, drive: DriveRowId, bytes: u64) -> Result<(), JobError> {
        self.set_meta(&format!("carried {drive}"), &bytes.to_string())
    }

    /// The mount in which the programs on a drive were last compared with those of this card.
    pub fn programs_compared(&self, drive: DriveRowId) -> Result<Option<String>, JobError> {
        self.meta(&format!("programs {drive}"))
    }

    /// Keeps that.
    pub fn set_programs_compared(&self, drive: DriveRowId, mount: &str) -> Result<(), JobError> {
        self.set_meta(&format!("programs {drive}"), mount)
    }

    /// When a restore was last rehearsed and brought back all there is.
    pub fn rehearsed(&self) -> Result<Option<Timestamp>, JobError> {
        Ok(self.meta("rehearsed")?.and_then(|text| Timestamp::from_text(&text)))
    }

    /// Keeps that.
    pub fn set_rehearsed(&self, when: Timestamp) -> Result<(), JobError> {
        self.set_meta("rehearsed", &when.to_text())
    }
}
