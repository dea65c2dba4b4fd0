//! What a person does not want back in this card's mailboxes, though drives have it. No drive is told.

use super::row_ids::{ContentRowId, MailboxRowId};
use super::{Catalogue, ContentAt};
use crate::job::JobError;
use rusqlite::params;

impl Catalogue {
    /// A person does not want a content at a location of this card's mailboxes. No drive is told.
    pub fn set_not_wanted(
        &self,
        (mailbox, key, content): (MailboxRowId, &[u8], ContentRowId),
        at: i64,
    ) -> Result<(), JobError> {
        self.change(
            "INSERT OR REPLACE INTO not_wanted VALUES (?1, ?2, ?3, ?4)",
            params![mailbox, key, content, at],
        )?;
        Ok(())
    }

    /// What a person does not want in this card's mailboxes: mailbox, path as its sorting key, content.
    pub fn not_wanted(&self) -> Result<Vec<ContentAt>, JobError> {
        self.rows("SELECT mailbox, key, content FROM not_wanted", [])
    }
}
