//! Drives that contradict each other, or what this card remembers: another line at a number of a ledger, two contents
//! for one change, a writer with two beginnings. No honest program writes any of these.
//! Never takes a line or a copy away: only whose copies count is decided, and a person told.

use super::writers::bits;
use super::{BookRow, Catalogue, digest_column};
use crate::job::JobError;
use crate::model::ledger::Event;
use crate::model::limits::{ENDS_REMEMBERED, WITNESSES_A_COMMIT, WITNESSES_KEPT};
use crate::model::{Digest, DriveId, KnownDrive, WriterId, escape};
use rusqlite::{Row, params};
use std::collections::BTreeMap;

/// What two say differently.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Contradicting {
    /// What a line of a ledger is, by the hash over it and all before it.
    Line,
    /// What left by a change, and from where. A number is given to one change only: each departure draws its own
    /// (`set_departed`), and one that is told again, or to another drive, keeps content, location and number; only what
    /// followed it may differ.
    Change,
    /// What a writer had before it: that is drawn up once, and copied from ledger to ledger.
    Writer,
}

impl Contradicting {
    /// The word used in JSON and in the catalogue.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Line => "line",
            Self::Change => "change",
            Self::Writer => "writer",
        }
    }

    fn from_text(text: &str) -> Self {
        let known = [Self::Line, Self::Change];
        known.into_iter().find(|what| what.as_str() == text).unwrap_or(Self::Writer)
    }
}

/// A drive that contradicts another, or this card.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Contradiction {
    /// Its row.
    pub row: i64,
    /// Which.
    pub drive: KnownDrive,
    /// The other one; `None` for this card, or for itself.
    pub other: Option<KnownDrive>,
    /// What is told differently.
    pub what: Contradicting,
    /// A line of its ledger: that there is another one there, or that it says so.
    pub line: u64,
    /// Its copies count for nothing.
    pub judged: bool,
}

/// Who says something, and in which line of a ledger.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Said {
    drive: i64,
    line: u64,
}

fn number(row: &Row<'_>, at: usize) -> rusqlite::Result<u64> {
    row.get::<_, i64>(at).map(|n| n as u64)
}

fn named(row: &Row<'_>, at: usize) -> rusqlite::Result<Option<KnownDrive>> {
    let (Some(id), Some(label)) =
        (row.get::<_, Option<String>>(at)?, row.get::<_, Option<String>>(at + 1)?)
    else {
        return Ok(None);
    };
    let id = id.parse().unwrap_or(DriveId::NONE);
    Ok(Some(KnownDrive { id, label: escape::shown(label.as_bytes()) }))
}

