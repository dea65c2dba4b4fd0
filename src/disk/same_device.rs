//! Which drives fail together with a card: those on the card's own device, by whatever path.
//! Uses the kernel's information only, and claims no more than it gives.

use super::mounts::{DeviceUse, System};
use super::volume::VolumeFacts;
use super::{MailboxDir, host};
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// Whether an open drive, at a path, lies on the device of a mailbox: in the same file system, as another folder or a
/// bind mount does; or on the same disk, as another partition, a mapping or an image file on it does. `None` if the
/// mailbox cannot be opened.
pub fn same_device(mailbox: &Path, at: &Path, drive: &VolumeFacts) -> Option<bool> {
    let (device, _) = MailboxDir::open(mailbox).ok()?.identity().ok()?;
    if device == drive.device {
        return Some(true);
    }
    let system = System::host();
    let disks = system.disks_beneath(numbers(device), mailbox);
    Some(!disks.is_disjoint(&system.disks_beneath(numbers(drive.device), at)))
}

/// A name by which the plain folder of an open drive is recognised later: it is no mount point, and its file system is
/// the system's own or has a serial number. Otherwise two sticks used in turn at one mount point would show two drives
/// in what seems one folder; so for them there is none.
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

/// Whether something is mounted at a path, so that what is there is no empty mount point.
pub fn is_mounted(at: &Path) -> bool {
    host::is_mount_point(&host::resolved(at))
}

/// Serial number of the file system at a path, if the device manager knows it.
pub fn serial_below(path: &Path) -> Option<String> {
    System::host().serial(numbers(host::device_of(path)?))
}

/// The use of the device beneath a path; nothing is known of one that cannot be opened.
pub fn device_use(path: &Path) -> DeviceUse {
    let device = host::device_of(path).map(numbers);
    device.map_or_else(DeviceUse::default, |device| System::host().device_use(device, path))
}

fn numbers(device: u64) -> (u32, u32) {
    ((device >> 32) as u32, device as u32)
}
