//! Finds where ledgers say otherwise than this card remembers, than each other, or than they said before.
//! Never judges: what becomes of it is in `contradictions`.

use super::contradictions::{Contradicting, StatedContradiction};
use super::row_ids::{DriveRowId, ReplicaRowId};
use super::writers::bits;
use super::{Catalogue, ReplicaState};
use crate::job::JobError;
use crate::model::{Digest, DriveId, Position, WriterId};
use rusqlite::params;
use std::collections::BTreeMap;

impl Catalogue {
    /// Compares a ledger with what this card remembers of it, and with what others say of it. `hashes` are those of its
    /// lines with these numbers, as far as every line before them can be read. No number is given twice, so one line
    /// that is another is enough; a number without a line says nothing: that line was lost, or is still to come.
    pub fn compare(
        &self,
        replica: &ReplicaState,
        id: DriveId,
        anew: bool,
        hashes: &BTreeMap<u64, Digest>,
    ) -> Result<(), JobError> {
        let is_there = |(seq, hash): &(u64, Digest)| hashes.get(seq).map(|there| there == hash);
        self.write_transaction(|| {
            if anew {
                let ends = self.known_ends(replica)?;
                let witnessed = self.own_witnesses(replica, id)?;
                let others =
                    ends.iter().chain(&witnessed).filter(|end| is_there(end) == Some(false));
                if let Some(line) = others.map(|(seq, _)| *seq).min() {
                    self.record_contradiction(
                        StatedContradiction { drive: replica.drive, line },
                        None,
                        Contradicting::Line,
                        true,
                    )?;
                } else if ends.iter().any(|end| is_there(end) == Some(true)) {
                    self.is_as_remembered(replica.drive)?;
                }
            }
            self.compare_with_witnesses(replica, id, hashes)
        })
    }

    /// The drive itself is back, whatever was there in its place.
    fn is_as_remembered(&self, drive: DriveRowId) -> Result<(), JobError> {
        self.db.execute(
            "DELETE FROM contradiction WHERE drive = ?1 AND other IS NULL AND what = 'line' AND NOT settled",
            [drive],
        )?;
        self.recompute_counts(drive)
    }

    fn compare_with_witnesses(
        &self,
        replica: &ReplicaState,
        id: DriveId,
        hashes: &BTreeMap<u64, Digest>,
    ) -> Result<(), JobError> {
        // Whether others know better than one that contradicts this card is no question.
        let is_settled = self.is_accused_by_this_card(replica.drive)?;
        for (by, seq, hash) in self.open_witnesses(replica, id)? {
            self.db.execute(
                "UPDATE witness SET open = 0 WHERE drive = ?1 AND replica IN (SELECT id FROM replica WHERE drive = ?2)",
                params![id.to_string(), by.drive],
            )?;
            let is_other = hashes.get(&seq).is_some_and(|there| *there != hash);
            if is_other && !is_settled && !self.is_disqualified(by.drive)? {
                self.differ(
                    StatedContradiction { drive: replica.drive, line: seq },
                    by,
                    Contradicting::Line,
                )?;
            }
        }
        Ok(())
    }

    /// Looks for changes about which the lines of a ledger after one say something else than this card knows, than
    /// other lines of that ledger, or than other ledgers.
    pub fn compare_changes(&self, replica: &ReplicaState, behind: u64) -> Result<(), JobError> {
        let new = params![replica.row, behind as i64];
        let sql = "SELECT d.line, d.writer, d.n FROM departure d CROSS JOIN departed o \
                   ON o.change_no = d.n AND (o.mailbox, o.key, o.content) <> (d.mailbox, d.key, \
                   d.content) WHERE d.replica = ?1 AND d.line > ?2 AND d.writer IN (SELECT bits \
                   FROM writer WHERE own_first IS NOT NULL)";
        for (line, position) in self.rows::<(u64, Position)>(sql, new)? {
            if self.position_at(position.n)? == Some(position) {
                let statement = StatedContradiction { drive: replica.drive, line };
                self.record_contradiction(statement, None, Contradicting::Change, true)?;
            }
        }
        // The first line of each change is compared with all others of it, not each with each: a forged ledger may have
        // any number of them.
        let sql = "WITH first AS (SELECT min(line) AS line, writer, n, mailbox, key, content \
                   FROM departure WHERE replica = ?1 AND line > ?2 GROUP BY writer, n) \
                   SELECT min(d.line), b.drive, o.line FROM first d CROSS JOIN departure o \
                   INDEXED BY departure_by_position ON o.writer = d.writer AND o.n = d.n \
                   AND (o.mailbox, o.key, o.content) <> (d.mailbox, d.key, d.content) JOIN replica \
                   b ON b.id = o.replica WHERE b.station = (SELECT station FROM replica \
                   WHERE id = ?1) AND b.drive NOT IN (SELECT id FROM drive WHERE forgotten \
                   IS NOT NULL) GROUP BY b.drive ORDER BY b.drive <> ?3";
        let new = params![replica.row, behind as i64, replica.drive];
        for (line, other) in self.rows(sql, new)? {
            self.differ(
                StatedContradiction { drive: replica.drive, line },
                other,
                Contradicting::Change,
            )?;
        }
        Ok(())
    }

    /// A line of a ledger says of a writer's beginning something else than is known of it.
    pub(super) fn note_other_parents(
        &self,
        (replica, line): (ReplicaRowId, u64),
        writer: WriterId,
    ) -> Result<(), JobError> {
        let (drive, station): (DriveRowId, String) =
            self.only_row("SELECT drive, station FROM replica WHERE id = ?1", [replica])?;
        let statement = StatedContradiction { drive, line };
        let sql = "SELECT b.drive, min(w.line) FROM replica_writer w JOIN replica b \
                   ON b.id = w.replica WHERE w.writer = ?1 AND b.drive <> ?2 AND b.station = ?3 \
                   AND NOT EXISTS (SELECT 1 FROM writer WHERE bits = ?1 AND own_first IS NOT NULL) \
                   AND b.drive NOT IN (SELECT id FROM drive WHERE forgotten IS NOT NULL) \
                   GROUP BY b.drive";
        let others: Vec<StatedContradiction> =
            self.rows(sql, params![bits(writer), drive, station])?;
        if others.is_empty() {
            return self.record_contradiction(statement, None, Contradicting::Writer, true);
        }
        others.iter().try_for_each(|other| self.differ(statement, *other, Contradicting::Writer))
    }
}
