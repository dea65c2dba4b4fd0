//! The options of a restore. Only values.

use crate::job::Progress;
use crate::job::catalogue::MailboxRowId;
use crate::model::MailboxName;
use std::path::PathBuf;

/// What to restore, and where to.
pub struct RestoreOptions<'a> {
    /// The mailboxes to restore.
    pub mailbox_targets: Vec<MailboxTarget>,
    /// Whether to bring back removed messages too.
    pub with_removed: bool,
    /// The location whose older versions to bring back too: the mailbox's row and the path's sorting key.
    pub versions: Option<(MailboxRowId, Vec<u8>)>,
    /// Whether to bring back, under their numbers, copies that look like the remains of a power failure.
    pub with_doubtful: bool,
    /// Whether to count only, and write nothing.
    pub dry_run: bool,
    /// Receives the progress, and can ask to stop.
    pub progress: &'a dyn Progress,
}

/// A mailbox and the folder it is restored into.
#[derive(Debug, Clone)]
pub struct MailboxTarget {
    /// Its row in the catalogue of the restore.
    pub row: MailboxRowId,
    /// As the config names it, or a ledger.
    pub name: MailboxName,
    /// The folder.
    pub path: PathBuf,
}
