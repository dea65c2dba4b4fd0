//! Questions about the whole mailbox against all drives, each one query.
//! Never changes anything.

use super::Catalogue;
use super::files::FileRow;
use crate::job::JobError;
use crate::model::message::Headers;
use crate::model::{MailboxName, Moment, RelName, StationName};
use rusqlite::{OptionalExtension as _, params};

/// Whether a content has at least ?2 good copies on drives of station ?1. One is usual, and found
/// without counting. (A copy adopted after a cut is not called good until a line says where it belongs; the
/// copies of a drive that is not trusted never count.)
const SAFE: &str = "CASE ?2 WHEN 1 THEN \
                    EXISTS (SELECT 1 FROM payload INDEXED BY payload_by_content CROSS JOIN book \
                    ON book.id = payload.book AND book.station = ?1 AND book.trusted \
                    WHERE payload.content = file.content AND payload.state = 1) ELSE \
                    (SELECT count(DISTINCT book.drive) FROM payload INDEXED BY payload_by_content \
                    CROSS JOIN book ON book.id = payload.book AND book.station = ?1 AND book.trusted \
                    WHERE payload.content = file.content AND payload.state = 1) >= ?2 END";

/// Messages of the mailbox, counted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Totals {
    /// Messages there.
    pub messages: u64,
    /// Octets of them.
    pub bytes: u64,
    /// Messages with enough good copies, as they are now.
    pub mirrored: u64,
}

/// Messages that have been unmirrored for too long.
#[derive(Debug, Clone, Default)]
pub struct Overdue {
    /// How many.
    pub messages: u64,
    /// Octets of them.
    pub bytes: u64,
    /// The one first seen.
    pub first: Option<OverdueMessage>,
}

/// One of them, for a person.
#[derive(Debug, Clone)]
pub struct OverdueMessage {
    /// Its mailbox.
    pub mailbox: MailboxName,
    /// Its path.
    pub path: RelName,
    /// When it was first seen.
    pub first_seen: Moment,
    /// Its headers.
    pub headers: Headers,
}

impl Catalogue {
    /// Counts the messages that are there, and those that are safe: settled, and with enough copies.
    pub fn totals(&self, station: &StationName, copies: u32) -> Result<Totals, JobError> {
        let sql = format!(
            // `total` never overflows, whatever a ledger says of lengths.
            "SELECT count(*), CAST(total(bytes) AS INTEGER), coalesce(sum(state = 1 AND {SAFE}), 0) \
             FROM file WHERE state <= 5"
        );
        Ok(self.db.prepare_cached(&sql)?.query_row(params![station.as_str(), copies], |row| {
            let number = |at| row.get::<_, i64>(at).map(|n| n as u64);
            Ok(Totals { messages: number(0)?, bytes: number(1)?, mirrored: number(2)? })
        })?)
    }

    /// Counts the messages that are safe, but not without drives whose ledgers have lost lines: where these messages
    /// belong such a ledger may not tell.
    pub fn resting_on_damaged_ledgers(
        &self,
        station: &StationName,
        copies: u32,
    ) -> Result<u64, JobError> {
        let sql = format!(
            "SELECT count(*) FROM file WHERE state = 1 AND {SAFE} AND \
             (SELECT count(DISTINCT book.drive) FROM payload INDEXED BY payload_by_content \
             CROSS JOIN book ON book.id = payload.book AND book.station = ?1 AND book.trusted \
             AND NOT EXISTS (SELECT 1 FROM log_damage d WHERE d.book = book.id AND d.log = 0) \
             WHERE payload.content = file.content AND payload.state = 1) < ?2"
        );
        let count = self
            .db
            .prepare_cached(&sql)?
            .query_row(params![station.as_str(), copies], |row| row.get::<_, i64>(0))?;
        Ok(count as u64)
    }

