//! Which disks a path lies on in the end: through partitions, mappings and image files.
//! A disk is named only if the kernel's files show it; in doubt there is none.

use super::system::{BlockDevice, System};
use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};

/// Image files within image files are followed this deep.
const IMAGES_DEPTH: u32 = 4;

impl System {
    /// The disks beneath a device that is mounted at a path. The device of a file system that hides its number (btrfs)
    /// is found by its mount.
    pub fn disks_beneath(&self, device: (u32, u32), at: &Path) -> BTreeSet<PathBuf> {
        let device = if device.0 == 0 { self.device_at(at) } else { self.device(device) };
        self.disks_of(device, IMAGES_DEPTH)
    }

    fn disks_of(&self, device: Option<BlockDevice>, depth: u32) -> BTreeSet<PathBuf> {
        let mut disks = device.map(|device| device.disks()).unwrap_or_default();
        let images: Vec<_> = disks.iter().filter_map(|disk| image_file(disk)).collect();
        for image in images.iter().filter(|_| depth > 0) {
            disks.extend(self.disks_of(self.device_at(image), depth - 1));
        }
        disks
    }

    fn device_at(&self, path: &Path) -> Option<BlockDevice> {
        let id = path.ancestors().find_map(|above| self.seen_at(above))?;
        let mount = self.mounts().into_iter().find(|mount| mount.id == id)?;
        self.device_of(&mount)
    }
}

/// The file whose contents a loop device shows (the kernel's Documentation/ABI/testing/sysfs-block-loop).
fn image_file(disk: &Path) -> Option<PathBuf> {
    let name = std::fs::read(disk.join("loop/backing_file")).ok()?;
    let name = name.strip_suffix(b"\n").unwrap_or(&name);
    name.starts_with(b"/").then(|| PathBuf::from(OsStr::from_bytes(name)))
}
