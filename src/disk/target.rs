//! Where a restore puts messages: files are staged, made durable, then given their names.
//! Never overwrites, never writes outside the target, never leaves half a file under a final name.

use super::beneath::{self, HOST};
use super::error::DiskError;
use super::mailbox::Look;
use super::volume::Access;
use crate::model::stamp::Moment;
use crate::model::{RelName, escape};
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{AtFlags, Mode, OFlags, RenameFlags, Timespec, Timestamps};
use rustix::io::Errno;
use std::cell::{OnceCell, RefCell};
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;
use std::rc::Rc;

/// Folder for files not yet complete; also passed over when a mailbox is scanned.
pub const STAGING: &str = ".counterfoil-restore";

/// A folder being restored into.
#[derive(Debug)]
pub struct TargetDir {
    root: OwnedFd,
    shown: String,
    owner: Owner,
    /// The folder for files on their way, once it is made.
    staging: OnceCell<OwnedFd>,
    /// The folder last written to or looked at: messages come sorted by it. Kept for one batch, so that a folder
    /// that somebody moves away meanwhile is not written to for long.
    folder: RefCell<Option<(RelName, Rc<OwnedFd>)>>,
    /// The folder last looked for in vain, for as long: what somebody else makes meanwhile is met when it is named.
    absent: RefCell<Option<RelName>>,
}

/// To whom restored files are given, and which rights new folders get.
#[derive(Debug, Clone, Copy)]
struct Owner {
    /// User and group, where we may give files away.
    to: Option<(rustix::fs::Uid, rustix::fs::Gid)>,
    folder_mode: u32,
}

/// A file written under a passing name.
#[derive(Debug)]
pub struct Staged {
    fd: OwnedFd,
    name: RelName,
    offset: u64,
}

/// Whether a staged file got its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Placing {
    /// It did.
    Done,
    /// Something is already there; it was left alone.
    Occupied,
}

impl TargetDir {
    /// Opens the target. To write: makes it if it is not there, and clears what an earlier restore
    /// left staged.
    pub fn open(path: &Path, access: Access) -> Result<Self, DiskError> {
        let shown = escape::shown(path.as_os_str().as_bytes());
        let fail = |errno| DiskError::new("open restore target", &shown, errno);
        let write = access == Access::Write;
        if write && matches!(beneath::open_root(path), Err(Errno::NOENT)) {
            super::host::make_dirs(path)?;
        }
        let root = beneath::open_root(path).map_err(fail)?;
        let stat = rustix::fs::fstat(&root).map_err(fail)?;
        let give = rustix::process::geteuid().is_root();
        let to = give.then(|| {
            (rustix::fs::Uid::from_raw(stat.st_uid), rustix::fs::Gid::from_raw(stat.st_gid))
        });
        let owner = Owner { to, folder_mode: stat.st_mode & 0o777 | 0o700 };
        let (staging, folder, absent) = (OnceCell::new(), RefCell::new(None), RefCell::new(None));
        let target = Self { root, shown, owner, staging, folder, absent };
        if write {
            target.clear_staging()?;
        }
        Ok(target)
    }

    /// What has that name now.
    pub fn look(&self, at: &RelName) -> Result<Look, DiskError> {
        let fail = |errno| self.fail("look at", at, errno);
        if self.is_absent(at) {
            return Ok(Look::Gone);
        }
        let Some(parent) = at.parent() else {
            return super::MailboxDir::look_below(self.root.as_fd(), at);
        };
        let folder = match self.open_folder(&parent) {
            Ok(folder) => folder,
            Err(Errno::NOENT | Errno::NOTDIR) => return Ok(Look::Gone),
            Err(Errno::LOOP) => return Ok(Look::NotAFile),
            Err(errno) => return Err(fail(errno)),
        };
        match rustix::fs::statat(&folder, last(at), AtFlags::SYMLINK_NOFOLLOW) {
            Ok(stat) => Ok(Look::of(&stat)),
            Err(Errno::NOENT) => Ok(Look::Gone),
            Err(errno) => Err(fail(errno)),
        }
    }

    /// Whether there is a folder of that name.
    pub fn has_folder(&self, at: &RelName) -> bool {
        self.open_folder(at).is_ok()
    }

