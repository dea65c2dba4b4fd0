//! The assertions and departures of all ledgers of a station, one after the other by location, as the merge needs them.
//! Never decides anything.

use super::decisions::Version;
use super::writers::position_columns;
use crate::model::ledger::Departed;
use crate::model::{Position, Suspicion, Timestamp};
use rusqlite::Row;

/// A line that asserts that a content is at a location.
pub(super) struct AssertionLine {
    pub book: i64,
    pub mailbox: i64,
    pub key: Vec<u8>,
    pub version: Version,
    pub line: i64,
    pub position: Position,
    pub ended: Option<i64>,
    pub missing: bool,
}

/// A line that says that a content has left a location.
pub(super) struct DepartureLine {
    pub book: i64,
    pub mailbox: i64,
    pub key: Vec<u8>,
    pub content: i64,
    pub position: Position,
    pub why: Departed,
}

/// All of a station in some mailboxes, location by location.
pub(super) const ASSERTIONS: &str = "SELECT a.book, a.mailbox, a.key, a.content, a.line, a.writer, a.n, \
     a.ended, a.missing, a.suspect, a.modified_s, a.modified_n, a.mode FROM book JOIN assertion a ON a.book = book.id \
     WHERE book.station = ?1 AND a.mailbox BETWEEN ?2 AND ?3 \
     ORDER BY a.mailbox, a.key, a.book, a.line";

/// Those that count, in the same order.
pub(super) const DEPARTURES: &str = "SELECT d.book, d.mailbox, d.key, d.content, d.writer, d.n, d.why FROM book \
     JOIN departure d ON d.book = book.id WHERE book.station = ?1 AND d.counts \
     AND d.mailbox BETWEEN ?2 AND ?3 ORDER BY d.mailbox, d.key, d.book, d.line";

/// All of one location, by the drives that count, and by one book whether it counts or not.
pub(super) const ASSERTIONS_AT: &str = "SELECT a.book, a.mailbox, a.key, a.content, a.line, a.writer, a.n, \
     a.ended, a.missing, a.suspect, a.modified_s, a.modified_n, a.mode FROM book CROSS JOIN assertion a \
     ON a.book = book.id AND a.mailbox = ?2 AND a.key = ?3 \
     WHERE book.station = ?1 AND (book.trusted OR book.id = ?4) ORDER BY a.book, a.line";

/// Those that count, in the same order.
pub(super) const DEPARTURES_AT: &str = "SELECT d.book, d.mailbox, d.key, d.content, d.writer, d.n, d.why FROM book \
     CROSS JOIN departure d ON d.book = book.id AND d.mailbox = ?2 AND d.key = ?3 \
     WHERE book.station = ?1 AND (book.trusted OR book.id = ?4) AND d.counts ORDER BY d.book, d.line";

pub(super) fn read_assertion(row: &Row<'_>) -> rusqlite::Result<AssertionLine> {
    Ok(AssertionLine {
        book: row.get(0)?,
        mailbox: row.get(1)?,
        key: row.get(2)?,
        line: row.get(4)?,
        position: position_columns(row, 5)?,
        ended: row.get(7)?,
        missing: row.get(8)?,
        version: Version {
            content: row.get(3)?,
            suspect: row.get_ref(9)?.as_str_or_null()?.and_then(Suspicion::from_text),
            modified: Timestamp { seconds: row.get(10)?, nanos: row.get(11)? },
            mode: row.get(12)?,
        },
    })
}

pub(super) fn read_departure(row: &Row<'_>) -> rusqlite::Result<DepartureLine> {
    Ok(DepartureLine {
        book: row.get(0)?,
        mailbox: row.get(1)?,
        key: row.get(2)?,
        content: row.get(3)?,
        position: position_columns(row, 4)?,
        why: Departed::from_text(row.get_ref(6)?.as_str()?).unwrap_or(Departed::Replaced),
    })
}
