//! The folder that a restore writes to: files are staged, made durable, then given their names. Never overwrites, never
//! writes outside the folder, never leaves half a file under a final name.

use super::error::DiskError;
use super::mailbox::EntryStat;
use super::openat::{self, HOST, TracelessReading};
use super::staging::{FOLDER_MODE, Owner, StagingDir};
use super::target_lock::TargetLocks;
use crate::model::{RelName, escape};
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{AtFlags, OFlags, RenameFlags};
use rustix::io::Errno;
use std::cell::RefCell;
use std::ffi::CStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;
use std::rc::Rc;
use std::sync::Arc;

/// Folder for files that are not complete; a scan of a mailbox skips it.
pub const STAGING: &str = ".counterfoil-restore";

/// A folder being restored into.
#[derive(Debug)]
pub struct TargetDir {
    root: OwnedFd,
    shown: String,
    reading: TracelessReading,
    /// The folder for staged files, once it exists.
    staging: RefCell<Option<Arc<StagingDir>>>,
    /// The folder used last, since messages come sorted by folder. Kept for one batch, so that a folder that somebody
    /// moves away meanwhile is not written to for long.
    folder: RefCell<Option<(RelName, Rc<OwnedFd>)>>,
    /// The folder last found missing, kept for one batch: if somebody else creates it meanwhile, naming it fails.
    absent: RefCell<Option<RelName>>,
    /// The owner last determined, with its folder; kept for one batch.
    owner: RefCell<Option<(Option<RelName>, Owner)>>,
    /// Whether an earlier restore into it was interrupted.
    is_resumed: bool,
}

/// Whether a staged file or folder got its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Placing {
    /// It has the name now.
    Done,
    /// Something else has the name, and was left alone.
    Occupied,
}

impl TargetDir {
    /// Opens the target for reading only.
    pub fn open(path: &Path) -> Result<Self, DiskError> {
        let shown = escape::shown(path.as_os_str().as_bytes());
        let root = openat::open_root(path)
            .map_err(|errno| DiskError::new("open restore target", &shown, errno))?;
        Ok(Self::new(root, shown))
    }

    /// Opens the target for writing, exclusively: creates it if necessary, and removes what an earlier restore left
    /// staged. `Busy` if another restore uses it.
    pub fn open_locked(path: &Path, locks: &TargetLocks) -> Result<Self, DiskError> {
        let root = locks.open(path)?;
        let mut target = Self::new(root, escape::shown(path.as_os_str().as_bytes()));
        // The folder stays until all is done, so that after several interrupted restores the next one still knows of
        // the first.
        target.is_resumed = target.empty_staging()?;
        Ok(target)
    }

    fn new(root: OwnedFd, shown: String) -> Self {
        let (staging, folder) = (RefCell::default(), RefCell::default());
        let (absent, owner) = (RefCell::default(), RefCell::default());
        let reading = TracelessReading::default();
        Self { root, shown, reading, staging, folder, absent, owner, is_resumed: false }
    }

    /// Whether an earlier restore into it was interrupted: messages of that one may lack what follows the naming.
    pub fn is_resumed(&self) -> bool {
        self.is_resumed
    }

    /// The owner of something new in a folder of the target. Whoever owns the target need not own each of its folders.
    pub fn owner_in(&self, folder: Option<&RelName>) -> Result<Owner, DiskError> {
        if let Some((known, owner)) = &*self.owner.borrow()
            && known.as_ref() == folder
        {
            return Ok(*owner);
        }
        let mut above = folder.cloned();
        let stat = loop {
            let Some(at) = &above else {
                break rustix::fs::fstat(&self.root)
                    .map_err(|errno| DiskError::new("look at", &self.shown, errno))?;
            };
            let opened =
                openat::open(self.root.as_fd(), at, OFlags::PATH | OFlags::DIRECTORY, HOST);
            match opened.and_then(rustix::fs::fstat) {
                Ok(stat) => break stat,
                // The error is reported when something is written there.
                Err(_) => above = at.parent(),
            }
        };
        let owner = Owner::of(&stat);
        *self.owner.borrow_mut() = Some((folder.cloned(), owner));
        Ok(owner)
    }

    /// What has this name now.
    pub fn stat(&self, at: &RelName) -> Result<EntryStat, DiskError> {
        let fail = |errno| self.fail("look at", at, errno);
        if self.is_absent(at) {
            return Ok(EntryStat::Gone);
        }
        let Some(parent) = at.parent() else {
            return super::MailboxDir::look_below(self.root.as_fd(), at);
        };
        let folder = match self.open_folder(&parent) {
            Ok(folder) => folder,
            Err(Errno::NOENT | Errno::NOTDIR) => return Ok(EntryStat::Gone),
            Err(Errno::LOOP) => return Ok(EntryStat::NotAFile),
            Err(errno) => return Err(fail(errno)),
        };
        match rustix::fs::statat(&folder, last(at), AtFlags::SYMLINK_NOFOLLOW) {
            Ok(stat) => Ok(EntryStat::of(&stat)),
            Err(Errno::NOENT) => Ok(EntryStat::Gone),
            Err(errno) => Err(fail(errno)),
        }
    }