impl Catalogue {
    /// All that is open: of no drive that was given up, and of none about which its operator has decided.
    pub fn contradictions(&self) -> Result<Vec<Contradiction>, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT c.drive, c.what, c.line, c.judged, d.uuid, d.label, o.uuid, o.label \
             FROM contradiction c JOIN drive d ON d.id = c.drive LEFT JOIN drive o ON o.id = c.other \
             WHERE NOT c.settled ORDER BY d.label, d.id, c.rowid",
        )?;
        let rows = query.query_map([], |row| {
            let drive = named(row, 4)?;
            Ok(Contradiction {
                row: row.get(0)?,
                drive: drive.unwrap_or(KnownDrive { id: DriveId::NONE, label: String::new() }),
                other: named(row, 6)?,
                what: Contradicting::from_text(row.get_ref(1)?.as_str()?),
                line: number(row, 2)?,
                judged: row.get(3)?,
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Its operator takes a drive for the true one, or gives it up: what it contradicts, and what contradicts it, is
    /// settled, and of its ledger no other end is remembered.
    pub(super) fn settle_contradictions(&self, drive: i64) -> Result<(), JobError> {
        self.db.execute(
            "UPDATE contradiction SET settled = 1 WHERE drive = ?1 OR other = ?1",
            [drive],
        )?;
        self.db.execute("DELETE FROM known_end WHERE drive = ?1", [drive])?;
        self.db.execute(
            "UPDATE witness SET open = 0, own = 0 WHERE (drive = (SELECT uuid FROM drive WHERE id = ?1) \
             OR book IN (SELECT id FROM book WHERE drive = ?1))",
            [drive],
        )?;
        self.settle_all_counts()
    }

    fn settle_all_counts(&self) -> Result<(), JobError> {
        self.drives()?.iter().try_for_each(|drive| self.settle_counts(drive.row))
    }

    /// One of a kind for each two drives: a forged ledger may have any number.
    fn accuse(
        &self,
        said: Said,
        other: Option<i64>,
        what: Contradicting,
        judged: bool,
    ) -> Result<(), JobError> {
        let known = self
            .db
            .prepare_cached(
                "SELECT 1 FROM contradiction WHERE drive = ?1 AND other IS ?2 AND what = ?3 \
                 AND (line = ?4 OR NOT settled)",
            )?
            .exists(params![said.drive, other, what.as_str(), said.line as i64])?;
        if !known {
            self.db
                .prepare_cached("INSERT INTO contradiction VALUES (?1, ?2, ?3, ?4, ?5, 0)")?
                .execute(params![said.drive, other, what.as_str(), said.line as i64, judged])?;
            self.settle_all_counts()?;
        }
        Ok(())
    }

    /// Two drives differ. Where this card knows one of them, the other one alone is judged: else any stick could talk
    /// down a good one. Where it knows neither nobody can tell, and neither counts; where it knows both, only a person
    /// can, and both go on counting.
    fn differ(&self, one: Said, other: Said, what: Contradicting) -> Result<(), JobError> {
        if one.drive == other.drive {
            return self.accuse(one, None, what, true);
        }
        // What contradicts itself, or this card, says nothing of others.
        if self.is_accused_by_this_card(one.drive)? || self.is_accused_by_this_card(other.drive)? {
            return Ok(());
        }
        let known = (self.knows(one)?, self.knows(other)?);
        if !known.0 || known.1 {
            self.accuse(one, Some(other.drive), what, !known.0)?;
        }
        if !known.1 || known.0 {
            self.accuse(other, Some(one.drive), what, !known.1)?;
        }
        Ok(())
    }

    /// Whether this card knows a line by more than having read it: it has written to that ledger before, and found it
    /// again as it had left it.
    fn knows(&self, said: Said) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM drive WHERE id = ?1 AND own_from <= ?2";
        Ok(self.db.prepare_cached(sql)?.exists(params![said.drive, said.line as i64])?)
    }

    /// This card has written lines to a ledger, from one to where it ends now. It saw that there were none, so who tells of
    /// others at these numbers knows of lines that were lost.
    pub fn note_own_lines(&self, book: &BookRow, from: u64) -> Result<(), JobError> {
        self.db
            .prepare_cached(
                "UPDATE drive SET own_from = coalesce(own_from, ?2), \
                 run_from = CASE WHEN run_to = ?2 - 1 THEN run_from ELSE ?2 END, run_to = ?3 WHERE id = ?1",
            )?
            .execute(params![book.drive, from as i64, book.chain.seq as i64])?;
        Ok(())
    }

    /// Whether this card itself wrote a line, where it went on with a ledger that had ended before. A line of one that it
    /// began is known to it alone, unless somebody lies.
    fn went_on(&self, said: Said) -> Result<bool, JobError> {
        let sql =
            "SELECT 1 FROM drive WHERE id = ?1 AND run_from > 1 AND ?2 BETWEEN run_from AND run_to";
        Ok(self.db.prepare_cached(sql)?.exists(params![said.drive, said.line as i64])?)
    }

    /// A drive came back with the ledger that this card had written to.
    pub fn note_came_back(&self, drive: i64) -> Result<(), JobError> {
        self.db
            .prepare_cached("UPDATE drive SET own_from = 1 WHERE id = ?1 AND own_from > 1")?
            .execute([drive])?;
        Ok(())
    }

    fn is_accused_by_this_card(&self, drive: i64) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM contradiction WHERE drive = ?1 AND other IS NULL AND NOT settled";
        Ok(self.db.prepare_cached(sql)?.exists([drive])?)
    }

    /// Before a ledger that does not go on from its known end is read from its beginning: that end is remembered. Not one
    /// that nobody made durable, which a cut may have taken; nor of a ledger that contradicts this card already.
    pub fn remember_end(&self, book: &BookRow) -> Result<(), JobError> {
        if book.chain.seq == 0 || book.unproven || self.is_accused_by_this_card(book.drive)? {
            return Ok(());
        }
        self.db.execute(
            "INSERT OR IGNORE INTO known_end (drive, station, seq, hash) \
             SELECT drive, station, ?2, ?3 FROM book WHERE id = ?1",
            params![book.row, book.chain.seq as i64, book.chain.head.as_bytes().as_slice()],
        )?;
        self.db.execute(
            "DELETE FROM known_end WHERE drive = ?1 AND id NOT IN \
             (SELECT id FROM known_end WHERE drive = ?1 ORDER BY id DESC LIMIT ?2)",
            params![book.drive, ENDS_REMEMBERED as i64],
        )?;
        Ok(())
    }

    fn known_ends(&self, book: &BookRow) -> Result<Vec<(i64, u64, Digest)>, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT id, seq, hash FROM known_end WHERE drive = ?1 \
             AND station = (SELECT station FROM book WHERE id = ?2)",
        )?;
        let rows = query.query_map([book.drive, book.row], |row| {
            Ok((row.get(0)?, number(row, 1)?, digest_column(row, 2)?))
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// What other ledgers say of the one of the drive with this id, and was not compared with it yet: who, the line of
    /// this ledger, and its hash.
    fn open_witnesses(
        &self,
        book: &BookRow,
        id: DriveId,
    ) -> Result<Vec<(Said, u64, Digest)>, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT b.drive, w.line, w.seq, w.hash FROM witness w INDEXED BY witness_open JOIN book b ON b.id = w.book \
             JOIN drive d ON d.id = b.drive WHERE w.open AND w.drive = ?1 AND w.seq <= ?3 AND b.drive <> ?4 \
             AND b.station = (SELECT station FROM book WHERE id = ?2) AND d.forgotten IS NULL",
        )?;
        let of = params![id.to_string(), book.row, book.chain.seq as i64, book.drive];
        let rows = query.query_map(of, |row| {
            let said = Said { drive: row.get(0)?, line: number(row, 1)? };
            Ok((said, number(row, 2)?, digest_column(row, 3)?))
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Lines of the ledger of the drive with this id that this card knew when it told other ledgers of them.
    fn told_before(&self, book: &BookRow, id: DriveId) -> Result<Vec<(u64, Digest)>, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT w.seq, w.hash FROM witness w JOIN book b ON b.id = w.book WHERE w.own AND w.drive = ?1 \
             AND b.station = (SELECT station FROM book WHERE id = ?2)",
        )?;
        let rows = query.query_map(params![id.to_string(), book.row], |row| {
            Ok((number(row, 0)?, digest_column(row, 1)?))
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The numbers of a ledger's lines whose hashes are asked for, so that they may be compared. `anew`: it does not go on
    /// from where it was known to end.
    pub fn to_be_compared(
        &self,
        book: &BookRow,
        id: DriveId,
        anew: bool,
    ) -> Result<Vec<u64>, JobError> {
        let mut numbers: Vec<_> =
            self.open_witnesses(book, id)?.iter().map(|(_, seq, _)| *seq).collect();
        if anew {
            numbers.extend(self.known_ends(book)?.iter().map(|(_, seq, _)| *seq));
            numbers.extend(self.told_before(book, id)?.iter().map(|(seq, _)| *seq));
        }
        numbers.retain(|seq| *seq <= book.chain.seq);
        numbers.sort_unstable();
        numbers.dedup();
        Ok(numbers)
    }

    /// Compares a ledger with what this card remembers of it, and with what others say of it. `hashes` are those of its
    /// lines with these numbers, as far as there is no line before them that cannot be read: behind one the numbers may
    /// have been given again.
    pub fn compare(
        &self,
        book: &BookRow,
        id: DriveId,
        anew: bool,
        hashes: &BTreeMap<u64, Digest>,
    ) -> Result<(), JobError> {
        let differs = |seq: u64, hash: Digest| hashes.get(&seq).map(|found| *found != hash);
        self.together(|| {
            let ends = if anew { self.known_ends(book)? } else { Vec::new() };
            let goes_on = ends.iter().filter(|(_, seq, hash)| differs(*seq, *hash) == Some(false));
            let goes_on: Vec<_> = goes_on.map(|(row, ..)| *row).collect();
            // What goes on from one of them is that state of the drive, or that copy of it; what is too short for one of
            // them may be an older state. Only what has another line at each has been written anew, or, where it never
            // went back before, at any that this card told of.
            let lines: Vec<_> = match ends.as_slice() {
                [(_, seq, hash)] if differs(*seq, *hash).is_none() => {
                    let mut told = self.told_before(book, id)?;
                    told.retain(|(seq, hash)| differs(*seq, *hash) == Some(true));
                    told
                }
                ends => ends.iter().map(|(_, seq, hash)| (*seq, *hash)).collect(),
            };
            if lines.iter().all(|(seq, hash)| differs(*seq, *hash) == Some(true))
                && let Some(line) = lines.iter().map(|(seq, _)| *seq).min()
            {
                self.accuse(Said { drive: book.drive, line }, None, Contradicting::Line, true)?;
            }
            for row in &goes_on {
                self.db.execute("DELETE FROM known_end WHERE id = ?1", [row])?;
            }
            if !goes_on.is_empty() {
                self.db.execute(
                    "DELETE FROM contradiction WHERE drive = ?1 AND other IS NULL AND what = 'line' AND NOT settled",
                    [book.drive],
                )?;
                self.settle_counts(book.drive)?;
            }
            self.compare_with_witnesses(book, id, hashes)
        })
    }

    fn compare_with_witnesses(
        &self,
        book: &BookRow,
        id: DriveId,
        hashes: &BTreeMap<u64, Digest>,
    ) -> Result<(), JobError> {
        // Of a ledger that has lost lines as this card knows, others may remember them. And whether others know better
        // than one that contradicts this card is no question.
        let is_settled =
            self.is_accused_by_this_card(book.drive)? || !self.known_ends(book)?.is_empty();
        for (by, seq, hash) in self.open_witnesses(book, id)? {
            self.db.execute(
                "UPDATE witness SET open = 0 WHERE drive = ?1 AND book IN (SELECT id FROM book WHERE drive = ?2)",
                params![id.to_string(), by.drive],
            )?;
            let differs = hashes.get(&seq).is_some_and(|found| *found != hash);
            let said = Said { drive: book.drive, line: seq };
            if differs && !is_settled && !self.went_on(said)? && !self.is_judged(by.drive)? {
                self.differ(said, by, Contradicting::Line)?;
            }
        }
        Ok(())
    }

    fn is_judged(&self, drive: i64) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM contradiction WHERE drive = ?1 AND judged AND NOT settled";
        Ok(self.db.prepare_cached(sql)?.exists([drive])?)
    }

    /// Replicas of drives that are judged: what left by their word is withheld from no other one.
    pub(super) fn judged_books(&self) -> Result<Vec<i64>, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT id FROM book WHERE drive IN (SELECT drive FROM contradiction WHERE judged AND NOT settled)",
        )?;
        let rows = query.query_map([], |row| row.get(0))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Takes in what a ledger says of another drive's.
    pub(super) fn witness(
        &self,
        book: i64,
        line: u64,
        (drive, seq, hash): (DriveId, u64, Digest),
    ) -> Result<(), JobError> {
        // What this card itself wrote there it knows.
        let open = self.reading.get().is_some();
        self.db
            .prepare_cached(
                "INSERT OR REPLACE INTO witness SELECT ?1, ?2, ?3, ?4, ?5, NOT ?6, ?6 WHERE \
                 (SELECT count(*) FROM witness WHERE book = ?1 AND drive <> ?2) < ?7",
            )?
            .execute(params![
                book,
                drive.to_string(),
                line as i64,
                seq as i64,
                hash.as_bytes().as_slice(),
                open,
                WITNESSES_KEPT as i64
            ])?;
        Ok(())
    }

    /// Lines for a ledger about the last lines of other drives' ledgers, as far as they are durable and this one does not
    /// tell of them yet. A number that went back is told once lines came after it: until then there is no other line. Of
    /// what others say and nobody has compared yet, nothing is said.
    pub fn witnesses_untold(&self, book: &BookRow) -> Result<Vec<Event>, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT d.uuid, b.seq, b.head FROM book b JOIN drive d ON d.id = b.drive \
             LEFT JOIN witness w ON w.book = ?1 AND w.drive = d.uuid \
             WHERE b.station = (SELECT station FROM book WHERE id = ?1) AND b.drive <> ?2 \
             AND b.seq > 0 AND b.gaps = 0 AND NOT b.unproven AND NOT b.partial \
             AND d.forgotten IS NULL AND d.uuid <> '0000000000000000' \
             AND NOT EXISTS (SELECT 1 FROM contradiction c WHERE c.drive = d.id AND NOT c.settled) \
             AND (w.seq IS NULL OR b.seq >= w.seq AND b.head <> w.hash) \
             AND NOT EXISTS (SELECT 1 FROM witness o WHERE o.open AND o.drive = d.uuid AND o.seq <= b.seq) \
             ORDER BY w.line IS NOT NULL, w.line, d.id LIMIT ?3",
        )?;
        let of = params![book.row, book.drive, WITNESSES_A_COMMIT as i64];
        let rows = query.query_map(of, |row| {
            Ok((row.get::<_, String>(0)?, number(row, 1)?, digest_column(row, 2)?))
        })?;
        let mut events = Vec::new();
        for row in rows {
            let (drive, line, hash) = row?;
            let Ok(drive) = drive.parse() else { continue };
            events.push(Event::Witness { drive, line, hash });
        }
        Ok(events)
    }

    /// Looks for changes of which the lines of a ledger behind one say something else than this card knows, than other
    /// lines of that ledger, or than other ledgers.
    pub fn compare_changes(&self, book: &BookRow, behind: u64) -> Result<(), JobError> {
        let new = params![book.row, behind as i64];
        let mut query = self.db.prepare_cached(
            "SELECT d.line, d.writer, d.n FROM departure d CROSS JOIN departed o ON o.tick = d.n \
             AND (o.mailbox, o.key, o.content) <> (d.mailbox, d.key, d.content) \
             WHERE d.book = ?1 AND d.line > ?2 AND d.writer IN (SELECT bits FROM writer WHERE own_first IS NOT NULL)",
        )?;
        let rows = query
            .query_map(new, |row| Ok((number(row, 0)?, row.get::<_, i64>(1)?, number(row, 2)?)))?;
        for (line, writer, n) in rows.collect::<Result<Vec<_>, _>>()? {
            if self.position_at(n)?.is_some_and(|own| bits(own.writer) == writer) {
                self.accuse(Said { drive: book.drive, line }, None, Contradicting::Change, true)?;
            }
        }
        let mut query = self.db.prepare_cached(
            "SELECT min(d.line), b.drive, o.line FROM departure d \
             CROSS JOIN departure o INDEXED BY departure_by_position ON o.writer = d.writer AND o.n = d.n \
             AND (o.mailbox, o.key, o.content) <> (d.mailbox, d.key, d.content) JOIN book b ON b.id = o.book \
             WHERE d.book = ?1 AND d.line > ?2 AND b.station = (SELECT station FROM book WHERE id = ?1) \
             GROUP BY b.drive ORDER BY b.drive <> ?3",
        )?;
        let new = params![book.row, behind as i64, book.drive];
        let rows = query.query_map(new, |row| {
            let other = Said { drive: row.get(1)?, line: number(row, 2)? };
            Ok((Said { drive: book.drive, line: number(row, 0)? }, other))
        })?;
        for (said, other) in rows.collect::<Result<Vec<_>, _>>()? {
            self.differ(said, other, Contradicting::Change)?;
        }
        Ok(())
    }

    /// A line of a ledger says of a writer's beginning something else than is known of it.
    pub(super) fn note_two_beginnings(
        &self,
        (book, line): (i64, u64),
        writer: WriterId,
    ) -> Result<(), JobError> {
        let (drive, station): (i64, String) = self
            .db
            .prepare_cached("SELECT drive, station FROM book WHERE id = ?1")?
            .query_row([book], |row| Ok((row.get(0)?, row.get(1)?)))?;
        let said = Said { drive, line };
        let mut others = self.db.prepare_cached(
            "SELECT b.drive, min(w.line) FROM book_writer w JOIN book b ON b.id = w.book \
             WHERE w.writer = ?1 AND b.drive <> ?2 AND b.station = ?3 \
             AND NOT EXISTS (SELECT 1 FROM writer WHERE bits = ?1 AND own_first IS NOT NULL) GROUP BY b.drive",
        )?;
        let others = others.query_map(params![bits(writer), drive, station], |row| {
            Ok(Said { drive: row.get(0)?, line: number(row, 1)? })
        })?;
        let others = others.collect::<Result<Vec<_>, _>>()?;
        if others.is_empty() {
            return self.accuse(said, None, Contradicting::Writer, true);
        }
        others.iter().try_for_each(|other| self.differ(said, *other, Contradicting::Writer))
    }
}
