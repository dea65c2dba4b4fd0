//! What each drive's ledger says, as tables: copies, places, and how far the ledger was read.
//! Changed only by [`Catalogue::fold`], for lines read from a drive and for lines just committed alike.

use super::{Catalogue, digest_column};
use crate::job::JobError;
use crate::model::ledger::{Chain, Event, Line, Place, Standing};
use crate::model::{
    Digest, DriveId, Identity, MailboxName, Moment, Order, PayloadName, RelName, StationName,
    Suspicion,
};
use rusqlite::{OptionalExtension as _, Row, params};

/// Gone from a path: its deletion was seen.
pub const GONE_REMOVED: i64 = 1;
/// Gone from a path: found missing.
const GONE_VANISHED: i64 = 2;
/// Gone from a path: it is elsewhere now.
pub const GONE_MOVED: i64 = 3;

/// How a copy on a drive stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(i64)]
pub enum PayloadState {
    /// A line behind a break says so; not yet checked.
    Claimed = 0,
    /// Proven when it was made, or when last re-read.
    Good = 1,
    /// It was re-read and was not what it should be.
    Damaged = 2,
    /// It is not there.
    Missing = 3,
}

/// A copy on a drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PayloadRow {
    /// Its name.
    pub name: PayloadName,
    /// Row of its content.
    pub content: i64,
    /// What it should be.
    pub identity: Identity,
    /// How it stands.
    pub state: PayloadState,
}

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

/// Whether and how a drive holds a content.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Held {
    /// A good copy.
    Good(PayloadName),
    /// Only a damaged copy, or none where there was one.
    Lost(PayloadName),
    /// Never copied.
    No,
}

/// A row of the table of books: how far a station's ledger on a drive is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BookRow {
    /// Row number.
    pub row: i64,
    /// Row of its drive.
    pub drive: i64,
    /// Octets of the ledger known.
    pub ledger_bytes: u64,
    /// The end of its chain.
    pub chain: Chain,
    /// Octets of the manifest known.
    pub manifest_bytes: u64,
    /// The segment being filled; 0 before the first.
    pub segment: u32,
    /// Files in it.
    pub segment_used: u32,
    /// The number of the next copy.
    pub next_number: u32,
    /// The latest era in the ledger.
    pub era: u64,
    /// The card that wrote in that era; empty before the first.
    pub card: String,
    /// The mount last written in, if the last batch ended well.
    pub session: Option<String>,
    /// Whether this session's `opened` line is written.
    pub opened: bool,
    /// The tick up to which the ledger tells of the mailbox.
    pub told: u64,
}

impl BookRow {
    fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        let number = |at| row.get::<_, i64>(at).map(|n| n as u64);
        Ok(Self {
            row: row.get(0)?,
            drive: row.get(1)?,
            ledger_bytes: number(2)?,
            chain: Chain { head: digest_column(row, 3)?, seq: number(4)? },
            manifest_bytes: number(5)?,
            segment: row.get(6)?,
            segment_used: row.get(7)?,
            next_number: row.get(8)?,
            era: number(9)?,
            card: row.get(10)?,
            session: row.get(11)?,
            opened: row.get(12)?,
            told: number(13)?,
        })
    }
}

const BOOK: &str = "id, drive, ledger_bytes, head, seq, manifest_bytes, segment, segment_used, \
                    next_number, era, card, session, opened, told";
pub(super) const PAYLOAD: &str =
    "p.segment, p.number, p.extension, p.content, p.state, c.sha256, c.bytes";

pub(super) fn read_payload(row: &Row<'_>) -> rusqlite::Result<PayloadRow> {
    let bad = |_| rusqlite::Error::InvalidQuery;
    let extension = row.get_ref(2)?.as_str()?.parse().map_err(bad)?;
    let digest: Digest = digest_column(row, 5)?;
    Ok(PayloadRow {
        name: PayloadName { segment: row.get(0)?, number: row.get(1)?, extension },
        content: row.get(3)?,
        state: match row.get(4)? {
            1 => PayloadState::Good,
            2 => PayloadState::Damaged,
            3 => PayloadState::Missing,
            _ => PayloadState::Claimed,
        },
        identity: Identity { digest, bytes: row.get::<_, i64>(6)? as u64 },
    })
}

