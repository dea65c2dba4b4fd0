//! The kernel's files on mounts and block devices, below one root so that tests can use their own.
//! Only reads, and only what the kernel has in memory: a device that hangs does not hang this.

use crate::model::Medium;
use crate::model::mountinfo::{self, Mount};
use rustix::fs::{AtFlags, CWD, StatxFlags};
use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::io::Read as _;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};

/// Tables are read up to this length, in bytes: a thousand times that of a station.
const TABLE_BYTES: u64 = 4 << 20;
/// Devices beneath devices are followed this deep: encryption over a volume group over an array.
const SLAVES_DEPTH: u32 = 8;

type SeenMount = dyn Fn(&Path) -> Option<u64> + Send + Sync;

/// The root of the kernel's files, and how the mount at a path is found.
pub struct System {
    root: PathBuf,
    seen: Box<SeenMount>,
}

impl System {
    /// This host.
    pub fn host() -> Self {
        Self { root: "/".into(), seen: Box::new(mount_seen_at) }
    }

    /// Files made by a test; `seen` returns the number of the mount that is visible at a path.
    pub fn at(
        root: impl Into<PathBuf>,
        seen: impl Fn(&Path) -> Option<u64> + Send + Sync + 'static,
    ) -> Self {
        Self { root: root.into(), seen: Box::new(seen) }
    }

    /// The table of mounts.
    pub(super) fn mounts(&self) -> Vec<Mount> {
        mountinfo::parse(&self.read("proc/self/mountinfo"))
    }

    /// The number of the mount that is visible at a path: the last one there, which covers the others.
    pub(super) fn seen_at(&self, path: &Path) -> Option<u64> {
        (self.seen)(path)
    }

    /// The device of a mount, even if the file system hides its number (btrfs).
    pub(super) fn device_of(&self, mount: &Mount) -> Option<BlockDevice> {
        if mount.device.0 != 0 {
            return self.device(mount.device);
        }
        let name = mount.source.strip_prefix(b"/dev/")?;
        if name.contains(&b'/') {
            return None;
        }
        let numbers =
            self.read(Path::new("sys/class/block").join(OsStr::from_bytes(name)).join("dev"));
        let text = std::str::from_utf8(&numbers).ok()?;
        let (major, minor) = text.trim().split_once(':')?;
        self.device((major.parse().ok()?, minor.parse().ok()?))
    }

    /// A block device by its number.
    pub fn device(&self, (major, minor): (u32, u32)) -> Option<BlockDevice> {
        let link = self.root.join(format!("sys/dev/block/{major}:{minor}"));
        let path = std::fs::canonicalize(&link).ok()?;
        let whole = whole_disk(&path);
        let sequence = sequence(&whole);
        Some(BlockDevice { number: (major, minor), link, path, whole, sequence })
    }

    /// The serial number of the file system on a device, as the device manager has read it.
    pub(in crate::disk) fn serial(&self, (major, minor): (u32, u32)) -> Option<String> {
        let record = self.read(format!("run/udev/data/b{major}:{minor}"));
        let line = record.split(|&b| b == b'\n').find_map(|l| l.strip_prefix(b"E:ID_FS_UUID="))?;
        let serial = std::str::from_utf8(line).ok()?;
        let plain = |c: char| c.is_ascii_alphanumeric() || c == '-';
        let good = !serial.is_empty() && serial.len() <= 64 && serial.chars().all(plain);
        good.then(|| serial.to_owned())
    }

    /// The whole disks used for swapping.
    pub(super) fn swap_disks(&self) -> BTreeSet<PathBuf> {
        let table = self.read("proc/swaps");
        let mut disks = BTreeSet::new();
        for line in table.split(|&b| b == b'\n').skip(1) {
            let path = line.split(|b| b.is_ascii_whitespace()).next().unwrap_or_default();
            if let Some(name) = path.strip_prefix(b"/dev/") {
                let device = self.root.join("sys/class/block").join(OsStr::from_bytes(name));
                disks.extend(std::fs::canonicalize(device).map(|path| whole_disk(&path)));
            }
        }
        disks
    }

    pub(super) fn read(&self, below: impl AsRef<Path>) -> Vec<u8> {
        let mut bytes = Vec::new();
        let file = std::fs::File::open(self.root.join(below));
        // What cannot be read counts as empty: then nothing that needs it counts as a drive.
        match file.and_then(|file| file.take(TABLE_BYTES).read_to_end(&mut bytes)) {
            Ok(_) => bytes,
            Err(_) => Vec::new(),
        }
    }
}

/// Gets only the number, without a request to the file system: one that hangs would not answer.
fn mount_seen_at(path: &Path) -> Option<u64> {
    let flags = AtFlags::STATX_DONT_SYNC | AtFlags::NO_AUTOMOUNT;
    let x = rustix::fs::statx(CWD, path, flags, StatxFlags::MNT_ID).ok()?;
    let has_number = StatxFlags::from_bits_retain(x.stx_mask).contains(StatxFlags::MNT_ID);
    has_number.then_some(x.stx_mnt_id)
}

/// The kernel's number of a disk, if it numbers them.
fn sequence(whole: &Path) -> Option<u64> {
    std::fs::read_to_string(whole.join("diskseq")).ok()?.trim().parse().ok()
}

fn whole_disk(device: &Path) -> PathBuf {
    match (device.join("partition").exists(), device.parent()) {
        (true, Some(disk)) => disk.to_owned(),
        _ => device.to_owned(),
    }
}

/// A block device in sysfs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BlockDevice {
    /// Major and minor number; another device may get them after this one is gone.
    pub number: (u32, u32),
    /// The kernel's number of the disk, unique in one boot; kernels before 5.15 have none.
    pub sequence: Option<u64>,
    link: PathBuf,
    path: PathBuf,
    whole: PathBuf,
}

impl BlockDevice {
    /// Whether it is still plugged in. A pulled stick vanishes from sysfs at once, while its mount stays listed.
    pub fn is_there(&self) -> bool {
        std::fs::canonicalize(&self.link).is_ok_and(|path| path == self.path)
            && (self.sequence.is_none() || sequence(&self.whole) == self.sequence)
    }

    /// Its name in the kernel, as `mmcblk0p2`.
    pub(super) fn kernel_name(&self) -> Option<&OsStr> {
        self.path.file_name()
    }

    /// The disks beneath it, through any mapping: itself, or the disk of which it is a partition.
    pub(super) fn disks(&self) -> BTreeSet<PathBuf> {
        let mut disks = BTreeSet::new();
        collect_disks(&self.path, SLAVES_DEPTH, &mut disks);
        disks
    }

    /// How it is connected.
    pub fn medium(&self) -> Medium {
        let above =
            self.path.ancestors().filter_map(|dir| std::fs::read_link(dir.join("subsystem")).ok());
        let known = |link: PathBuf| match link.file_name()?.as_bytes() {
            b"usb" => Some(Medium::Usb),
            b"mmc" => Some(Medium::Card),
            _ => None,
        };
        above.filter_map(known).next().unwrap_or(Medium::Other)
    }
}

fn collect_disks(device: &Path, depth: u32, disks: &mut BTreeSet<PathBuf>) {
    disks.insert(whole_disk(device));
    let Ok(slaves) = std::fs::read_dir(device.join("slaves")) else { return };
    for slave in slaves.flatten().filter_map(|entry| std::fs::canonicalize(entry.path()).ok()) {
        if depth > 0 {
            collect_disks(&slave, depth - 1, disks);
        }
    }
}