    fn open_folder(&self, at: &RelName) -> Result<Rc<OwnedFd>, Errno> {
        let mut kept = self.folder.borrow_mut();
        if let Some((name, folder)) = &*kept
            && name == at
        {
            return Ok(Rc::clone(folder));
        }
        if self.is_absent(at) {
            return Err(Errno::NOENT);
        }
        let opened = beneath::open_dir(self.root.as_fd(), Some(at), HOST);
        if matches!(opened, Err(Errno::NOENT)) {
            *self.absent.borrow_mut() = Some(at.clone());
        }
        let folder = Rc::new(opened?);
        *kept = Some((at.clone(), Rc::clone(&folder)));
        Ok(folder)
    }

    fn is_absent(&self, at: &RelName) -> bool {
        self.absent.borrow().as_ref() == Some(at)
    }

    /// Opens a file already there, to compare it.
    pub fn open_existing(&self, at: &RelName) -> Result<super::MessageFile, DiskError> {
        super::MailboxDir::open_below(self.root.as_fd(), at)
    }

    /// Begins a file of so many octets under a passing name; `number` must differ within one restore. One that
    /// there is no room for is not begun, so that it does not take the room of others.
    pub fn stage(&self, number: u64, bytes: u64) -> Result<Staged, DiskError> {
        let staging = RelName::fixed(STAGING);
        let fs = rustix::fs::fstatvfs(&self.root)
            .map_err(|errno| DiskError::new("measure room in", &self.shown, errno))?;
        if bytes > fs.f_bavail.saturating_mul(fs.f_frsize) {
            return Err(DiskError::new("write into", &self.shown, Errno::NOSPC));
        }
        let name = RelName::fixed(&format!("{number:08}"));
        let fail = |errno| self.fail("create", &staging.join(&name), errno);
        let folder = match self.staging.get() {
            Some(folder) => folder,
            None => {
                let mut give = |fd: BorrowedFd<'_>| self.give(fd);
                beneath::make_dirs(self.root.as_fd(), &staging, 0o700, HOST, &mut give)?;
                let made = beneath::open_dir(self.root.as_fd(), Some(&staging), HOST);
                let made = made.map_err(fail)?;
                self.staging.get_or_init(|| made)
            }
        };
        let flags = OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL;
        let fd = beneath::open(folder.as_fd(), &name, flags, HOST).map_err(fail)?;
        Ok(Staged { fd, name: staging.join(&name), offset: 0 })
    }

    /// Makes every staged file durable, before any of them gets its name, and every name given before.
    pub fn sync_all(&self) -> Result<(), DiskError> {
        *self.folder.borrow_mut() = None;
        *self.absent.borrow_mut() = None;
        rustix::fs::syncfs(&self.root)
            .map_err(|errno| DiskError::new("sync restore target", &self.shown, errno))
    }

    /// Gives a file, staged or set aside, its name, unless something is there: a mail program may deliver meanwhile.
    pub fn place(&self, staged: &RelName, at: &RelName) -> Result<Placing, DiskError> {
        let fail = |errno| self.fail("name", at, errno);
        let to = match at.parent() {
            None => Rc::new(beneath::open_dir(self.root.as_fd(), None, HOST).map_err(fail)?),
            Some(parent) if self.has_folder(&parent) => self.open_folder(&parent).map_err(fail)?,
            Some(parent) => {
                self.make_dirs(&parent)?;
                self.open_folder(&parent).map_err(fail)?
            }
        };
        let parent = staged.parent();
        let elsewhere = match self.staging.get() {
            Some(_) if parent == Some(RelName::fixed(STAGING)) => None,
            _ => Some(beneath::open_dir(self.root.as_fd(), parent.as_ref(), HOST).map_err(fail)?),
        };
        let from = elsewhere.as_ref().or(self.staging.get()).ok_or_else(|| fail(Errno::NOENT))?;
        let (old, new) = (last(staged), last(at));
        match rustix::fs::renameat_with(from, &old, &to, &new, RenameFlags::NOREPLACE) {
            Ok(()) => Ok(Placing::Done),
            Err(Errno::EXIST) => Ok(Placing::Occupied),
            // A file system without that kind of rename: a hard link refuses to overwrite as well.
            Err(Errno::INVAL) => {
                match rustix::fs::linkat(from, &old, &to, &new, AtFlags::empty()) {
                    Ok(()) => rustix::fs::unlinkat(from, &old, AtFlags::empty())
                        .map(|()| Placing::Done)
                        .map_err(fail),
                    Err(Errno::EXIST) => Ok(Placing::Occupied),
                    Err(errno) => Err(fail(errno)),
                }
            }
            Err(errno) => Err(fail(errno)),
        }
    }