    /// Whether some path of the mailbox is there and its content is not known, or not settled.
    pub fn has_unsettled(&self) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM file INDEXED BY file_unsettled WHERE state IN (2, 3, 4, 5) AND state > 1";
        Ok(self.db.prepare_cached(sql)?.exists([])?)
    }

    /// Messages that are there and not safe, those first seen first.
    pub fn unmirrored(
        &self,
        station: &StationName,
        copies: u32,
        mut each: impl FnMut(FileRow) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let sql = format!(
            "SELECT {} FROM file WHERE state <= 5 AND NOT (state = 1 AND {SAFE}) \
             ORDER BY CASE state WHEN 1 THEN tick ELSE 9223372036854775807 END, mailbox, key",
            FileRow::COLUMNS
        );
        let mut query = self.db.prepare_cached(&sql)?;
        let mut rows = query.query(params![station.as_str(), copies])?;
        while let Some(row) = rows.next()? {
            each(FileRow::read(row)?)?;
        }
        Ok(())
    }

    /// Messages that are there and not safe, of a span: settled by changes with numbers behind `told` and up to
    /// `until`, or not settled and first looked at in that span, in monotonic milliseconds.
    pub fn overdue(
        &self,
        station: &StationName,
        copies: u32,
        told: (u64, i64),
        until: (u64, i64),
    ) -> Result<Overdue, JobError> {
        let span = format!(
            "FROM file WHERE state <= 5 AND CASE state WHEN 1 THEN tick > ?3 AND tick <= ?4 AND NOT {SAFE} \
             ELSE looked > ?5 AND looked <= ?6 END"
        );
        let (from, to) = (told.0 as i64, until.0 as i64);
        let values = params![station.as_str(), copies, from, to, told.1, until.1];
        let sums = format!("SELECT count(*), CAST(total(bytes) AS INTEGER) {span}");
        let (messages, bytes) = self
            .db
            .prepare_cached(&sums)?
            .query_row(values, |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?)))?;
        let one =
            format!("SELECT {} {span} ORDER BY first_seen, mailbox, key LIMIT 1", FileRow::COLUMNS);
        let first = self.db.prepare_cached(&one)?.query_row(values, FileRow::read).optional()?;
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
        Ok(Overdue { messages: messages as u64, bytes: bytes as u64, first })
    }

    /// Messages found missing from the mailbox.
    pub fn vanished(
        &self,
        each: impl FnMut(FileRow) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        self.rows_where("state = 9 AND state > 1 ORDER BY mailbox, key", each)
    }

    /// Messages whose present version looks like damage to the card.
    pub fn suspect(
        &self,
        each: impl FnMut(FileRow) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        self.rows_where("suspect IS NOT NULL AND state <= 5 ORDER BY mailbox, key", each)
    }

    fn rows_where(
        &self,
        condition: &str,
        mut each: impl FnMut(FileRow) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let sql = format!("SELECT {} FROM file WHERE {condition}", FileRow::COLUMNS);
        let mut query = self.db.prepare_cached(&sql)?;
        let mut rows = query.query([])?;
        while let Some(row) = rows.next()? {
            each(FileRow::read(row)?)?;
        }
        Ok(())
    }

    /// Whether a content has at least so many good copies.
    pub fn is_safe(
        &self,
        station: &StationName,
        content: i64,
        copies: u32,
    ) -> Result<bool, JobError> {
        Ok(self
            .db
            .prepare_cached(
                "SELECT count(DISTINCT book.drive) >= ?3 FROM payload INDEXED BY payload_by_content \
                    CROSS JOIN book \
                 ON book.id = payload.book AND book.station = ?1 AND book.trusted \
                 WHERE payload.content = ?2 AND payload.state = 1",
            )?
            .query_row(params![station.as_str(), content, copies], |row| row.get(0))?)
    }

    /// A path where a content is or was.
    pub fn path_of(&self, content: i64) -> Result<Option<RelName>, JobError> {
        let key: Option<Vec<u8>> = self
            .db
            .prepare_cached(
                "SELECT key FROM file WHERE content = ?1 UNION ALL \
                 SELECT key FROM place WHERE content = ?1 LIMIT 1",
            )?
            .query_row([content], |row| row.get(0))
            .optional()?;
        Ok(key.and_then(|key| RelName::from_key(&key).ok()))
    }
}
