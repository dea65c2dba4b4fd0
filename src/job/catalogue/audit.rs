//! Questions about the whole mailbox against all drives, each one query.
//! Never changes anything.

use super::Catalogue;
use super::file_rows::FileRow;
use super::row_ids::{ContentRowId, DriveRowId, MailboxRowId};
use super::states::{FileState, Log};
use crate::job::JobError;
use crate::model::message::Headers;
use crate::model::{MailboxName, RelName, StationName, Timestamp};
use rusqlite::params;
use std::collections::BTreeMap;

/// The copies of a settled message of the mailbox by which it is safe, on the drives of station ?1 that count: the
/// ledger asserts it at its path as of its last change or later, and as of the last departure of it that this card
/// read. (A copy adopted after a power failure is not called good until a line says where it belongs.)
macro_rules! safe_copies {
    () => {
        "FROM restorable CROSS JOIN replica ON replica.id = restorable.replica AND replica.station = ?1 AND \
         replica.trusted \
         WHERE restorable.mailbox = file.mailbox AND restorable.key = file.key AND restorable.content = file.content \
         AND restorable.as_of >= max(file.since, file.departure_read)"
    };
}

/// Whether it is safe on at least ?2 drives. One is usual, and found without counting.
const SAFE: &str = concat!(
    "CASE ?2 WHEN 1 THEN EXISTS (SELECT 1 ",
    safe_copies!(),
    ") ELSE (SELECT count(DISTINCT replica.drive) ",
    safe_copies!(),
    ") >= ?2 END"
);

/// Whether a drive of station ?1 would give back a content that is to be restored to a location.
const KEPT: &str = "EXISTS (SELECT 1 FROM restorable CROSS JOIN replica ON replica.id = restorable.replica \
                    AND replica.station = ?1 AND replica.trusted WHERE restorable.mailbox = wanted.mailbox \
                    AND restorable.key = wanted.key AND restorable.content = wanted.content)";

/// Messages of the mailboxes in force, counted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct MessageTotals {
    /// Messages there.
    pub messages: u64,
    /// Sum of their lengths, in bytes.
    pub bytes: u64,
    /// Messages with enough good copies, as they are now.
    pub mirrored: u64,
    /// Bytes of the messages without enough good copies.
    pub unmirrored_bytes: u64,
    /// Messages that no drive would give back, as they are now.
    pub on_none: u64,
    /// Sum of their lengths, in bytes.
    pub on_none_bytes: u64,
    /// Messages that a drive would give back by its own ledger, and nothing here has confirmed that: as after the
    /// state was lost, or on a new card.
    pub unconfirmed: u64,
    /// Sum of their lengths, in bytes.
    pub unconfirmed_bytes: u64,
    /// Messages whose present version looks like damage to the card.
    pub damaged: u64,
    /// Of them, messages whose good version has no good copy.
    pub damaged_on_none: u64,
    /// Messages missing from a mailbox.
    pub missing: u64,
    /// Of them, messages without a good copy.
    pub missing_on_none: u64,
}

/// Messages that have been unmirrored for too long.
#[derive(Debug, Clone, Default)]
pub struct Overdue {
    /// How many.
    pub messages: u64,
    /// Sum of their lengths, in bytes.
    pub bytes: u64,
    /// The one first seen.
    pub first: Option<OverdueMessage>,
}

/// One of them, for a person.
#[derive(Debug, Clone)]
pub struct OverdueMessage {
    /// As the config names it, or a ledger.
    pub mailbox: MailboxName,
    /// Below the folder of its mailbox.
    pub path: RelName,
    /// When it was first seen.
    pub first_seen: Timestamp,
    /// Sender, receivers, subject and date, as far as they could be read.
    pub headers: Headers,
}

impl Catalogue {
    /// Counts the messages that are there, and those that are safe: settled, and with enough copies.
    pub fn totals(&self, station: &StationName, copies: u32) -> Result<MessageTotals, JobError> {
        let here = self.in_force();
        let sql = format!(
            // `total` never overflows, whatever a ledger says of lengths.
            "SELECT count(*), CAST(total(bytes) AS INTEGER), coalesce(sum(is_present AND {SAFE}), 0), \
             count(suspect) FROM file WHERE is_there{here}"
        );
        let (messages, bytes, mirrored, damaged) =
            self.only_row(&sql, params![station.as_str(), copies])?;
        let mut totals =
            MessageTotals { messages, bytes, mirrored, damaged, ..MessageTotals::default() };
        // The rest is about few messages, except in a first pass: it is counted only where there are any.
        if totals.mirrored < totals.messages {
            self.count_unmirrored(station, copies, &mut totals)?;
        }
        let missing = format!("SELECT mailbox, key, content FROM missing WHERE damaged = 0{here}");
        (totals.missing, totals.missing_on_none) = self.count_lost(station, &missing)?;
        if totals.damaged > 0 {
            // What is to be restored is the last good version; where none is known, at least this one.
            let damaged = format!(
                "SELECT mailbox, key, coalesce(good, content) AS content FROM file \
                 WHERE suspect IS NOT NULL AND is_there{here}"
            );
            (_, totals.damaged_on_none) = self.count_lost(station, &damaged)?;
        }
        Ok(totals)
    }

