//! Folders in the system's temporary folder that are removed with the process that made them, since there is mail in
//! them: whether it ends normally, with an error, a panic or a signal. The next process removes what one left that was
//! killed or lost power. Never follows a link, never touches a folder of another user or of a running process.

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

/// How often an operation is tried with which another thread or process may interfere.
const ATTEMPTS: u32 = 1_000;

/// The folders of this process. They are made and removed under this lock, so that a signal finds all that exist.
static MADE: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

/// A temporary folder, accessible to its owner alone. Dropping it removes the folder.
#[derive(Debug)]
pub struct TemporaryDir {
    path: PathBuf,
    /// Shows that its process is running: the kernel releases the lock with it. `None` on a file system that cannot
    /// lock folders.
    _lock: Option<OwnedFd>,
}

impl TemporaryDir {
    /// Makes one, and removes those of the same kind that dead processes have left.
    pub fn make(kind: &str) -> Result<Self, DiskError> {
        let above = std::env::temp_dir();
        let above = std::path::absolute(&above).unwrap_or(above);
        remove_left_over(&above, kind);
        let mut made = all_made();
        for _ in 0..ATTEMPTS {
            let name =
                format!("{}{}-{:016x}", prefix(kind), std::process::id(), host::random_bits()?);
            let path = above.join(name);
            match std::fs::DirBuilder::new().mode(0o700).create(&path) {
                Err(e) if e.kind() == ErrorKind::AlreadyExists => continue,
                created => created.map_err(|e| fail("make folder in", &above, &e))?,
            }
            match lock_named(&path) {
                Ok(lock) => {
                    made.push(path.clone());
                    return Ok(Self { path, _lock: lock });
                }
                // Another process found it before it was locked, and removes it as one of a dead process.
                Err(Errno::WOULDBLOCK | Errno::NOENT) => {}
                Err(errno) => {
                    remove(&path);
                    return Err(DiskError::new("open", escape::shown_path(&path), errno));
                }
            }
        }
        Err(DiskError::new("make folder in", escape::shown_path(&above), Errno::EXIST))
    }

    /// Its path on the host.
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

/// Removes all temporary folders of this process, which must end right after: from here on no thread can make or remove
/// one.
pub fn remove_temporary_dirs() {
    let mut made = all_made();
    made.drain(..).for_each(|path| remove(&path));
    std::mem::forget(made);
}

/// Makes a folder and those above it, accessible to the owner alone. Waits for ever if the process is ending, since
/// that would make a temporary folder again that was removed.
pub fn make_dirs(path: &Path) -> Result<(), DiskError> {
    let _lock = all_made();
    std::fs::DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(path)
        .map_err(|e| fail("make folder", path, &e))
}

fn all_made() -> MutexGuard<'static, Vec<PathBuf>> {
    // After a panic the list is still whole: it changes by single entries.
    MADE.lock().unwrap_or_else(PoisonError::into_inner)
}

fn prefix(kind: &str) -> String {
    format!("counterfoil-{kind}-")
}

/// Removes a folder, even if other threads are still writing in it. This ends, since no file can be made in a folder
/// that is removed.
fn remove(path: &Path) {
    let mut failed = None;
    for _ in 0..ATTEMPTS {
        match std::fs::remove_dir_all(path) {
            Err(e) if e.kind() != ErrorKind::NotFound => failed = Some(e),
            // Not found: either the folder itself, or something in it that another thread removed.
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

/// Locks a folder. `NOENT` if the name is now that of another one, `WOULDBLOCK` if another process holds it.
fn lock_named(path: &Path) -> Result<Option<OwnedFd>, Errno> {
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

/// Removes the folders of this user that no process has locked. Where folders cannot be locked, they stay, since it is
/// not known which are in use.
fn remove_left_over(above: &Path, kind: &str) {
    let me = rustix::process::geteuid().as_raw();
    let entries = std::fs::read_dir(above).into_iter().flatten().flatten();
    let named = entries.filter(|entry| is_one(entry.file_name().as_bytes(), kind));
    for path in named.map(|entry| entry.path()) {
        let Ok(folder) = open(&path) else { continue };
        let is_own = rustix::fs::fstat(&folder).is_ok_and(|stat| stat.st_uid == me);
        if is_own && lock(&folder).is_ok() {
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
