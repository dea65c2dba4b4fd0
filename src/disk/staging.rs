//! Files of a restore that are not yet whole or not yet durable: they wait in a folder of ours for their names in the
//! mailbox. Gives no file its final name.

use super::error::DiskError;
use super::new_folder::{inherited_owner, set_owner};
use super::openat::{self, HOST};
use crate::model::RelName;
use crate::model::time::Timestamp;
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{AtFlags, Mode, OFlags, Stat, Timespec, Timestamps};
use rustix::io::Errno;
use std::sync::atomic::{AtomicBool, Ordering};

/// Permission bits of a new folder: letting in anybody but the owner is a person's decision.
pub(super) const FOLDER_MODE: u32 = 0o700;
/// Permission bits that a drive may give a file: never the right to be run.
const FILE_MODES: u32 = 0o666;
/// Permission bits that a drive cannot take away: the owner of mail may read it.
const FILE_MODE_LEAST: u32 = 0o400;

/// A folder in which files wait, under temporary names, or under their own if it is to become a folder of the mailbox.
#[derive(Debug)]
pub struct StagingDir {
    fd: OwnedFd,
    path: RelName,
    /// A file that is no message could not be removed, so the folder may not become one of the mailbox.
    spoilt: AtomicBool,
}

/// A file that is being written in such a folder.
#[derive(Debug)]
pub struct Staged {
    fd: OwnedFd,
    name: RelName,
    offset: u64,
}

/// What a file has in addition to its bytes.
#[derive(Debug, Clone, Copy)]
pub struct FileAttrs {
    /// Its permission bits.
    pub mode: u32,
    /// When it was last changed.
    pub modified: Timestamp,
}

/// The owner of what is restored into a folder: the owner of the folder, or of the nearest existing one above it.
#[derive(Debug, Clone, Copy)]
pub struct Owner {
    /// User and group, if we may give files away.
    to: Option<(rustix::fs::Uid, rustix::fs::Gid)>,
}

impl Owner {
    pub(super) fn of(folder: &Stat) -> Self {
        Self { to: inherited_owner(folder) }
    }

    pub(super) fn apply_to_file(self, fd: BorrowedFd<'_>) -> Result<(), Errno> {
        self.to.map_or(Ok(()), |owner| set_owner(fd, owner))
    }

    /// Gives a new folder its owner and permission bits.
    pub(super) fn apply_to_new_folder(self, fd: BorrowedFd<'_>) -> Result<(), Errno> {
        rustix::fs::fchmod(fd, Mode::from(FOLDER_MODE))?;
        self.apply_to_file(fd)
    }
}

impl StagingDir {
    pub(super) fn new(fd: OwnedFd, path: RelName) -> Self {
        Self { fd, path, spoilt: AtomicBool::new(false) }
    }

    pub(super) fn fd(&self) -> BorrowedFd<'_> {
        self.fd.as_fd()
    }

    /// Its path below the folder restored into.
    pub fn path(&self) -> &RelName {
        &self.path
    }

    /// Whether it holds nothing but finished messages.
    pub fn is_sound(&self) -> bool {
        !self.spoilt.load(Ordering::Relaxed)
    }

    /// Creates a file; its name must differ from all others.
    pub fn stage(&self, name: RelName) -> Result<Staged, DiskError> {
        let flags = OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL;
        let fd = openat::open(self.fd.as_fd(), &name, flags, HOST)
            .map_err(|errno| DiskError::new("create", self.path.join(&name), errno))?;
        Ok(Staged { fd, name, offset: 0 })
    }

    /// Finishes a file: sets owner, permission bits and the message's own time. Returns its path.
    pub fn finish(
        &self,
        staged: &Staged,
        attrs: FileAttrs,
        owner: Owner,
    ) -> Result<RelName, DiskError> {
        let FileAttrs { mode, modified } = attrs;
        let at = self.path.join(&staged.name);
        let fail = |errno| DiskError::new("set owner and time of", &at, errno);
        owner.apply_to_file(staged.fd.as_fd()).map_err(fail)?;
        rustix::fs::fchmod(&staged.fd, Mode::from(mode & FILE_MODES | FILE_MODE_LEAST))
            .map_err(fail)?;
        let time = Timespec { tv_sec: modified.seconds, tv_nsec: modified.nanos.into() };
        let times = Timestamps { last_access: time, last_modification: time };
        match rustix::fs::futimens(&staged.fd, &times) {
            // A time that this file system cannot store must not cost the message.
            Ok(()) | Err(Errno::INVAL | Errno::OVERFLOW) => Ok(at),
            Err(errno) => Err(fail(errno)),
        }
    }

    /// Starts writing to the medium early. Nothing depends on it; the later sync reports an error again, since the
    /// kernel reports it to each open file (fsync(2), "Errors").
    pub fn sync_early(&self) {
        if let Err(errno) = rustix::fs::syncfs(&self.fd) {
            tracing::debug!(%errno, "an early sync of what is restored failed");
        }
    }

    /// Removes a file that turned out useless, and frees its room.
    pub fn give_up(&self, staged: &Staged) {
        if let Err(errno) = rustix::fs::unlinkat(&self.fd, staged.name.as_path(), AtFlags::empty())
        {
            // It is removed at the end of the restore.
            tracing::debug!(%errno, "what was written in vain could not be given up at once");
            self.spoilt.store(true, Ordering::Relaxed);
        }
    }
}

impl Staged {
    /// Bytes written so far.
    pub fn length(&self) -> u64 {
        self.offset
    }

    /// Discards what was written so far: it was not right.
    pub fn restart(&mut self) -> Result<(), DiskError> {
        if self.offset > 0 {
            rustix::fs::ftruncate(&self.fd, 0)
                .map_err(|errno| DiskError::new("write", &self.name, errno))?;
            self.offset = 0;
        }
        Ok(())
    }

    /// Appends all bytes.
    pub fn write(&mut self, bytes: &[u8]) -> Result<(), DiskError> {
        openat::write_all(self.fd.as_fd(), bytes, self.offset)
            .map_err(|errno| DiskError::new("write", &self.name, errno))?;
        self.offset += bytes.len() as u64;
        Ok(())
    }
}
