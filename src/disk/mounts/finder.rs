//! Which mounts are removable drives. In doubt a mount is none: the operator can still name it in the config.
//! Ignores a disk's "removable" flag, which means that its medium can be taken out, as a CD can.

use super::system::{BlockDevice, System};
use crate::disk::host;
use crate::model::Medium;
use crate::model::limits::DRIVES_MAX;
use crate::model::mountinfo::Mount;
use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};

/// What the system needs to run: a disk that holds any of it fails with the system, or the system with it.
const SYSTEM: [&str; 6] = ["/", "/boot", "/boot/firmware", "/boot/efi", "/usr", "/var"];
/// Where a running system mounts the medium from which it was started.
const START_MEDIA: [&str; 5] = ["/boot", "/efi", "/run/live", "/run/initramfs", "/lib/live"];

/// Distinguishes one mount of one plugged-in device from every other in this boot.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct MountKey {
    /// Where it is mounted, from the root of the host.
    pub mount_point: PathBuf,
    /// Number of the mount.
    pub mount: u64,
    /// Number of the device.
    pub device: (u32, u32),
    /// The kernel's number of the disk ([`BlockDevice::sequence`]).
    pub sequence: Option<u64>,
}

/// A removable drive that is mounted.
#[derive(Debug, Clone)]
pub struct MountedDrive {
    /// Where it is mounted, and which device.
    pub key: MountKey,
    /// As sysfs describes it.
    pub device: BlockDevice,
    /// Serial number of the file system, if the device manager knows it.
    pub serial: Option<String>,
}

impl MountedDrive {
    /// The removable drive whose mount, with this number, is exactly at a path. A folder on it is none: one stick may
    /// have two drives.
    pub(in crate::disk) fn mounted_at(at: &Path, mount: u64) -> Option<Self> {
        let at = host::resolved(at);
        let found = host::is_mount_point(&at).then(|| Finder::new(System::host(), Vec::new()))?;
        found.find_at(&at).filter(|found| found.key.mount == mount)
    }

    /// The serial number of its file system. Early in a boot the device manager may read it only after the drive was
    /// found.
    pub(in crate::disk) fn serial_now(self) -> Option<String> {
        self.serial.or_else(|| System::host().serial(self.key.device))
    }
}

/// Finds removable drives.
pub struct Finder {
    system: System,
    excluded: Vec<PathBuf>,
}

impl Finder {
    /// A finder for a host; disks that hold any of `not_beneath` (the mailboxes, the state) are no drives.
    pub fn new(system: System, excluded: Vec<PathBuf>) -> Self {
        Self { system, excluded }
    }

    /// The drives mounted now, in the order of their mounts, each once, at most [`DRIVES_MAX`].
    pub fn find(&self) -> Vec<MountedDrive> {
        let mut devices = BTreeSet::new();
        let mut found = self.all_mounts();
        found.retain(|drive| devices.insert(drive.key.device));
        found.truncate(DRIVES_MAX);
        found
    }

    /// The removable drive that is mounted exactly at a path, even if it is mounted elsewhere too.
    pub fn find_at(&self, at: &Path) -> Option<MountedDrive> {
        self.all_mounts().into_iter().find(|found| found.key.mount_point == at)
    }

    /// All mounts of removable drives.
    fn all_mounts(&self) -> Vec<MountedDrive> {
        let mounts = self.system.mounts();
        let (system, known) = self.system_disks(&mounts);
        let mut found = Vec::new();
        for mount in mounts.iter().filter(|mount| mount.may_be_a_stick()) {
            let Some(drive) = self.drive_of(mount) else { continue };
            let pluggable = match drive.device.medium() {
                Medium::Usb => true,
                // If it is not known which card the system is on, it may be this one.
                Medium::Card => known,
                Medium::Other => false,
            };
            if pluggable && drive.device.disks().is_disjoint(&system) {
                found.push(drive);
            }
        }
        found
    }

    /// The drive of a mount, if no other mount covers it and its device is plugged in.
    fn drive_of(&self, mount: &Mount) -> Option<MountedDrive> {
        let at = PathBuf::from(OsStr::from_bytes(&mount.mount_point));
        if at == Path::new("/") || START_MEDIA.iter().any(|media| at.starts_with(media)) {
            return None;
        }
        // In a service's own mount namespace the same mount is listed twice, once covered.
        if self.system.seen_at(&at) != Some(mount.id) {
            return None;
        }
        let device = self.system.device_of(mount)?;
        let serial = self.system.serial(device.number);
        let key = MountKey {
            mount_point: at,
            mount: mount.id,
            device: device.number,
            sequence: device.sequence,
        };
        Some(MountedDrive { key, device, serial })
    }

    /// The disks that are no drives, and whether the one with `/` is known.
    fn system_disks(&self, mounts: &[Mount]) -> (BTreeSet<PathBuf>, bool) {
        let mut disks = self.system.swap_disks();
        let beneath = |path: &Path| {
            let id = path.ancestors().find_map(|above| self.system.seen_at(above))?;
            let mount = mounts.iter().find(|mount| mount.id == id)?;
            Some(self.system.device_of(mount)?.disks())
        };
        let root = beneath(Path::new("/"));
        let known = root.is_some();
        disks.extend(root.into_iter().flatten());
        let others = SYSTEM.iter().map(Path::new).chain(self.excluded.iter().map(PathBuf::as_path));
        disks.extend(others.filter_map(beneath).flatten());
        (disks, known)
    }
}
