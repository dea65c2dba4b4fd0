//! The locks that a restore holds on the folders it writes to: one restore at a time into each folder.
//! A lock is on the folder itself and leaves no file; the kernel releases it however the process ends.

use super::error::DiskError;
use super::host;
use super::new_folder::make_dirs_inheriting_owner;
use super::openat::{self, HOST};
use crate::model::escape;
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::FlockOperation;
use rustix::io::Errno;
use std::cell::RefCell;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// The locks of one restore. Dropping it releases them.
#[derive(Debug, Default)]
pub struct TargetLocks {
    folders: RefCell<Vec<LockedFolder>>,
}

#[derive(Debug)]
struct LockedFolder {
    device: u64,
    inode: u64,
    #[expect(dead_code, reason = "held for its lock")]
    folder: OwnedFd,
}

impl TargetLocks {
    /// Locks a folder, and makes it if it is not there. `Busy` if another restore holds it.
    pub fn lock_folder(&self, path: &Path) -> Result<(), DiskError> {
        self.open(path).map(drop)
    }

    /// The same; returns the open folder.
    pub(super) fn open(&self, path: &Path) -> Result<OwnedFd, DiskError> {
        let shown = escape::shown(path.as_os_str().as_bytes());
        let fail = |errno| DiskError::new("open restore target", &shown, errno);
        if matches!(openat::open_root_without_links(path), Err(Errno::NOENT)) {
            make_dirs_inheriting_owner(path)?;
        }
        let root = match host::is_root() {
            true => openat::open_own_root(path).map_err(fail)?,
            false => openat::open_root_without_links(path).map_err(fail)?,
        };
        self.lock(root.as_fd()).map_err(|errno| DiskError::new("lock", &shown, errno))?;
        Ok(root)
    }

    /// Locks a folder once, even if two mailboxes of one restore go into it, by whatever paths.
    fn lock(&self, folder: BorrowedFd<'_>) -> Result<(), Errno> {
        let stat = rustix::fs::fstat(folder)?;
        let (device, inode) = (stat.st_dev, stat.st_ino);
        let mut folders = self.folders.borrow_mut();
        if folders.iter().any(|locked| (locked.device, locked.inode) == (device, inode)) {
            return Ok(());
        }
        let folder = openat::open_dir(folder, None, HOST)?;
        let lock = || rustix::fs::flock(folder.as_fd(), FlockOperation::NonBlockingLockExclusive);
        match rustix::io::retry_on_intr(lock) {
            Ok(()) => {}
            Err(Errno::WOULDBLOCK) => return Err(Errno::WOULDBLOCK),
            // Some network file systems cannot lock folders. A mailbox that cannot be restored is worse than two
            // restores at once.
            Err(errno) => tracing::debug!(%errno, "the folder restored into could not be locked"),
        }
        folders.push(LockedFolder { device, inode, folder });
        Ok(())
    }
}
