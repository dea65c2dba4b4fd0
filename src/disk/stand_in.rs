//! The folder in memory that stands in for a state folder that cannot be written: on a card that is full, has turned
//! read-only, or fails. Its name follows from the state folder's path; it is removed with the process that made it.
//! Never follows a link there, and never takes another user's folder for its own.

use super::error::{DiskError, ErrorKind};
use super::host::{self, Lock};
use crate::model::limits::STATE_ROOM_BYTES;
use crate::model::{Digest, escape};
use rustix::fs::StatVfsMountFlags;
use rustix::io::Errno;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::{DirBuilderExt as _, MetadataExt as _};
use std::path::{Path, PathBuf};

/// The lock of the process that works in it, named as in any state folder.
const LOCK: &str = "lock";
/// The file with the reason for the stand-in, in one word.
const WHY: &str = "why";
/// How the names of stand-ins begin.
const PREFIX: &str = "counterfoil-state-";
/// The kinds of file system that keep their files in memory (statfs(2)).
const IN_MEMORY: [u32; 2] = [0x0102_1994, 0x8584_58f6];

/// A stand-in and its lock. Dropping it removes the folder.
#[derive(Debug)]
pub struct StandIn {
    path: PathBuf,
    _lock: Lock,
}

/// A folder in memory with a random name. Dropping it removes the folder.
#[derive(Debug)]
pub struct MemoryFolder(tempfile::TempDir);

impl MemoryFolder {
    /// Makes one in the first file system in memory where this user can.
    pub fn new() -> Result<Self, DiskError> {
        let make =
            |base: &PathBuf| tempfile::Builder::new().prefix("counterfoil-").tempdir_in(base).ok();
        let made = bases().iter().find_map(make);
        made.map(Self).ok_or_else(no_memory)
    }

    /// Its path on the host.
    pub fn path(&self) -> &Path {
        self.0.path()
    }
}

/// The error that writing to a state folder would give, as far as its file system shows without a write.
pub fn trouble(state: &Path) -> Option<DiskError> {
    let state = host::resolved(state);
    let there = state.ancestors().find(|path| host::exists(path))?;
    let facts = rustix::fs::statvfs(there).ok()?;
    let free = if host::is_root() { facts.f_bfree } else { facts.f_bavail };
    let is_full = facts.f_blocks > 0 && free.saturating_mul(facts.f_frsize) < STATE_ROOM_BYTES
        || facts.f_files > 0 && facts.f_ffree == 0;
    let errno = match facts.f_flag.contains(StatVfsMountFlags::RDONLY) {
        true => Errno::ROFS,
        false if is_full => Errno::NOSPC,
        false => return None,
    };
    Some(DiskError::new("write to", escape::shown_path(&state), errno))
}

impl StandIn {
    /// Makes the stand-in of a state folder, or takes over one that a killed process has left. `Busy` if another
    /// process works in it.
    pub fn make(state: &Path, why: &str) -> Result<Self, DiskError> {
        let mut failed = no_memory();
        for base in bases() {
            let path = base.join(name(state));
            match Self::make_at(&path, why) {
                Err(error) if error.trouble != ErrorKind::Busy => failed = error,
                made => return made,
            }
        }
        Err(failed)
    }

    fn make_at(path: &Path, why: &str) -> Result<Self, DiskError> {
        let error = |e: &std::io::Error| {
            let errno = Errno::from_io_error(e).unwrap_or(Errno::IO);
            DiskError::new("make folder in memory", escape::shown_path(path), errno)
        };
        match std::fs::DirBuilder::new().mode(0o700).create(path) {
            Err(e) if e.kind() != std::io::ErrorKind::AlreadyExists => return Err(error(&e)),
            _ => {}
        }
        let facts = path.symlink_metadata().map_err(|e| error(&e))?;
        let is_ours = facts.uid() == rustix::process::geteuid().as_raw();
        if !facts.is_dir() || !is_ours || facts.mode() & 0o077 != 0 {
            let shown = escape::shown_path(path);
            return Err(DiskError::with("use", shown, Errno::PERM, ErrorKind::Refused));
        }
        let lock = host::lock(&path.join(LOCK))?;
        host::write_whole(&path.join(WHY), why.as_bytes())?;
        Ok(Self { path: path.to_owned(), _lock: lock })
    }

