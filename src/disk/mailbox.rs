//! The mailbox as hostile input: a tree that is walked and read, never written.
//! Never follows a link, never opens a pipe or device, never reads a file without end.

use super::beneath::{self, HOST};
use super::error::DiskError;
use crate::model::limits::MAILBOX_DEPTH;
use crate::model::message::FileFacts;
use crate::model::{RelName, escape};
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{AtFlags, FileType, OFlags};
use rustix::io::Errno;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};

/// An open mailbox.
#[derive(Debug)]
pub struct MailboxDir {
    root: OwnedFd,
    path: PathBuf,
}

/// What a look at one name found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Look {
    /// A regular file.
    File(FileFacts),
    /// A folder.
    Folder,
    /// A link, pipe, socket or device.
    NotAFile,
    /// Nothing.
    Gone,
}

/// What a walk comes upon, in the order of a walk that sorts each folder.
#[derive(Debug)]
pub enum Sighting {
    /// A regular file.
    File(RelName, FileFacts),
    /// A link, pipe, socket or device.
    NotAFile(RelName),
    /// A folder (or the whole mailbox: `None`) that could not be read to its end.
    Unreadable(Option<RelName>, String),
}

impl MailboxDir {
    /// Opens a mailbox by its path.
    pub fn open(path: &Path) -> Result<Self, DiskError> {
        let shown = escape::shown(path.as_os_str().as_bytes());
        let root = beneath::open_root(path)
            .map_err(|errno| DiskError::new("open mailbox", shown, errno))?;
        Ok(Self { root, path: path.to_owned() })
    }

    /// Its path.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Device and inode of the root: another pair at the same path is another mailbox.
    pub fn identity(&self) -> Result<(u64, u64), DiskError> {
        let stat = rustix::fs::fstat(&self.root).map_err(|errno| {
            DiskError::new("look at mailbox", escape::shown_path(&self.path), errno)
        })?;
        let device = stat.st_dev;
        let split =
            u64::from(rustix::fs::major(device)) << 32 | u64::from(rustix::fs::minor(device));
        Ok((split, stat.st_ino))
    }

    /// Walks the tree. `enter` is asked before a folder is entered.
    pub fn walk(&self, enter: impl Fn(&RelName) -> bool) -> impl Iterator<Item = Sighting> {
        let root = self.path.clone();
        let enter_root = root.clone();
        let handle = self.root.as_fd();
        walkdir::WalkDir::new(&self.path)
            .follow_links(false)
            .follow_root_links(true)
            .min_depth(1)
            .max_depth(MAILBOX_DEPTH)
            .sort_by_file_name()
            .into_iter()
            .filter_entry(move |entry| {
                !entry.file_type().is_dir()
                    || below(&enter_root, entry.path()).is_none_or(|name| enter(&name))
            })
            .filter_map(move |entry| sighting(handle, &root, entry))
    }

    /// Looks at one name without opening it.
    pub fn look(&self, at: &RelName) -> Result<Look, DiskError> {
        Self::look_below(self.root.as_fd(), at)
    }

    /// The same below any open folder of the host.
    pub(super) fn look_below(root: BorrowedFd<'_>, at: &RelName) -> Result<Look, DiskError> {
        let fail = |errno| DiskError::new("look at", at, errno);
        let fd = match beneath::open(root, at, OFlags::PATH, HOST) {
            Ok(fd) => fd,
            Err(Errno::NOENT | Errno::NOTDIR) => return Ok(Look::Gone),
            Err(Errno::LOOP) => return Ok(Look::NotAFile),
            Err(errno) => return Err(fail(errno)),
        };
        let stat = rustix::fs::fstat(&fd).map_err(fail)?;
        Ok(match FileType::from_raw_mode(stat.st_mode) {
            FileType::RegularFile => Look::File(beneath::facts(&stat)),
            FileType::Directory => Look::Folder,
            _ => Look::NotAFile,
        })
    }

    /// Opens a message for reading.
    pub fn open_message(&self, at: &RelName) -> Result<MessageFile, DiskError> {
        Self::open_below(self.root.as_fd(), at)
    }