    /// Whether a folder of this name can be created: nothing has the name, and no file is in the way.
    pub fn is_free(&self, folder: &RelName) -> bool {
        matches!(self.open_folder(folder), Err(Errno::NOENT))
    }

    /// Whether there is a folder of this name.
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
        let opened = openat::open_dir(self.root.as_fd(), Some(at), HOST);
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

    /// Opens an existing file for comparison.
    pub fn open_existing(&self, at: &RelName) -> Result<super::MessageFile, DiskError> {
        let opened = self.reading.open_file(self.root.as_fd(), at, HOST)?;
        Ok(super::MessageFile::new(at, opened))
    }

    /// Fails if this many bytes do not fit. Such a file is not begun, so that it takes no room from others.
    pub fn has_room(&self, bytes: u64) -> Result<(), DiskError> {
        let fs = rustix::fs::fstatvfs(&self.root)
            .map_err(|errno| DiskError::new("measure room in", &self.shown, errno))?;
        match bytes > fs.f_bavail.saturating_mul(fs.f_frsize) {
            true => Err(DiskError::new("write into", &self.shown, Errno::NOSPC)),
            false => Ok(()),
        }
    }

    /// The folder for staged files under temporary names.
    pub fn staging_dir(&self) -> Result<Arc<StagingDir>, DiskError> {
        if let Some(staging) = &*self.staging.borrow() {
            return Ok(Arc::clone(staging));
        }
        let at = RelName::fixed(STAGING);
        let owner = self.owner_in(None)?;
        let mut give = |fd: BorrowedFd<'_>| owner.apply_to_file(fd);
        openat::make_dirs(self.root.as_fd(), &at, FOLDER_MODE, HOST, &mut give)?;
        let made = self.waiting_at(at)?;
        *self.staging.borrow_mut() = Some(Arc::clone(&made));
        Ok(made)
    }

    /// A staged folder, whose files wait in it under their own names; `number` must be unique within a restore.
    pub fn new_folder(&self, number: u64, owner: Owner) -> Result<Arc<StagingDir>, DiskError> {
        let at = self.staging_dir()?.path().join(&temporary_name(number));
        self.make_dirs_for(&at, owner)?;
        self.waiting_at(at)
    }

    fn waiting_at(&self, at: RelName) -> Result<Arc<StagingDir>, DiskError> {
        let fd = openat::open_dir(self.root.as_fd(), Some(&at), HOST)
            .map_err(|errno| self.fail("open", &at, errno))?;
        Ok(Arc::new(StagingDir::new(fd, at)))
    }

    /// Makes durable every staged file, before any of them gets its name, and every name given before.
    pub fn sync_all(&self) -> Result<(), DiskError> {
        *self.folder.borrow_mut() = None;
        *self.absent.borrow_mut() = None;
        *self.owner.borrow_mut() = None;
        rustix::fs::syncfs(&self.root)
            .map_err(|errno| DiskError::new("sync restore target", &self.shown, errno))
    }

