//! Where, by a drive's ledger, each message is or was.
//! Never forgets a place: one that was left keeps the word that it was.

use super::Catalogue;
use crate::job::JobError;
use crate::model::limits::ALIKE_MAX;
use crate::model::{Moment, Order, Suspicion};
use rusqlite::{OptionalExtension as _, Row, params};

/// Gone from a path: its deletion was seen.
pub const GONE_REMOVED: i64 = 1;
/// Gone from a path: found missing.
pub const GONE_VANISHED: i64 = 2;
/// Gone from a path: it is elsewhere now.
pub const GONE_MOVED: i64 = 3;

/// What a drive's ledger says of one path.
#[derive(Debug, Clone)]
pub struct PlaceRow {
    /// Mailbox.
    pub mailbox: i64,
    /// Path, as its sorting key.
    pub key: Vec<u8>,
    /// Its content; none if this drive only knows that something left the path.
    pub content: Option<i64>,
    /// The last version that was not suspect, if this one is.
    pub good: Option<i64>,
    /// The file's own time at that version.
    pub good_modified: Option<Moment>,
    /// Why it is suspect.
    pub suspect: Option<Suspicion>,
    /// The file's own time.
    pub modified: Moment,
    /// Permission bits.
    pub mode: u32,
    /// 0 if it is there; else how it went.
    pub gone: i64,
    /// Which of two drives' words is the later.
    pub order: Order,
}

impl Catalogue {
    /// What a drive's ledger says of one path.
    pub fn place(&self, book: i64, mailbox: i64, key: &[u8]) -> Result<Option<PlaceRow>, JobError> {
        Ok(self
            .db
            .prepare_cached(
                "SELECT mailbox, key, content, good, suspect, modified_s, modified_n, mode, gone, era, \
                 tick, good_modified FROM place WHERE book = ?1 AND mailbox = ?2 AND key = ?3",
            )?
            .query_row(params![book, mailbox, key], read_place)
            .optional()?)
    }

    /// Where a drive's ledger last had a content, as the latest version or as the last good one of a suspect one:
    /// there now before gone. Not where it was moved away from.
    pub fn place_of(&self, book: i64, content: i64) -> Result<Option<PlaceRow>, JobError> {
        const WHAT: &str = "SELECT mailbox, key, content, good, suspect, modified_s, modified_n, mode, gone, era, \
                            tick, good_modified FROM place";
        let find = |which: &str| -> Result<Option<PlaceRow>, JobError> {
            let sql = format!("{WHAT} {which} AND gone <> 3 ORDER BY gone LIMIT 1");
            let mut query = self.db.prepare_cached(&sql)?;
            Ok(query.query_row(params![book, content], read_place).optional()?)
        };
        match find("INDEXED BY place_by_content WHERE content = ?2 AND book = ?1")? {
            Some(place) => Ok(Some(place)),
            None => find("WHERE book = ?1 AND good = ?2"),
        }
    }

    /// Whether another drive of the same station says that something is there.
    pub fn is_there_by_another(
        &self,
        book: i64,
        mailbox: i64,
        key: &[u8],
    ) -> Result<bool, JobError> {
        Ok(self
            .db
            .prepare_cached(
                "SELECT 1 FROM book CROSS JOIN place ON place.book = book.id \
                 AND place.mailbox = ?2 AND place.key = ?3 AND place.gone = 0 \
                 WHERE book.id <> ?1 AND station = (SELECT station FROM book WHERE id = ?1)",
            )?
            .exists(params![book, mailbox, key])?)
    }

    /// A place where the drive still has a content that the mailbox no longer has: the start of a move. Only
    /// a few of the latest are looked at, and a move not seen is told as a message that came and one that went.
    /// Not a place that has a good version beside a suspect one: that stays wanted there.
    pub fn place_left(&self, book: i64, content: i64) -> Result<Option<(i64, Vec<u8>)>, JobError> {
        Ok(self
            .db
            .prepare_cached(
                "SELECT place.mailbox, place.key FROM (SELECT mailbox, key FROM file \
                 INDEXED BY file_by_content WHERE content = ?2 AND state >= 6 LIMIT ?3) was \
                 CROSS JOIN place ON place.book = ?1 AND place.mailbox = was.mailbox AND place.key = was.key \
                 WHERE place.content = ?2 AND place.gone = 0 AND place.suspect IS NULL LIMIT 1",
            )?
            .query_row(params![book, content, ALIKE_MAX], |row| Ok((row.get(0)?, row.get(1)?)))
            .optional()?)
    }
}

pub(super) fn read_place(row: &Row<'_>) -> rusqlite::Result<PlaceRow> {
    Ok(PlaceRow {
        mailbox: row.get(0)?,
        key: row.get(1)?,
        content: row.get(2)?,
        good: row.get(3)?,
        suspect: row.get_ref(4)?.as_str_or_null()?.and_then(Suspicion::from_text),
        modified: Moment { seconds: row.get(5)?, nanos: row.get(6)? },
        mode: row.get(7)?,
        gone: row.get(8)?,
        order: Order { era: row.get::<_, i64>(9)? as u64, tick: row.get::<_, i64>(10)? as u64 },
        good_modified: row.get_ref(11)?.as_str_or_null()?.and_then(Moment::from_text),
    })
}
