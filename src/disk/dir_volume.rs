//! The real drive: a folder, usually the mount point of a removable file system.
//! Never opens anything by path: every call uses the handle of the root, which is opened at the start.

use super::drive_file::{DriveFile, hollow_file_error};
use super::error::DiskError;
use super::error::ErrorKind::{Failing, Gone};
use super::folder_id::{FolderId, identify};
use super::mounts::{MountedDrive, System};
use super::new_folder::{inherited_owner, set_owner};
use super::openat::{self, DRIVE, TracelessReading};
use super::volume::{
    Access, Entry, EntryKind, Lengths, ReadFrom, Sink, Source, Volume, VolumeFacts, VolumeSource,
};
use crate::model::limits::{BATCH_MESSAGES_MAX, HOLLOW_FROM, HOLLOW_TIMES, LEDGER_JUNK_BYTES};
use crate::model::{Medium, PayloadName, RelName, escape};
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{
    AtFlags, FallocateFlags, FileType, FlockOperation, OFlags, Stat, StatVfsMountFlags, StatxFlags,
};
use rustix::io::Errno;
use rustix::process::{Gid, Uid};
use std::collections::HashSet;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

/// File system number of FAT in `statfs` (statfs(2)).
const FAT: i64 = 0x4d44;
/// Longest file on FAT32, in bytes (FAT specification 1.03).
const FAT_LONGEST: u64 = 4_294_967_295;

/// A folder in which there may be a drive.
#[derive(Debug, Clone)]
pub struct DirVolumeSource {
    path: PathBuf,
    /// If a removable drive was found in the folder: the only mount that is opened.
    only: Option<MountedDrive>,
}

impl DirVolumeSource {
    /// For a named folder: whatever is there.
    pub fn new(path: impl Into<PathBuf>) -> Self {
        Self { path: path.into(), only: None }
    }

    /// For a removable drive: that mount of that device, and nothing else that may be mounted there later.
    pub fn of_mounted(found: MountedDrive) -> Self {
        Self { path: found.key.mount_point.clone(), only: Some(found) }
    }

    fn check(&self, folder: &FolderId) -> Result<(), Errno> {
        let Some(only) = &self.only else { return Ok(()) };
        let same = folder.mount == only.key.mount && only.device.is_there();
        if same { Ok(()) } else { Err(Errno::NODEV) }
    }
}

impl VolumeSource for DirVolumeSource {
    fn open_unlatched(&self, access: Access) -> Result<Box<dyn Volume>, DiskError> {
        Ok(Box::new(DirVolume::open(self, access)?))
    }

    fn still_present(&self, facts: &VolumeFacts) -> bool {
        let flags = AtFlags::STATX_DONT_SYNC | AtFlags::NO_AUTOMOUNT;
        match identify(rustix::fs::CWD, self.path.as_path(), flags) {
            Ok(folder) => self.check(&folder).is_ok() && folder.name == facts.mount,
            Err(_) => false,
        }
    }

    fn shown(&self) -> String {
        escape::shown(self.path.as_os_str().as_bytes())
    }
}

struct DirVolume {
    /// Opened before the first write, so that `syncfs` reports every write error since.
    root: OwnedFd,
    volume_source: DirVolumeSource,
    facts: VolumeFacts,
    fat: bool,
    /// Size of the file system, in bytes: no file of ours can be longer.
    capacity: u64,
    reading: TracelessReading,
    /// No name on it can lead to a device.
    has_no_devices: bool,
    /// Files made since it was opened and not read yet.
    made: Mutex<HashSet<RelName>>,
    /// Who gets what root makes here, so that the owner's daemon continues with it; none if root is the owner.
    owner: Option<(Uid, Gid)>,
}

/// Files whose making is remembered until they are read back: two of the largest batches.
const MADE_MAX: usize = 2 * BATCH_MESSAGES_MAX;

/// The longest file that may be written, in bytes: the limit of the file system, or that of this process (setrlimit(2),
/// RLIMIT_FSIZE), since a write beyond it would kill the program.
fn longest_file(fat: bool) -> u64 {
    let own = rustix::process::getrlimit(rustix::process::Resource::Fsize).current;
    let longest = if fat { FAT_LONGEST } else { i64::MAX as u64 };
    own.map_or(longest, |own| own.min(longest))
}

fn medium_of(device: u64) -> Medium {
    let device = System::host().device(((device >> 32) as u32, device as u32));
    device.map_or(Medium::Other, |device| device.medium())
}

/// How the device of a path is connected.
pub fn medium_below(path: &Path) -> Medium {
    identify(rustix::fs::CWD, path, AtFlags::empty())
        .map_or(Medium::Other, |folder| medium_of(folder.device))
}