impl Catalogue {
    /// What is known of a station's ledger on a drive; a new row if nothing is.
    pub fn book(&self, drive: i64, station: &StationName) -> Result<BookRow, JobError> {
        let sql = format!("SELECT {BOOK} FROM book WHERE drive = ?1 AND station = ?2");
        let find = || -> rusqlite::Result<Option<BookRow>> {
            let mut query = self.db.prepare_cached(&sql)?;
            query.query_row(params![drive, station.as_str()], BookRow::read).optional()
        };
        if let Some(row) = find()? {
            return Ok(row);
        }
        self.db.execute(
            "INSERT INTO book (drive, station, ledger_bytes, head, seq, manifest_bytes, segment, \
             segment_used, next_number, era, card, opened, told) \
             VALUES (?1, ?2, 0, ?3, 0, 0, 0, 0, 1, 0, '', 0, 0)",
            params![drive, station.as_str(), Chain::default().head.as_bytes().as_slice()],
        )?;
        find()?.ok_or_else(|| {
            JobError::Broken("catalogue: a row is not there after it was made".into())
        })
    }

    /// Writes back what is known of a ledger; only if it changed.
    pub fn save_book(&self, book: &BookRow) -> Result<(), JobError> {
        let head: &[u8] = book.chain.head.as_bytes();
        self.db
            .prepare_cached(
                "UPDATE book SET ledger_bytes = ?2, head = ?3, seq = ?4, manifest_bytes = ?5, segment = ?6, \
                 segment_used = ?7, next_number = ?8, era = ?9, session = ?10, opened = ?11, told = ?12, \
                 card = ?13 WHERE id = ?1",
            )?
            .execute(params![
                book.row,
                book.ledger_bytes as i64,
                head,
                book.chain.seq as i64,
                book.manifest_bytes as i64,
                book.segment,
                book.segment_used,
                book.next_number,
                book.era as i64,
                book.session,
                book.opened,
                book.told as i64,
                book.card,
            ])?;
        Ok(())
    }

    /// Forgets what is known of a ledger, before it is read from its beginning.
    pub fn forget_book(&self, book: &mut BookRow) -> Result<(), JobError> {
        for table in ["payload", "place", "book_mailbox"] {
            self.db.execute(&format!("DELETE FROM {table} WHERE book = ?1"), [book.row])?;
        }
        *book = BookRow {
            ledger_bytes: 0,
            chain: Chain::default(),
            manifest_bytes: 0,
            segment: 0,
            segment_used: 0,
            next_number: 1,
            era: 0,
            card: String::new(),
            session: None,
            opened: false,
            told: 0,
            ..*book
        };
        self.save_book(book)
    }

    /// Makes every message be looked at again for this drive, after a copy was found bad.
    pub fn retell(&self, book: i64) -> Result<(), JobError> {
        self.db.execute("UPDATE book SET told = 0 WHERE id = ?1", [book])?;
        Ok(())
    }

