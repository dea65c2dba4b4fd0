//! Walks a mailbox in the order of the catalogue: each folder sorted, one at a time, by its handle.
//! Never follows a link, and keeps no more of a folder in memory than its names.

use super::openat::{self, HOST, TracelessReading};
use crate::model::RelName;
use crate::model::limits::{MAILBOX_DEPTH, MAILBOX_FOLDER_BYTES, NAME_PART_BYTES, PATH_BYTES_MAX};
use crate::model::message::FileFacts;
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{AtFlags, FileType, OFlags, RawDir};
use rustix::io::Errno;

/// An entry of a walk. Each folder's entries come in the order of their names.
#[derive(Debug)]
pub enum WalkEntry {
    /// A regular file.
    File(RelName, FileFacts),
    /// A link, pipe, socket or device.
    NotAFile(RelName),
    /// A folder (`None`: the mailbox itself) that could not be read to its end, and why.
    Unreadable(Option<RelName>, String),
    /// A folder (`None`: the mailbox itself) with this many names that are too long, or whose paths are.
    TooLong(Option<RelName>, u64),
}

/// Length of the buffer for the kernel's list of a folder, in bytes.
const LISTED_AT_ONCE: usize = 32 << 10;

/// A walk under way.
pub(super) struct Walk<'a, E> {
    reading: &'a TracelessReading,
    /// Decides for each folder whether it is entered.
    enter: E,
    /// The folders open, from the mailbox itself down.
    levels: Vec<Level>,
    /// Why the mailbox itself could not be listed completely.
    failed: Option<PartialListing>,
}

/// Why a folder was not listed completely.
enum PartialListing {
    /// It could not be read to its end.
    Unread(String),
    /// So many of its names are too long.
    TooLong(u64),
}

impl PartialListing {
    fn walk_entry(self, at: Option<RelName>) -> WalkEntry {
        match self {
            Self::Unread(why) => WalkEntry::Unreadable(at, why),
            Self::TooLong(names) => WalkEntry::TooLong(at, names),
        }
    }
}

struct Level {
    dir: OwnedFd,
    /// Its path; none for the mailbox itself.
    path: Option<RelName>,
    names: FolderNames,
    next: usize,
}

/// The names of a folder in one buffer: a million names are not a million allocations.
#[derive(Default)]
struct FolderNames {
    bytes: Vec<u8>,
    /// Offset, length and kind of each.
    parts: Vec<(u32, u16, MaybeFolder)>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum MaybeFolder {
    Folder,
    /// Anything else, or not known: found out when its turn comes.
    Other,
}

impl<'a, E: Fn(&RelName) -> bool> Walk<'a, E> {
    pub(super) fn below(root: BorrowedFd<'_>, reading: &'a TracelessReading, enter: E) -> Self {
        let mut walk = Self { reading, enter, levels: Vec::new(), failed: None };
        // Opened anew, since a handle keeps its position in the listing.
        walk.failed = match reading.reopen_dir(root) {
            Ok(dir) => walk.list(dir, None),
            Err(errno) => Some(PartialListing::Unread(errno.to_string())),
        };
        walk
    }

    /// Lists a folder and continues the walk in it. Returns why it could not be listed completely, if so.
    fn list(&mut self, dir: OwnedFd, path: Option<RelName>) -> Option<PartialListing> {
        let mut names = FolderNames::default();
        let trouble = names.read(dir.as_fd());
        let above = path.as_ref().map_or(0, |path| path.as_bytes().len() + 1);
        let too_long = names.leave_out(PATH_BYTES_MAX.saturating_sub(above));
        self.levels.push(Level { dir, path, names, next: 0 });
        match trouble {
            Some(why) => Some(PartialListing::Unread(why)),
            None => (too_long > 0).then_some(PartialListing::TooLong(too_long)),
        }
    }

    /// The next entry of the innermost folder: its path, and its kind as listed.
    fn step(&mut self) -> Option<(RelName, MaybeFolder)> {
        loop {
            let level = self.levels.last_mut()?;
            let Some((name, kind)) = level.names.get(level.next) else {
                self.levels.pop();
                continue;
            };
            level.next += 1;
            let folder = level.path.as_ref().map_or(&[][..], RelName::as_bytes);
            let mut path = Vec::with_capacity(folder.len() + 1 + name.len());
            if !folder.is_empty() {
                path.extend_from_slice(folder);
                path.push(b'/');
            }
            path.extend_from_slice(name);
            // All names that remain are valid.
            if let Ok(path) = RelName::new(path) {
                return Some((path, kind));
            }
        }
    }