    /// Adds what is known of the messages without enough copies.
    fn count_unmirrored(
        &self,
        station: &StationName,
        copies: u32,
        totals: &mut MessageTotals,
    ) -> Result<(), JobError> {
        let unsafe_rows =
            format!("FROM file WHERE is_there AND NOT (is_present AND {SAFE}){}", self.in_force());
        let sql = format!("SELECT CAST(total(bytes) AS INTEGER) {unsafe_rows}");
        totals.unmirrored_bytes = self.only_row(&sql, params![station.as_str(), copies])?;
        let sql = format!(
            "SELECT count(*), CAST(total(bytes) AS INTEGER), coalesce(sum(on_drive), 0), \
             CAST(total(bytes * on_drive) AS INTEGER) FROM (SELECT wanted.bytes, wanted.is_present \
             AND {KEPT} AS on_drive FROM (SELECT mailbox, key, content, bytes, is_present \
             {unsafe_rows}) AS wanted)"
        );
        let (all, all_bytes): (u64, u64);
        (all, all_bytes, totals.unconfirmed, totals.unconfirmed_bytes) =
            self.only_row(&sql, params![station.as_str(), 1])?;
        totals.on_none = all - totals.unconfirmed;
        totals.on_none_bytes = all_bytes - totals.unconfirmed_bytes;
        Ok(())
    }

    /// How many contents are to be restored, and how many of them no drive would give back.
    fn count_lost(&self, station: &StationName, wanted: &str) -> Result<(u64, u64), JobError> {
        let sql =
            format!("SELECT count(*), coalesce(sum(NOT {KEPT}), 0) FROM ({wanted}) AS wanted");
        self.only_row(&sql, [station.as_str()])
    }

    /// Whether some path of the mailbox is there and its content is not known, or not settled.
    pub fn has_unsettled(&self) -> Result<bool, JobError> {
        let sql = format!(
            "SELECT 1 FROM unsettled_file WHERE state IN (?1, ?2, ?3, ?4){}",
            self.in_force()
        );
        let there =
            [FileState::Fresh, FileState::Unreadable, FileState::NotAFile, FileState::Changing];
        self.has_row(&sql, there)
    }

    /// Messages that are there and not safe, those first seen first.
    pub fn unmirrored(
        &self,
        station: &StationName,
        copies: u32,
        each: impl FnMut(FileRow) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let sql = format!(
            "SELECT {} FROM file WHERE is_there AND NOT (is_present AND {SAFE}){} \
             ORDER BY CASE WHEN is_present THEN change_no ELSE 9223372036854775807 END, mailbox, key",
            FileRow::COLUMNS,
            self.in_force()
        );
        self.each_row(&sql, params![station.as_str(), copies], each)
    }

    /// Messages that are there and not safe, of a span: settled by changes with numbers after `from` and up to `until`,
    /// or not settled and first found in that span, in monotonic milliseconds.
    pub fn overdue(
        &self,
        station: &StationName,
        copies: u32,
        from: (u64, i64),
        until: (u64, i64),
    ) -> Result<Overdue, JobError> {
        let span = format!(
            "FROM file WHERE is_there AND CASE WHEN is_present THEN change_no > ?3 AND change_no <= ?4 AND NOT {SAFE} \
             ELSE first_statted > ?5 AND first_statted <= ?6 END{}",
            self.in_force()
        );
        let values =
            params![station.as_str(), copies, from.0 as i64, until.0 as i64, from.1, until.1];
        let sums = format!("SELECT count(*), CAST(total(bytes) AS INTEGER) {span}");
        let (messages, bytes) = self.only_row(&sums, values)?;
        let one =
            format!("SELECT {} {span} ORDER BY first_seen, mailbox, key LIMIT 1", FileRow::COLUMNS);
        let first: Option<FileRow> = self.first_row(&one, values)?;
        let first = match first {
            Some(row) => Some(OverdueMessage {
                mailbox: self.mailbox_name(row.mailbox)?.0,
                path: row.path()?,
                first_seen: row.first_seen,
                headers: row
                    .content
                    .map(|content| self.headers(content))
                    .transpose()?
                    .unwrap_or_default(),
            }),
            None => None,
        };
        Ok(Overdue { messages, bytes, first })
    }

