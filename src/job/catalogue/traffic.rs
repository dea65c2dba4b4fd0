//! What passed through the station: every message that the mailboxes or the drives' ledgers know of.
//! Never changes anything, and leaves nothing out.

use super::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use super::{Catalogue, CopyState, digest_column};
use crate::job::JobError;
use crate::model::message::Headers;
use crate::model::{Identity, StationName};
use rusqlite::{OptionalExtension as _, params};

/// What something known says of a message: one place where it is or was, or a copy of it.
#[derive(Debug, Clone)]
pub struct LocationRecord {
    /// Row of the message's content.
    pub content: ContentRowId,
    /// Mailbox and path as its sorting key; none of a copy of which no place is known any more.
    pub place: Option<(MailboxRowId, Vec<u8>)>,
    /// What gives the message its place among all.
    pub order: Counted,
    /// It is there now, in this card's own mailbox.
    pub here: bool,
    /// The content is a version that looks like damage to the card.
    pub suspect: bool,
    /// When it was first seen there, in claimed seconds, and whether something vouched for the clock: as the
    /// mailbox's side of the catalogue has it.
    pub seen: Option<(i64, bool)>,
}

/// Where a message stands in the station's own order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Counted {
    /// By the number of its first line in the longest ledger, written by an earlier card.
    Earlier(u64),
    /// In the order in which this card met contents.
    Own,
    /// Nothing counts it: another ledger alone tells of it, or only a copy is there.
    Not,
}

/// A message as the catalogue has it.
#[derive(Debug, Clone)]
pub struct MessageInfo {
    /// What it is.
    pub identity: Identity,
    /// Its headers, if they were ever read on this card.
    pub headers: Option<Headers>,
    /// When it was first seen, in claimed seconds, and whether something vouched for the clock: as the ledgers
    /// have it.
    pub seen: Option<(i64, bool)>,
}

/// Words on one content follow each other, the earliest first: those of earlier cards in the longest ledger, then this
/// card's own, then all others.
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

impl Catalogue {
    /// Goes through all words on all messages of a station, content by content.
    pub fn each_word(
        &self,
        station: &StationName,
        mut each: impl FnMut(LocationRecord) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let longest: Option<ReplicaRowId> = self
            .db
            .prepare_cached(
                "SELECT id FROM replica WHERE station = ?1 ORDER BY seq DESC, id LIMIT 1",
            )?
            .query_row([station.as_str()], |row| row.get(0))
            .optional()?;
        let mut query = self.db.prepare_cached(WORDS)?;
        let mut rows = query.query(params![station.as_str(), longest, CopyState::Debris])?;
        while let Some(row) = rows.next()? {
            let (mailbox, key): (Option<MailboxRowId>, Option<Vec<u8>>) =
                (row.get(3)?, row.get(4)?);
            let (seen, clock): (Option<i64>, Option<bool>) = (row.get(6)?, row.get(7)?);
            each(LocationRecord {
                content: row.get(0)?,
                place: mailbox.zip(key),
                order: match row.get::<_, i64>(1)? {
                    0 => Counted::Earlier(row.get::<_, i64>(2)? as u64),
                    1 => Counted::Own,
                    _ => Counted::Not,
                },
                here: row.get(8)?,
                suspect: row.get(5)?,
                seen: seen.map(|seen| (seen, clock == Some(true))),
            })?;
        }
        Ok(())
    }

    /// What is known of a content.
    pub fn known(&self, content: ContentRowId) -> Result<MessageInfo, JobError> {
        let sql = "SELECT sha256, bytes, sender, receivers, subject, date, seen, clock FROM content WHERE id = ?1";
        Ok(self.db.prepare_cached(sql)?.query_row([content], |row| {
            let text = |at| row.get::<_, Option<String>>(at).map(Option::unwrap_or_default);
            let read = row.get::<_, Option<String>>(2)?.is_some();
            let headers = Headers {
                from: text(2)?,
                to: text(3)?,
                subject: text(4)?,
                date: text(5)?,
                ..Headers::default()
            };
            let (seen, clock): (Option<i64>, Option<bool>) = (row.get(6)?, row.get(7)?);
            Ok(MessageInfo {
                identity: Identity {
                    digest: digest_column(row, 0)?,
                    bytes: row.get::<_, i64>(1)? as u64,
                },
                headers: read.then_some(headers),
                seen: seen.map(|seen| (seen, clock == Some(true))),
            })
        })?)
    }
}
