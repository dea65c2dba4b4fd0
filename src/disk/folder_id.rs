//! Which folder of which mount a path leads to. Never accesses the medium for it.

use super::mounts::System;
use rustix::fd::AsFd;
use rustix::fs::{AtFlags, StatxFlags};
use rustix::io::Errno;

/// What tells a folder from every other.
pub(super) struct FolderId {
    /// Its device as in [`super::VolumeFacts::device`].
    pub(super) device: u64,
    /// Tells the folder from another one at the same path.
    pub(super) inode: u64,
    /// Number of its mount.
    pub(super) mount: u64,
    /// Device, inode and mount, and whether the kernel has the device: distinguishes a drive from the empty mount point
    /// that remains after it, and from the next drive that gets the same numbers.
    pub(super) name: String,
}

pub(super) fn identify(
    dir: impl AsFd,
    path: impl rustix::path::Arg,
    flags: AtFlags,
) -> Result<FolderId, Errno> {
    let x = rustix::fs::statx(dir, path, flags, StatxFlags::BASIC_STATS | StatxFlags::MNT_ID)?;
    let device = u64::from(x.stx_dev_major) << 32 | u64::from(x.stx_dev_minor);
    let plugged = match System::host().device((x.stx_dev_major, x.stx_dev_minor)) {
        Some(device) => device.sequence.map_or("here".to_owned(), |n| n.to_string()),
        None => "none".to_owned(),
    };
    let name = format!("{device:x}.{:x}.{:x}.{plugged}", x.stx_ino, x.stx_mnt_id);
    Ok(FolderId { device, inode: x.stx_ino, mount: x.stx_mnt_id, name })
}