impl DirVolume {
    fn open(volume_source: &DirVolumeSource, access: Access) -> Result<Self, DiskError> {
        let shown = volume_source.shown();
        let fail = |errno| DiskError::new("open drive", &shown, errno);
        let root = openat::open_root(&volume_source.path).map_err(fail)?;
        let folder = identify(&root, "", AtFlags::EMPTY_PATH).map_err(fail)?;
        volume_source.check(&folder).map_err(fail)?;
        if access == Access::Write {
            // Held as long as the volume is open; the kernel releases it however the process ends.
            rustix::fs::flock(&root, FlockOperation::NonBlockingLockExclusive).map_err(fail)?;
        }
        let fs = rustix::fs::fstatfs(&root).map_err(fail)?;
        let vfs = rustix::fs::fstatvfs(&root).map_err(fail)?;
        let owner = inherited_owner(&rustix::fs::fstat(&root).map_err(fail)?);
        let fat = fs.f_type as i64 == FAT;
        let found = volume_source
            .only
            .clone()
            .or_else(|| MountedDrive::mounted_at(&volume_source.path, folder.mount));
        let facts = VolumeFacts {
            shown,
            mount: folder.name,
            longest_file: longest_file(fat),
            read_only: vfs.f_flag.contains(StatVfsMountFlags::RDONLY),
            readers: 2,
            device: folder.device,
            root: folder.inode,
            serial: found.and_then(MountedDrive::serial_now),
            medium: medium_of(folder.device),
        };
        Ok(Self {
            root,
            volume_source: volume_source.clone(),
            facts,
            fat,
            capacity: vfs.f_blocks.saturating_mul(vfs.f_frsize),
            reading: TracelessReading::default(),
            has_no_devices: fat || vfs.f_flag.contains(StatVfsMountFlags::NODEV),
            made: Mutex::default(),
            owner,
        })
    }

    fn give_to_owner(&self, made: BorrowedFd<'_>) -> Result<(), Errno> {
        let Some(owner) = self.owner else { return Ok(()) };
        let now = rustix::fs::fstat(made)?;
        // If the file system has no owners, both are those of the mount options.
        match (now.st_uid, now.st_gid) == (owner.0.as_raw(), owner.1.as_raw()) {
            true => Ok(()),
            false => set_owner(made, owner),
        }
    }

    /// Opens a file for reading. What comes from a stranger is checked before it is opened, unless it can be no device.
    fn open_to_read(&self, at: &RelName) -> Result<(OwnedFd, Stat), DiskError> {
        let is_own = || self.made.lock().is_ok_and(|mut made| made.remove(at));
        match self.has_no_devices || is_own() {
            true => self.reading.open_known_file(self.root.as_fd(), at, DRIVE),
            false => self.reading.open_file(self.root.as_fd(), at, DRIVE),
        }
    }

    fn fail(&self, operation: &'static str, at: &RelName, errno: Errno) -> DiskError {
        DiskError::new(operation, format_args!("{} on {}", at, self.facts.shown), errno)
    }

    /// Bytes in use on the whole file system.
    fn in_use(&self) -> Result<u64, DiskError> {
        let fs = rustix::fs::fstatvfs(&self.root)
            .map_err(|errno| DiskError::new("measure room on", &self.facts.shown, errno))?;
        Ok(fs.f_blocks.saturating_sub(fs.f_bfree).saturating_mul(fs.f_frsize))
    }

    /// Writes into an existing file and returns it.
    fn write_over(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<OwnedFd, DiskError> {
        let (fd, stat) = openat::open_file(self.root.as_fd(), at, OFlags::WRONLY, DRIVE)?;
        if offset > openat::facts(&stat).bytes {
            return Err(self.fail("write", at, Errno::INVAL));
        }
        // No file of ours has a second name; with one, this would write into somebody else's file.
        if stat.st_nlink > 1 {
            return Err(self.fail("write", at, Errno::MLINK));
        }
        let written = openat::write_all(fd.as_fd(), bytes, offset);
        written.map(|()| fd).map_err(|errno| self.fail("write", at, errno))
    }

    /// Opens a folder to be listed; `None` if it is not there.
    fn folder(&self, at: &RelName) -> Result<Option<OwnedFd>, DiskError> {
        match openat::open_dir(self.root.as_fd(), Some(at), DRIVE) {
            Ok(dir) => Ok(Some(dir)),
            Err(Errno::NOENT) => Ok(None),
            Err(errno) => Err(self.fail("list", at, errno)),
        }
    }
}

impl Volume for DirVolume {
    fn facts(&self) -> &VolumeFacts {
        &self.facts
    }

