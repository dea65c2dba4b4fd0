//! How much is written to the device beneath a folder, and what the device says of its wear. Only reads what the kernel
//! has in memory; what is not there, or is no number, is not known.

use super::system::System;
use crate::model::Wear;
use std::path::Path;

/// A file of one value is no longer than this, in bytes: sysfs gives a page.
const VALUE_BYTES: u64 = 4 << 10;
/// The kernel counts sectors of 512 bytes whatever the device's are (Documentation/block/stat.rst).
const SECTOR: u64 = 512;
/// The column of the sectors written (the same).
const SECTORS_WRITTEN: usize = 6;

/// What kind of flash a slot for memory cards has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CardKind {
    /// A chip that keeps count of its wear.
    Emmc,
    /// A card that does not.
    Sd,
}

/// What the kernel knows of the device beneath a folder.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct DeviceUse {
    /// Bytes written to the disk beneath since it was attached, by everybody: of several the most; of an ext4 whose
    /// disk has no such count, since it was mounted.
    pub written: Option<u64>,
    /// Bytes written to the file system since it was made, if it is an ext4.
    pub written_ever: Option<u64>,
    /// The kind of memory card, if it is one.
    pub kind: Option<CardKind>,
    /// What an eMMC says; the worse of several.
    pub wear: Wear,
}

impl System {
    /// The use of the device that is mounted at a path.
    pub fn device_use(&self, device: (u32, u32), at: &Path) -> DeviceUse {
        let ext4 = |file: &str| {
            // The kernel's name of the file system is that of its device (Documentation/ABI/testing/sysfs-fs-ext4).
            let device = self.device(device)?;
            let folder = Path::new("sys/fs/ext4").join(device.kernel_name()?);
            let kilobytes = number(&self.value(&folder.join(file)))?;
            kilobytes.checked_mul(1024)
        };
        let mut found =
            DeviceUse { written_ever: ext4("lifetime_write_kbytes"), ..DeviceUse::default() };
        for disk in self.disks_beneath(device, at) {
            let stat = self.value(&disk.join("stat"));
            let sectors = stat.split_whitespace().nth(SECTORS_WRITTEN).and_then(number);
            let bytes = sectors.and_then(|sectors| sectors.checked_mul(SECTOR));
            // Of a mapping and the disk beneath it, the disk has all that went through the mapping.
            found.written = found.written.max(bytes);
            let kind = match self.value(&disk.join("device/type")).trim() {
                "MMC" => CardKind::Emmc,
                "SD" => CardKind::Sd,
                _ => continue,
            };
            found.kind = found.kind.or(Some(kind));
            let file = |name: &str| self.value(&disk.join("device").join(name));
            let wear = Wear::read(&file("life_time"), &file("pre_eol_info"));
            let (tenths, reserve) = (found.wear.tenths, found.wear.reserve);
            found.wear =
                Wear { tenths: tenths.max(wear.tenths), reserve: reserve.max(wear.reserve) };
        }
        found.written = found.written.or_else(|| ext4("session_write_kbytes"));
        found
    }

    /// Bytes that this process has had written to any device, sticks among them (proc_pid_io(5), `write_bytes`).
    pub fn written_by_this_process(&self) -> Option<u64> {
        let counts = self.value(Path::new("proc/self/io"));
        counts.lines().find_map(|line| number(line.strip_prefix("write_bytes:")?))
    }

    /// A small text, by its path from the root or with it; empty if it cannot be read.
    fn value(&self, at: &Path) -> String {
        let mut bytes = self.read(at);
        bytes.truncate(VALUE_BYTES as usize);
        String::from_utf8_lossy(&bytes).into_owned()
    }
}

fn number(text: &str) -> Option<u64> {
    text.trim().parse().ok()
}
