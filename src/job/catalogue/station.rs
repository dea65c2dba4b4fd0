//! What the ledgers of a station tell of copies, locations and mailboxes, whichever drive each is on.
//! Never decides which of two words counts; the merge does.

use super::copies::{CopyRow, PAYLOAD, read_payload};
use super::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use super::{Catalogue, CopyState};
use crate::job::JobError;
use crate::model::limits::ALIKE_MAX;
use crate::model::{MailboxName, StationName};
use rusqlite::params;

impl Catalogue {
    /// How many locations the drives tell of.
    pub fn paths_told(&self, station: &StationName) -> Result<u64, JobError> {
        Ok(self.db.query_row(
            "SELECT count(*) FROM (SELECT DISTINCT a.mailbox, a.key FROM replica JOIN assertion a \
             ON a.replica = replica.id WHERE replica.station = ?1 AND a.ended IS NULL)",
            [station.as_str()],
            |row| row.get::<_, i64>(0).map(|n| n as u64),
        )?)
    }

    /// Whether a drive tells of a message at a location, be it there no more.
    pub fn tells_of(
        &self,
        station: &StationName,
        mailbox: MailboxRowId,
        key: &[u8],
    ) -> Result<bool, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT 1 FROM assertion a JOIN replica ON replica.id = a.replica AND replica.station = ?1 \
             WHERE a.mailbox = ?2 AND a.key = ?3",
        )?;
        Ok(query.exists(params![station.as_str(), mailbox, key])?)
    }

    /// Every copy of a content: the replica it is in, and the copy; those known good first.
    pub fn copies_of(
        &self,
        station: &StationName,
        content: ContentRowId,
    ) -> Result<Vec<(ReplicaRowId, CopyRow)>, JobError> {
        let mut query = self.db.prepare_cached(&format!(
            "SELECT {PAYLOAD}, p.replica FROM payload p INDEXED BY payload_by_content \
             JOIN content c ON c.id = p.content \
             JOIN replica ON replica.id = p.replica AND replica.station = ?1 \
             WHERE p.content = ?2 ORDER BY p.is_whole DESC, p.state, p.replica, p.number DESC"
        ))?;
        let rows = query.query_map(params![station.as_str(), content], |row| {
            Ok((row.get(7)?, read_payload(row)?))
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Copies whose content their own ledger gives no location: adopted after a power failure and not told of since,
    /// known from a manifest or from their file alone, or told of by a line that cannot be read any more.
    pub fn copies_without_place(&self, replica: ReplicaRowId) -> Result<Vec<CopyRow>, JobError> {
        let of = "WHERE p.replica = ?1 AND p.is_usable \
             AND NOT EXISTS (SELECT 1 FROM assertion a WHERE a.replica = p.replica AND a.content = p.content) \
             AND NOT EXISTS (SELECT 1 FROM not_wanted n WHERE n.content = p.content) \
             ORDER BY p.number";
        self.copies(of, [replica])
    }

    /// Copies that were taken for what a power failure left, whose content their own ledger gives no location, and of
    /// which it tells no good one.
    pub fn debris(&self, replica: ReplicaRowId) -> Result<Vec<CopyRow>, JobError> {
        let of = "WHERE p.replica = ?1 AND p.state = ?2 \
             AND NOT EXISTS (SELECT 1 FROM assertion a WHERE a.replica = p.replica AND a.content = p.content) \
             AND NOT EXISTS (SELECT 1 FROM payload q WHERE q.content = p.content AND q.replica = p.replica \
             AND q.is_whole) ORDER BY p.number";
        self.copies(of, params![replica, CopyState::Debris])
    }

    /// Where a mailbox lay on the card, by each ledger that tells of it: the ledger's row and the folder.
    pub fn roots(
        &self,
        station: &StationName,
        mailbox: MailboxRowId,
    ) -> Result<Vec<(ReplicaRowId, Vec<u8>)>, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT replica.id, root FROM replica_mailbox JOIN replica ON replica.id = replica_mailbox.replica \
             WHERE station = ?1 AND mailbox = ?2 ORDER BY replica.id",
        )?;
        let rows = query
            .query_map(params![station.as_str(), mailbox], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The mailboxes that the drives tell of for a station.
    pub fn mailboxes_told(
        &self,
        station: &StationName,
    ) -> Result<Vec<(MailboxRowId, MailboxName)>, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT id, name FROM mailbox WHERE id IN (SELECT mailbox FROM replica_mailbox JOIN replica \
             ON replica.id = replica WHERE station = ?1) OR id IN (SELECT mailbox FROM assertion JOIN replica \
             ON replica.id = replica WHERE station = ?1) ORDER BY name",
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

    /// Other locations at which ledgers of a station ever had a content.
    pub(super) fn other_locations(
        &self,
        station: &StationName,
        (mailbox, key): (MailboxRowId, &[u8]),
        content: ContentRowId,
    ) -> Result<Vec<(MailboxRowId, Vec<u8>)>, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT DISTINCT a.mailbox, a.key FROM assertion a INDEXED BY assertion_by_content \
             JOIN replica ON replica.id = a.replica WHERE a.content = ?4 AND replica.station = ?1 \
             AND NOT (a.mailbox = ?2 AND a.key = ?3) LIMIT ?5",
        )?;
        let of = params![station.as_str(), mailbox, key, content, ALIKE_MAX];
        let rows = query.query_map(of, |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// How many contents ledgers of a station ever had at a location.
    pub(super) fn contents_at(
        &self,
        station: &StationName,
        mailbox: MailboxRowId,
        key: &[u8],
    ) -> Result<u64, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT count(DISTINCT a.content) FROM replica JOIN assertion a ON a.replica = replica.id \
             WHERE replica.station = ?1 AND a.mailbox = ?2 AND a.key = ?3",
        )?;
        let of = params![station.as_str(), mailbox, key];
        Ok(query.query_row(of, |row| row.get::<_, i64>(0))? as u64)
    }

    /// The replicas of a station.
    pub(super) fn replicas_of_station(
        &self,
        station: &StationName,
    ) -> Result<Vec<ReplicaRowId>, JobError> {
        let mut query = self.db.prepare_cached("SELECT id FROM replica WHERE station = ?1")?;
        let rows = query.query_map([station.as_str()], |row| row.get(0))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}
