//! Makes folders on the host with the owner of the folder above them: a mailbox that root restores belongs to the
//! operator. Never changes a folder that is there.

use super::error::DiskError;
use super::host::is_root;
use super::openat::{self, HOST};
use crate::model::{RelName, escape};
use rustix::fd::{AsFd as _, BorrowedFd};
use rustix::fs::{Gid, Mode, Stat, Uid};
use rustix::io::Errno;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// Makes a folder, and those above it that are missing, accessible to the owner alone.
pub(super) fn make_dirs_inheriting_owner(path: &Path) -> Result<(), DiskError> {
    let shown = escape::shown(path.as_os_str().as_bytes());
    let fail = |errno| DiskError::new("make folder", &shown, errno);
    let (above, name) = match (path.parent(), path.file_name()) {
        (Some(above), Some(name)) if above.as_os_str().is_empty() => (Path::new("."), name),
        (Some(above), Some(name)) => (above, name),
        // It ends in dots: where they lead is there as soon as what is before them is.
        (Some(above), None) => return make_missing(above),
        (None, _) => return Ok(()),
    };
    make_missing(above)?;
    let name = RelName::new(name.as_bytes()).map_err(|_| fail(Errno::INVAL))?;
    // By handles: the owner of the folder above may put something else in its place at any time.
    let above = openat::open_root_without_links(above).map_err(fail)?;
    match rustix::fs::mkdirat(&above, name.as_path(), Mode::RWXU) {
        Ok(()) => {}
        Err(Errno::EXIST) => return Ok(()),
        Err(errno) => return Err(fail(errno)),
    }
    let give = || {
        let made = openat::open_dir(above.as_fd(), Some(&name), HOST)?;
        match inherited_owner(&rustix::fs::fstat(&above)?) {
            Some(owner) => set_owner(made.as_fd(), owner),
            None => Ok(()),
        }
    };
    give().map_err(fail)
}

fn make_missing(path: &Path) -> Result<(), DiskError> {
    match openat::open_root_without_links(path) {
        Err(Errno::NOENT) => make_dirs_inheriting_owner(path),
        // Any other error is reported when it is opened.
        _ => Ok(()),
    }
}

/// The owner that a new entry of a folder must be given; `None` if this user may not change owners, or is that owner.
pub(super) fn inherited_owner(above: &Stat) -> Option<(Uid, Gid)> {
    let owner = (Uid::from_raw(above.st_uid), Gid::from_raw(above.st_gid));
    (is_root() && owner != (Uid::ROOT, Gid::ROOT)).then_some(owner)
}

pub(super) fn set_owner(made: BorrowedFd<'_>, (user, group): (Uid, Gid)) -> Result<(), Errno> {
    rustix::fs::fchown(made, Some(user), Some(group))
}
