//! Files that are to be read once more though they look as they did.
//! Never decides which.

use super::{Catalogue, FileRow};
use crate::job::JobError;
use rusqlite::params;

impl Catalogue {
    /// A settled file of whole seconds is to be read at the next scan: to that its time of change is another.
    pub fn recheck_later(&self, row: &FileRow) -> Result<(), JobError> {
        self.change(
            "UPDATE file SET changed = ?3 WHERE mailbox = ?1 AND key = ?2",
            params![row.mailbox, row.key, row.changed.wrapping_sub(1)],
        )?;
        Ok(())
    }
}
