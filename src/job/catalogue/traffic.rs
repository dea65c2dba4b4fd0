//! What passed through the station: every message that the mailboxes or the drives' ledgers know of.
//! Never changes anything, and leaves nothing out.

use super::{Catalogue, FileState, GONE_MOVED, PayloadState, digest_column};
use crate::job::JobError;
use crate::model::message::Headers;
use crate::model::{Identity, Order, StationName};
use rusqlite::params;

/// What something known says of a message: one place where it is or was, or a copy of it.
#[derive(Debug, Clone)]
pub struct Word {
    /// Row of the message's content.
    pub content: i64,
    /// Mailbox and path as its sorting key; none of a copy of which no place is known any more.
    pub place: Option<(i64, Vec<u8>)>,
    /// Which of two changes was the later.
    pub order: Order,
    /// The change was that it left.
    pub left: bool,
    /// It is there now, in this card's own mailbox.
    pub here: bool,
    /// The content is a version that looks like damage to the card.
    pub suspect: bool,
    /// When it was first seen there, in claimed seconds, and whether something vouched for the clock: as the
    /// mailbox's side of the catalogue has it.
    pub seen: Option<(i64, bool)>,
}

/// A message as the catalogue has it.
#[derive(Debug, Clone)]
pub struct Known {
    /// What it is.
    pub identity: Identity,
    /// Its headers, if they were ever read on this card.
    pub headers: Option<Headers>,
    /// When it was first seen, in claimed seconds, and whether something vouched for the clock: as the ledgers
    /// have it.
    pub seen: Option<(i64, bool)>,
}

/// Words on one content follow each other, the earliest first. What was moved away from a place was there before
/// it was anywhere else, whatever the number of the move.
const WORDS: &str = "SELECT * FROM (\
    SELECT content AS c, place.era AS era, place.tick AS tick, mailbox, key, gone <> 0, suspect IS NOT NULL, \
    NULL, NULL, gone = ?3 AS moved, 0 \
    FROM place JOIN book ON book.id = place.book WHERE station = ?1 AND content IS NOT NULL \
    UNION ALL \
    SELECT good, place.era, place.tick, mailbox, key, gone <> 0, 0, NULL, NULL, gone = ?3, 0 \
    FROM place JOIN book ON book.id = place.book WHERE station = ?1 AND good IS NOT NULL \
    UNION ALL \
    SELECT content, ?2, tick, mailbox, key, state > 5, suspect IS NOT NULL, first_seen, clock, state = ?4, \
    state <= 5 \
    FROM file WHERE content IS NOT NULL \
    UNION ALL \
    SELECT good, ?2, tick, mailbox, key, state > 5, 0, NULL, NULL, state = ?4, 0 \
    FROM file WHERE good IS NOT NULL \
    UNION ALL \
    SELECT content, 9223372036854775807, number, NULL, NULL, 1, 0, NULL, NULL, 0, 0 \
    FROM payload JOIN book ON book.id = payload.book WHERE station = ?1 AND state <> ?5 \
    ) ORDER BY c, era, moved DESC, tick";

impl Catalogue {
    /// Goes through all words on all messages of a station, content by content.
    pub fn each_word(
        &self,
        station: &StationName,
        mut each: impl FnMut(Word) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let era = self.era()? as i64;
        let mut query = self.db.prepare_cached(WORDS)?;
        let mut rows = query.query(params![
            station.as_str(),
            era,
            GONE_MOVED,
            FileState::Moved as i64,
            PayloadState::Debris as i64
        ])?;
        while let Some(row) = rows.next()? {
            let (mailbox, key): (Option<i64>, Option<Vec<u8>>) = (row.get(3)?, row.get(4)?);
            let (seen, clock): (Option<i64>, Option<bool>) = (row.get(7)?, row.get(8)?);
            each(Word {
                content: row.get(0)?,
                place: mailbox.zip(key),
                order: Order {
                    era: row.get::<_, i64>(1)? as u64,
                    tick: row.get::<_, i64>(2)? as u64,
                },
                left: row.get(5)?,
                here: row.get(10)?,
                suspect: row.get(6)?,
                seen: seen.map(|seen| (seen, clock == Some(true))),
            })?;
        }
        Ok(())
    }

    /// What is known of a content.
    pub fn known(&self, content: i64) -> Result<Known, JobError> {
        let sql = "SELECT sha256, bytes, sender, receivers, subject, date, seen, clock FROM content WHERE id = ?1";
        Ok(self.db.prepare_cached(sql)?.query_row([content], |row| {
            let text = |at| row.get::<_, Option<String>>(at).map(Option::unwrap_or_default);
            let read = row.get::<_, Option<String>>(2)?.is_some();
            let headers =
                Headers { from: text(2)?, to: text(3)?, subject: text(4)?, date: text(5)? };
            let (seen, clock): (Option<i64>, Option<bool>) = (row.get(6)?, row.get(7)?);
            Ok(Known {
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
