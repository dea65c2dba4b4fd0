//! Opens files below an open folder: regular files only, through no link, and not above the folder.
//! Every path is resolved by the kernel, which confines it to that folder (openat2(2)).

use super::error::{DiskError, ErrorKind};
use crate::model::RelName;
use crate::model::message::FileFacts;
use crate::model::time::Timestamp;
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{FileType, Mode, OFlags, ResolveFlags, Stat};
use rustix::io::Errno;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

/// How names on a drive are resolved: not into anything mounted there either.
pub(super) const DRIVE: ResolveFlags = ResolveFlags::BENEATH
    .union(ResolveFlags::NO_SYMLINKS)
    .union(ResolveFlags::NO_MAGICLINKS)
    .union(ResolveFlags::NO_XDEV);
/// How names in a mailbox or a restore target are resolved: the operator may have mounted a part of it.
pub(super) const HOST: ResolveFlags =
    ResolveFlags::BENEATH.union(ResolveFlags::NO_SYMLINKS).union(ResolveFlags::NO_MAGICLINKS);

/// Opens a folder by its path on the host. Links in it are the operator's own and are followed.
pub(super) fn open_root(path: &Path) -> Result<OwnedFd, Errno> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
    rustix::fs::open(path, flags, Mode::empty())
}

/// The same, but refuses links: the path was resolved before, and must still lead to the same folder.
pub(super) fn open_root_without_links(path: &Path) -> Result<OwnedFd, Errno> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
    let resolve = ResolveFlags::NO_SYMLINKS | ResolveFlags::NO_MAGICLINKS;
    rustix::fs::openat2(rustix::fs::CWD, path, flags, Mode::empty(), resolve)
}

/// The same for root, which puts nothing into a folder of another user: one that has come there since is refused.
pub(super) fn open_own_root(path: &Path) -> Result<OwnedFd, Errno> {
    let root = open_root_without_links(path)?;
    match rustix::fs::fstat(&root)?.st_uid {
        0 => Ok(root),
        _ => Err(Errno::PERM),
    }
}

/// Opens a name below a folder. Never blocks on a pipe, never acquires a controlling terminal.
pub(super) fn open(
    root: BorrowedFd<'_>,
    at: &RelName,
    flags: OFlags,
    resolve: ResolveFlags,
) -> Result<OwnedFd, Errno> {
    let mut flags = flags | OFlags::CLOEXEC | OFlags::NOFOLLOW;
    if !flags.contains(OFlags::PATH) {
        flags |= OFlags::NONBLOCK | OFlags::NOCTTY;
    }
    let mode = if flags.contains(OFlags::CREATE) { Mode::from(0o644) } else { Mode::empty() };
    rustix::fs::openat2(root, at.as_path(), flags, mode, resolve)
}

/// Opens a folder below a folder; `None` is the folder itself.
pub(super) fn open_dir(
    root: BorrowedFd<'_>,
    at: Option<&RelName>,
    resolve: ResolveFlags,
) -> Result<OwnedFd, Errno> {
    match at {
        Some(at) => open(root, at, OFlags::RDONLY | OFlags::DIRECTORY, resolve),
        None => rustix::io::fcntl_dupfd_cloexec(root, 0),
    }
}

/// Opens a regular file below a folder; anything else is refused. Its kind is checked before it is opened, since
/// opening alone makes some devices act.
pub(super) fn open_file(
    root: BorrowedFd<'_>,
    at: &RelName,
    flags: OFlags,
    resolve: ResolveFlags,
) -> Result<(OwnedFd, Stat), DiskError> {
    stat_file(root, at, resolve)?;
    let opened = open(root, at, flags, resolve);
    // It may have been replaced since.
    check_opened(opened, at)
}

/// The facts of a regular file, which is not opened; anything else is refused.
pub(super) fn stat_file(
    root: BorrowedFd<'_>,
    at: &RelName,
    resolve: ResolveFlags,
) -> Result<Stat, DiskError> {
    check_opened(open(root, at, OFlags::PATH, resolve), at).map(|(_, stat)| stat)
}

/// Refuses what was opened unless it is a regular file.
fn check_opened(
    opened: Result<OwnedFd, Errno>,
    at: &RelName,
) -> Result<(OwnedFd, Stat), DiskError> {
    let fail = |errno| DiskError::new("open", at, errno);
    let fd = opened.map_err(fail)?;
    let stat = rustix::fs::fstat(&fd).map_err(fail)?;
    match FileType::from_raw_mode(stat.st_mode) {
        FileType::RegularFile => Ok((fd, stat)),
        _ => Err(DiskError::with("open", at, Errno::INVAL, ErrorKind::Refused)),
    }
}

/// Reading that leaves the times of the last access as they are, so that it writes nothing to the medium. The system
/// allows it to the owner of a file alone (open(2), O_NOATIME): once it has refused that, all later reading in this
/// folder does without.
#[derive(Debug, Default)]
pub(super) struct TracelessReading {
    refused: AtomicBool,
}

impl TracelessReading {
    /// Opens a file or a folder for reading.
    pub(super) fn open(
        &self,
        root: BorrowedFd<'_>,
        at: &RelName,
        flags: OFlags,
        resolve: ResolveFlags,
    ) -> Result<OwnedFd, Errno> {
        self.with_flag(|noatime| open(root, at, OFlags::RDONLY | flags | noatime, resolve))
    }

    /// Opens a folder anew, to be listed.
    pub(super) fn reopen_dir(&self, dir: BorrowedFd<'_>) -> Result<OwnedFd, Errno> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        self.with_flag(|noatime| rustix::fs::openat(dir, ".", flags | noatime, Mode::empty()))
    }

