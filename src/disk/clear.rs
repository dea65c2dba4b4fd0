//! Empties a folder on a drive: files, links and folders below it, whatever they are, by handles and names. Never
//! follows a link, never leaves the folder's file system, never opens a file.

use super::openat::{self, DRIVE};
use crate::model::RelName;
use rustix::fd::{AsFd as _, BorrowedFd, OwnedFd};
use rustix::fs::{AtFlags, Mode, OFlags};
use rustix::io::Errno;
use std::ffi::CString;

/// Folders in folders, at most: each needs a handle. Ours are four deep.
const DEPTH_MAX: usize = 200;
/// Names taken at once.
const NAMES_MAX: usize = 1_000;

/// What is asked before each removal: whether to go on.
pub(super) type GoOn<'a> = dyn FnMut() -> bool + 'a;

/// Empties a folder, but for the entries right in it that are to be kept; an absent one is empty. `false` if it was
/// stopped.
pub(super) fn clear(
    root: BorrowedFd<'_>,
    at: &RelName,
    keep: &dyn Fn(&[u8]) -> bool,
    go_on: &mut GoOn<'_>,
) -> Result<bool, Errno> {
    let top = match openat::open_dir(root, Some(at), DRIVE) {
        Ok(top) => top,
        Err(Errno::NOENT) => return Ok(true),
        Err(errno) => return Err(errno),
    };
    // The folders from the top to the one that is being emptied; each but the first with its name in the one before.
    let mut way: Vec<(OwnedFd, Option<CString>)> = vec![(top, None)];
    while let Some((folder, name)) = way.last() {
        let names = match name {
            None => names(folder, keep)?,
            Some(_) => names(folder, &|_| false)?,
        };
        if names.is_empty() {
            let Some((_, Some(name))) = way.pop() else { return Ok(true) };
            if let Some((above, _)) = way.last() {
                rustix::fs::unlinkat(above, &name, AtFlags::REMOVEDIR)?;
            }
            continue;
        }
        let mut deeper = None;
        for name in names {
            if !go_on() {
                return Ok(false);
            }
            match rustix::fs::unlinkat(folder, &name, AtFlags::empty()) {
                Ok(()) | Err(Errno::NOENT) => {}
                Err(Errno::ISDIR | Errno::PERM) => {
                    deeper = Some((below(folder, &name)?, Some(name)));
                    break;
                }
                Err(errno) => return Err(errno),
            }
        }
        if let Some(deeper) = deeper {
            if way.len() >= DEPTH_MAX {
                return Err(Errno::LOOP);
            }
            way.push(deeper);
        }
    }
    Ok(true)
}

/// Opens a folder right in another one, on the same file system, by no link.
fn below(folder: &OwnedFd, name: &CString) -> Result<OwnedFd, Errno> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    rustix::fs::openat2(folder, name, flags, Mode::empty(), DRIVE)
}

fn names(folder: &OwnedFd, keep: &dyn Fn(&[u8]) -> bool) -> Result<Vec<CString>, Errno> {
    let mut names = Vec::new();
    for entry in rustix::fs::Dir::read_from(folder.as_fd())? {
        let entry = entry?;
        let name = entry.file_name();
        if ![c".", c".."].contains(&name) && !keep(name.to_bytes()) {
            names.push(name.to_owned());
            if names.len() >= NAMES_MAX {
                break;
            }
        }
    }
    Ok(names)
}
