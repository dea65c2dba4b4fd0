//! Opens and locks the folders that a restore writes to, so that no other restore uses them. Does not decide what goes
//! into them.

use super::options::{MailboxTarget, RestoreOptions};
use crate::disk::{DiskError, ErrorKind, TargetDir, TargetLocks};
use crate::job::JobError;

/// Locks all folders before anything is written to one: a restore that comes second must not end half way.
pub(super) fn lock_all(options: &RestoreOptions<'_>) -> Result<TargetLocks, JobError> {
    // Each lock keeps a folder open, and a drive may name any number of mailboxes.
    crate::disk::host::allow_open_files();
    let locks = TargetLocks::default();
    for mailbox_target in options.mailbox_targets.iter().filter(|_| !options.dry_run) {
        match locks.lock_folder(&mailbox_target.path) {
            // Missing room for the folder itself is reported with what did not fit into it.
            Err(error) if error.trouble == ErrorKind::Full => {}
            taken => taken.map_err(busy(mailbox_target))?,
        }
    }
    Ok(locks)
}

/// Opens one folder. None if it does not exist in a dry run, or if there is no room for it.
pub(super) fn open(
    mailbox_target: &MailboxTarget,
    options: &RestoreOptions<'_>,
    locks: &TargetLocks,
) -> Result<Option<TargetDir>, JobError> {
    if options.dry_run {
        return match crate::disk::host::exists(&mailbox_target.path) {
            true => Ok(Some(TargetDir::open(&mailbox_target.path)?)),
            false => Ok(None),
        };
    }
    match TargetDir::open_locked(&mailbox_target.path, locks) {
        Err(error) if error.trouble == ErrorKind::Full => Ok(None),
        opened => opened.map(Some).map_err(busy(mailbox_target)),
    }
}

/// Turns `Busy` into an error that names what uses the folder.
pub(super) fn busy(mailbox_target: &MailboxTarget) -> impl Fn(DiskError) -> JobError {
    let at = crate::model::escape::shown_path(&mailbox_target.path);
    move |error| match error.trouble {
        ErrorKind::Busy => JobError::TargetBusy { path: at.clone() },
        _ => error.into(),
    }
}
