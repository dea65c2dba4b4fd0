//! The mailbox, read as untrusted input: a tree that is walked and read, never written.
//! Never follows a link, opens a pipe or device, or reads a file without end.

use super::error::DiskError;
use super::openat::{self, HOST, TracelessReading};
use super::volume::Source;
use super::walk::{Walk, WalkEntry};
use crate::model::message::FileFacts;
use crate::model::{RelName, escape};
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{AtFlags, FileType, OFlags, Stat};
use rustix::io::Errno;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};
use std::sync::mpsc::sync_channel;

/// Entries of a walk that a thread passes on together.
const WALKED_TOGETHER: usize = 1_024;

/// An open mailbox.
#[derive(Debug)]
pub struct MailboxDir {
    root: OwnedFd,
    path: PathBuf,
    reading: TracelessReading,
}

/// What a name in a mailbox stands for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum EntryStat {
    /// A regular file.
    File(FileFacts),
    /// A folder.
    Folder,
    /// A link, pipe, socket or device.
    NotAFile,
    /// Nothing has this name.
    Gone,
}

impl EntryStat {
    pub(super) fn of(stat: &Stat) -> Self {
        match FileType::from_raw_mode(stat.st_mode) {
            FileType::RegularFile => Self::File(openat::facts(stat)),
            FileType::Directory => Self::Folder,
            _ => Self::NotAFile,
        }
    }
}

impl MailboxDir {
    /// Opens the mailbox at a path of the host.
    pub fn open(path: &Path) -> Result<Self, DiskError> {
        let shown = escape::shown(path.as_os_str().as_bytes());
        let root = openat::open_root(path)
            .map_err(|errno| DiskError::new("open mailbox", shown, errno))?;
        Ok(Self { root, path: path.to_owned(), reading: TracelessReading::default() })
    }

    /// Its path on the host.
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

    /// Walks the tree. `enter` decides for each folder whether it is entered.
    pub fn walk(&self, enter: impl Fn(&RelName) -> bool) -> impl Iterator<Item = WalkEntry> {
        Walk::below(self.root.as_fd(), &self.reading, enter)
    }

    /// The same walk. If the mailbox is large, a thread walks ahead of `each`, a little: the card is asked for the next
    /// files while these are compared.
    pub fn walk_ahead<E>(
        &self,
        enter: impl Fn(&RelName) -> bool + Send,
        mut each: impl FnMut(WalkEntry) -> Result<(), E>,
    ) -> Result<(), E> {
        let mut walk = Walk::below(self.root.as_fd(), &self.reading, enter);
        let mut portion = move || walk.by_ref().take(WALKED_TOGETHER).collect::<Vec<_>>();
        let first = portion();
        let ends = first.len() < WALKED_TOGETHER;
        first.into_iter().try_for_each(&mut each)?;
        if ends {
            return Ok(());
        }
        // A panic of the thread becomes one of the caller, so that a walk cut short never looks like a whole one.
        std::thread::scope(|scope| {
            let (send, received) = sync_channel(1);
            let ahead = move || {
                let portions = std::iter::repeat_with(portion).take_while(|some| !some.is_empty());
                // Nobody takes the rest once the caller has ended.
                portions.map(|some| send.send(some)).take_while(Result::is_ok).for_each(drop);
            };
            let thread = std::thread::Builder::new().name("walk".to_owned());
            match thread.spawn_scoped(scope, ahead) {
                Ok(_) => received.into_iter().flatten().try_for_each(each),
                Err(error) => each(WalkEntry::Unreadable(None, error.to_string())),
            }
        })
    }

    /// Finds what a name stands for, without opening it.
    pub fn stat(&self, at: &RelName) -> Result<EntryStat, DiskError> {
        Self::look_below(self.root.as_fd(), at)
    }

    /// Whether a file is still as a look has found it: one call, for what is only compared. It follows links above the
    /// file, since whatever lies beyond one is no other file if it has the same number.
    pub fn is_still(&self, at: &RelName, is_same: impl FnOnce(&FileFacts) -> bool) -> bool {
        let stat = rustix::fs::statat(&self.root, at.as_path(), AtFlags::SYMLINK_NOFOLLOW);
        stat.is_ok_and(|stat| match EntryStat::of(&stat) {
            EntryStat::File(facts) => is_same(&facts),
            _ => false,
        })
    }