    fn present(&self) -> Result<(), DiskError> {
        let fail = |errno| DiskError::with("look for drive", &self.facts.shown, errno, Gone);
        match self.volume_source.still_present(&self.facts) {
            true => Ok(()),
            false => Err(fail(Errno::NODEV)),
        }
    }

    fn room(&self) -> Result<u64, DiskError> {
        let fs = rustix::fs::fstatvfs(&self.root)
            .map_err(|errno| DiskError::new("measure room on", &self.facts.shown, errno))?;
        Ok(fs.f_bavail.saturating_mul(fs.f_frsize))
    }

    fn make_dir(&self, at: &RelName) -> Result<(), DiskError> {
        openat::make_dirs(self.root.as_fd(), at, 0o755, DRIVE, &mut |made| self.give_to_owner(made))
    }

    fn list(&self, at: &RelName, most: usize) -> Result<Vec<Entry>, DiskError> {
        let fail = |errno| self.fail("list", at, errno);
        let Some(dir) = self.folder(at)? else { return Ok(Vec::new()) };
        let mut entries = Vec::new();
        for entry in rustix::fs::Dir::new(dir).map_err(fail)? {
            let entry = entry.map_err(fail)?;
            let name = entry.file_name().to_bytes();
            if name == b"." || name == b".." {
                continue;
            }
            if entries.len() >= most {
                break;
            }
            let kind = match entry.file_type() {
                FileType::RegularFile => EntryKind::File,
                FileType::Directory => EntryKind::Folder,
                _ => EntryKind::Other,
            };
            entries.push(Entry { name: name.to_vec(), kind });
        }
        Ok(entries)
    }

    fn lengths(&self, at: &RelName, most: usize) -> Result<Lengths, DiskError> {
        let fail = |errno| self.fail("list", at, errno);
        let Some(dir) = self.folder(at)? else { return Ok(Vec::new()) };
        let mut files = Vec::new();
        // A second handle, since the first one is used for the files while this one is read.
        let names = rustix::io::fcntl_dupfd_cloexec(&dir, 0).map_err(fail)?;
        for entry in rustix::fs::Dir::new(names).map_err(fail)? {
            let entry = entry.map_err(fail)?;
            if entry.file_type() != FileType::RegularFile {
                continue;
            }
            if files.len() >= most {
                break;
            }
            // Neither followed nor opened: opening costs several times as much.
            let flags =
                AtFlags::SYMLINK_NOFOLLOW | AtFlags::NO_AUTOMOUNT | AtFlags::STATX_DONT_SYNC;
            let name = entry.file_name();
            match rustix::fs::statx(&dir, name, flags, StatxFlags::TYPE | StatxFlags::SIZE) {
                Ok(x) if FileType::from_raw_mode(x.stx_mode.into()) == FileType::RegularFile => {
                    files.push((name.to_bytes().to_vec(), x.stx_size));
                }
                // It has vanished since, or something else has its name now.
                Ok(_) | Err(Errno::NOENT) => {}
                Err(errno) => return Err(fail(errno)),
            }
        }
        Ok(files)
    }

    fn length(&self, at: &RelName) -> Result<Option<u64>, DiskError> {
        match openat::stat_file(self.root.as_fd(), at, DRIVE) {
            Ok(stat) => Ok(Some(openat::facts(&stat).bytes)),
            Err(error) if error.errno == Errno::NOENT => Ok(None),
            Err(error) => Err(error),
        }
    }

    fn create(&self, at: &RelName) -> Result<Box<dyn Sink>, DiskError> {
        let flags = OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL;
        let fd = openat::open(self.root.as_fd(), at, flags, DRIVE)
            .map_err(|errno| self.fail("create", at, errno))?;
        self.give_to_owner(fd.as_fd()).map_err(|errno| self.fail("create", at, errno))?;
        if !self.has_no_devices
            && let Ok(mut made) = self.made.lock()
        {
            if made.len() >= MADE_MAX {
                made.clear();
            }
            made.insert(at.clone());
        }
        let (at, shown) = (at.clone(), self.facts.shown.clone());
        Ok(Box::new(DriveFile { fd, at, shown, offset: 0, left: None }))
    }

    fn write_synced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        let fd = self.write_over(at, offset, bytes)?;
        rustix::fs::fsync(&fd).map_err(|errno| self.fail("sync", at, errno))
    }

