//! Superseded versions on a drive: which they are, and which of those given up are still to be removed. Never names a
//! content that any drive's ledger still asserts at a location, or that the mailbox ever had last.

use super::copies::{COPY_COLUMNS, CopyRow};
use super::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use super::{Catalogue, CopyState};
use crate::job::JobError;
use rusqlite::params;

/// Superseded versions considered together.
const PAGE: u32 = 4_096;

impl Catalogue {
    /// Good copies on a drive, oldest first, of older versions: replaced everywhere by its ledger, and asserted nowhere
    /// by any drive's. Nothing that this card has, had last, or lacks is one.
    pub fn superseded(&self, replica: ReplicaRowId) -> Result<Vec<CopyRow>, JobError> {
        let of = "WHERE p.replica = ?1 AND p.is_good \
             AND EXISTS (SELECT 1 FROM departure d INDEXED BY departure_by_content \
             WHERE d.content = p.content AND d.replica = p.replica AND d.counts AND d.why = 'replaced') \
             AND NOT EXISTS (SELECT 1 FROM departure d INDEXED BY departure_by_content \
             WHERE d.content = p.content AND d.why <> 'replaced' AND d.why <> 'moved') \
             AND NOT EXISTS (SELECT 1 FROM assertion a INDEXED BY assertion_by_content \
             WHERE a.content = p.content AND a.ended IS NULL) \
             AND NOT EXISTS (SELECT 1 FROM file INDEXED BY file_by_content WHERE file.content = p.content) \
             AND NOT EXISTS (SELECT 1 FROM file INDEXED BY file_good WHERE file.good = p.content) \
             AND NOT EXISTS (SELECT 1 FROM missing INDEXED BY missing_by_content WHERE missing.content = p.content) \
             ORDER BY p.number LIMIT ?2";
        self.copies(of, params![replica, PAGE])
    }

    /// Whether departures of a ledger that count cover everything it asserts of a content: then nothing gives it back.
    pub fn is_withheld(
        &self,
        replica: ReplicaRowId,
        content: ContentRowId,
    ) -> Result<bool, JobError> {
        let sql = "SELECT DISTINCT mailbox, key FROM assertion INDEXED BY assertion_by_content \
                   WHERE content = ?2 AND replica = ?1";
        let rows: Vec<(MailboxRowId, Vec<u8>)> = self.rows(sql, params![replica, content])?;
        for (mailbox, key) in rows {
            if !self.uncovered_positions(replica, (mailbox, &key, content))?.is_empty() {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Copies that are given up by the ledger and may still be there.
    pub fn given_up(&self, replica: ReplicaRowId) -> Result<Vec<CopyRow>, JobError> {
        let sql = format!(
            "SELECT {COPY_COLUMNS} FROM copy_to_remove p JOIN content c ON c.id = p.content \
             WHERE p.replica = ?1 ORDER BY p.number"
        );
        self.rows(&sql, [replica])
    }

    /// They are not there any more, durably.
    pub fn removed(&self, replica: ReplicaRowId, copies: &[CopyRow]) -> Result<(), JobError> {
        self.write_transaction(|| {
            copies.iter().try_for_each(|copy| {
                self.set_copy_state(replica, copy.name.number, CopyState::Removed)
            })
        })
    }
}
