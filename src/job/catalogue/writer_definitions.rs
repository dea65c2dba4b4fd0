//! What ledgers say of writers, and which writers a ledger has yet to describe. Never lets one ledger describe more
//! than it may.

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
    /// Applies a line that describes a writer.
    pub(super) fn define_writer(
        &self,
        (replica, line): (ReplicaRowId, u64),
        writer: WriterId,
        links: &[Position],
    ) -> Result<(), JobError> {
        // What this card writes itself is always recorded, or it would be written again and again.
        if self.reading.get().is_some() && !self.may_describe_writer(replica, links.len() as u64)? {
            return Ok(());
        }
        self.note_writer(writer, 0)?;
        let sql = "SELECT defined, own_first IS NOT NULL FROM writer WHERE bits = ?1";
        let (defined, is_own): (bool, bool) = self.only_row(sql, [bits(writer)])?;
        if !defined {
            self.put_links(writer, links)?;
            self.db.execute("UPDATE writer SET defined = 1 WHERE bits = ?1", [bits(writer)])?;
        } else if self.writer_links(writer)? != links {
            self.db.execute("UPDATE writer SET disputed = 1 WHERE bits = ?1", [bits(writer)])?;
            self.note_other_parents((replica, line), writer)?;
        }
        self.change(
            "INSERT OR IGNORE INTO replica_writer VALUES (?1, ?2, ?3)",
            params![replica, bits(writer), line as i64],
        )?;
        let mut lineage = self.lineage.borrow_mut();
        match lineage.as_mut() {
            // Another thread has begun it since: which changes are this card's own is looked up anew.
            Some(writers) if is_own && !writers.knows(writer) => *lineage = None,
            Some(writers) => writers.define(writer, links),
            None => {}
        }
        Ok(())
    }

    /// Counts the writers that a ledger describes; whether it may describe more.
    fn may_describe_writer(&self, replica: ReplicaRowId, links: u64) -> Result<bool, JobError> {
        let described = self.writers_described.get().filter(|described| described.0 == replica);
        let (mut writers, mut of_links) = match described {
            Some((_, writers, links)) => (writers, links),
            None => {
                let sql = "SELECT count(DISTINCT b.writer), count(l.number) FROM replica_writer b \
                           LEFT JOIN writer_link l ON l.writer = b.writer WHERE b.replica = ?1";
                self.only_row(sql, [replica])?
            }
        };
        (writers, of_links) = (writers + 1, of_links + links);
        self.writers_described.set(Some((replica, writers, of_links)));
        Ok(writers <= WRITERS_A_LEDGER && of_links <= 4 * WRITERS_A_LEDGER)
    }

    /// Lines that a ledger needs before some events, so that it describes every writer they speak of, and the ancestors
    /// of those; ancestors first.
    pub fn writer_lines_missing(
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
                if !done.insert(writer) || self.describes_writer(replica.row, writer)? {
                    continue;
                }
                ahead.push((writer, true));
                ahead.extend(self.writer_links(writer)?.iter().map(|link| (link.writer, false)));
            }
        }
        Ok(lines)
    }

    fn describes_writer(&self, replica: ReplicaRowId, writer: WriterId) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM replica_writer WHERE replica = ?1 AND writer = ?2 UNION ALL \
                   SELECT 1 FROM writer WHERE bits = ?2 AND NOT defined UNION ALL SELECT 1 \
                   WHERE NOT EXISTS (SELECT 1 FROM writer WHERE bits = ?2)";
        self.has_row(sql, params![replica, bits(writer)])
    }
}
