//! Which drives die together with a card: those on its own device, whatever way leads there.
//! Asks the kernel alone, and never says more than it tells.

use super::mounts::System;
use super::volume::VolumeFacts;
use super::{MailboxDir, host};
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// Whether an open drive, found at a path, lies on the device of a mailbox: in the same file system, as by another
/// folder or a bind mount; or on the same disk, as on another partition of it, by a mapping, or in an image file on it.
/// `None` where the mailbox cannot be looked at.
pub fn same_device(mailbox: &Path, at: &Path, drive: &VolumeFacts) -> Option<bool> {
    let (device, _) = MailboxDir::open(mailbox).ok()?.identity().ok()?;
    if device == drive.device {
        return Some(true);
    }
    let system = System::host();
    let disks = system.disks_beneath(numbers(device), mailbox);
    Some(!disks.is_disjoint(&system.disks_beneath(numbers(drive.device), at)))
}

/// The plain folder that an open drive is in, to be known again: it is no mount point, and lies in a file system that
/// stays where it is, the system's own, or is told by its serial number. On a stick of any other kind two sticks in
/// turn at one mount point would show two drives in what seems one folder.
pub fn plain_folder(at: &Path, drive: &VolumeFacts) -> Option<Vec<u8>> {
    let path = host::resolved(at);
    if host::is_mount_point(&path) {
        return None;
    }
    let seen = MailboxDir::open(&path).ok()?.identity().ok()?;
    if seen != (drive.device, drive.root) {
        return None;
    }
    let file_system = match System::host().serial(numbers(drive.device)) {
        Some(serial) => serial,
        None if host::device_of(Path::new("/")) == Some(drive.device) => String::new(),
        None => return None,
    };
    Some([file_system.as_bytes(), b":", path.as_os_str().as_bytes()].concat())
}

/// Whether something is mounted at a path: then what is seen there is what is mounted, and no empty mount point.
pub fn is_mounted(at: &Path) -> bool {
    host::is_mount_point(&host::resolved(at))
}

/// Serial number of the file system that a path leads to, where the device manager knows it.
pub fn serial_below(path: &Path) -> Option<String> {
    System::host().serial(numbers(host::device_of(path)?))
}

fn numbers(device: u64) -> (u32, u32) {
    ((device >> 32) as u32, device as u32)
}
