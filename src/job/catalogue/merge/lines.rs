//! The assertions and departures of all ledgers of a station, one after the other by location, as the merge needs them.
//! Never decides anything.

use super::decisions::ContentVersion;
use crate::job::catalogue::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use crate::job::catalogue::rows::{Columns, FromRow};
use crate::model::Position;
use crate::model::ledger::Departed;

/// A line that asserts that a content is at a location.
pub(in crate::job::catalogue) struct AssertionLine {
    pub replica: ReplicaRowId,
    pub mailbox: MailboxRowId,
    pub key: Vec<u8>,
    pub version: ContentVersion,
    pub line: i64,
    pub position: Position,
    pub ended: Option<i64>,
    pub missing: bool,
}

/// A line that says that a content has left a location.
pub(in crate::job::catalogue) struct DepartureLine {
    pub replica: ReplicaRowId,
    pub mailbox: MailboxRowId,
    pub key: Vec<u8>,
    pub content: ContentRowId,
    pub position: Position,
    pub why: Departed,
}

/// What is read of an assertion, and of which.
macro_rules! assertions {
    ($which:literal) => {
        concat!(
            "SELECT a.replica, a.mailbox, a.key, a.line, a.writer, a.n, a.ended, a.missing, a.content, a.suspect, \
             a.modified_s, a.modified_n, a.mode FROM replica ",
            $which
        )
    };
}

/// What is read of a departure, and of which.
macro_rules! departures {
    ($which:literal) => {
        concat!(
            "SELECT d.replica, d.mailbox, d.key, d.content, d.writer, d.n, d.why FROM replica ",
            $which
        )
    };
}

/// All of station ?1, in mailbox ?2 or, where that is NULL, in all; in order of the locations.
pub(in crate::job::catalogue) const ASSERTIONS: &str = assertions!(
    "JOIN assertion a ON a.replica = replica.id WHERE replica.station = ?1 \
     AND a.mailbox BETWEEN coalesce(?2, 0) AND coalesce(?2, 9223372036854775807) \
     ORDER BY a.mailbox, a.key, a.replica, a.line"
);

/// Those that count, in the same order.
pub(in crate::job::catalogue) const DEPARTURES: &str = departures!(
    "JOIN departure d ON d.replica = replica.id WHERE replica.station = ?1 AND d.counts \
     AND d.mailbox BETWEEN coalesce(?2, 0) AND coalesce(?2, 9223372036854775807) \
     ORDER BY d.mailbox, d.key, d.replica, d.line"
);

/// All of one location, by the drives that count, and by replica ?4 whether it counts or not.
pub(in crate::job::catalogue) const ASSERTIONS_AT: &str = assertions!(
    "CROSS JOIN assertion a ON a.replica = replica.id AND a.mailbox = ?2 AND a.key = ?3 \
     WHERE replica.station = ?1 AND (replica.trusted OR replica.id = ?4) ORDER BY a.replica, a.line"
);

/// Those that count, in the same order.
pub(in crate::job::catalogue) const DEPARTURES_AT: &str = departures!(
    "CROSS JOIN departure d ON d.replica = replica.id AND d.mailbox = ?2 AND d.key = ?3 \
     WHERE replica.station = ?1 AND (replica.trusted OR replica.id = ?4) AND d.counts \
     ORDER BY d.replica, d.line"
);

impl FromRow for AssertionLine {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            replica: columns.read()?,
            mailbox: columns.read()?,
            key: columns.read()?,
            line: columns.read()?,
            position: columns.read()?,
            ended: columns.read()?,
            missing: columns.read()?,
            version: columns.read()?,
        })
    }
}

impl FromRow for DepartureLine {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            replica: columns.read()?,
            mailbox: columns.read()?,
            key: columns.read()?,
            content: columns.read()?,
            position: columns.read()?,
            why: columns.read()?,
        })
    }
}
