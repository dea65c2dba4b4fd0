//! The assertions and departures of all ledgers of a station, one after the other by location, as the merge needs them.
//! Never decides anything.

use super::decisions::Version;
use super::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use super::writers::position_columns;
use crate::model::ledger::Departed;
use crate::model::{Position, Suspicion, Timestamp};
use rusqlite::Row;

/// A line that asserts that a content is at a location.
pub(super) struct AssertionLine {
    pub replica: ReplicaRowId,
    pub mailbox: MailboxRowId,
    pub key: Vec<u8>,
    pub version: Version,
    pub line: i64,
    pub position: Position,
    pub ended: Option<i64>,
    pub missing: bool,
}

/// A line that says that a content has left a location.
pub(super) struct DepartureLine {
    pub replica: ReplicaRowId,
    pub mailbox: MailboxRowId,
    pub key: Vec<u8>,
    pub content: ContentRowId,
    pub position: Position,
    pub why: Departed,
}

/// All of a station in some mailboxes, location by location.
pub(super) const ASSERTIONS: &str = "SELECT a.replica, a.mailbox, a.key, a.content, a.line, a.writer, a.n, \
     a.ended, a.missing, a.suspect, a.modified_s, a.modified_n, a.mode FROM replica JOIN assertion a ON a.replica = \
     replica.id WHERE replica.station = ?1 AND a.mailbox BETWEEN coalesce(?2, 0) AND coalesce(?2, 9223372036854775807) \
     ORDER BY a.mailbox, a.key, a.replica, a.line";

/// Those that count, in the same order.
pub(super) const DEPARTURES: &str = "SELECT d.replica, d.mailbox, d.key, d.content, d.writer, d.n, d.why FROM replica \
     JOIN departure d ON d.replica = replica.id WHERE replica.station = ?1 AND d.counts \
     AND d.mailbox BETWEEN coalesce(?2, 0) AND coalesce(?2, 9223372036854775807) ORDER BY d.mailbox, d.key, \
         d.replica, d.line";

/// All of one location, by the drives that count, and by one replica whether it counts or not.
pub(super) const ASSERTIONS_AT: &str = "SELECT a.replica, a.mailbox, a.key, a.content, a.line, a.writer, a.n, \
     a.ended, a.missing, a.suspect, a.modified_s, a.modified_n, a.mode FROM replica CROSS JOIN assertion a \
     ON a.replica = replica.id AND a.mailbox = ?2 AND a.key = ?3 \
     WHERE replica.station = ?1 AND (replica.trusted OR replica.id = ?4) ORDER BY a.replica, a.line";

/// Those that count, in the same order.
pub(super) const DEPARTURES_AT: &str = "SELECT d.replica, d.mailbox, d.key, d.content, d.writer, d.n, d.why \
     FROM replica CROSS JOIN departure d ON d.replica = replica.id AND d.mailbox = ?2 AND d.key = ?3 \
     WHERE replica.station = ?1 AND (replica.trusted OR replica.id = ?4) AND d.counts ORDER BY d.replica, d.line";

pub(super) fn read_assertion(row: &Row<'_>) -> rusqlite::Result<AssertionLine> {
    Ok(AssertionLine {
        replica: row.get(0)?,
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
        replica: row.get(0)?,
        mailbox: row.get(1)?,
        key: row.get(2)?,
        content: row.get(3)?,
        position: position_columns(row, 4)?,
        why: Departed::from_text(row.get_ref(6)?.as_str()?).unwrap_or(Departed::Replaced),
    })
}
