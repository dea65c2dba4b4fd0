//! What is known before a restore is decided: what covers what, whose departures withhold nothing, what is not wanted.
//! Says whether a content is given at a location; never which of several is: that is in `decide`.

use super::positions::{Lineage, Positions};
use crate::job::JobError;
use crate::job::catalogue::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use crate::job::catalogue::{Catalogue, ContentAt};
use crate::model::{Identity, Position, StationName};
use std::collections::HashSet;

/// Decides about the contents of one location.
pub struct Merge<'a> {
    pub(in crate::job::catalogue) catalogue: &'a Catalogue,
    pub(in crate::job::catalogue) station: &'a StationName,
    pub(in crate::job::catalogue) lineage: Lineage,
    /// Contents that came in place of others.
    pub(in crate::job::catalogue) successors: HashSet<ContentRowId>,
    /// Replicas of drives that contradict what is better known.
    disqualified: HashSet<ReplicaRowId>,
    /// The content of no bytes, if any line has it.
    pub(in crate::job::catalogue) empty: Option<ContentRowId>,
    /// What a person does not want on this card: mailbox, path as its sorting key, content.
    pub(in crate::job::catalogue) not_wanted: HashSet<ContentAt>,
    pub(in crate::job::catalogue) with_removed: bool,
}

impl Catalogue {
    /// Decides about locations of a station, by what all ledgers say.
    pub fn merge<'a>(
        &'a self,
        station: &'a StationName,
        with_removed: bool,
    ) -> Result<Merge<'a>, JobError> {
        Ok(Merge {
            catalogue: self,
            station,
            lineage: Lineage::of(self)?,
            successors: self.successors(station)?,
            disqualified: self.disqualified_replicas()?.into_iter().collect(),
            empty: self.known_content(&Identity::of(b""))?,
            not_wanted: self.not_wanted()?.into_iter().collect(),
            with_removed,
        })
    }

    /// Contents that came in place of others.
    fn successors(&self, station: &StationName) -> Result<HashSet<ContentRowId>, JobError> {
        let sql = "SELECT DISTINCT d.to_content FROM departure d INDEXED BY departure_by_successor \
                   JOIN replica ON replica.id = d.replica WHERE d.to_content IS NOT NULL \
                   AND d.counts AND replica.station = ?1";
        Ok(self.rows(sql, [station.as_str()])?.into_iter().collect())
    }
}

impl Merge<'_> {
    pub(in crate::job::catalogue) fn is_given_at(
        &mut self,
        at: (MailboxRowId, &[u8]),
        content: ContentRowId,
    ) -> Result<bool, JobError> {
        let (catalogue, (mailbox, key)) = (self.catalogue, at);
        let (mut positions, mut left) = (Positions::default(), Positions::default());
        for replica in catalogue.replicas_of_station(self.station)? {
            self.lineage.positions(catalogue, &mut positions, replica, (mailbox, key, content))?;
            for departure in catalogue.departures(replica, mailbox, key, content)? {
                left.add(replica, departure);
            }
        }
        Ok(!positions.all_are(|(of, position)| {
            left.by_replica()
                .any(|(by, left)| self.may_withhold(by, of) && self.covers(left, position))
        }))
    }

    /// Whether a departure in one ledger may take back what another asserts: a ledger that contradicts what is better
    /// known only takes back what it says itself.
    pub(in crate::job::catalogue) fn may_withhold(
        &self,
        by: ReplicaRowId,
        of: ReplicaRowId,
    ) -> bool {
        by == of || !self.disqualified.contains(&by)
    }

    pub(in crate::job::catalogue) fn covers(&mut self, one: Position, other: Position) -> bool {
        self.lineage.covers(one, other)
    }
}