    /// Makes a folder with those above it; new ones get the target's owner and rights.
    pub fn make_dirs(&self, at: &RelName) -> Result<(), DiskError> {
        *self.absent.borrow_mut() = None;
        let mut give = |fd: BorrowedFd<'_>| {
            rustix::fs::fchmod(fd, Mode::from(self.owner.folder_mode))?;
            self.give(fd)
        };
        beneath::make_dirs(self.root.as_fd(), at, self.owner.folder_mode, HOST, &mut give)
    }

    /// Removes what is staged: our own passing files, nothing else.
    pub fn clear_staging(&self) -> Result<(), DiskError> {
        let staging = RelName::fixed(STAGING);
        let fail = |errno| self.fail("clear", &staging, errno);
        let dir = match beneath::open_dir(self.root.as_fd(), Some(&staging), HOST) {
            Ok(dir) => dir,
            Err(Errno::NOENT) => return Ok(()),
            Err(errno) => return Err(fail(errno)),
        };
        for entry in rustix::fs::Dir::read_from(&dir).map_err(fail)? {
            let entry = entry.map_err(fail)?;
            let name = entry.file_name();
            if name.to_bytes().len() == 8 && name.to_bytes().iter().all(u8::is_ascii_digit) {
                rustix::fs::unlinkat(&dir, name, AtFlags::empty()).map_err(fail)?;
            }
        }
        match rustix::fs::unlinkat(&self.root, STAGING, AtFlags::REMOVEDIR) {
            Ok(()) | Err(Errno::NOTEMPTY | Errno::EXIST) => Ok(()),
            Err(errno) => Err(fail(errno)),
        }
    }

    fn give(&self, fd: BorrowedFd<'_>) -> Result<(), Errno> {
        match self.owner.to {
            Some((user, group)) => rustix::fs::fchown(fd, Some(user), Some(group)),
            None => Ok(()),
        }
    }

    /// Ends a staged file: owner, rights, the message's own time.
    pub fn finish(
        &self,
        staged: Staged,
        mode: u32,
        modified: Moment,
    ) -> Result<RelName, DiskError> {
        let fail = |errno| self.fail("set owner and time of", &staged.name, errno);
        self.give(staged.fd.as_fd()).map_err(fail)?;
        rustix::fs::fchmod(&staged.fd, Mode::from(mode & 0o777)).map_err(fail)?;
        let time = Timespec { tv_sec: modified.seconds, tv_nsec: modified.nanos.into() };
        let times = Timestamps { last_access: time, last_modification: time };
        match rustix::fs::futimens(&staged.fd, &times) {
            // A time this file system cannot hold must not cost the message.
            Ok(()) | Err(Errno::INVAL | Errno::OVERFLOW) => {}
            Err(errno) => return Err(fail(errno)),
        }
        Ok(staged.name)
    }

    fn fail(&self, operation: &'static str, at: &RelName, errno: Errno) -> DiskError {
        DiskError::new(operation, format_args!("{} in {}", at, self.shown), errno)
    }
}

impl Staged {
    /// Leaves out what was written so far: it was not right.
    pub fn begin_anew(&mut self) -> Result<(), DiskError> {
        if self.offset > 0 {
            rustix::fs::ftruncate(&self.fd, 0)
                .map_err(|errno| DiskError::new("write", &self.name, errno))?;
            self.offset = 0;
        }
        Ok(())
    }

    /// Appends all octets.
    pub fn write(&mut self, bytes: &[u8]) -> Result<(), DiskError> {
        beneath::write_all(self.fd.as_fd(), bytes, self.offset)
            .map_err(|errno| DiskError::new("write", &self.name, errno))?;
        self.offset += bytes.len() as u64;
        Ok(())
    }
}

fn last(name: &RelName) -> std::path::PathBuf {
    std::path::PathBuf::from(std::ffi::OsStr::from_bytes(name.last()))
}
