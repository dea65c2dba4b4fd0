//! What the ledgers of a station say of copies, locations and mailboxes, whichever drive each is on. Never decides
//! which of two statements counts; the merge does.

use super::copies::{COPY_COLUMNS, CopyRow};
use super::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use super::{Catalogue, CopyState};
use crate::job::JobError;
use crate::model::limits::ALIKE_MAX;
use crate::model::{MailboxName, StationName};
use rusqlite::params;
use std::cmp::Reverse;

impl Catalogue {
    /// How many locations the drives assert anything of.
    pub fn asserted_paths(&self, station: &StationName) -> Result<u64, JobError> {
        let sql = "SELECT count(*) FROM (SELECT DISTINCT a.mailbox, a.key FROM replica \
                   JOIN assertion a ON a.replica = replica.id WHERE replica.station = ?1 \
                   AND a.ended IS NULL)";
        self.only_row(sql, [station.as_str()])
    }

    /// Whether a drive ever asserted a message at a location.
    pub fn lists(
        &self,
        station: &StationName,
        mailbox: MailboxRowId,
        key: &[u8],
    ) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM assertion a JOIN replica ON replica.id = a.replica \
                   AND replica.station = ?1 WHERE a.mailbox = ?2 AND a.key = ?3";
        self.has_row(sql, params![station.as_str(), mailbox, key])
    }

    /// Every copy of a content: the replica it is in, and the copy; those known good first.
    pub fn copies_of(
        &self,
        station: &StationName,
        content: ContentRowId,
    ) -> Result<Vec<(ReplicaRowId, CopyRow)>, JobError> {
        let sql = format!(
            "SELECT p.replica, {COPY_COLUMNS} FROM payload p INDEXED BY payload_by_content \
             JOIN content c ON c.id = p.content \
             JOIN replica ON replica.id = p.replica AND replica.station = ?1 \
             WHERE p.content = ?2"
        );
        // Sorted here: a restore asks this of every message, and SQLite takes a large buffer for each sorting.
        let mut copies: Vec<(ReplicaRowId, CopyRow)> =
            self.rows(&sql, params![station.as_str(), content])?;
        copies.sort_by_key(|(replica, copy)| {
            (!copy.state.is_whole(), copy.state as u8, *replica, Reverse(copy.name.number))
        });
        Ok(copies)
    }

    /// Copies whose content their own ledger gives no location: adopted after a power failure and not asserted since,
    /// known from a manifest or from their file alone, or whose line cannot be read any more.
    pub fn copies_without_location(&self, replica: ReplicaRowId) -> Result<Vec<CopyRow>, JobError> {
        let of = "WHERE p.replica = ?1 AND p.is_usable \
             AND NOT EXISTS (SELECT 1 FROM assertion a WHERE a.replica = p.replica AND a.content = p.content) \
             AND NOT EXISTS (SELECT 1 FROM not_wanted n WHERE n.content = p.content) \
             ORDER BY p.number";
        self.copies(of, [replica])
    }

    /// Copies that were taken for what a power failure left, whose content their own ledger gives no location, and of
    /// which it has no good one.
    pub fn debris(&self, replica: ReplicaRowId) -> Result<Vec<CopyRow>, JobError> {
        let of = "WHERE p.replica = ?1 AND p.state = ?2 \
             AND NOT EXISTS (SELECT 1 FROM assertion a WHERE a.replica = p.replica AND a.content = p.content) \
             AND NOT EXISTS (SELECT 1 FROM payload q WHERE q.content = p.content AND q.replica = p.replica \
             AND q.is_whole) ORDER BY p.number";
        self.copies(of, params![replica, CopyState::Debris])
    }

    /// Where a mailbox lay on the card, by each ledger that says so: the ledger's row and the folder.
    pub fn roots(
        &self,
        station: &StationName,
        mailbox: MailboxRowId,
    ) -> Result<Vec<(ReplicaRowId, Vec<u8>)>, JobError> {
        let sql = "SELECT replica.id, root FROM replica_mailbox JOIN replica \
                   ON replica.id = replica_mailbox.replica WHERE station = ?1 AND mailbox = ?2 \
                   ORDER BY replica.id";
        self.rows(sql, params![station.as_str(), mailbox])
    }

    /// The mailboxes that the drives have lines about, for a station.
    pub fn recorded_mailboxes_of(
        &self,
        station: &StationName,
    ) -> Result<Vec<(MailboxRowId, MailboxName)>, JobError> {
        let sql = "SELECT id, name FROM mailbox WHERE id IN (SELECT mailbox FROM replica_mailbox \
                   JOIN replica ON replica.id = replica WHERE station = ?1) OR id \
                   IN (SELECT mailbox FROM assertion JOIN replica ON replica.id = replica \
                   WHERE station = ?1) ORDER BY name";
        let rows: Vec<(_, String)> = self.rows(sql, [station.as_str()])?;
        Ok(rows.into_iter().filter_map(|(id, name)| Some((id, name.parse().ok()?))).collect())
    }

    /// Other locations at which ledgers of a station ever had a content.
    pub(super) fn other_locations(
        &self,
        station: &StationName,
        (mailbox, key): (MailboxRowId, &[u8]),
        content: ContentRowId,
    ) -> Result<Vec<(MailboxRowId, Vec<u8>)>, JobError> {
        let sql = "SELECT DISTINCT a.mailbox, a.key FROM assertion a \
                   INDEXED BY assertion_by_content JOIN replica ON replica.id = a.replica \
                   WHERE a.content = ?4 AND replica.station = ?1 AND NOT (a.mailbox = ?2 AND a.key \
                   = ?3) LIMIT ?5";
        let of = params![station.as_str(), mailbox, key, content, ALIKE_MAX];
        self.rows(sql, of)
    }

    /// How many contents ledgers of a station ever had at a location.
    pub(super) fn contents_at(
        &self,
        station: &StationName,
        mailbox: MailboxRowId,
        key: &[u8],
    ) -> Result<u64, JobError> {
        let sql = "SELECT count(DISTINCT a.content) FROM replica JOIN assertion a \
                   ON a.replica = replica.id WHERE replica.station = ?1 AND a.mailbox = ?2 \
                   AND a.key = ?3";
        self.only_row(sql, params![station.as_str(), mailbox, key])
    }

    /// The replicas of a station.
    pub(super) fn replicas_of_station(
        &self,
        station: &StationName,
    ) -> Result<Vec<ReplicaRowId>, JobError> {
        self.rows("SELECT id FROM replica WHERE station = ?1", [station.as_str()])
    }
}
