//! What is asked of a restore. Only values.

use crate::job::Progress;
use crate::job::catalogue::MailboxRowId;
use crate::model::MailboxName;
use std::path::PathBuf;

/// What is to be restored, and where to.
pub struct RestoreOptions<'a> {
    /// Each mailbox: its row in the gathered catalogue, its name, where it goes.
    pub mailbox_targets: Vec<MailboxTarget>,
    /// Bring back removed messages too.
    pub with_removed: bool,
    /// Bring back the older versions of the message at this location too: a mailbox's row and the path's sorting key.
    pub versions: Option<(MailboxRowId, Vec<u8>)>,
    /// Bring back too, under their numbers, copies that look like what a power failure left.
    pub with_doubtful: bool,
    /// Only count what would be done.
    pub dry_run: bool,
    /// Who is told.
    pub progress: &'a dyn Progress,
}

/// Where a mailbox goes.
#[derive(Debug, Clone)]
pub struct MailboxTarget {
    /// Its row in the gathered catalogue.
    pub row: MailboxRowId,
    /// Its name.
    pub name: MailboxName,
    /// The folder.
    pub path: PathBuf,
}