    fn folder(&mut self, path: RelName) -> Option<WalkEntry> {
        if !(self.enter)(&path) {
            return None;
        }
        if self.levels.len() >= MAILBOX_DEPTH {
            return Some(WalkEntry::Unreadable(Some(path), "it lies too deep".to_owned()));
        }
        let above = self.levels.last()?.dir.as_fd();
        let trouble = match self.reading.open(above, &path.last_name(), OFlags::DIRECTORY, HOST) {
            Ok(dir) => self.list(dir, Some(path.clone())),
            // Gone since the listing, or no folder any more: the next walk will show.
            Err(Errno::NOENT | Errno::NOTDIR) => None,
            Err(Errno::LOOP) => return Some(WalkEntry::NotAFile(path)),
            Err(errno) => Some(PartialListing::Unread(errno.to_string())),
        };
        trouble.map(|why| why.walk_entry(Some(path)))
    }
}

impl<E: Fn(&RelName) -> bool> Iterator for Walk<'_, E> {
    type Item = WalkEntry;

    fn next(&mut self) -> Option<WalkEntry> {
        if let Some(why) = self.failed.take() {
            return Some(why.walk_entry(None));
        }
        loop {
            let (path, kind) = self.step()?;
            let kind = match kind {
                MaybeFolder::Folder => FileType::Directory,
                MaybeFolder::Other => {
                    let dir = self.levels.last()?.dir.as_fd();
                    match rustix::fs::statat(dir, path.last(), AtFlags::SYMLINK_NOFOLLOW) {
                        Ok(stat) => match FileType::from_raw_mode(stat.st_mode) {
                            FileType::RegularFile => {
                                return Some(WalkEntry::File(path, openat::facts(&stat)));
                            }
                            kind => kind,
                        },
                        // Gone since the listing: as if it had never been listed.
                        Err(Errno::NOENT) => continue,
                        Err(errno) => {
                            return Some(WalkEntry::Unreadable(Some(path), errno.to_string()));
                        }
                    }
                }
            };
            if kind != FileType::Directory {
                return Some(WalkEntry::NotAFile(path));
            }
            if let Some(walk_entry) = self.folder(path) {
                return Some(walk_entry);
            }
        }
    }
}

impl FolderNames {
    /// Reads a folder's names and sorts them. Returns why it could not be read to its end, if so.
    fn read(&mut self, dir: BorrowedFd<'_>) -> Option<String> {
        let mut buffer = Vec::with_capacity(LISTED_AT_ONCE);
        let mut entries = RawDir::new(dir, buffer.spare_capacity_mut());
        let mut trouble = None;
        while let Some(entry) = entries.next() {
            let entry = match entry {
                Ok(entry) => entry,
                Err(errno) => {
                    trouble = Some(errno.to_string());
                    break;
                }
            };
            let name = entry.file_name().to_bytes();
            if name == b"." || name == b".." {
                continue;
            }
            if self.bytes.len() + name.len() > MAILBOX_FOLDER_BYTES {
                trouble = Some("it holds too many files".to_owned());
                break;
            }
            let kind = match entry.file_type() {
                FileType::Directory => MaybeFolder::Folder,
                _ => MaybeFolder::Other,
            };
            self.parts.push((self.bytes.len() as u32, name.len() as u16, kind));
            self.bytes.extend_from_slice(name);
        }
        let bytes = &self.bytes;
        self.parts.sort_unstable_by(|a, b| part(bytes, a).cmp(part(bytes, b)));
        trouble
    }

    /// Removes the names that are longer than `longest`, or than any name may be. Returns how many they were.
    fn leave_out(&mut self, longest: usize) -> u64 {
        let before = self.parts.len();
        self.parts.retain(|(_, length, _)| usize::from(*length) <= longest.min(NAME_PART_BYTES));
        (before - self.parts.len()) as u64
    }

    fn get(&self, at: usize) -> Option<(&[u8], MaybeFolder)> {
        let found = self.parts.get(at)?;
        Some((part(&self.bytes, found), found.2))
    }
}

fn part<'a>(bytes: &'a [u8], &(from, length, _): &(u32, u16, MaybeFolder)) -> &'a [u8] {
    let from = from as usize;
    &bytes[from..from + usize::from(length)]
}
