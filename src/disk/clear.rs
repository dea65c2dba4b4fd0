//! Empties a folder on a drive: removes files, links and folders below it, of whatever kind, by handles and names.
//! Never follows a link, leaves the folder's file system, or opens a file.

use super::openat::{self, DRIVE};
use crate::model::RelName;
use rustix::fd::{AsFd as _, BorrowedFd, OwnedFd};
use rustix::fs::{AtFlags, Mode, OFlags};
use rustix::io::Errno;
use std::ffi::CString;

/// The deepest nesting of folders that is emptied: each level needs a handle. Our own folders are four deep.
const DEPTH_MAX: usize = 200;
/// Names read from a folder at a time.
const NAMES_MAX: usize = 1_000;

/// Called before each removal: whether to continue.
pub(super) type GoOn<'a> = dyn FnMut() -> bool + 'a;

/// Empties a folder, except for the entries directly in it that `keep` names; an absent folder counts as empty. Returns
/// `false` if `go_on` stopped it.
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
    // The folders from the top to the one that is being emptied, each but the first with its name in its parent.
    let mut open: Vec<(OwnedFd, Option<CString>)> = vec![(top, None)];
    while let Some((folder, name)) = open.last() {
        let names = match name {
            None => names(folder, keep)?,
            Some(_) => names(folder, &|_| false)?,
        };
        if names.is_empty() {
            let Some((_, Some(name))) = open.pop() else { return Ok(true) };
            if let Some((above, _)) = open.last() {
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
            if open.len() >= DEPTH_MAX {
                return Err(Errno::LOOP);
            }
            open.push(deeper);
        }
    }
    Ok(true)
}

/// Opens a folder directly in another one, on the same file system, and not through a link.
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
