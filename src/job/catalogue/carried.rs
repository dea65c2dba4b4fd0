//! What is asked of the catalogue for the list of messages that a drive carries, and what is remembered of it.
//! Never decides anything.

use super::payloads::{PayloadRow, PayloadState};
use super::{Catalogue, GONE_MOVED};
use crate::job::JobError;
use crate::model::Moment;
use rusqlite::{OptionalExtension as _, params};

/// Places of one message that its line in the list may name.
const PLACES_NAMED: u32 = 8;

/// A copy, as far as is needed to see where in the list it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dated {
    /// Its number.
    pub number: u32,
    /// The date in its headers, if they were ever read on this card; empty where they have none.
    pub date: Option<String>,
    /// When it was first seen, in claimed seconds.
    pub seen: Option<i64>,
    /// Whether it was given up, and is not there to be opened.
    pub given_up: bool,
}

/// Where a message is or was, and how it went.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stand {
    /// Mailbox.
    pub mailbox: i64,
    /// Path, as its sorting key.
    pub key: Vec<u8>,
    /// 0 if it is there; else how it went.
    pub gone: i64,
}

impl Catalogue {
    /// Goes through every copy that a drive has of a station, in order of their numbers.
    pub fn each_dated(&self, book: i64, mut each: impl FnMut(Dated)) -> Result<(), JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT p.number, c.sender IS NOT NULL, c.date, c.seen, p.state FROM payload p \
             JOIN content c ON c.id = p.content WHERE p.book = ?1 ORDER BY p.number",
        )?;
        let mut rows = query.query([book])?;
        while let Some(row) = rows.next()? {
            let read: bool = row.get(1)?;
            let date: Option<String> = row.get(2)?;
            each(Dated {
                number: row.get(0)?,
                date: read.then(|| date.unwrap_or_default()),
                seen: row.get(3)?,
                given_up: PayloadState::of(row.get(4)?).is_given_up(),
            });
        }
        Ok(())
    }

    /// Where, by a drive's ledger, a content is, or else was.
    pub fn stands(&self, book: i64, content: i64) -> Result<Vec<Stand>, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT mailbox, key, gone FROM place INDEXED BY place_by_content \
             WHERE content = ?2 AND book = ?1 ORDER BY gone, mailbox, key LIMIT ?3",
        )?;
        let rows = query.query_map(params![book, content, PLACES_NAMED], |row| {
            Ok(Stand { mailbox: row.get(0)?, key: row.get(1)?, gone: row.get(2)? })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Where a content is the last good version beside a damaged one.
    pub fn good_version(&self, book: i64, content: i64) -> Result<Option<Stand>, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT mailbox, key, gone FROM place INDEXED BY place_good \
             WHERE good = ?2 AND book = ?1 ORDER BY gone, mailbox, key LIMIT 1",
        )?;
        let stand = query.query_row(params![book, content], |row| {
            Ok(Stand { mailbox: row.get(0)?, key: row.get(1)?, gone: row.get(2)? })
        });
        Ok(stand.optional()?)
    }

    /// Octets of everything that a drive carries beside the copies, as this card last left it.
    pub fn carried(&self, drive: i64) -> Result<Option<u64>, JobError> {
        Ok(self.meta(&format!("carried {drive}"))?.and_then(|text| text.parse().ok()))
    }

    /// Keeps that.
    pub fn set_carried(&self, drive: i64, bytes: u64) -> Result<(), JobError> {
        self.set_meta(&format!("carried {drive}"), &bytes.to_string())
    }

    /// When a restore was last rehearsed and brought back all there is.
    pub fn rehearsed(&self) -> Result<Option<Moment>, JobError> {
        Ok(self.meta("rehearsed")?.and_then(|text| Moment::from_text(&text)))
    }

    /// Keeps that.
    pub fn set_rehearsed(&self, when: Moment) -> Result<(), JobError> {
        self.set_meta("rehearsed", &when.to_text())
    }

    /// Copies that were taken for what a cut left, and that no other copy is the same as: after both logs were lost,
    /// messages may be among them.
    pub fn debris(&self, book: i64) -> Result<Vec<PayloadRow>, JobError> {
        let of = "WHERE p.book = ?1 AND p.state = 4 \
             AND NOT EXISTS (SELECT 1 FROM place WHERE place.content = p.content AND gone <> ?2) \
             AND NOT EXISTS (SELECT 1 FROM payload q WHERE q.content = p.content \
             AND (q.state IN (1, 5) OR q.book < p.book OR q.book = p.book AND q.number < p.number)) \
             ORDER BY p.number";
        self.copies(of, params![book, GONE_MOVED])
    }
}