    fn write_unsynced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        self.write_over(at, offset, bytes).map(drop)
    }

    fn reserve(&self, at: &RelName, length: u64) -> Result<(), DiskError> {
        if !self.fat {
            return Ok(());
        }
        let (fd, stat) = match openat::open_file(self.root.as_fd(), at, OFlags::WRONLY, DRIVE) {
            Err(error) if error.errno == Errno::NOENT => return Ok(()),
            opened => opened?,
        };
        let there = openat::facts(&stat).bytes;
        // Truncated to its own length: this frees only clusters after its end. If a power failure has left some there,
        // Linux takes them for damage as soon as the file grows, and makes the file system read-only.
        let done = match length.checked_sub(there) {
            None | Some(0) => rustix::fs::ftruncate(&fd, there),
            Some(more) => rustix::fs::fallocate(&fd, FallocateFlags::KEEP_SIZE, there, more),
        };
        match done.map_err(|errno| self.fail("reserve room for", at, errno)) {
            Err(error) if matches!(error.trouble, Gone | Failing) => Err(error),
            // If there is no room, the write itself reports it.
            _ => Ok(()),
        }
    }

    fn remove(&self, at: &RelName) -> Result<(), DiskError> {
        let fail = |errno| self.fail("remove", at, errno);
        // Only a regular file without a second name: anything else is not ours to remove.
        if openat::stat_file(self.root.as_fd(), at, DRIVE)?.st_nlink > 1 {
            return Err(fail(Errno::MLINK));
        }
        let above =
            openat::open_dir(self.root.as_fd(), at.parent().as_ref(), DRIVE).map_err(fail)?;
        let name = std::ffi::OsStr::from_bytes(at.last());
        rustix::fs::unlinkat(&above, name, rustix::fs::AtFlags::empty()).map_err(fail)
    }

    fn clear(
        &self,
        at: &RelName,
        keep: &dyn Fn(&[u8]) -> bool,
        go_on: &mut dyn FnMut() -> bool,
    ) -> Result<bool, DiskError> {
        super::clear::clear(self.root.as_fd(), at, keep, go_on)
            .map_err(|errno| self.fail("clear", at, errno))
    }

    fn remove_empty(&self, at: &RelName) -> Result<(), DiskError> {
        let above = openat::open_dir(self.root.as_fd(), at.parent().as_ref(), DRIVE);
        let name = std::ffi::OsStr::from_bytes(at.last());
        match above.and_then(|above| rustix::fs::unlinkat(&above, name, AtFlags::REMOVEDIR)) {
            Ok(()) | Err(Errno::NOENT) => Ok(()),
            Err(errno) => Err(self.fail("remove", at, errno)),
        }
    }

    fn sync_all(&self) -> Result<(), DiskError> {
        rustix::fs::syncfs(&self.root)
            .map_err(|errno| DiskError::new("sync drive", &self.facts.shown, errno))
    }

    fn flush(&self) -> Result<(), DiskError> {
        self.sync_all()?;
        // On FAT and exFAT only the fsync of a file or folder, however little of it is to be written, flushes the
        // device (Linux, fs/fat/file.c, `fat_file_fsync`; fs/exfat/file.c, `exfat_file_fsync`).
        rustix::fs::fsync(&self.root)
            .map_err(|errno| DiskError::new("sync drive", &self.facts.shown, errno))
    }

    fn read(
        &self,
        at: &RelName,
        offset: u64,
        from: ReadFrom,
    ) -> Result<Box<dyn Source>, DiskError> {
        let (fd, stat) = self.open_to_read(at)?;
        if openat::facts(&stat).bytes > self.capacity.max(offset) {
            // Hardly anything of it is on the medium, and reading it would take for ever.
            return Err(hollow_file_error(at, &self.facts.shown));
        }
        let (bytes, in_use) = (openat::facts(&stat).bytes, (stat.st_blocks as u64) * 512);
        let mut left = None;
        if bytes >= HOLLOW_FROM && (bytes / HOLLOW_TIMES > in_use || bytes > self.in_use()?) {
            if PayloadName::from_file(1, at.last()).is_some() {
                return Err(hollow_file_error(at, &self.facts.shown));
            }
            // Of a log, as much is read as a power failure may leave.
            left = Some(in_use + LEDGER_JUNK_BYTES + HOLLOW_FROM);
        }
        if from == ReadFrom::Medium {
            let advise = |offset, advice| {
                rustix::fs::fadvise(&fd, offset, None, advice)
                    .map_err(|errno| self.fail("drop from memory", at, errno))
            };
            advise(0, rustix::fs::Advice::DontNeed)?;
            // Fetched from the medium, while the caller is busy with other files.
            advise(offset, rustix::fs::Advice::WillNeed)?;
        }
        let (at, shown) = (at.clone(), self.facts.shown.clone());
        Ok(Box::new(DriveFile { fd, at, shown, offset, left }))
    }
}
