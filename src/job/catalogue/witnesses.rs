//! What is remembered of the ends of ledgers, to recognise a ledger: by this card, and by other ledgers, each of which
//! says where the others end. Never judges: what differs is in `comparisons`, and what follows in `contradictions`.

use super::contradictions::StatedContradiction;
use super::row_ids::{DriveRowId, ReplicaRowId};
use super::{Catalogue, ReplicaState};
use crate::job::JobError;
use crate::model::ledger::Event;
use crate::model::limits::{ENDS_REMEMBERED, WITNESSES_A_COMMIT, WITNESSES_KEPT};
use crate::model::{Digest, DriveId};
use rusqlite::params;

impl Catalogue {
    /// This card has written lines to a ledger, from one on.
    pub fn note_own_lines(&self, replica: &ReplicaState, from: u64) -> Result<(), JobError> {
        let sql = "UPDATE drive SET own_from = coalesce(own_from, ?2) WHERE id = ?1";
        self.change(sql, params![replica.drive, from as i64])?;
        Ok(())
    }

    /// A drive came back with the ledger that this card had written to.
    pub fn note_came_back(&self, drive: DriveRowId) -> Result<(), JobError> {
        self.change("UPDATE drive SET own_from = 1 WHERE id = ?1 AND own_from > 1", [drive])?;
        Ok(())
    }

    /// Before a ledger that does not continue from its known end is read from its beginning: that end is remembered.
    /// Not one that nobody made durable, which a power failure may have taken; nor of a ledger that contradicts this
    /// card already. And what others say of it is compared once more.
    pub fn remember_end(&self, replica: &ReplicaState) -> Result<(), JobError> {
        self.db.execute(
            "UPDATE witness SET open = 1 WHERE NOT own AND drive = (SELECT uuid FROM drive WHERE id = ?1)",
            [replica.drive],
        )?;
        if replica.chain.seq == 0
            || replica.unsynced_lines
            || self.is_accused_by_this_card(replica.drive)?
        {
            return Ok(());
        }
        self.db.execute(
            "INSERT OR IGNORE INTO known_end (drive, station, seq, hash) \
             SELECT drive, station, ?2, ?3 FROM replica WHERE id = ?1",
            params![
                replica.row,
                replica.chain.seq as i64,
                replica.chain.head.as_bytes().as_slice()
            ],
        )?;
        self.db.execute(
            "DELETE FROM known_end WHERE drive = ?1 AND id NOT IN \
             (SELECT id FROM known_end WHERE drive = ?1 ORDER BY id DESC LIMIT ?2)",
            params![replica.drive, ENDS_REMEMBERED as i64],
        )?;
        Ok(())
    }

    pub(super) fn known_ends(
        &self,
        replica: &ReplicaState,
    ) -> Result<Vec<(u64, Digest)>, JobError> {
        let sql = "SELECT seq, hash FROM known_end WHERE drive = ?1 AND station = (SELECT station \
                   FROM replica WHERE id = ?2)";
        self.rows(sql, params![replica.drive, replica.row])
    }

    /// What other ledgers say of the one of the drive with this id, and was not compared with it yet: who, the line of
    /// this ledger, and its hash.
    pub(super) fn open_witnesses(
        &self,
        replica: &ReplicaState,
        id: DriveId,
    ) -> Result<Vec<(StatedContradiction, u64, Digest)>, JobError> {
        let sql = "SELECT b.drive, w.line, w.seq, w.hash FROM witness w INDEXED BY witness_open \
                   JOIN replica b ON b.id = w.replica JOIN drive d ON d.id = b.drive WHERE w.open \
                   AND w.drive = ?1 AND w.seq <= ?3 AND b.drive <> ?4 \
                   AND b.station = (SELECT station FROM replica WHERE id = ?2) AND d.forgotten \
                   IS NULL";
        let of = params![id.to_string(), replica.row, replica.chain.seq as i64, replica.drive];
        self.rows(sql, of)
    }