    /// Gives a file, staged or set aside, its name, unless something has it: a mail program may deliver meanwhile.
    pub fn place(&self, staged: &RelName, at: &RelName) -> Result<Placing, DiskError> {
        let fail = |errno| self.fail("name", at, errno);
        let to = self.folder_of(at)?;
        let parent = staged.parent();
        let staging = self.staging.borrow();
        let staging = staging.as_ref().filter(|staging| parent.as_ref() == Some(staging.path()));
        let elsewhere;
        let from = match staging {
            Some(staging) => staging.fd(),
            None => {
                let opened = openat::open_dir(self.root.as_fd(), parent.as_ref(), HOST);
                elsewhere = opened.map_err(fail)?;
                elsewhere.as_fd()
            }
        };
        let (old, new) = (last(staged), last(at));
        match rustix::fs::renameat_with(from, &old, &to, &new, RenameFlags::NOREPLACE) {
            Ok(()) => Ok(Placing::Done),
            Err(Errno::EXIST) => Ok(Placing::Occupied),
            // The file system lacks that kind of rename: a hard link does not overwrite either.
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

    /// Gives a staged folder its name with everything in it, unless something has the name.
    pub fn place_folder(&self, folder: &StagingDir, at: &RelName) -> Result<Placing, DiskError> {
        let to = self.folder_of(at)?;
        *self.absent.borrow_mut() = None;
        let staging = self.staging_dir()?;
        let (old, new) = (last(folder.path()), last(at));
        match rustix::fs::renameat_with(staging.fd(), &old, &to, &new, RenameFlags::NOREPLACE) {
            Ok(()) => Ok(Placing::Done),
            Err(Errno::EXIST) => Ok(Placing::Occupied),
            Err(errno) => Err(self.fail("name", at, errno)),
        }
    }

    /// The folder that contains a name; created if it does not exist.
    fn folder_of(&self, at: &RelName) -> Result<Rc<OwnedFd>, DiskError> {
        let fail = |errno| self.fail("name", at, errno);
        match at.parent() {
            None => openat::open_dir(self.root.as_fd(), None, HOST).map(Rc::new).map_err(fail),
            Some(parent) => {
                if !self.has_folder(&parent) {
                    self.make_dirs(&parent)?;
                }
                self.open_folder(&parent).map_err(fail)
            }
        }
    }

    /// Creates a folder and those above it; each gets the owner of the one above it.
    pub fn make_dirs(&self, at: &RelName) -> Result<(), DiskError> {
        self.make_dirs_for(at, self.owner_in(at.parent().as_ref())?)
    }

    fn make_dirs_for(&self, at: &RelName, owner: Owner) -> Result<(), DiskError> {
        *self.absent.borrow_mut() = None;
        let mut made = |fd: BorrowedFd<'_>| owner.apply_to_new_folder(fd);
        openat::make_dirs(self.root.as_fd(), at, FOLDER_MODE, HOST, &mut made)
    }

    /// Passes the names in a folder to `each` until it returns false; none if there is no folder.
    pub fn each_name(
        &self,
        folder: &RelName,
        mut each: impl FnMut(&[u8]) -> bool,
    ) -> Result<(), DiskError> {
        let fail = |errno| self.fail("list", folder, errno);
        let dir = match self.reading.open(self.root.as_fd(), folder, OFlags::DIRECTORY, HOST) {
            Ok(dir) => dir,
            Err(Errno::NOENT | Errno::NOTDIR | Errno::LOOP) => return Ok(()),
            Err(errno) => return Err(fail(errno)),
        };
        for entry in rustix::fs::Dir::new(dir).map_err(fail)? {
            let entry = entry.map_err(fail)?;
            let name = entry.file_name();
            if ![c".", c".."].contains(&name) && !each(name.to_bytes()) {
                break;
            }
        }
        Ok(())
    }

    /// Removes what is staged, and the staging folder.
    pub fn clear_staging(&self) -> Result<(), DiskError> {
        if !self.empty_staging()? {
            return Ok(());
        }
        removed(rustix::fs::unlinkat(&self.root, STAGING, AtFlags::REMOVEDIR))
            .map_err(|errno| self.fail("clear", &RelName::fixed(STAGING), errno))
    }

    /// Removes what is staged: our own temporary files and folders, nothing else. Returns whether there is a staging
    /// folder.
    fn empty_staging(&self) -> Result<bool, DiskError> {
        *self.staging.borrow_mut() = None;
        let staging = RelName::fixed(STAGING);
        let fail = |errno| self.fail("clear", &staging, errno);
        let dir = match openat::open_dir(self.root.as_fd(), Some(&staging), HOST) {
            Ok(dir) => dir,
            Err(Errno::NOENT) => return Ok(false),
            Err(errno) => return Err(fail(errno)),
        };
        for entry in rustix::fs::Dir::read_from(&dir).map_err(fail)? {
            let entry = entry.map_err(fail)?;
            let name = entry.file_name();
            if name.to_bytes().len() != 8 || !name.to_bytes().iter().all(u8::is_ascii_digit) {
                continue;
            }
            match rustix::fs::unlinkat(&dir, name, AtFlags::empty()) {
                // An empty one goes whoever owns it: root may have been ended before giving it away.
                Err(Errno::ISDIR) => match rustix::fs::unlinkat(&dir, name, AtFlags::REMOVEDIR) {
                    Ok(()) => {}
                    Err(_) => clear_folder(&dir, name).map_err(fail)?,
                },
                cleared => cleared.map_err(fail)?,
            }
        }
        Ok(true)
    }

    fn fail(&self, operation: &'static str, at: &RelName, errno: Errno) -> DiskError {
        DiskError::new(operation, format_args!("{} in {}", at, self.shown), errno)
    }
}

/// The name of a staged file or folder.
pub fn temporary_name(number: u64) -> RelName {
    RelName::fixed(&format!("{number:08}"))
}

/// Removes a folder that never got its name, with its files. It has no folders in it; if there are any, it stays.
fn clear_folder(staging: &OwnedFd, name: &CStr) -> Result<(), Errno> {
    let at = RelName::new(name.to_bytes()).map_err(|_| Errno::INVAL)?;
    let dir = openat::open_dir(staging.as_fd(), Some(&at), HOST)?;
    for entry in rustix::fs::Dir::read_from(&dir)? {
        let entry = entry?;
        if ![c".", c".."].contains(&entry.file_name()) {
            match rustix::fs::unlinkat(&dir, entry.file_name(), AtFlags::empty()) {
                Ok(()) | Err(Errno::ISDIR) => {}
                Err(errno) => return Err(errno),
            }
        }
    }
    removed(rustix::fs::unlinkat(staging, name, AtFlags::REMOVEDIR))
}

/// Accepts that a folder which is not empty stays.
fn removed(removal: Result<(), Errno>) -> Result<(), Errno> {
    match removal {
        Ok(()) | Err(Errno::NOTEMPTY | Errno::EXIST) => Ok(()),
        Err(errno) => Err(errno),
    }
}

fn last(name: &RelName) -> std::path::PathBuf {
    std::path::PathBuf::from(std::ffi::OsStr::from_bytes(name.last()))
}