    /// Takes one ledger line into the tables.
    pub fn fold(
        &self,
        book: &mut BookRow,
        line: &Line,
        standing: Standing,
    ) -> Result<(), JobError> {
        match &line.event {
            Event::Opened { card, era, .. } => {
                if *era >= book.era {
                    book.era = *era;
                    book.card = card.to_string();
                }
            }
            Event::Mailbox { mailbox, root } => {
                let mailbox = self.mailbox(mailbox, None)?;
                self.db.execute(
                    "INSERT OR REPLACE INTO book_mailbox VALUES (?1, ?2, ?3)",
                    params![book.row, mailbox, root],
                )?;
            }
            Event::Mirrored { payload, identity, place, replaces: _ } => {
                self.put_payload(book, *payload, identity, proven(standing))?;
                self.put_place(book, identity, place)?;
            }
            Event::Placed { identity, place } => self.put_place(book, identity, place)?,
            Event::Moved { identity, place, from_mailbox, from } => {
                self.set_place_gone(book, from_mailbox, from, GONE_MOVED, place.order)?;
                self.put_place(book, identity, place)?;
            }
            Event::Removed { mailbox, path, order } => {
                self.set_place_gone(book, mailbox, path, GONE_REMOVED, *order)?;
            }
            Event::Vanished { mailbox, path, order } => {
                self.set_place_gone(book, mailbox, path, GONE_VANISHED, *order)?;
            }
            Event::Adopted { payload, identity } | Event::Debris { payload, identity } => {
                self.put_payload(book, *payload, identity, proven(standing))?;
            }
            Event::Damaged { payload, .. } => {
                self.set_payload_state(book.row, payload.number, PayloadState::Damaged)?;
            }
            Event::Missing { payload } => {
                self.set_payload_state(book.row, payload.number, PayloadState::Missing)?;
            }
            Event::Sound { payload } => {
                self.set_payload_state(book.row, payload.number, PayloadState::Good)?;
            }
            Event::Verified { .. } => self.drive_verified(book.drive, line.stamp.time)?,
            Event::Recovered { .. } => {
                self.db.execute(
                    "UPDATE payload SET state = 1 WHERE book = ?1 AND state = 0",
                    [book.row],
                )?;
            }
        }
        Ok(())
    }

