//! Who writes, and which of two statements is the later: this card's writers, and those of the ledgers it has read. The
//! tables `writer` and `writer_link`.
//! Never takes a parent or a number from a drive: two cards with one past fork as soon as both write.

use super::rows::read;
use super::{Catalogue, FileState, millis};
use crate::disk::host;
use crate::job::JobError;
use crate::model::limits::{COUNT_MAX, WRITER_LINKS_MAX};
use crate::model::{Clock, Position, WriterId, Writers};
use rusqlite::params;
use std::collections::HashMap;

/// A writer as the catalogue keeps it.
pub(super) fn bits(writer: WriterId) -> i64 {
    writer.bits() as i64
}

impl Catalogue {
    /// Looks made in another boot, or by another run of the daemon, are no first looks of this one:
    /// their monotonic time means nothing here. The first change of a run is a new writer's.
    pub fn begin_run(&self, clock: &dyn Clock) -> Result<(), JobError> {
        self.is_fresh.set(true);
        // Nor is a ledger being read: a run that was cut off may have been in the middle of one.
        self.end_reading();
        let now = millis(clock);
        let stale = "FROM unsettled_file WHERE state IN (?2, ?3, ?4, ?5) AND first_statted <> ?1";
        let of = params![
            now,
            FileState::Fresh,
            FileState::Changing,
            FileState::LeavingSeen,
            FileState::Leaving
        ];
        if self.has_row(&format!("SELECT 1 {stale}"), of)? {
            let sql = format!(
                "UPDATE file SET first_statted = ?1 WHERE (mailbox, key) IN (SELECT mailbox, key \
                 {stale})"
            );
            self.db.execute(&sql, of)?;
        }
        Ok(())
    }

    /// The number of the last change.
    pub fn change_no(&self) -> Result<u64, JobError> {
        Ok(self.meta("change_no")?.and_then(|text| text.parse().ok()).unwrap_or(0))
    }

    /// Makes a change under a number of its own, as one: whoever has seen the number finds the change.
    pub(super) fn record_change<T>(
        &self,
        make: impl FnOnce(u64) -> Result<T, JobError>,
    ) -> Result<T, JobError> {
        self.write_transaction(|| make(self.next_change_no()?))
    }

    /// Numbers a change; only together with it. The first one of a run, and the first after something was read that
    /// this card did not know of, is a new writer's: so what it says later speaks of what it has read.
    pub(super) fn next_change_no(&self) -> Result<u64, JobError> {
        debug_assert!(!self.db.is_autocommit(), "a number was seen before its change");
        if self.is_fresh.get() || self.meta("read_anew")?.is_some_and(|text| text == "1") {
            self.begin_writer()?;
            self.is_fresh.set(false);
        }
        // In two statements: one that also returned the number would make a table for it.
        self.change("UPDATE meta SET value = value + 1 WHERE name = 'change_no'", [])?;
        self.change_no()
    }

    /// The position that lines written now speak as of; none before the first change. Once something was read that this
    /// card did not know of, it is a new writer's, which has read it: so of two statements the later one is seen to be
    /// so.
    pub fn position_now(&self) -> Result<Option<Position>, JobError> {
        let change_no = self.change_no()?;
        match change_no > 0 && self.meta("read_anew")?.is_some_and(|text| text == "1") {
            true => self.record_change(|change_no| self.position_at(change_no)),
            false => self.position_at(change_no),
        }
    }

    /// Draws a writer that continues from where this card is, and has read what it has read.
    fn begin_writer(&self) -> Result<(), JobError> {
        let change_no = self.change_no()?;
        let parent = self.position_at(change_no)?;
        let mut links: Vec<Position> = parent.into_iter().collect();
        links.extend(self.read_since(parent)?);
        links.truncate(WRITER_LINKS_MAX);
        let writer = WriterId::from_bits(host::random_bits()?);
        self.db.execute(
            "UPDATE writer SET own_last = ?1 WHERE own_first IS NOT NULL AND own_last IS NULL",
            [change_no as i64],
        )?;
        self.db.execute(
            "INSERT INTO writer (bits, own_first, defined, disputed, seen) VALUES (?1, ?2, 1, 0, 0)",
            params![bits(writer), change_no as i64 + 1],
        )?;
        self.put_links(writer, &links)?;
        self.set_meta("read_anew", "0")?;
        self.lineage.take();
        Ok(())
    }

    /// Positions found in ledgers that a position does not cover, without those that others of them cover.
    fn read_since(&self, parent: Option<Position>) -> Result<Vec<Position>, JobError> {
        // What a writer of this card wrote beyond its last change known here was lost with an end of this state, as
        // after an old image of the card was put back: that is read like another card's.
        let sql = "SELECT bits, seen FROM writer WHERE seen > 0 AND (own_first IS NULL \
                   OR seen > coalesce(own_last, (SELECT CAST(value AS INTEGER) FROM meta \
                   WHERE name = 'change_no')))";
        let met: Vec<Position> = self.rows(sql, [])?;
        Ok(self.writers()?.latest(parent, &met))
    }

    /// The position of this card at a change; none before the first.
    pub fn position_at(&self, change_no: u64) -> Result<Option<Position>, JobError> {
        let sql = "SELECT bits FROM writer INDEXED BY writer_own WHERE own_first IS NOT NULL \
                   AND own_first <= ?1 ORDER BY own_first DESC LIMIT 1";
        let writer = self.first_row(sql, [change_no as i64])?;
        Ok(writer.map(|writer| Position { writer, n: change_no }))
    }

