//! What is known before a restore is decided: what covers what, whose word withholds nothing, what is not wanted.
//! Tells whether a content is given at a location; never which of several is: that is in `merge`.

use super::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use super::stamps::{Lineage, Stamps};
use super::{Catalogue, ContentAt};
use crate::job::JobError;
use crate::model::{Identity, Position, StationName};
use std::collections::HashSet;

/// Decides about the contents of one location.
pub struct Judge<'a> {
    pub(super) catalogue: &'a Catalogue,
    pub(super) station: &'a StationName,
    pub(super) lineage: Lineage,
    /// Contents that came in place of others.
    pub(super) heirs: HashSet<ContentRowId>,
    /// Replicas of drives that contradict what is better known.
    judged: HashSet<ReplicaRowId>,
    /// The content of no bytes, if any line tells of it.
    pub(super) empty: Option<ContentRowId>,
    /// What a person does not want on this card: mailbox, path as its sorting key, content.
    pub(super) not_wanted: HashSet<ContentAt>,
    pub(super) with_removed: bool,
}

impl Catalogue {
    /// Decides about locations of a station, by what all ledgers say.
    pub fn judge<'a>(
        &'a self,
        station: &'a StationName,
        with_removed: bool,
    ) -> Result<Judge<'a>, JobError> {
        Ok(Judge {
            catalogue: self,
            station,
            lineage: Lineage::of(self)?,
            heirs: self.heirs(station)?,
            judged: self.judged_replicas()?.into_iter().collect(),
            empty: self.known_content(&Identity::of(b""))?,
            not_wanted: self.not_wanted()?.into_iter().collect(),
            with_removed,
        })
    }

    /// Contents that came in place of others.
    fn heirs(&self, station: &StationName) -> Result<HashSet<ContentRowId>, JobError> {
        let sql = "SELECT DISTINCT d.to_content FROM departure d INDEXED BY departure_by_successor JOIN replica ON \
             replica.id = d.replica WHERE d.to_content IS NOT NULL AND d.counts AND replica.station = ?1";
        Ok(self.rows(sql, [station.as_str()])?.into_iter().collect())
    }
}

impl Judge<'_> {
    pub(super) fn is_given_at(
        &mut self,
        at: (MailboxRowId, &[u8]),
        content: ContentRowId,
    ) -> Result<bool, JobError> {
        let (catalogue, (mailbox, key)) = (self.catalogue, at);
        let (mut stamps, mut left) = (Stamps::default(), Stamps::default());
        for replica in catalogue.replicas_of_station(self.station)? {
            self.lineage.stamps(catalogue, &mut stamps, replica, (mailbox, key, content))?;
            for departure in catalogue.departures(replica, mailbox, key, content)? {
                left.add(replica, departure);
            }
        }
        Ok(!stamps.all_are(|(of, stamp)| {
            left.told().any(|(by, left)| self.may_judge(by, of) && self.covers(left, stamp))
        }))
    }

    /// Whether a departure in one ledger may take back what another says: of one that contradicts what is better known
    /// nothing is taken but what it says of itself.
    pub(super) fn may_judge(&self, by: ReplicaRowId, of: ReplicaRowId) -> bool {
        by == of || !self.judged.contains(&by)
    }

    pub(super) fn covers(&mut self, one: Position, other: Position) -> bool {
        self.lineage.covers(one, other)
    }
}
