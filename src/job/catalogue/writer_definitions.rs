//! What ledgers tell of writers, and what of writers a ledger has yet to be told.
//! Never lets one ledger tell of more than it may.

use super::row_ids::ReplicaRowId;
use super::writers::bits;
use super::{Catalogue, ReplicaState};
use crate::job::JobError;
use crate::model::ledger::Event;
use crate::model::limits::WRITERS_A_LEDGER;
use crate::model::{Position, WriterId};
use rusqlite::params;
use std::collections::BTreeSet;

impl Catalogue {
    /// Takes in a line that tells of a writer.
    pub(super) fn define_writer(
        &self,
        (replica, line): (ReplicaRowId, u64),
        writer: WriterId,
        links: &[Position],
    ) -> Result<(), JobError> {
        // What this card writes itself is told, or it would be told again and again.
        if self.reading.get().is_some() && !self.may_tell_of_writer(replica, links.len() as u64)? {
            return Ok(());
        }
        self.meet_writer(writer, 0)?;
        let defined: bool =
            self.only_row("SELECT defined FROM writer WHERE bits = ?1", [bits(writer)])?;
        if !defined {
            self.put_links(writer, links)?;
            self.db.execute("UPDATE writer SET defined = 1 WHERE bits = ?1", [bits(writer)])?;
        } else if self.writer_links(writer)? != links {
            self.db.execute("UPDATE writer SET disputed = 1 WHERE bits = ?1", [bits(writer)])?;
            self.note_two_beginnings((replica, line), writer)?;
        }
        self.change(
            "INSERT OR IGNORE INTO replica_writer VALUES (?1, ?2, ?3)",
            params![replica, bits(writer), line as i64],
        )?;
        if let Some(writers) = self.lineage.borrow_mut().as_mut() {
            writers.define(writer, links);
        }
        Ok(())
    }

    /// Counts what a ledger tells of writers; whether it may tell of more.
    fn may_tell_of_writer(&self, replica: ReplicaRowId, links: u64) -> Result<bool, JobError> {
        let told = self.writers_told.get().filter(|told| told.0 == replica);
        let (mut writers, mut of_links) = match told {
            Some((_, writers, links)) => (writers, links),
            None => {
                let sql = "SELECT count(DISTINCT b.writer), count(l.number) FROM replica_writer b \
                     LEFT JOIN writer_link l ON l.writer = b.writer WHERE b.replica = ?1";
                self.only_row(sql, [replica])?
            }
        };
        (writers, of_links) = (writers + 1, of_links + links);
        self.writers_told.set(Some((replica, writers, of_links)));
        Ok(writers <= WRITERS_A_LEDGER && of_links <= 4 * WRITERS_A_LEDGER)
    }

    /// Lines that a ledger needs before some events, so that it tells of every writer they speak of, and of those
    /// before them; ancestors first.
    pub fn writers_untold(
        &self,
        replica: &ReplicaState,
        events: &[Event],
    ) -> Result<Vec<Event>, JobError> {
        let mut lines = Vec::new();
        let mut done = BTreeSet::new();
        for position in events.iter().filter_map(Event::position) {
            let mut ahead = vec![(position.writer, false)];
            while let Some((writer, parents_done)) = ahead.pop() {
                if parents_done {
                    lines.push(Event::Writer { writer, links: self.writer_links(writer)? });
                    continue;
                }
                if !done.insert(writer) || self.is_told_of(replica.row, writer)? {
                    continue;
                }
                ahead.push((writer, true));
                ahead.extend(self.writer_links(writer)?.iter().map(|link| (link.writer, false)));
            }
        }
        Ok(lines)
    }

    fn is_told_of(&self, replica: ReplicaRowId, writer: WriterId) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM replica_writer WHERE replica = ?1 AND writer = ?2 UNION ALL \
                 SELECT 1 FROM writer WHERE bits = ?2 AND NOT defined UNION ALL \
                 SELECT 1 WHERE NOT EXISTS (SELECT 1 FROM writer WHERE bits = ?2)";
        self.has_row(sql, params![replica, bits(writer)])
    }
}