    pub(super) fn put_links(&self, writer: WriterId, links: &[Position]) -> Result<(), JobError> {
        let mut insert =
            self.db.prepare_cached("INSERT INTO writer_link VALUES (?1, ?2, ?3, ?4)")?;
        for (number, link) in (0_i64..).zip(links) {
            insert.execute(params![bits(writer), number, bits(link.writer), link.n as i64])?;
        }
        Ok(())
    }

    /// The parents of a writer.
    pub fn writer_links(&self, writer: WriterId) -> Result<Vec<Position>, JobError> {
        let sql = "SELECT parent, n FROM writer_link WHERE writer = ?1 ORDER BY number";
        self.rows(sql, [bits(writer)])
    }

    /// A line speaks as of a position.
    pub(super) fn note_writer(&self, writer: WriterId, n: u64) -> Result<(), JobError> {
        let sql = "INSERT INTO writer (bits, defined, disputed, seen) VALUES (?1, 0, 0, ?2) \
                   ON CONFLICT DO UPDATE SET seen = max(seen, ?2)";
        self.change(sql, params![bits(writer), n as i64])?;
        Ok(())
    }

    /// Keeps the positions that the lines of a ledger speak of. What this card's position does not cover makes its
    /// next change a new writer's.
    pub fn note_read(&self, positions: &HashMap<WriterId, u64>) -> Result<(), JobError> {
        for (writer, n) in positions {
            self.note_writer(*writer, *n)?;
        }
        if self.meta("read_anew")?.is_some_and(|text| text == "1") {
            return Ok(());
        }
        let now = self.position_at(self.change_no()?)?;
        match self.read_since(now)?.is_empty() {
            true => Ok(()),
            false => self.set_meta("read_anew", "1"),
        }
    }

    /// Everything known of writers.
    pub fn writers(&self) -> Result<Writers, JobError> {
        let mut writers = Writers::default();
        let mut query = self.db.prepare_cached(
            "SELECT w.bits, w.disputed, l.parent, l.n FROM writer w LEFT JOIN writer_link l ON l.writer = w.bits \
             WHERE w.defined ORDER BY w.bits, l.number",
        )?;
        let mut rows = query.query([])?;
        let mut links = Vec::new();
        let mut last: Option<(WriterId, bool)> = None;
        loop {
            let row = rows.next()?;
            let row =
                row.map(read::<(WriterId, bool, Option<WriterId>, Option<i64>)>).transpose()?;
            let next = row.map(|(writer, disputed, ..)| (writer, disputed));
            if let Some((writer, disputed)) = last.filter(|_| next != last) {
                writers.define(writer, &links);
                links.clear();
                if disputed {
                    writers.mark_disputed(writer);
                }
            }
            let Some((.., parent, n)) = row else { return Ok(writers) };
            links.extend(parent.zip(n).map(|(writer, n)| Position { writer, n: n as u64 }));
            last = next;
        }
    }

    /// Asks about writers what is known of them now.
    fn of_writers<T>(
        &self,
        writer: WriterId,
        ask: impl FnOnce(&mut Writers) -> T,
    ) -> Result<T, JobError> {
        let known = self.lineage.borrow().as_ref().map(|writers| writers.knows(writer));
        // Another thread may have begun a writer since, or read of one.
        let sql = "SELECT 1 FROM writer WHERE bits = ?1 AND (defined OR own_first IS NOT NULL)";
        if known.is_none() || known == Some(false) && self.has_row(sql, [bits(writer)])? {
            // While this card's own lines are written its present writer may get any number.
            let writers = self.load_lineage(self.reading.get().unwrap_or(COUNT_MAX))?;
            self.lineage.replace(Some(writers));
        }
        Ok(ask(self.lineage.borrow_mut().get_or_insert_default()))
    }

    /// The last of this card's changes that whoever wrote as of a position can have known; 0 where that is none.
    pub(super) fn as_of(&self, position: Position) -> Result<u64, JobError> {
        self.of_writers(position.writer, |writers| writers.as_of(position))
    }

    /// Whether a position is one of this card's own changes, as far as it knows them.
    pub fn is_own(&self, position: Position) -> Result<bool, JobError> {
        self.of_writers(position.writer, |writers| writers.is_own(position))
    }

    /// Whether one position covers another.
    pub fn covers(&self, one: Position, other: Position) -> Result<bool, JobError> {
        self.of_writers(one.writer, |writers| writers.covers(one, other))
    }

    /// Before a ledger is read: of the numbers that it gives this card's present writer none is known beyond the last
    /// change, as after an old image of the card was put back.
    pub fn begin_reading(&self) -> Result<(), JobError> {
        self.reading.set(Some(self.change_no()?));
        self.writers_described.take();
        self.lineage.take();
        Ok(())
    }

    /// The ledger is read, or what could be: lines from here on are this card's own.
    pub fn end_reading(&self) {
        self.reading.set(None);
        self.writers_described.take();
        self.lineage.take();
    }

    fn load_lineage(&self, most: u64) -> Result<Writers, JobError> {
        let mut writers = self.writers()?;
        let sql = "SELECT bits, own_last FROM writer WHERE own_first IS NOT NULL";
        for (writer, last) in self.rows::<(WriterId, Option<i64>)>(sql, [])? {
            writers.set_own(writer, last.map_or(most, |last| last as u64));
        }
        Ok(writers)
    }
}
