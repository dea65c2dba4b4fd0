//! What all drives together say of a station: for every path the latest word, for every content every copy.
//! Never takes a wall time into account.

use super::payloads::{PAYLOAD, PayloadRow, read_payload};
use super::places::{PlaceRow, read_place};
use super::{Catalogue, GONE_MOVED, GONE_REMOVED};
use crate::job::JobError;
use crate::model::{MailboxName, Moment, StationName};
use rusqlite::params;

/// What to restore at one path.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// The latest word on the path.
    pub place: PlaceRow,
    /// The content to put there: the last good one, if the latest version is suspect.
    pub content: i64,
    /// The file's own time at that version.
    pub modified: Moment,
    /// The latest version is suspect and the one before is taken.
    pub instead_of_suspect: bool,
}

const PLACES: &str = "SELECT place.mailbox, key, content, good, suspect, modified_s, modified_n, mode, gone, \
                      place.era, place.tick, good_modified FROM place JOIN book ON book.id = place.book \
                      WHERE book.station = ?1 \
                      ORDER BY place.mailbox, key, place.era DESC, place.tick DESC, gone";

impl Catalogue {
    /// Goes through every path that should be in the mailboxes, in order.
    pub fn each_wanted(
        &self,
        station: &StationName,
        with_removed: bool,
        mut each: impl FnMut(Wanted) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let mut query = self.db.prepare_cached(PLACES)?;
        let mut rows = query.query([station.as_str()])?;
        let mut words: Vec<PlaceRow> = Vec::new();
        while let Some(row) = rows.next()? {
            let word = read_place(row)?;
            if words.first().is_some_and(|w| (w.mailbox, &w.key) != (word.mailbox, &word.key)) {
                decide(&words, with_removed).map_or(Ok(()), &mut each)?;
                words.clear();
            }
            words.push(word);
        }
        decide(&words, with_removed).map_or(Ok(()), &mut each)
    }

    /// How many paths the drives tell of.
    pub fn paths_told(&self, station: &StationName) -> Result<u64, JobError> {
        Ok(self.db.query_row(
            "SELECT count(*) FROM (SELECT DISTINCT place.mailbox, key FROM place JOIN book \
             ON book.id = place.book WHERE station = ?1 AND gone <> ?2)",
            params![station.as_str(), GONE_MOVED],
            |row| row.get::<_, i64>(0).map(|n| n as u64),
        )?)
    }

    /// Every copy of a content: the book it is in, and the copy; those known good first.
    pub fn copies_of(
        &self,
        station: &StationName,
        content: i64,
    ) -> Result<Vec<(i64, PayloadRow)>, JobError> {
        let mut query = self.db.prepare_cached(&format!(
            "SELECT {PAYLOAD}, p.book FROM payload p INDEXED BY payload_by_content \
             JOIN content c ON c.id = p.content \
             JOIN book ON book.id = p.book AND book.station = ?1 \
             WHERE p.content = ?2 ORDER BY p.state IN (1, 5) DESC, p.state, p.book, p.number DESC"
        ))?;
        let rows = query.query_map(params![station.as_str(), content], |row| {
            Ok((row.get(7)?, read_payload(row)?))
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Copies that no ledger gives a place: adopted after a cut and not told of since, known from a manifest
    /// or from their file alone.
    pub fn copies_without_place(&self, book: i64) -> Result<Vec<PayloadRow>, JobError> {
        let of = "WHERE p.book = ?1 AND p.state IN (0, 5) \
             AND NOT EXISTS (SELECT 1 FROM place WHERE place.content = p.content) \
             AND NOT EXISTS (SELECT 1 FROM payload q WHERE q.content = p.content AND q.book < p.book) \
             ORDER BY p.number";
        self.copies(of, [book])
    }

    /// Where a mailbox lay on the card that wrote last.
    pub fn last_root(
        &self,
        station: &StationName,
        mailbox: i64,
    ) -> Result<Option<Vec<u8>>, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT root FROM book_mailbox JOIN book ON book.id = book_mailbox.book \
             WHERE station = ?1 AND mailbox = ?2 ORDER BY era DESC LIMIT 1",
        )?;
        let mut rows = query.query(params![station.as_str(), mailbox])?;
        Ok(rows.next()?.map(|row| row.get(0)).transpose()?)
    }

    /// The mailboxes that the drives tell of for a station.
    pub fn mailboxes_told(
        &self,
        station: &StationName,
    ) -> Result<Vec<(i64, MailboxName)>, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT id, name FROM mailbox WHERE id IN (SELECT mailbox FROM book_mailbox JOIN book \
             ON book.id = book WHERE station = ?1) OR id IN (SELECT mailbox FROM place JOIN book \
             ON book.id = book WHERE station = ?1) ORDER BY name",
        )?;
        let rows = query
            .query_map([station.as_str()], |row| Ok((row.get(0)?, row.get::<_, String>(1)?)))?;
        let mut found = Vec::new();
        for row in rows {
            let (id, name) = row?;
            found.extend(name.parse().map(|name| (id, name)));
        }
        Ok(found)
    }
}

/// The latest word first. What was moved away is elsewhere; what was removed is left out; what
/// vanished is wanted back. Where the latest word only says that a message left, what it was is told
/// by the latest that knows.
fn decide(words: &[PlaceRow], with_removed: bool) -> Option<Wanted> {
    let latest = words.first()?;
    if latest.gone == GONE_MOVED || latest.gone == GONE_REMOVED && !with_removed {
        return None;
    }
    let (place, mut content) = words.iter().find_map(|w| Some((w.clone(), w.content?)))?;
    let (mut modified, mut instead_of_suspect) = (place.modified, false);
    if place.suspect.is_some() {
        let earlier = words.iter().filter(|word| word.suspect.is_none());
        let good = place.good.map(|good| (good, place.good_modified)).or_else(|| {
            earlier.filter_map(|word| Some((word.content?, Some(word.modified)))).next()
        });
        if let Some((good, time)) = good {
            content = good;
            modified = time.unwrap_or(modified);
            instead_of_suspect = true;
        }
    }
    Some(Wanted { place, content, modified, instead_of_suspect })
}
