//! Folders in the system's temporary folder that go with the process that made them: there is mail in them. However it
//! ends, by its own will, an error, a fault or a signal, they are removed; what one left that was killed, or ended
//! with the power, the next one removes. Never follows a link, never touches a folder of another user or of a living
//! process.

use super::error::DiskError;
use super::host::{self, fail};
use crate::model::escape;
use rustix::fd::OwnedFd;
use rustix::fs::{FlockOperation, Mode, OFlags};
use rustix::io::Errno;
use std::io::ErrorKind;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::{DirBuilderExt as _, MetadataExt as _};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// How often something is tried that another thread or process may get in the way of.
const ATTEMPTS: u32 = 1_000;

/// Those of this process. Whoever holds the lock makes or removes one, so that a signal finds every one that there is.
static MADE: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

/// One of them, for its owner alone. It is removed with the value.
#[derive(Debug)]
pub struct TemporaryDir {
    path: PathBuf,
    /// Says that its process lives: the kernel lets the lock go with it. None on a file system that locks no folders.
    _lock: Option<OwnedFd>,
}

impl TemporaryDir {
    /// Makes one, and removes what dead processes left of the same kind.
    pub fn make(kind: &str) -> Result<Self, DiskError> {
        let above = std::env::temp_dir();
        let above = std::path::absolute(&above).unwrap_or(above);
        remove_those_of_the_dead(&above, kind);
        let mut made = all_made();
        for _ in 0..ATTEMPTS {
            let name =
                format!("{}{}-{:016x}", prefix(kind), std::process::id(), host::random_bits()?);
            let path = above.join(name);
            match std::fs::DirBuilder::new().mode(0o700).create(&path) {
                Err(e) if e.kind() == ErrorKind::AlreadyExists => continue,
                created => created.map_err(|e| fail("make folder in", &above, &e))?,
            }
            match hold(&path) {
                Ok(lock) => {
                    made.push(path.clone());
                    return Ok(Self { path, _lock: lock });
                }
                // Somebody took it for one of the dead before it was locked, and removes it.
                Err(Errno::WOULDBLOCK | Errno::NOENT) => {}
                Err(errno) => {
                    remove(&path);
                    return Err(DiskError::new("open", escape::shown_path(&path), errno));
                }
            }
        }
        Err(DiskError::new("make folder in", escape::shown_path(&above), Errno::EXIST))
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for TemporaryDir {
    fn drop(&mut self) {
        let mut made = all_made();
        made.retain(|path| *path != self.path);
        remove(&self.path);
    }
}

/// Removes all of this process, which ends right after: until then nobody gets to make or to remove one.
pub fn remove_passing_folders() {
    let mut made = all_made();
    made.drain(..).for_each(|path| remove(&path));
    std::mem::forget(made);
}

/// Makes a folder and those above it, for the owner alone: not while the process ends, for a passing folder that was
/// removed would be made again.
pub fn make_dirs(path: &Path) -> Result<(), DiskError> {
    let _none_is_removed = all_made();
    std::fs::DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(path)
        .map_err(|e| fail("make folder", path, &e))
}

fn all_made() -> MutexGuard<'static, Vec<PathBuf>> {
    // After a fault the list is still whole: it changes by single entries.
    MADE.lock().unwrap_or_else(PoisonError::into_inner)
}

fn prefix(kind: &str) -> String {
    format!("counterfoil-{kind}-")
}

/// Removes a folder. Other threads may still be at work in it: a folder in it that is gone takes no more files, so that
/// this comes to an end.
fn remove(path: &Path) {
    let mut failed = None;
    for _ in 0..ATTEMPTS {
        match std::fs::remove_dir_all(path) {
            Err(e) if e.kind() != ErrorKind::NotFound => failed = Some(e),
            // Not there: either all of it is gone, or something in it went meanwhile.
            _ if !host::exists(path) => return,
            _ => {}
        }
    }
    if let Some(error) = failed {
        tracing::warn!(
            "{} could not be removed: {error}. Remove it by hand",
            escape::shown_path(path)
        );
    }
}

/// Locks a folder. `NOENT` if it is not the one of that name any more, `WOULDBLOCK` if another process holds it.
fn hold(path: &Path) -> Result<Option<OwnedFd>, Errno> {
    let folder = open(path)?;
    let locked = lock(&folder);
    if locked == Err(Errno::WOULDBLOCK) {
        return Err(Errno::WOULDBLOCK);
    }
    let stat = rustix::fs::fstat(&folder)?;
    let named = path.symlink_metadata().map_err(|_| Errno::NOENT)?;
    match (named.dev(), named.ino()) == (stat.st_dev, stat.st_ino) {
        true => Ok(locked.is_ok().then_some(folder)),
        false => Err(Errno::NOENT),
    }
}

fn open(path: &Path) -> Result<OwnedFd, Errno> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    rustix::fs::open(path, flags, Mode::empty())
}

fn lock(folder: &OwnedFd) -> Result<(), Errno> {
    let lock = || rustix::fs::flock(folder, FlockOperation::NonBlockingLockExclusive);
    rustix::io::retry_on_intr(lock)
}

/// Removes those of this user that no process holds. Where folders cannot be locked, nobody can tell, and they stay.
fn remove_those_of_the_dead(above: &Path, kind: &str) {
    let me = rustix::process::geteuid().as_raw();
    let entries = std::fs::read_dir(above).into_iter().flatten().flatten();
    let named = entries.filter(|entry| is_one(entry.file_name().as_bytes(), kind));
    for path in named.map(|entry| entry.path()) {
        let Ok(folder) = open(&path) else { continue };
        let is_mine = rustix::fs::fstat(&folder).is_ok_and(|stat| stat.st_uid == me);
        if is_mine && lock(&folder).is_ok() {
            remove(&path);
        }
    }
}

/// Whether a name is one that [`TemporaryDir::make`] gives.
fn is_one(name: &[u8], kind: &str) -> bool {
    let rest = name.strip_prefix(prefix(kind).as_bytes());
    let Some((pid, id)) = rest.and_then(|rest| rest.split_at_checked(rest.len().max(17) - 17))
    else {
        return false;
    };
    let is_hex = |b: &u8| b.is_ascii_digit() || (b'a'..=b'f').contains(b);
    !pid.is_empty()
        && pid.iter().all(u8::is_ascii_digit)
        && id.split_first().is_some_and(|(dash, id)| *dash == b'-' && id.iter().all(is_hex))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_names_that_were_given_by_us_are_ours() {
        for (name, expected) in [
            ("counterfoil-rehearsal-4711-0123456789abcdef", true),
            ("counterfoil-rehearsal-1-0000000000000000", true),
            ("counterfoil-rehearsal--0123456789abcdef", false),
            ("counterfoil-rehearsal-0123456789abcdef", false),
            ("counterfoil-rehearsal-4711-0123456789abcdeF", false),
            ("counterfoil-rehearsal-47a1-0123456789abcdef", false),
            ("counterfoil-rehearsal-4711-0123456789abcdef0", false),
            ("counterfoil-rehearsal-", false),
            ("counterfoil-rehearsal-x7Gh2k", false),
            ("counterfoil-demo-4711-0123456789abcdef", false),
            ("", false),
        ] {
            assert_eq!(is_one(name.as_bytes(), "rehearsal"), expected, "{name}");
        }
    }
}