    /// The same below any open folder of the host.
    pub(super) fn open_below(root: BorrowedFd<'_>, at: &RelName) -> Result<MessageFile, DiskError> {
        let (fd, stat) = beneath::open_file(root, at, OFlags::RDONLY, HOST)?;
        Ok(MessageFile { fd, at: at.clone(), opened_as: beneath::facts(&stat), offset: 0 })
    }
}

fn below(root: &Path, path: &Path) -> Option<RelName> {
    RelName::new(path.strip_prefix(root).ok()?.as_os_str().as_bytes()).ok()
}

fn sighting(
    handle: BorrowedFd<'_>,
    root: &Path,
    entry: walkdir::Result<walkdir::DirEntry>,
) -> Option<Sighting> {
    let entry = match entry {
        Ok(entry) => entry,
        Err(error) => {
            let at = error.path().and_then(|path| below(root, path));
            let why = match error.io_error() {
                Some(io) => io.to_string(),
                None => "it cannot be followed".to_owned(),
            };
            return Some(Sighting::Unreadable(at, why));
        }
    };
    let kind = entry.file_type();
    let name = below(root, entry.path());
    if kind.is_dir() {
        // One that is entered shows itself by what is in it; at the last depth it is not entered.
        let deepest = entry.depth() >= MAILBOX_DEPTH;
        return deepest.then(|| Sighting::Unreadable(name, "it lies too deep".to_owned()));
    }
    let Some(name) = name else {
        return Some(Sighting::Unreadable(None, "a path in it is too long".to_owned()));
    };
    if !kind.is_file() {
        return Some(Sighting::NotAFile(name));
    }
    // Relative to the open root: shorter for the kernel than the whole path, a hundred thousand times.
    match rustix::fs::statat(handle, name.as_path(), AtFlags::SYMLINK_NOFOLLOW) {
        Ok(stat) => Some(Sighting::File(name, beneath::facts(&stat))),
        // Gone between the listing and the look: as if never listed.
        Err(Errno::NOENT) => None,
        Err(errno) => Some(Sighting::Unreadable(Some(name), errno.to_string())),
    }
}

/// A message open for reading.
#[derive(Debug)]
pub struct MessageFile {
    fd: OwnedFd,
    at: RelName,
    opened_as: FileFacts,
    offset: u64,
}

impl MessageFile {
    /// The facts when it was opened.
    pub fn opened_as(&self) -> FileFacts {
        self.opened_as
    }

    /// The facts now; other than [`opened_as`](Self::opened_as) if it changed while it was read.
    pub fn facts_now(&self) -> Result<FileFacts, DiskError> {
        rustix::fs::fstat(&self.fd)
            .map(|stat| beneath::facts(&stat))
            .map_err(|errno| DiskError::new("look at", &self.at, errno))
    }

    /// Passes over octets: the next ones read are those at an offset.
    pub fn skip_to(&mut self, offset: u64) {
        self.offset = offset;
    }

    /// Reads the next octets; 0 at the end.
    pub fn read(&mut self, into: &mut [u8]) -> Result<usize, DiskError> {
        let got =
            rustix::io::retry_on_intr(|| rustix::io::pread(&self.fd, &mut *into, self.offset))
                .map_err(|errno| DiskError::new("read", &self.at, errno))?;
        self.offset += got as u64;
        Ok(got)
    }
}

/// Fills a buffer as far as the file reaches, so that short reads never look like its end.
pub fn read_full(
    mut read: impl FnMut(&mut [u8]) -> Result<usize, DiskError>,
    into: &mut [u8],
) -> Result<usize, DiskError> {
    let mut filled = 0;
    while filled < into.len() {
        match read(&mut into[filled..])? {
            0 => break,
            got => filled += got,
        }
    }
    Ok(filled)
}

/// The same for a file whose length is known: a read that ends just there needs no second one to tell that
/// it is the end. `left` is how many octets are expected still.
pub fn read_known(
    mut read: impl FnMut(&mut [u8]) -> Result<usize, DiskError>,
    into: &mut [u8],
    left: u64,
) -> Result<usize, DiskError> {
    let mut filled = 0;
    while filled < into.len() {
        let wanted = into.len() - filled;
        match read(&mut into[filled..])? {
            0 => break,
            got => {
                filled += got;
                if got < wanted && filled as u64 == left {
                    break;
                }
            }
        }
    }
    Ok(filled)
}
