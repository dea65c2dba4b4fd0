//! Which mounts are removable drives. In doubt a mount is none: what is not found can still be named.
//! Never goes by a disk's "removable" flag: it tells of a medium that can be taken out, as of a CD.

use super::system::{BlockDevice, System};
use crate::disk::host;
use crate::model::Medium;
use crate::model::limits::DRIVES_MAX;
use crate::model::mountinfo::Mount;
use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};

/// What the system needs to run: a disk that carries any of it dies with the system, or takes it along.
const SYSTEM: [&str; 6] = ["/", "/boot", "/boot/firmware", "/boot/efi", "/usr", "/var"];
/// Where a running system mounts the medium it was started from.
const START_MEDIA: [&str; 5] = ["/boot", "/efi", "/run/live", "/run/initramfs", "/lib/live"];

/// Tells one mount of one plugged-in device from every other in this boot.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct MountKey {
    /// Where.
    pub at: PathBuf,
    /// Number of the mount.
    pub mount: u64,
    /// Number of the device.
    pub device: (u32, u32),
    /// The kernel's count of disks.
    pub sequence: Option<u64>,
}

/// A removable drive that is mounted.
#[derive(Debug, Clone)]
pub struct Found {
    /// Where, on which device.
    pub key: MountKey,
    /// The device.
    pub device: BlockDevice,
    /// Serial number of the file system, where the device manager knows it.
    pub serial: Option<String>,
}

impl Found {
    /// The removable drive whose mount, of this number, is right there. A folder on it is none: there may be two drives
    /// on one stick.
    pub(in crate::disk) fn mounted_at(at: &Path, mount: u64) -> Option<Self> {
        let at = host::resolved(at);
        let found = host::is_mount_point(&at).then(|| Finder::new(System::host(), Vec::new()))?;
        found.find_at(&at).filter(|found| found.key.mount == mount)
    }

    /// The serial number of its file system. The device manager may have read it only after the drive was found, as
    /// early in a boot.
    pub(in crate::disk) fn serial_now(self) -> Option<String> {
        self.serial.or_else(|| System::host().serial(self.key.device))
    }
}

/// Finds removable drives.
pub struct Finder {
    system: System,
    keep_off: Vec<PathBuf>,
}

impl Finder {
    /// For a host; disks that hold any of `keep_off` (the mailboxes, the state) are no drives.
    pub fn new(system: System, keep_off: Vec<PathBuf>) -> Self {
        Self { system, keep_off }
    }

    /// The drives mounted now, in the order they were mounted, each once, at most [`DRIVES_MAX`].
    pub fn find(&self) -> Vec<Found> {
        let mut devices = BTreeSet::new();
        let mut found = self.every_place();
        found.retain(|drive| devices.insert(drive.key.device));
        found.truncate(DRIVES_MAX);
        found
    }

    /// The removable drive that is mounted right there, also where it was mounted elsewhere before.
    pub fn find_at(&self, at: &Path) -> Option<Found> {
        self.every_place().into_iter().find(|found| found.key.at == at)
    }

    /// Every place at which a removable drive is mounted.
    fn every_place(&self) -> Vec<Found> {
        let mounts = self.system.mounts();
        let (system, known) = self.system_disks(&mounts);
        let mut found = Vec::new();
        for mount in mounts.iter().filter(|mount| mount.may_be_a_stick()) {
            let Some(drive) = self.look(mount) else { continue };
            let pluggable = match drive.device.medium() {
                Medium::Usb => true,
                // Where it is not known which card the system is on, it may be this one.
                Medium::Card => known,
                Medium::Other => false,
            };
            if pluggable && drive.device.disks().is_disjoint(&system) {
                found.push(drive);
            }
        }
        found
    }

    /// A mount with its device, if it is seen where it says and its device is plugged in.
    fn look(&self, mount: &Mount) -> Option<Found> {
        let at = PathBuf::from(OsStr::from_bytes(&mount.at));
        if at == Path::new("/") || START_MEDIA.iter().any(|place| at.starts_with(place)) {
            return None;
        }
        // In a service's own view of the file system the same mount is listed twice, once covered.
        if self.system.seen_at(&at) != Some(mount.id) {
            return None;
        }
        let device = self.system.device_of(mount)?;
        let serial = self.system.serial(device.number);
        let key =
            MountKey { at, mount: mount.id, device: device.number, sequence: device.sequence };
        Some(Found { key, device, serial })
    }

    /// The disks that are not to be touched, and whether the one behind `/` is among them.
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
        let others = SYSTEM.iter().map(Path::new).chain(self.keep_off.iter().map(PathBuf::as_path));
        disks.extend(others.filter_map(beneath).flatten());
        (disks, known)
    }
}