    /// The same as [`stat`](Self::stat) below any open folder of the host.
    pub(super) fn look_below(root: BorrowedFd<'_>, at: &RelName) -> Result<EntryStat, DiskError> {
        let fail = |errno| DiskError::new("look at", at, errno);
        let fd = match openat::open(root, at, OFlags::PATH, HOST) {
            Ok(fd) => fd,
            Err(Errno::NOENT | Errno::NOTDIR) => return Ok(EntryStat::Gone),
            Err(Errno::LOOP) => return Ok(EntryStat::NotAFile),
            Err(errno) => return Err(fail(errno)),
        };
        Ok(EntryStat::of(&rustix::fs::fstat(&fd).map_err(fail)?))
    }

    /// Whether a folder has entries; `true` if it cannot be read.
    pub fn has_entries(&self, folder: &RelName) -> bool {
        let dir = self.reading.open(self.root.as_fd(), folder, OFlags::DIRECTORY, HOST);
        let Ok(dir) = dir else { return true };
        let Ok(mut entries) = rustix::fs::Dir::new(dir) else { return true };
        entries.any(|entry| entry.is_ok_and(|e| ![c".", c".."].contains(&e.file_name())))
    }

    /// Opens a message for reading.
    pub fn open_message(&self, at: &RelName) -> Result<MessageFile, DiskError> {
        let opened = self.reading.open_file(self.root.as_fd(), at, HOST)?;
        Ok(MessageFile::new(at, opened))
    }

    /// The same for one that a walk or a look of this scan has found to be a regular file.
    pub fn open_seen_message(&self, at: &RelName) -> Result<MessageFile, DiskError> {
        let opened = self.reading.open_known_file(self.root.as_fd(), at, HOST)?;
        Ok(MessageFile::new(at, opened))
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
    pub(super) fn new(at: &RelName, (fd, stat): (OwnedFd, Stat)) -> Self {
        Self { fd, at: at.clone(), opened_as: openat::facts(&stat), offset: 0 }
    }

    /// The file's facts when it was opened.
    pub fn facts_at_open(&self) -> FileFacts {
        self.opened_as
    }

    /// The file's facts now; they differ from [`facts_at_open`](Self::facts_at_open) if it was changed
    /// while it was read.
    pub fn current_facts(&self) -> Result<FileFacts, DiskError> {
        rustix::fs::fstat(&self.fd)
            .map(|stat| openat::facts(&stat))
            .map_err(|errno| DiskError::new("look at", &self.at, errno))
    }

    /// Drops its bytes from the system's page cache, so that they are read from the card. A hint to the system.
    pub fn drop_cache(&self) {
        if let Err(errno) = rustix::fs::fadvise(&self.fd, 0, None, rustix::fs::Advice::DontNeed) {
            // Then it is read from memory, and damage shows at another time.
            tracing::debug!(%errno, "a message could not be dropped from the page cache");
        }
    }

    /// Sets the offset of the next byte to be read.
    pub fn seek(&mut self, offset: u64) {
        self.offset = offset;
    }
}

impl Source for MessageFile {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, DiskError> {
        let got =
            rustix::io::retry_on_intr(|| rustix::io::pread(&self.fd, &mut *into, self.offset))
                .map_err(|errno| DiskError::new("read", &self.at, errno))?;
        self.offset += got as u64;
        Ok(got)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Few files are walked by the caller, many by a thread: the same entries in the same order, up to the first that
    /// the caller does not want.
    #[test]
    fn a_walk_ahead_is_the_walk() {
        let folder = tempfile::tempdir().unwrap();
        let dir = MailboxDir::open(folder.path()).unwrap();
        for (files, ends_at) in [(3, usize::MAX), (2_500, usize::MAX), (0, 2_000), (0, 10)] {
            for number in 0..files {
                let name = format!("f{}/m{number:05}", number % 7);
                std::fs::create_dir_all(folder.path().join(&name[..2])).unwrap();
                std::fs::write(folder.path().join(name), "").unwrap();
            }
            let whole: Vec<_> = dir.walk(|_| true).map(|entry| format!("{entry:?}")).collect();
            let mut ahead = Vec::new();
            let ended = dir.walk_ahead(
                |_| true,
                |entry| {
                    ahead.push(format!("{entry:?}"));
                    if ahead.len() < ends_at { Ok(()) } else { Err("enough") }
                },
            );
            assert_eq!(ended.is_err(), ends_at < whole.len());
            assert_eq!(ahead, whole[..whole.len().min(ends_at)]);
        }
    }
}