    /// Messages whose present version looks like damage to the card.
    pub fn suspect(
        &self,
        each: impl FnMut(FileRow) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        self.rows_where("suspect IS NOT NULL AND is_there", each)
    }

    fn rows_where(
        &self,
        condition: &str,
        each: impl FnMut(FileRow) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let sql = format!(
            "SELECT {} FROM file WHERE {condition}{} ORDER BY mailbox, key",
            FileRow::COLUMNS,
            self.in_force()
        );
        self.each_row(&sql, [], each)
    }

    /// Whether a message of the mailbox is safe on at least this many drives.
    pub fn is_safe(
        &self,
        station: &StationName,
        (mailbox, key): (MailboxRowId, &[u8]),
        copies: u32,
    ) -> Result<bool, JobError> {
        let sql =
            format!("SELECT 1 FROM file WHERE is_present AND {SAFE} AND mailbox = ?3 AND key = ?4");
        self.has_row(&sql, params![station.as_str(), copies, mailbox, key])
    }

    /// How many of the missing messages each set of drives would give back; drives by row.
    pub fn missing_by_drives(
        &self,
        station: &StationName,
    ) -> Result<BTreeMap<Vec<DriveRowId>, u64>, JobError> {
        let mut by_drives = BTreeMap::new();
        self.each_missing(|row| {
            let on = match row.damaged {
                true => Vec::new(),
                false => self.kept_on(station, (row.mailbox, &row.key), row.content)?,
            };
            if !on.is_empty() {
                *by_drives.entry(on).or_default() += 1;
            }
            Ok(())
        })?;
        Ok(by_drives)
    }

    /// Drives that would give back a content that is to be restored to a location.
    pub fn copies_kept(
        &self,
        station: &StationName,
        at: (MailboxRowId, &[u8]),
        content: ContentRowId,
    ) -> Result<u32, JobError> {
        Ok(u32::try_from(self.kept_on(station, at, content)?.len()).unwrap_or(u32::MAX))
    }

    /// The rows of these drives, in order.
    fn kept_on(
        &self,
        station: &StationName,
        (mailbox, key): (MailboxRowId, &[u8]),
        content: ContentRowId,
    ) -> Result<Vec<DriveRowId>, JobError> {
        let sql = "SELECT DISTINCT replica.drive FROM restorable CROSS JOIN replica ON replica.id \
                   = restorable.replica AND replica.station = ?1 AND replica.trusted \
                   WHERE restorable.mailbox = ?2 AND restorable.key = ?3 \
                   AND restorable.content = ?4 ORDER BY replica.drive";
        let of = params![station.as_str(), mailbox, key, content];
        self.rows(sql, of)
    }

    /// Counts the messages that are safe, but not without drives whose ledgers have lost lines: such a ledger may not
    /// say where these messages belong.
    pub fn resting_on_damaged_ledgers(
        &self,
        station: &StationName,
        copies: u32,
    ) -> Result<u64, JobError> {
        let sql = format!(
            "SELECT count(*) FROM file WHERE is_present AND {SAFE}{} AND (SELECT count(DISTINCT \
             replica.drive) FROM payload INDEXED BY payload_by_content CROSS JOIN replica \
             ON replica.id = payload.replica AND replica.station = ?1 AND replica.trusted \
             AND NOT EXISTS (SELECT 1 FROM log_damage d WHERE d.replica = replica.id \
             AND d.log = ?3) WHERE payload.content = file.content AND payload.is_good) < ?2",
            self.in_force()
        );
        self.only_row(&sql, params![station.as_str(), copies, Log::Ledger])
    }

    /// Counts the messages that are safe, but not without drives of which it is asked whether they were wiped.
    pub fn resting_on_questions(
        &self,
        station: &StationName,
        copies: u32,
    ) -> Result<u64, JobError> {
        // Of the drives whose copies count, only these have another one in their place.
        let sql = format!(
            "SELECT count(*) FROM file WHERE is_present AND {SAFE}{} AND (SELECT count(DISTINCT \
             replica.drive) {} AND replica.drive IN (SELECT id FROM drive WHERE replaced IS NULL)) \
             < ?2",
            self.in_force(),
            safe_copies!()
        );
        self.only_row(&sql, params![station.as_str(), copies])
    }

    /// A path where a content is or was.
    pub fn path_of(&self, content: ContentRowId) -> Result<Option<RelName>, JobError> {
        let sql = "SELECT key FROM file WHERE content = ?1 UNION ALL SELECT key FROM assertion \
                   WHERE content = ?1 LIMIT 1";
        let key: Option<Vec<u8>> = self.first_row(sql, [content])?;
        Ok(key.and_then(|key| RelName::from_key(&key).ok()))
    }
}
