//! What this card makes of another's word that a message went which is here: it is told again, to every drive.
//! Never takes anything from the mailbox, nor calls it gone.

use super::Catalogue;
use super::file_rows::FileRow;
use super::row_ids::{MailboxRowId, ReplicaRowId};
use crate::job::JobError;
use crate::model::Position;
use rusqlite::params;

impl FileRow {
    /// As of which change a ledger has to say that it is here, for a drive to count.
    pub fn to_be_told(&self) -> u64 {
        self.since.max(self.departure_read)
    }
}

impl Catalogue {
    /// Takes note of the departures that were just read in a ledger, behind a line: of what is here all the same. The
    /// drive they were read on is hardly the only one that has them, so nothing that any drive was told of it before
    /// counts from now on. Lines written later speak of what was read, and no such departure takes them back.
    pub fn hear(&self, replica: ReplicaRowId, behind: u64) -> Result<(), JobError> {
        let sql = "SELECT f.mailbox, f.key, d.writer, d.n, max(f.since, f.departure_read) FROM departure d \
             CROSS JOIN file f \
             ON f.mailbox = d.mailbox AND f.key = d.key AND f.content = d.content AND NOT f.is_gone \
             WHERE d.replica = ?1 AND d.line > ?2";
        let rows: Vec<(MailboxRowId, Vec<u8>, Position, u64)> =
            self.rows(sql, params![replica, behind as i64])?;
        if rows.is_empty() {
            return Ok(());
        }
        let mut writers = self.writers()?;
        let mut last = None;
        for (mailbox, key, left, since) in rows {
            if last.as_ref() == Some(&(mailbox, key.clone())) {
                continue;
            }
            let here = self.position_at(since)?;
            if here.is_some_and(|here| writers.may_cover(left, here)) {
                self.record_change(|change_no| {
                    let sql = "UPDATE file SET departure_read = ?3, change_no = ?3 WHERE mailbox = ?1 AND key = ?2";
                    self.change(sql, params![mailbox, key, change_no as i64])
                })?;
                last = Some((mailbox, key));
            }
        }
        Ok(())
    }
}