    /// Opens what is known to be a regular file: a look at it has just shown that, this program has made it, or no
    /// device can be there. If something else has come in its place since, it is opened without waiting for anybody,
    /// and refused.
    pub(super) fn open_known_file(
        &self,
        root: BorrowedFd<'_>,
        at: &RelName,
        resolve: ResolveFlags,
    ) -> Result<(OwnedFd, Stat), DiskError> {
        let opened = self.open(root, at, OFlags::empty(), resolve);
        if opened.as_ref().is_err_and(|errno| *errno != Errno::NOENT) {
            // A socket, say, or a device where none may be opened: that it is no file is the error.
            stat_file(root, at, resolve)?;
        }
        check_opened(opened, at)
    }

    /// Opens a regular file whose kind nobody has checked.
    pub(super) fn open_file(
        &self,
        root: BorrowedFd<'_>,
        at: &RelName,
        resolve: ResolveFlags,
    ) -> Result<(OwnedFd, Stat), DiskError> {
        stat_file(root, at, resolve)?;
        self.open_known_file(root, at, resolve)
    }

    fn with_flag(&self, open: impl Fn(OFlags) -> Result<OwnedFd, Errno>) -> Result<OwnedFd, Errno> {
        if !self.refused.load(Ordering::Relaxed) {
            match open(OFlags::NOATIME) {
                Err(Errno::PERM) => self.refused.store(true, Ordering::Relaxed),
                opened => return opened,
            }
        }
        open(OFlags::empty())
    }
}

/// Makes a folder, and those above it that are missing. `made` is called with each new folder.
pub(super) fn make_dirs(
    root: BorrowedFd<'_>,
    at: &RelName,
    mode: u32,
    resolve: ResolveFlags,
    made: &mut dyn FnMut(BorrowedFd<'_>) -> Result<(), Errno>,
) -> Result<(), DiskError> {
    let fail = |errno| DiskError::new("make folder", at, errno);
    match open_dir(root, Some(at), resolve) {
        Ok(_) => return Ok(()),
        Err(Errno::NOENT) => {}
        Err(errno) => return Err(fail(errno)),
    }
    let parent = at.parent();
    if let Some(parent) = &parent {
        make_dirs(root, parent, mode, resolve, made)?;
    }
    let above = open_dir(root, parent.as_ref(), resolve).map_err(fail)?;
    let name = RelName::new(at.last()).map_err(|_| fail(Errno::INVAL))?;
    match rustix::fs::mkdirat(&above, name.as_path(), Mode::from(mode)) {
        Ok(()) => {
            let dir = open_dir(root, Some(at), resolve).map_err(fail)?;
            made(dir.as_fd()).map_err(fail)
        }
        Err(Errno::EXIST) => open_dir(root, Some(at), resolve).map(drop).map_err(fail),
        Err(errno) => Err(fail(errno)),
    }
}

/// Writes all bytes at an offset.
pub(super) fn write_all(
    fd: BorrowedFd<'_>,
    mut bytes: &[u8],
    mut offset: u64,
) -> Result<(), Errno> {
    while !bytes.is_empty() {
        match rustix::io::pwrite(fd, bytes, offset) {
            Ok(0) => return Err(Errno::IO),
            Ok(n) => {
                bytes = &bytes[n..];
                offset += n as u64;
            }
            Err(Errno::INTR) => {}
            Err(errno) => return Err(errno),
        }
    }
    Ok(())
}

/// The facts of a file as its file system stores them.
pub(super) fn facts(stat: &Stat) -> FileFacts {
    let moment = |seconds, nanos| Timestamp { seconds, nanos: u32::try_from(nanos).unwrap_or(0) };
    FileFacts {
        bytes: u64::try_from(stat.st_size).unwrap_or(0),
        modified: moment(stat.st_mtime, stat.st_mtime_nsec),
        changed: moment(stat.st_ctime, stat.st_ctime_nsec),
        inode: stat.st_ino,
        mode: stat.st_mode & 0o7777,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;

    #[test]
    fn what_has_come_in_the_place_of_a_known_file_is_refused_without_waiting() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("file"), "1").unwrap();
        std::os::unix::fs::symlink("file", folder.path().join("link")).unwrap();
        std::fs::create_dir(folder.path().join("folder")).unwrap();
        let root = open_root(folder.path()).unwrap();
        // A pipe that nobody writes to: to open it the usual way would take for ever.
        rustix::fs::mkfifoat(&root, "pipe", Mode::RWXU).unwrap();
        std::os::unix::net::UnixListener::bind(folder.path().join("socket")).unwrap();
        let reading = TracelessReading::default();
        for resolve in [DRIVE, HOST] {
            let open = |name| {
                reading.open_known_file(root.as_fd(), &RelName::fixed(name), resolve).map(drop)
            };
            open("file").unwrap();
            for name in ["pipe", "socket", "folder", "link"] {
                assert_eq!(open(name).unwrap_err().trouble, ErrorKind::Refused, "{name}");
            }
        }
    }

    #[test]
    fn a_refusal_of_traceless_reading_is_asked_for_once() {
        let (reading, asked) = (TracelessReading::default(), Cell::new(0));
        let root = open_root(std::path::Path::new("/")).unwrap();
        for _ in 0..3 {
            let opened = reading.with_flag(|flag| {
                asked.set(asked.get() + 1);
                match flag.contains(OFlags::NOATIME) {
                    true => Err(Errno::PERM),
                    false => rustix::io::fcntl_dupfd_cloexec(&root, 0),
                }
            });
            opened.unwrap();
        }
        assert_eq!(asked.get(), 4, "twice for the first, once for each later one");
    }
}