    /// Lines of the ledger of the drive with this id that this card knew when it wrote about them to other ledgers.
    pub(super) fn own_witnesses(
        &self,
        replica: &ReplicaState,
        id: DriveId,
    ) -> Result<Vec<(u64, Digest)>, JobError> {
        let sql = "SELECT w.seq, w.hash FROM witness w JOIN replica b ON b.id = w.replica \
                   WHERE w.own AND w.drive = ?1 AND b.station = (SELECT station FROM replica \
                   WHERE id = ?2)";
        self.rows(sql, params![id.to_string(), replica.row])
    }

    /// The numbers of a ledger's lines whose hashes are asked for, so that they may be compared. `anew`: it does not go
    /// on from where it was known to end.
    pub fn witnesses_to_compare(
        &self,
        replica: &ReplicaState,
        id: DriveId,
        anew: bool,
    ) -> Result<Vec<u64>, JobError> {
        let mut numbers: Vec<_> =
            self.open_witnesses(replica, id)?.iter().map(|(_, seq, _)| *seq).collect();
        if anew {
            numbers.extend(self.known_ends(replica)?.iter().map(|(seq, _)| *seq));
            numbers.extend(self.own_witnesses(replica, id)?.iter().map(|(seq, _)| *seq));
        }
        numbers.retain(|seq| *seq <= replica.chain.seq);
        numbers.sort_unstable();
        numbers.dedup();
        Ok(numbers)
    }

    /// Takes in what a ledger says of another drive's.
    pub(super) fn witness(
        &self,
        replica: ReplicaRowId,
        line: u64,
        (drive, seq, hash): (DriveId, u64, Digest),
    ) -> Result<(), JobError> {
        // What this card itself wrote there it knows.
        let open = self.reading.get().is_some();
        let sql = "INSERT OR REPLACE INTO witness SELECT ?1, ?2, ?3, ?4, ?5, NOT ?6, ?6 \
                   WHERE (SELECT count(*) FROM witness WHERE replica = ?1 AND drive <> ?2) < ?7";
        self.change(
            sql,
            params![
                replica,
                drive.to_string(),
                line as i64,
                seq as i64,
                hash.as_bytes().as_slice(),
                open,
                WITNESSES_KEPT as i64
            ],
        )?;
        Ok(())
    }

    /// Lines for a ledger about the last lines of other drives' ledgers, as far as they are durable and this one does
    /// not have them yet. A number that went back is written once lines came after it: until then there is no other
    /// line. What others say and nobody has compared yet is not repeated.
    pub fn witness_lines_missing(&self, replica: &ReplicaState) -> Result<Vec<Event>, JobError> {
        let sql = "SELECT d.uuid, b.seq, b.head FROM replica b JOIN drive d ON d.id = b.drive \
                   LEFT JOIN witness w ON w.replica = ?1 AND w.drive = d.uuid \
                   WHERE b.station = (SELECT station FROM replica WHERE id = ?1) AND b.drive <> ?2 \
                   AND b.seq > 0 AND b.gaps = 0 AND NOT b.unsynced_lines AND NOT b.partial \
                   AND d.forgotten IS NULL AND d.uuid <> '0000000000000000' \
                   AND NOT EXISTS (SELECT 1 FROM contradiction c WHERE c.drive = d.id \
                   AND NOT c.settled) AND (w.seq IS NULL OR b.seq >= w.seq AND b.head <> w.hash) \
                   AND NOT EXISTS (SELECT 1 FROM witness o WHERE o.open AND o.drive = d.uuid \
                   AND o.seq <= b.seq) ORDER BY w.line IS NOT NULL, w.line, d.id LIMIT ?3";
        let of = params![replica.row, replica.drive, WITNESSES_A_COMMIT as i64];
        let ends: Vec<(Option<DriveId>, u64, Digest)> = self.rows(sql, of)?;
        let events = ends.into_iter().filter_map(|(drive, line, hash)| {
            drive.map(|drive| Event::Witness { drive, line, hash })
        });
        Ok(events.collect())
    }
}
