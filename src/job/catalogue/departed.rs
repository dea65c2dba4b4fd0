//! What this card saw leave its mailboxes, from where, and its successor.
//! Never calls anything departed that nobody saw go.

use super::merge::DepartureLine;
use super::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use super::rows::{Columns, FromRow};
use super::{Catalogue, ContentAt};
use crate::job::JobError;
use crate::model::ledger::Departed;
use crate::model::limits::ALIKE_MAX;
use rusqlite::params;
use std::collections::BTreeSet;

/// A content that was seen to leave a location.
#[derive(Debug, Clone)]
pub struct DepartedRow {
    /// Its row in the table of mailboxes.
    pub mailbox: MailboxRowId,
    /// Path, as its sorting key.
    pub key: Vec<u8>,
    /// Its row in the table of contents: a SHA-256 and a length.
    pub content: ContentRowId,
    /// Whether it was deleted, replaced, moved or acknowledged.
    pub why: Departed,
    /// What followed it: the place that it moved to, or at its own the content that replaced it.
    pub successor: Option<ContentAt>,
    /// The change.
    pub change_no: u64,
    /// When, in claimed seconds.
    pub time: i64,
}

const DEPARTED: &str = "SELECT mailbox, key, content, why, to_mailbox, to_key, to_content, change_no, at \
                        FROM departed";

impl FromRow for DepartedRow {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            mailbox: columns.read()?,
            key: columns.read()?,
            content: columns.read()?,
            why: columns.read()?,
            successor: columns.location()?,
            change_no: columns.read()?,
            time: columns.read()?,
        })
    }
}

impl Catalogue {
    /// Records that a content was seen to leave a location, and what followed it: the place that has it now, or the
    /// content that took its place. Returns that change's number.
    pub fn set_departed(
        &self,
        (mailbox, key, content): (MailboxRowId, &[u8], ContentRowId),
        why: Departed,
        successor: Option<(MailboxRowId, &[u8], ContentRowId)>,
        at: i64,
    ) -> Result<u64, JobError> {
        self.record_change(|change_no| {
            let sql = "DELETE FROM missing WHERE mailbox = ?1 AND key = ?2 AND content = ?3";
            self.change(sql, params![mailbox, key, content])?;
            let sql = "INSERT OR REPLACE INTO departed VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9)";
            self.change(
                sql,
                params![
                    mailbox,
                    key,
                    content,
                    why.as_str(),
                    successor.map(|successor| successor.0),
                    successor.map(|successor| successor.1),
                    successor.map(|successor| successor.2),
                    change_no as i64,
                    at
                ],
            )?;
            if let Some((mailbox, key, _)) = successor.filter(|successor| successor.2 == content) {
                let sql = "UPDATE file SET move_target = 1 WHERE mailbox = ?1 AND key = ?2";
                self.change(sql, params![mailbox, key])?;
            }
            Ok(change_no)
        })
    }

    /// How a content was seen to leave a location, if it was.
    pub fn departed(
        &self,
        mailbox: MailboxRowId,
        key: &[u8],
        content: ContentRowId,
    ) -> Result<Option<DepartedRow>, JobError> {
        let sql = format!("{DEPARTED} WHERE mailbox = ?1 AND key = ?2 AND content = ?3");
        self.first_row(&sql, params![mailbox, key, content])
    }

    /// Up to `most` contents that were seen to leave, by changes after `change_no` and up to `until`, in order.
    pub fn departed_after(
        &self,
        change_no: u64,
        until: u64,
        most: usize,
    ) -> Result<Vec<DepartedRow>, JobError> {
        let sql = format!(
            "{DEPARTED} WHERE change_no > ?1 AND change_no <= ?2 ORDER BY change_no LIMIT ?3"
        );
        self.rows(&sql, [change_no as i64, until as i64, most as i64])
    }

    /// Whether anything was seen to leave by a change before this one, or by it.
    pub fn has_departed_before(&self, change_no: u64) -> Result<bool, JobError> {
        self.has_row(
            "SELECT 1 FROM departed WHERE change_no <= ?1 LIMIT 1",
            [i64::try_from(change_no).unwrap_or(i64::MAX)],
        )
    }

    /// Departures up to a change that may have waited for a line of this content, or of this location, or of what
    /// followed them.
    pub fn departed_for(
        &self,
        (mailbox, key, content): &ContentAt,
        until: u64,
    ) -> Result<Vec<DepartedRow>, JobError> {
        let sql = format!(
            "{DEPARTED} WHERE (content = ?3 OR to_content = ?3 OR mailbox = ?1 AND key = ?2) \
             AND change_no <= ?4 ORDER BY change_no DESC LIMIT ?5"
        );
        let of = params![mailbox, key, content, until as i64, ALIKE_MAX];
        self.rows(&sql, of)
    }

    /// Everything that was seen to leave a location.
    fn departed_at(&self, mailbox: MailboxRowId, key: &[u8]) -> Result<Vec<DepartedRow>, JobError> {
        let sql = format!("{DEPARTED} WHERE mailbox = ?1 AND key = ?2");
        self.rows(&sql, params![mailbox, key])
    }

    /// What this card itself saw leave a location, as a line of each of these ledgers would say it; not of a ledger
    /// that may have asserted it again, by a line that cannot be read.
    pub(super) fn own_departures(
        &self,
        (mailbox, key): (MailboxRowId, &[u8]),
        replicas: &BTreeSet<ReplicaRowId>,
    ) -> Result<Vec<DepartureLine>, JobError> {
        let mut lines = Vec::new();
        for row in self.departed_at(mailbox, key)? {
            let Some(position) = self.position_at(row.change_no)? else { continue };
            for replica in replicas {
                if !self.cannot_record_departure(*replica, row.change_no)? {
                    let (key, content, why) = (row.key.clone(), row.content, row.why);
                    let replica = *replica;
                    lines.push(DepartureLine { replica, mailbox, key, content, position, why });
                }
            }
        }
        Ok(lines)
    }
}