    /// Removes the stand-in that a killed process has left: the state folder can be written again, and its contents
    /// count.
    pub fn clear(state: &Path) {
        for path in bases().into_iter().map(|base| base.join(name(state))) {
            let is_ours = |facts: &std::fs::Metadata| {
                facts.is_dir() && facts.uid() == rustix::process::geteuid().as_raw()
            };
            if path.symlink_metadata().is_ok_and(|facts| is_ours(&facts))
                && let Ok(lock) = host::lock(&path.join(LOCK))
            {
                drop(Self { path, _lock: lock });
            }
        }
    }

    /// Its path on the host.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Whether a folder is a stand-in, by its name.
    pub fn is_one(folder: &Path) -> bool {
        let name = folder.file_name().unwrap_or_default().as_bytes();
        name.starts_with(PREFIX.as_bytes())
    }

    /// The stand-in in which a process works for a state folder now, and the reason for it.
    pub fn find(state: &Path) -> Option<(PathBuf, String)> {
        let owner = |path: &Path| path.symlink_metadata().ok().map(|facts| facts.uid());
        let me = rustix::process::geteuid().as_raw();
        let is_its = |path: &PathBuf| {
            path.is_dir() && owner(path).is_some_and(|uid| uid == me || owner(state) == Some(uid))
        };
        let mut found = shared_bases().into_iter().map(|base| base.join(name(state)));
        let path = found.find(|path| is_its(path) && host::is_locked(&path.join(LOCK)))?;
        let why = host::read_text(&path.join(WHY)).ok().flatten().unwrap_or_default();
        Some((path, why))
    }
}

impl Drop for StandIn {
    fn drop(&mut self) {
        if let Err(error) = std::fs::remove_dir_all(&self.path) {
            // It is lost at the next boot anyway.
            tracing::debug!(%error, "a folder in memory could not be removed");
        }
    }
}

/// The name of a state folder's stand-in.
fn name(state: &Path) -> String {
    let digest = Digest::of(host::resolved(state).as_os_str().as_bytes()).to_string();
    format!("{PREFIX}{}", &digest[..16])
}

/// Folders in memory in which this user may make others: the service's own first, since files in shared ones may be
/// removed when the user logs out (systemd.exec(5), `RemoveIPC=`).
fn bases() -> Vec<PathBuf> {
    let service = std::env::var_os("RUNTIME_DIRECTORY");
    let service = service.as_deref().and_then(|dirs| std::env::split_paths(dirs).next());
    let session = std::env::var_os("XDG_RUNTIME_DIR").map(PathBuf::from);
    let system = host::is_root().then(|| PathBuf::from("/run"));
    let shared = PathBuf::from("/dev/shm");
    let all = service.into_iter().chain(session).chain(system).chain([shared]);
    all.filter(|path| path.is_absolute() && is_in_memory(path)).collect()
}

/// The same, and those of services and other users, as far as this user may read them.
fn shared_bases() -> Vec<PathBuf> {
    let below = |folder: &str| {
        let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
        entries.map(|entry| entry.path()).collect::<Vec<_>>()
    };
    let mut all = bases();
    all.push(PathBuf::from("/run"));
    all.extend(below("/run/counterfoil"));
    all.extend(below("/run/user"));
    all
}

fn is_in_memory(path: &Path) -> bool {
    rustix::fs::statfs(path).is_ok_and(|facts| IN_MEMORY.contains(&(facts.f_type as u32)))
}

fn no_memory() -> DiskError {
    DiskError::with("find", "a folder in memory", Errno::NOENT, ErrorKind::Other)
}
