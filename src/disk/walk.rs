//! Walks a mailbox in the order of its catalogue: each folder sorted, one at a time, by its handle.
//! Never follows a link, and never holds more of a folder than its names.

use super::beneath::{self, HOST};
use super::mailbox::Sighting;
use crate::model::RelName;
use crate::model::limits::{MAILBOX_DEPTH, MAILBOX_FOLDER_BYTES};
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{AtFlags, FileType, Mode, OFlags, RawDir};
use rustix::io::Errno;

/// Octets asked of the kernel at a time.
const LISTED_AT_ONCE: usize = 32 << 10;

/// A walk on its way.
pub(super) struct Walk<E> {
    /// Asked before a folder is entered.
    enter: E,
    /// The folders open, from the mailbox itself down.
    levels: Vec<Level>,
    /// Why the mailbox itself could not be listed.
    failed: Option<String>,
}

struct Level {
    dir: OwnedFd,
    /// Its path; none for the mailbox itself.
    at: Option<RelName>,
    names: Names,
    next: usize,
}

/// The names of a folder in one piece: a million of them are not a million pieces of memory.
#[derive(Default)]
struct Names {
    octets: Vec<u8>,
    /// Where each begins, how long it is, and what it is.
    parts: Vec<(u32, u16, Kind)>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Folder,
    /// Anything else, or not known: asked for when its turn comes.
    Other,
}

impl<E: Fn(&RelName) -> bool> Walk<E> {
    pub(super) fn below(root: BorrowedFd<'_>, enter: E) -> Self {
        let mut walk = Self { enter, levels: Vec::new(), failed: None };
        // Opened anew, since what was listed already is remembered with a handle.
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        walk.failed = match rustix::fs::openat(root, ".", flags, Mode::empty()) {
            Ok(dir) => walk.list(dir, None),
            Err(errno) => Some(errno.to_string()),
        };
        walk
    }

    /// Lists a folder, to go on in it. Why it could not be listed to its end, if so.
    fn list(&mut self, dir: OwnedFd, at: Option<RelName>) -> Option<String> {
        let mut names = Names::default();
        let trouble = names.read(dir.as_fd());
        self.levels.push(Level { dir, at, names, next: 0 });
        trouble
    }

    /// The next entry of the folder we are in: its name alone, its path, what it seemed to be.
    /// Neither name nor path, where they are too long for any of ours.
    fn step(&mut self) -> Option<(Option<(RelName, RelName)>, Kind)> {
        loop {
            let level = self.levels.last_mut()?;
            let Some((name, kind)) = level.names.get(level.next) else {
                self.levels.pop();
                continue;
            };
            level.next += 1;
            let path = |alone: RelName| {
                let path = match &level.at {
                    None => alone.clone(),
                    Some(at) => RelName::new(at.join(&alone).as_bytes()).ok()?,
                };
                Some((alone, path))
            };
            return Some((RelName::new(name).ok().and_then(path), kind));
        }
    }

    fn folder(&mut self, alone: &RelName, path: RelName) -> Option<Sighting> {
        if !(self.enter)(&path) {
            return None;
        }
        if self.levels.len() >= MAILBOX_DEPTH {
            return Some(Sighting::Unreadable(Some(path), "it lies too deep".to_owned()));
        }
        let above = self.levels.last()?.dir.as_fd();
        let trouble = match beneath::open_dir(above, Some(alone), HOST) {
            Ok(dir) => self.list(dir, Some(path.clone())),
            // Gone between the listing and the look, or no folder any more: the next walk tells.
            Err(Errno::NOENT | Errno::NOTDIR) => None,
            Err(Errno::LOOP) => return Some(Sighting::NotAFile(path)),
            Err(errno) => Some(errno.to_string()),
        };
        trouble.map(|why| Sighting::Unreadable(Some(path), why))
    }
}

impl<E: Fn(&RelName) -> bool> Iterator for Walk<E> {
    type Item = Sighting;

    fn next(&mut self) -> Option<Sighting> {
        if let Some(why) = self.failed.take() {
            return Some(Sighting::Unreadable(None, why));
        }
        loop {
            let (named, kind) = self.step()?;
            let Some((alone, path)) = named else {
                return Some(Sighting::Unreadable(None, "a path in it is too long".to_owned()));
            };
            let kind = match kind {
                Kind::Folder => FileType::Directory,
                Kind::Other => {
                    let dir = self.levels.last()?.dir.as_fd();
                    match rustix::fs::statat(dir, alone.as_path(), AtFlags::SYMLINK_NOFOLLOW) {
                        Ok(stat) => match FileType::from_raw_mode(stat.st_mode) {
                            FileType::RegularFile => {
                                return Some(Sighting::File(path, beneath::facts(&stat)));
                            }
                            kind => kind,
                        },
                        // Gone between the listing and the look: as if never listed.
                        Err(Errno::NOENT) => continue,
                        Err(errno) => {
                            return Some(Sighting::Unreadable(Some(path), errno.to_string()));
                        }
                    }
                }
            };
            if kind != FileType::Directory {
                return Some(Sighting::NotAFile(path));
            }
            if let Some(sighting) = self.folder(&alone, path) {
                return Some(sighting);
            }
        }
    }
}

impl Names {
    /// Reads a folder's names and sorts them. Why it could not be read to its end, if so.
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
            if self.octets.len() + name.len() > MAILBOX_FOLDER_BYTES {
                trouble = Some("it holds too many files".to_owned());
                break;
            }
            let kind = match entry.file_type() {
                FileType::Directory => Kind::Folder,
                _ => Kind::Other,
            };
            self.parts.push((self.octets.len() as u32, name.len() as u16, kind));
            self.octets.extend_from_slice(name);
        }
        let octets = &self.octets;
        self.parts.sort_unstable_by(|a, b| part(octets, a).cmp(part(octets, b)));
        trouble
    }

    fn get(&self, at: usize) -> Option<(&[u8], Kind)> {
        let found = self.parts.get(at)?;
        Some((part(&self.octets, found), found.2))
    }
}

fn part<'a>(octets: &'a [u8], &(from, length, _): &(u32, u16, Kind)) -> &'a [u8] {
    let from = from as usize;
    &octets[from..from + usize::from(length)]
}
