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
        self.db
            .prepare_cached("INSERT OR REPLACE INTO not_wanted VALUES (?1, ?2, ?3, ?4)")?
            .execute(params![mailbox, key, content, at])?;
        Ok(())
    }

    /// What a person does not want in this card's mailboxes: mailbox, path as its sorting key, content.
    pub fn not_wanted(&self) -> Result<Vec<ContentAt>, JobError> {
        let mut query = self.db.prepare_cached("SELECT mailbox, key, content FROM not_wanted")?;
        let rows = query.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}