    fn put_payload(
        &self,
        book: &mut BookRow,
        payload: PayloadName,
        identity: &Identity,
        state: PayloadState,
    ) -> Result<(), JobError> {
        let content = self.content(identity)?;
        self.db
            .prepare_cached("INSERT OR REPLACE INTO payload VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?
            .execute(params![
            book.row,
            payload.number,
            payload.segment,
            payload.extension.as_str(),
            content,
            state as i64,
        ])?;
        // A number given out by this very commit was counted when it was given out.
        if payload.number >= book.next_number {
            book.next_number = payload.number.saturating_add(1);
            match payload.segment.cmp(&book.segment) {
                std::cmp::Ordering::Greater => {
                    book.segment = payload.segment;
                    book.segment_used = 1;
                }
                std::cmp::Ordering::Equal => book.segment_used += 1,
                std::cmp::Ordering::Less => {}
            }
        }
        Ok(())
    }

    /// A copy known from the manifest or from its file alone, in a ledger that does not tell of it.
    pub fn claim_payload(
        &self,
        book: &mut BookRow,
        payload: PayloadName,
        identity: &Identity,
    ) -> Result<(), JobError> {
        self.put_payload(book, payload, identity, PayloadState::Claimed)
    }

    fn put_place(
        &self,
        book: &mut BookRow,
        identity: &Identity,
        place: &Place,
    ) -> Result<(), JobError> {
        let content = self.content(identity)?;
        let mailbox = self.mailbox(&place.mailbox, None)?;
        let key = place.path.key();
        let (good, good_modified) = match place.suspect {
            None => (None, None),
            Some(_) => match self.place(book.row, mailbox, &key)? {
                Some(old) if old.suspect.is_some() => (old.good, old.good_modified),
                Some(old) => (old.content, old.content.map(|_| old.modified)),
                None => (None, None),
            },
        };
        book.era = book.era.max(place.order.era);
        self.db
            .prepare_cached(
                "INSERT OR REPLACE INTO place (book, mailbox, key, content, good, suspect, modified, mode, \
                 first_seen, era, tick, gone, good_modified) VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,0,?12)",
            )?
            .execute(params![
                book.row,
                mailbox,
                key,
                content,
                good,
                place.suspect.map(Suspicion::as_str),
                place.modified.to_text(),
                place.mode,
                place.first_seen.to_text(),
                place.order.era as i64,
                place.order.tick as i64,
                good_modified.map(Moment::to_text),
            ])?;
        Ok(())
    }

    fn set_place_gone(
        &self,
        book: &mut BookRow,
        mailbox: &MailboxName,
        path: &RelName,
        gone: i64,
        order: Order,
    ) -> Result<(), JobError> {
        let mailbox = self.mailbox(mailbox, None)?;
        book.era = book.era.max(order.era);
        // A drive that never had the message there keeps the word all the same: another has.
        self.db
            .prepare_cached(
                "INSERT INTO place (book, mailbox, key, modified, mode, first_seen, era, tick, gone) \
                 VALUES (?1, ?2, ?3, '', 0, '', ?5, ?6, ?4) \
                 ON CONFLICT DO UPDATE SET gone = ?4, era = ?5, tick = ?6",
            )?
            .execute(params![
                book.row,
                mailbox,
                path.key(),
                gone,
                order.era as i64,
                order.tick as i64
            ])?;
        Ok(())
    }

    /// Changes how a copy stands.
    pub fn set_payload_state(
        &self,
        book: i64,
        number: u32,
        state: PayloadState,
    ) -> Result<(), JobError> {
        self.db
            .prepare_cached("UPDATE payload SET state = ?3 WHERE book = ?1 AND number = ?2")?
            .execute(params![book, number, state as i64])?;
        Ok(())
    }

    /// What a drive's ledger says of one path.
    pub fn place(&self, book: i64, mailbox: i64, key: &[u8]) -> Result<Option<PlaceRow>, JobError> {
        Ok(self
            .db
            .prepare_cached(
                "SELECT mailbox, key, content, good, suspect, modified, mode, gone, era, tick, \
                 good_modified FROM place WHERE book = ?1 AND mailbox = ?2 AND key = ?3",
            )?
            .query_row(params![book, mailbox, key], read_place)
            .optional()?)
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

    /// A place where the drive still has a content that the mailbox no longer has: the start of a move.
    pub fn place_left(&self, book: i64, content: i64) -> Result<Option<(i64, Vec<u8>)>, JobError> {
        Ok(self
            .db
            .prepare_cached(
                "SELECT place.mailbox, place.key FROM place INDEXED BY place_by_content \
                 JOIN file ON file.mailbox = place.mailbox AND file.key = place.key \
                 WHERE place.book = ?1 AND place.content = ?2 AND place.gone = 0 AND file.state >= 6 LIMIT 1",
            )?
            .query_row(params![book, content], |row| Ok((row.get(0)?, row.get(1)?)))
            .optional()?)
    }

    /// Whether and how a drive holds a content.
    pub fn held(&self, book: i64, content: i64) -> Result<Held, JobError> {
        // Named, since SQLite would otherwise go through all copies of the book.
        let mut query = self.db.prepare_cached(&format!(
            "SELECT {PAYLOAD} FROM payload p INDEXED BY payload_by_content \
             JOIN content c ON c.id = p.content \
             WHERE p.content = ?2 AND p.book = ?1 ORDER BY p.state = 1 DESC, p.number DESC LIMIT 1"
        ))?;
        let row = query.query_row(params![book, content], read_payload).optional()?;
        Ok(match row {
            Some(p) if p.state == PayloadState::Good => Held::Good(p.name),
            Some(p) => Held::Lost(p.name),
            None => Held::No,
        })
    }

    /// One copy by its number.
    pub fn payload(&self, book: i64, number: u32) -> Result<Option<PayloadRow>, JobError> {
        let mut query = self.db.prepare_cached(&format!(
            "SELECT {PAYLOAD} FROM payload p JOIN content c ON c.id = p.content \
             WHERE p.book = ?1 AND p.number = ?2"
        ))?;
        Ok(query.query_row(params![book, number], read_payload).optional()?)
    }

    /// Up to `most` copies with numbers after `after`, in order.
    pub fn payloads_after(
        &self,
        book: i64,
        after: u32,
        most: u32,
    ) -> Result<Vec<PayloadRow>, JobError> {
        let mut query = self.db.prepare_cached(&format!(
            "SELECT {PAYLOAD} FROM payload p JOIN content c ON c.id = p.content \
             WHERE p.book = ?1 AND p.number > ?2 ORDER BY p.number LIMIT ?3"
        ))?;
        let rows = query.query_map(params![book, after, most], read_payload)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The last `most` copies, latest first.
    pub fn latest_payloads(&self, book: i64, most: u32) -> Result<Vec<PayloadRow>, JobError> {
        let mut query = self.db.prepare_cached(&format!(
            "SELECT {PAYLOAD} FROM payload p JOIN content c ON c.id = p.content \
             WHERE p.book = ?1 ORDER BY p.number DESC LIMIT ?2"
        ))?;
        let rows = query.query_map(params![book, most], read_payload)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Copies claimed by lines behind a break.
    pub fn claimed_payloads(&self, book: i64) -> Result<Vec<PayloadRow>, JobError> {
        let mut query = self.db.prepare_cached(&format!(
            "SELECT {PAYLOAD} FROM payload p JOIN content c ON c.id = p.content \
             WHERE p.book = ?1 AND p.state = 0 ORDER BY p.number"
        ))?;
        let rows = query.query_map([book], read_payload)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Whether a content is known as a message, now or earlier, to the mailbox or to a ledger.
    pub fn is_message(&self, book: i64, identity: &Identity) -> Result<bool, JobError> {
        Ok(self
            .db
            .prepare_cached(
                "SELECT 1 FROM content c WHERE c.sha256 = ?2 AND c.bytes = ?3 AND (\
                 EXISTS (SELECT 1 FROM file WHERE content = c.id) OR \
                 EXISTS (SELECT 1 FROM place WHERE content = c.id AND book = ?1))",
            )?
            .exists(params![book, identity.digest.as_bytes().as_slice(), identity.bytes as i64])?)
    }

    /// Whether the ledger already tells where a mailbox lies.
    pub fn book_knows_root(&self, book: i64, mailbox: i64, root: &[u8]) -> Result<bool, JobError> {
        Ok(self
            .db
            .prepare_cached(
                "SELECT 1 FROM book_mailbox WHERE book = ?1 AND mailbox = ?2 AND root = ?3",
            )?
            .exists(params![book, mailbox, root])?)
    }

    /// Number and octets of the messages a drive holds for its station.
    pub fn book_totals(&self, book: i64) -> Result<(u64, u64), JobError> {
        Ok(self
            .db
            .prepare_cached(
                "SELECT count(*), coalesce(sum(bytes), 0) FROM content WHERE id IN \
                 (SELECT content FROM payload WHERE book = ?1 AND state = 1)",
            )?
            .query_row([book], |row| {
                Ok((row.get::<_, i64>(0)? as u64, row.get::<_, i64>(1)? as u64))
            })?)
    }

    /// The books of a drive: row and station.
    pub fn books_of(&self, drive: i64) -> Result<Vec<(i64, StationName)>, JobError> {
        let mut query = self
            .db
            .prepare_cached("SELECT id, station FROM book WHERE drive = ?1 ORDER BY station")?;
        let rows = query.query_map([drive], |row| Ok((row.get(0)?, row.get::<_, String>(1)?)))?;
        let mut books = Vec::new();
        for row in rows {
            let (id, station) = row?;
            books.extend(station.parse().map(|station| (id, station)));
        }
        Ok(books)
    }

    /// The id of the drive that a book is on.
    pub fn drive_of_book(&self, book: i64) -> Result<DriveId, JobError> {
        let text: String = self.db.query_row(
            "SELECT uuid FROM drive JOIN book ON book.drive = drive.id WHERE book.id = ?1",
            [book],
            |row| row.get(0),
        )?;
        text.parse().map_err(|e| JobError::Broken(format!("catalogue: {e}")))
    }
}

fn proven(standing: Standing) -> PayloadState {
    match standing {
        Standing::Sound => PayloadState::Good,
        Standing::PastBreak => PayloadState::Claimed,
    }
}

pub(super) fn read_place(row: &Row<'_>) -> rusqlite::Result<PlaceRow> {
    Ok(PlaceRow {
        mailbox: row.get(0)?,
        key: row.get(1)?,
        content: row.get(2)?,
        good: row.get(3)?,
        suspect: row.get_ref(4)?.as_str_or_null()?.and_then(Suspicion::from_text),
        modified: Moment::from_text(row.get_ref(5)?.as_str()?).unwrap_or_default(),
        mode: row.get(6)?,
        gone: row.get(7)?,
        order: Order { era: row.get::<_, i64>(8)? as u64, tick: row.get::<_, i64>(9)? as u64 },
        good_modified: row.get_ref(10)?.as_str_or_null()?.and_then(Moment::from_text),
    })
}
