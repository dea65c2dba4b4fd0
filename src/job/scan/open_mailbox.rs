//! A mailbox of the card, open for reading. Never writes to it.

use crate::disk::MailboxDir;
use crate::job::catalogue::{Catalogue, MailboxRowId};
use crate::job::{JobError, MailboxRef};
use crate::model::MailboxName;
use std::os::unix::ffi::OsStrExt as _;

/// A mailbox open for reading.
pub struct OpenMailbox {
    /// Its row in the catalogue.
    pub row: MailboxRowId,
    /// Its name in the ledger.
    pub name: MailboxName,
    /// The folder.
    pub dir: MailboxDir,
}

impl OpenMailbox {
    /// Opens a mailbox, and gives it a row if it has none.
    pub fn open(catalogue: &Catalogue, mailbox: &MailboxRef) -> Result<Self, JobError> {
        let dir = MailboxDir::open(&mailbox.path)?;
        let root = crate::disk::host::resolved(&mailbox.path);
        let row = catalogue.mailbox(&mailbox.name, Some(root.as_os_str().as_bytes()))?;
        Ok(Self { row, name: mailbox.name.clone(), dir })
    }
}
