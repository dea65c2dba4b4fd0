//! What drives hold and this card's mailboxes lack: what a restore from all drives known would put into them. One rule,
//! the merge's, decides both; in addition to the ledgers, what this card itself saw go and what a person does not want
//! here count. Never calls a message lacking that the config ignores, or one that a restore would leave out.

use super::merge::Decision;
use super::merge::Merge;
use super::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use super::writers::bits;
use super::{AssertedRow, Catalogue, ContentAt, LackingCount, ReplicaState};
use crate::job::JobError;
use crate::model::StationName;
use rusqlite::params;
use std::collections::BTreeSet;

/// Decides what a restore from all drives known would give, one location after the other.
pub(super) struct RestorePreview<'a> {
    merge: Merge<'a>,
    /// The replica that counts though its drive may not.
    replica: Option<ReplicaRowId>,
    /// The location asked about last, and what is given there.
    last: Option<(MailboxRowId, Vec<u8>, BTreeSet<ContentRowId>)>,
}

impl RestorePreview<'_> {
    /// Whether a content is given at a location.
    pub(super) fn would_restore(
        &mut self,
        mailbox: MailboxRowId,
        key: &[u8],
        content: ContentRowId,
    ) -> Result<bool, JobError> {
        match &self.last {
            Some((m, k, given)) if (*m, k.as_slice()) == (mailbox, key) => {
                return Ok(given.contains(&content));
            }
            _ => {}
        }
        let mut given = BTreeSet::new();
        self.merge.decide_at(self.replica, (mailbox, key), &mut |decision| {
            if let Decision::Give(wanted) = decision {
                given.insert(wanted.version.content);
            }
            Ok(())
        })?;
        let gives = given.contains(&content);
        self.last = Some((mailbox, key.to_vec(), given));
        Ok(gives)
    }
}

impl Catalogue {
    /// What a restore from all drives known would give; the replica counts even where its drive does not.
    pub(super) fn restore_preview<'a>(
        &'a self,
        station: &'a StationName,
        replica: Option<ReplicaRowId>,
    ) -> Result<RestorePreview<'a>, JobError> {
        Ok(RestorePreview { merge: self.merge(station, false)?, replica, last: None })
    }

    /// What a ledger asserts of the mailboxes in force and a restore would put there, of contents that no mailbox of
    /// this card has and that are not missing from it either. Only what some drive has a copy of: anybody can write a
    /// line.
    pub fn each_lacking(
        &self,
        replica: ReplicaRowId,
        mut each: impl FnMut(AssertedRow) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let station = self.station_of_replica(replica)?;
        // Of a ledger with lines that cannot be read, also what left by a departure that does not count any more.
        let asserted_rows = "(SELECT * FROM current_assertion WHERE replica = ?1 UNION ALL \
             SELECT a.replica, a.mailbox, a.key, a.content, a.line, a.missing, a.suspect, a.modified_s, a.modified_n, \
             a.mode, a.as_of FROM replica b CROSS JOIN assertion a ON a.replica = b.id \
             WHERE b.id = ?1 AND b.gaps > 0 AND a.ended IS NOT NULL AND NOT EXISTS (SELECT 1 FROM departure d \
             WHERE d.replica = a.replica AND d.mailbox = a.mailbox AND d.key = a.key AND d.content = a.content \
             AND d.counts))";
        let columns = AssertedRow::COLUMNS;
        let sql = format!(
            "SELECT {columns} FROM {asserted_rows} s WHERE true AND NOT EXISTS (SELECT 1 \
             FROM live_by_content f WHERE f.content = s.content) AND NOT EXISTS (SELECT 1 \
             FROM missing m WHERE m.content = s.content) AND NOT (s.suspect IS NOT NULL \
             AND EXISTS (SELECT 1 FROM file f WHERE f.mailbox = s.mailbox AND f.key = s.key \
             AND f.is_present AND f.suspect IS NULL)) AND EXISTS (SELECT 1 FROM payload p \
             INDEXED BY payload_by_content WHERE p.content = s.content AND p.is_usable){} \
             ORDER BY mailbox, key, content, line DESC",
            self.in_force()
        );
        let mut preview = None;
        let mut last: Option<ContentAt> = None;
        self.each_row(&sql, [replica], |asserted: AssertedRow| {
            let of = (asserted.mailbox, asserted.key.clone(), asserted.content);
            if last.as_ref() == Some(&of) {
                return Ok(());
            }
            last = Some(of);
            if self.is_ignored(&asserted.key) {
                return Ok(());
            }
            let preview = match &mut preview {
                Some(preview) => preview,
                none => none.insert(self.restore_preview(&station, Some(replica))?),
            };
            if preview.would_restore(asserted.mailbox, &asserted.key, asserted.content)? {
                each(asserted)?;
            }
            Ok(())
        })
    }

    /// What a drive asserts and this card lacks: as the last pass left it, or computed where no pass has recorded
    /// anything on the drive, or something was lacking then.
    pub fn lacking_now(&self, replica: &ReplicaState) -> Result<LackingCount, JobError> {
        match replica.recorded_through == 0 || replica.lacking.messages > 0 {
            true => self.lacking(replica),
            false => Ok(LackingCount::default()),
        }
    }

    /// How many messages a drive asserts that this card lacks.
    pub fn lacking(&self, replica: &ReplicaState) -> Result<LackingCount, JobError> {
        let mut lacking = LackingCount::default();
        self.each_lacking(replica.row, |asserted| {
            let (bytes, seen): (u64, Option<i64>) =
                self.only_row("SELECT bytes, seen FROM content WHERE id = ?1", [asserted.content])?;
            lacking.messages += 1;
            lacking.bytes = lacking.bytes.saturating_add(bytes);
            lacking.newest = lacking.newest.max(seen);
            Ok(())
        })?;
        Ok(lacking)
    }

    pub(super) fn station_of_replica(
        &self,
        replica: ReplicaRowId,
    ) -> Result<StationName, JobError> {
        let name: String = self.only_row("SELECT station FROM replica WHERE id = ?1", [replica])?;
        name.parse().map_err(|e| JobError::Broken(format!("catalogue: {e}")))
    }

    /// Whether all that is asserted of a content at a location, and not taken back, was written by this card.
    pub fn is_asserted_here_alone(
        &self,
        station: &StationName,
        of: (MailboxRowId, &[u8], ContentRowId),
    ) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM writer WHERE bits = ?1 AND own_first IS NOT NULL \
                   AND ?2 <= coalesce(own_last, (SELECT CAST(value AS INTEGER) FROM meta \
                   WHERE name = 'change_no'))";
        for replica in self.replicas_of_station(station)? {
            for position in self.uncovered_positions(replica, of)? {
                if !self.has_row(sql, params![bits(position.writer), position.n as i64])? {
                    return Ok(false);
                }
            }
        }
        Ok(true)
    }
}
