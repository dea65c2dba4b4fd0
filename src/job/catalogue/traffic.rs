//! What passed through the station: every message that the mailboxes or the drives' ledgers know of.
//! Never changes anything, and leaves nothing out.

use super::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use super::rows::{Columns, FromRow};
use super::{Catalogue, CopyState};
use crate::job::JobError;
use crate::model::message::Headers;
use crate::model::{Identity, StationName};
use rusqlite::params;

/// What something known says of a message: one place where it is or was, or a copy of it.
#[derive(Debug, Clone)]
pub struct LocationRecord {
    /// Row of the message's content.
    pub content: ContentRowId,
    /// Mailbox and path as its sorting key; none of a copy of which no place is known any more.
    pub place: Option<(MailboxRowId, Vec<u8>)>,
    /// What gives the message its place among all.
    pub order: StationOrder,
    /// It is there now, in this card's own mailbox.
    pub here: bool,
    /// The content is a version that looks like damage to the card.
    pub suspect: bool,
    /// When it was first seen there, in claimed seconds, and whether something vouched for the clock: as the
    /// mailbox's side of the catalogue has it.
    pub seen: Option<(i64, bool)>,
}

/// The place of a message in the station's own order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum StationOrder {
    /// By the number of its first line in the longest ledger, written by an earlier card.
    Earlier(u64),
    /// In the order in which this card first saw contents.
    Own,
    /// Nothing counts it: another ledger alone has it, or only a copy is there.
    Not,
}

/// A message as the catalogue has it.
#[derive(Debug, Clone)]
pub struct MessageInfo {
    /// SHA-256 and length of the content.
    pub identity: Identity,
    /// Its headers, if they were ever read on this card.
    pub headers: Option<Headers>,
    /// When it was first seen, in claimed seconds, and whether something vouched for the clock: as the ledgers
    /// have it.
    pub seen: Option<(i64, bool)>,
}

/// Records of one content follow each other, the earliest first: those of earlier cards in the longest ledger, then
/// this card's own, then all others.
const WORDS: &str = "SELECT * FROM (\
    SELECT content AS c, CASE WHEN replica.id <> ?2 THEN 2 WHEN w.own_first IS NULL THEN 0 ELSE 1 END AS rank, \
    CASE WHEN replica.id = ?2 AND w.own_first IS NULL THEN line ELSE 0 END AS number, \
    a.mailbox, a.key, a.suspect IS NOT NULL, NULL, NULL, 0, line AS then_by \
    FROM assertion a JOIN replica ON replica.id = a.replica LEFT JOIN writer w ON w.bits = a.writer WHERE station = ?1 \
    UNION ALL \
    SELECT content, 1, 0, mailbox, key, suspect IS NOT NULL, first_seen, clock, is_there, change_no \
    FROM file WHERE content IS NOT NULL \
    UNION ALL \
    SELECT content, 1, 0, mailbox, key, 0, NULL, NULL, 0, change_no FROM missing \
    UNION ALL \
    SELECT content, 1, 0, mailbox, key, 0, NULL, NULL, 0, change_no FROM departed \
    UNION ALL \
    SELECT content, 3, 0, NULL, NULL, 0, NULL, NULL, 0, number \
    FROM payload JOIN replica ON replica.id = payload.replica WHERE station = ?1 AND state <> ?3 \
    ) ORDER BY c, rank, number, then_by";

impl FromRow for LocationRecord {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        let content = columns.read()?;
        let (rank, line): (i64, u64) = columns.read()?;
        let order = match rank {
            0 => StationOrder::Earlier(line),
            1 => StationOrder::Own,
            _ => StationOrder::Not,
        };
        let (mailbox, key): (Option<MailboxRowId>, Option<Vec<u8>>) = columns.read()?;
        Ok(Self {
            content,
            place: mailbox.zip(key),
            order,
            suspect: columns.read()?,
            seen: columns.first_seen()?,
            here: columns.read()?,
        })
    }
}

impl FromRow for MessageInfo {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            identity: columns.read()?,
            headers: columns.read()?,
            seen: columns.first_seen()?,
        })
    }
}

impl Catalogue {
    /// Goes through all records of all messages of a station, content by content.
    pub fn each_location_record(
        &self,
        station: &StationName,
        each: impl FnMut(LocationRecord) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let sql = "SELECT id FROM replica WHERE station = ?1 ORDER BY seq DESC, id LIMIT 1";
        let longest: Option<ReplicaRowId> = self.first_row(sql, [station.as_str()])?;
        self.each_row(WORDS, params![station.as_str(), longest, CopyState::Debris], each)
    }

    /// What is known of a content.
    pub fn known(&self, content: ContentRowId) -> Result<MessageInfo, JobError> {
        let sql = "SELECT sha256, bytes, sender, receivers, subject, date, seen, clock \
                   FROM content WHERE id = ?1";
        self.only_row(sql, [content])
    }
}
