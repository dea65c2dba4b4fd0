//! What drives hold and a restore leaves out, since it was seen to be deleted or a person does not want it back.
//! Never counts what is in a mailbox, is missing from one, or would come back.

use super::Catalogue;
use super::row_ids::{ContentRowId, MailboxRowId};
use crate::job::JobError;
use crate::model::StationName;
use rusqlite::params;
use std::collections::BTreeSet;

/// Messages that drives hold and a restore leaves out.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct WithheldCounts {
    /// Messages that were seen to be deleted, here or by a drive's ledger.
    pub deleted: u64,
    /// When the first of those that this card saw was deleted, in claimed seconds.
    pub since: Option<i64>,
    /// Messages that the operator has acknowledged as not wanted.
    pub acknowledged: u64,
    /// The drives that hold any of them, by label.
    pub on: BTreeSet<String>,
}

/// Contents that left for good, those deleted first; of what this card saw with its time.
const GONE: &str = "SELECT content, min(why), min(at) FROM ( \
     SELECT mailbox, content, CASE why WHEN 'deleted' THEN 0 ELSE 1 END AS why, at \
     FROM departed INDEXED BY departed_for_good \
     WHERE why IN ('deleted', 'acknowledged') UNION ALL \
     SELECT d.mailbox, d.content, CASE d.why WHEN 'deleted' THEN 0 ELSE 1 END, NULL FROM replica \
     CROSS JOIN departure d INDEXED BY departure_for_good ON d.replica = replica.id \
     WHERE replica.station = ?1 AND replica.trusted AND d.counts \
     AND d.why IN ('deleted', 'acknowledged') UNION ALL \
     SELECT mailbox, content, 1, at FROM not_wanted) AS gone \
     WHERE NOT EXISTS (SELECT 1 FROM live_by_content f WHERE f.content = gone.content) \
     AND NOT EXISTS (SELECT 1 FROM missing m WHERE m.content = gone.content)";

impl Catalogue {
    /// Counts what a restore from the drives known leaves out for good.
    pub fn held_back(&self, station: &StationName) -> Result<WithheldCounts, JobError> {
        if self.in_force.borrow().as_ref().is_some_and(Vec::is_empty) {
            return Ok(WithheldCounts::default());
        }
        let sql = format!("{GONE}{} GROUP BY content", self.in_force());
        let (mut held, mut giving) = (WithheldCounts::default(), None);
        self.each_row(&sql, [station.as_str()], |(content, why, at)| {
            let (content, why, at): (ContentRowId, i64, Option<i64>) = (content, why, at);
            let on = self.labels_with(station, content)?;
            if on.is_empty() {
                return Ok(());
            }
            let locations = self.asserted_locations(station, content)?;
            if !locations.is_empty() {
                let giving = match &mut giving {
                    Some(giving) => giving,
                    none => none.insert(self.restore_preview(station, None)?),
                };
                let mut comes_back = false;
                for (mailbox, key) in locations {
                    comes_back = comes_back || giving.would_restore(mailbox, &key, content)?;
                }
                if comes_back {
                    return Ok(());
                }
            }
            match why {
                0 => {
                    held.deleted += 1;
                    held.since = held.since.into_iter().chain(at).min();
                }
                _ => held.acknowledged += 1,
            }
            held.on.extend(on);
            Ok(())
        })?;
        Ok(held)
    }

    /// The drives that count and have a good copy of a content, by label.
    pub fn labels_with(
        &self,
        station: &StationName,
        content: ContentRowId,
    ) -> Result<BTreeSet<String>, JobError> {
        let sql = "SELECT DISTINCT drive.label FROM payload p INDEXED BY payload_by_content \
                   CROSS JOIN replica ON replica.id = p.replica AND replica.station = ?1 \
                   AND replica.trusted CROSS JOIN drive ON drive.id = replica.drive \
                   WHERE p.content = ?2 AND p.is_good";
        Ok(self.rows(sql, params![station.as_str(), content])?.into_iter().collect())
    }

    /// Where the ledger of a drive that counts asserts a content.
    fn asserted_locations(
        &self,
        station: &StationName,
        content: ContentRowId,
    ) -> Result<Vec<(MailboxRowId, Vec<u8>)>, JobError> {
        let sql = "SELECT DISTINCT a.mailbox, a.key FROM assertion a \
                   INDEXED BY assertion_by_content JOIN replica ON replica.id = a.replica \
                   AND replica.station = ?1 AND replica.trusted WHERE a.content = ?2 AND a.ended \
                   IS NULL";
        let of = params![station.as_str(), content];
        self.rows(sql, of)
    }
}
