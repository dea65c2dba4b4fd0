//! Versions of a message that look like damage: what the catalogue is told of them. Never judges whether one does.

use super::Catalogue;
use super::file_rows::FileRow;
use super::row_ids::{ContentRowId, MailboxRowId};
use crate::job::JobError;
use crate::model::{Identity, Suspicion};
use rusqlite::params;

impl Catalogue {
    /// Marks the version of a path suspect, after a look at the version before on a drive: that one is missing.
    pub fn mark_suspect(
        &self,
        row: &FileRow,
        good: ContentRowId,
        why: Suspicion,
    ) -> Result<(), JobError> {
        self.write_transaction(|| {
            self.set_missing(row, good, true)?;
            let change_no = self.next_change_no()?;
            let sql = "UPDATE file SET good = ?3, suspect = ?4, change_no = ?5 WHERE mailbox = ?1 AND key = ?2";
            self.change(sql, params![row.mailbox, row.key, good, why.as_str(), change_no as i64])?;
            Ok(())
        })
    }

    /// The card changed a message by itself: what it is now is suspect, what it was is wanted.
    pub fn mark_altered(&self, row: &FileRow, now: &Identity) -> Result<(), JobError> {
        let content = self.content(now)?;
        self.write_transaction(|| {
            if let Some(good) = row.content {
                self.headers_as_of(content, good)?;
                if row.suspect.is_none() {
                    self.set_missing(row, good, true)?;
                }
            }
            let change_no = self.next_change_no()?;
            let sql = "UPDATE file SET good = coalesce(good, content), content = ?3, suspect = ?4, change_no = ?5, \
                     since = ?5 WHERE mailbox = ?1 AND key = ?2";
            self.change(sql, params![
                    row.mailbox,
                    row.key,
                    content,
                    Suspicion::Altered.as_str(),
                    change_no as i64
                ])?;
            Ok(())
        })
    }

    /// A version that looked like damage is taken for the message.
    pub fn take_as_it_is(&self, mailbox: MailboxRowId, key: &[u8]) -> Result<(), JobError> {
        self.record_change(|change_no| {
            let sql = "UPDATE file SET suspect = NULL, good = NULL, change_no = ?3 WHERE mailbox = ?1 AND key = ?2";
            self.change(sql, params![mailbox, key, change_no as i64])?;
            Ok(())
        })
    }

    /// What is missing in place of a damaged version is missing without one from now on.
    pub fn damage_is_gone(&self, mailbox: MailboxRowId, key: &[u8]) -> Result<(), JobError> {
        let sql = "UPDATE missing SET damaged = 0 WHERE mailbox = ?1 AND key = ?2";
        self.change(sql, params![mailbox, key])?;
        Ok(())
    }
}
