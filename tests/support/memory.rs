//! A drive in memory: it can be pulled after any operation and lose what was not synced. Simple on purpose; the fault
//! simulator has its own.

use counterfoil::disk::{
    Access, DiskError, Entry, EntryKind, Lengths, ReadFrom, Sink, Source, Volume, VolumeFacts,
    VolumeSource,
};
use counterfoil::model::{Medium, RelName};
use rustix::io::Errno;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Drives made so far: each has a device number of its own, which no device of the system has.
static MADE: AtomicU64 = AtomicU64::new(1 << 62);

#[derive(Debug, Clone, Default)]
struct Tree {
    files: BTreeMap<Vec<u8>, Vec<u8>>,
    folders: BTreeSet<Vec<u8>>,
}

#[derive(Debug)]
struct State {
    now: Tree,
    durable: Tree,
    operations: u64,
    pulled_after: Option<u64>,
    mount: u64,
    room: u64,
    full: bool,
    /// Number of syncs until one fails.
    sync_fails_after: Option<u64>,
    read_only: bool,
    serial: Option<String>,
    device: u64,
    unreadable: BTreeMap<Vec<u8>, usize>,
    unreadable_folder: Option<Vec<u8>>,
}

impl State {
    fn name(&self) -> String {
        format!("{}.{}", self.device, self.mount)
    }

    fn sync(
        &mut self,
        operation: &'static str,
        what: impl std::fmt::Display,
    ) -> Result<(), DiskError> {
        if let Some(left) = self.sync_fails_after.take() {
            let left = left.checked_sub(1);
            self.sync_fails_after =
                Some(left.ok_or_else(|| DiskError::new(operation, what, Errno::IO))?);
        }
        self.durable = self.now.clone();
        Ok(())
    }
}

/// The medium: it outlives every volume opened on it.
#[derive(Debug, Clone)]
pub(crate) struct MemoryDrive(Arc<Mutex<State>>);

impl Default for MemoryDrive {
    fn default() -> Self {
        Self(Arc::new(Mutex::new(State {
            now: Tree::default(),
            durable: Tree::default(),
            operations: 0,
            pulled_after: None,
            mount: 1,
            room: u64::MAX / 2,
            full: false,
            sync_fails_after: None,
            read_only: false,
            serial: None,
            device: MADE.fetch_add(1, Ordering::Relaxed),
            unreadable: BTreeMap::new(),
            unreadable_folder: None,
        })))
    }
}

impl MemoryDrive {
    /// The volume source that opens it.
    pub(crate) fn volume_source(&self) -> MemoryVolumeSource {
        MemoryVolumeSource(self.clone())
    }

    /// Number of operations on it so far.
    pub(crate) fn operations(&self) -> u64 {
        self.state().operations
    }

    /// Makes every operation from `count` on fail, as on a pulled stick.
    pub(crate) fn pull_after(&self, count: u64) {
        let mut state = self.state();
        state.pulled_after = Some(state.operations + count);
    }

    /// Plugs it in again; if `lose` is set, everything not synced is gone.
    pub(crate) fn replug(&self, lose: bool) {
        let mut state = self.state();
        state.pulled_after = None;
        state.mount += 1;
        // Everything present after a power failure is on the medium, and no later power failure takes it.
        match lose {
            true => state.now = state.durable.clone(),
            false => state.durable = state.now.clone(),
        }
    }

    /// Sets the room left, in bytes.
    pub(crate) fn set_room(&self, bytes: u64) {
        self.state().room = bytes;
    }

    /// From now on no file grows, however much room it reports.
    pub(crate) fn set_full(&self, on: bool) {
        self.state().full = on;
    }

    /// After `count` more syncs one fails with a medium error, and makes nothing durable.
    pub(crate) fn fail_sync_after(&self, count: u64) {
        self.state().sync_fails_after = Some(count);
    }

    /// Sets the write-protect switch.
    pub(crate) fn set_read_only(&self, on: bool) {
        self.state().read_only = on;
    }

    /// Sets the serial number of its file system.
    pub(crate) fn set_serial(&self, serial: &str) {
        self.state().serial = Some(serial.to_owned());
    }

    /// Another medium with the same bytes on it.
    pub(crate) fn copied(&self) -> Self {
        let state = self.state();
        let (now, durable) = (state.now.clone(), state.durable.clone());
        let serial = state.serial.clone();
        drop(state);
        let copy = Self::default();
        let mut other = copy.state();
        (other.now, other.durable, other.serial) = (now, durable, serial);
        drop(other);
        copy
    }

    /// Changes a file without the program noticing.
    pub(crate) fn tamper(&self, path: &str, change: impl FnOnce(&mut Vec<u8>)) {
        let mut state = self.state();
        if let Some(file) = state.now.files.get_mut(path.as_bytes()) {
            change(file);
        }
        state.durable = state.now.clone();
    }

    /// Puts a file there without the program noticing.
    pub(crate) fn put(&self, path: &str, bytes: &[u8]) {
        let mut state = self.state();
        state.now.files.insert(path.as_bytes().to_vec(), bytes.to_vec());
        state.durable = state.now.clone();
    }

    /// Removes a file without the program noticing.
    pub(crate) fn remove(&self, path: &str) {
        let mut state = self.state();
        state.now.files.remove(path.as_bytes());
        state.durable = state.now.clone();
    }

    /// Removes everything without the program noticing.
    pub(crate) fn wipe(&self) {
        let mut state = self.state();
        (state.now, state.durable) = (Tree::default(), Tree::default());
    }

    /// From this byte on reading a file fails, as beyond the last cluster of one that claims to be longer.
    pub(crate) fn set_unreadable_from(&self, path: &str, byte: usize) {
        self.state().unreadable.insert(path.as_bytes().to_vec(), byte);
    }

    /// Nothing in this folder can be examined, as when the folder has lost its clusters.
    pub(crate) fn set_unreadable_folder(&self, path: &str) {
        self.state().unreadable_folder = Some(path.as_bytes().to_vec());
    }

    /// The bytes of a file.
    pub(crate) fn file(&self, path: &str) -> Option<Vec<u8>> {
        self.state().now.files.get(path.as_bytes()).cloned()
    }

    /// The names of all files.
    pub(crate) fn files(&self) -> Vec<String> {
        self.state().now.files.keys().map(|k| String::from_utf8_lossy(k).into_owned()).collect()
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn step(&self, operation: &'static str, at: &str) -> Result<MutexGuard<'_, State>, DiskError> {
        let mut state = self.state();
        if state.pulled_after.is_some_and(|limit| state.operations >= limit) {
            return Err(DiskError::new(operation, at, Errno::NODEV));
        }
        state.operations += 1;
        let folder = state.unreadable_folder.as_ref();
        if folder.is_some_and(|folder| RelName::new(at).is_ok_and(|at| is_in(&at, folder))) {
            return Err(DiskError::new(operation, at, Errno::IO));
        }
        Ok(state)
    }
}

fn is_in(at: &RelName, folder: &[u8]) -> bool {
    std::iter::successors(Some(at.clone()), RelName::parent).any(|one| one.as_bytes() == folder)
}

/// The volume source of a drive in memory.
#[derive(Debug, Clone)]
pub(crate) struct MemoryVolumeSource(MemoryDrive);

impl VolumeSource for MemoryVolumeSource {
    fn open_unlatched(&self, _: Access) -> Result<Box<dyn Volume>, DiskError> {
        let state = self.0.step("open drive", "memory")?;
        let facts = VolumeFacts {
            shown: "memory".into(),
            mount: state.name(),
            longest_file: u64::from(u32::MAX),
            read_only: state.read_only,
            readers: 1,
            device: state.device,
            root: 1,
            serial: state.serial.clone(),
            medium: Medium::Usb,
        };
        drop(state);
        Ok(Box::new(MemoryVolume { drive: self.0.clone(), facts }))
    }

    fn still_present(&self, facts: &VolumeFacts) -> bool {
        let state = self.0.state();
        let pulled = state.pulled_after.is_some_and(|limit| state.operations >= limit);
        !pulled && state.name() == facts.mount
    }

    fn shown(&self) -> String {
        "memory".into()
    }
}

struct MemoryVolume {
    drive: MemoryDrive,
    facts: VolumeFacts,
}

impl MemoryVolume {
    fn writing(
        &self,
        operation: &'static str,
        at: &RelName,
    ) -> Result<MutexGuard<'_, State>, DiskError> {
        let state = self.drive.step(operation, &at.to_string())?;
        match state.read_only {
            true => Err(DiskError::new(operation, at, Errno::ROFS)),
            false => Ok(state),
        }
    }

    fn write_over(
        &self,
        at: &RelName,
        offset: u64,
        bytes: &[u8],
    ) -> Result<MutexGuard<'_, State>, DiskError> {
        let mut state = self.writing("write", at)?;
        let offset = offset as usize;
        let full = state.full;
        let file = match state.now.files.get_mut(at.as_bytes()) {
            Some(file) if offset <= file.len() => file,
            Some(_) => return Err(DiskError::new("write", at, Errno::INVAL)),
            None => return Err(DiskError::new("write", at, Errno::NOENT)),
        };
        let end = (offset + bytes.len()).max(file.len());
        if full && end > file.len() {
            return Err(DiskError::new("write", at, Errno::NOSPC));
        }
        file.resize(end, 0);
        file[offset..offset + bytes.len()].copy_from_slice(bytes);
        Ok(state)
    }
}

impl Volume for MemoryVolume {
    fn facts(&self) -> &VolumeFacts {
        &self.facts
    }

    fn present(&self) -> Result<(), DiskError> {
        let state = self.drive.step("look for drive", "memory")?;
        match state.name() == self.facts.mount {
            true => Ok(()),
            false => Err(DiskError::new("look for drive", "memory", Errno::NODEV)),
        }
    }

    fn room(&self) -> Result<u64, DiskError> {
        Ok(self.drive.step("measure room on", "memory")?.room)
    }

    fn make_dir(&self, at: &RelName) -> Result<(), DiskError> {
        let mut state = self.writing("make folder", at)?;
        let above = std::iter::successors(Some(at.clone()), RelName::parent);
        state.now.folders.extend(above.map(|folder| folder.as_bytes().to_vec()));
        Ok(())
    }

    fn list(&self, at: &RelName, most: usize) -> Result<Vec<Entry>, DiskError> {
        let state = self.drive.step("list", &at.to_string())?;
        let mut prefix = at.as_bytes().to_vec();
        prefix.push(b'/');
        let direct = |path: &[u8]| {
            let rest = path.strip_prefix(prefix.as_slice())?;
            (!rest.contains(&b'/')).then(|| rest.to_vec())
        };
        let files =
            state.now.files.keys().filter_map(|p| direct(p)).map(|name| (name, EntryKind::File));
        let folders = state
            .now
            .folders
            .iter()
            .filter_map(|p| direct(p))
            .map(|name| (name, EntryKind::Folder));
        Ok(files.chain(folders).take(most).map(|(name, kind)| Entry { name, kind }).collect())
    }

    fn lengths(&self, at: &RelName, most: usize) -> Result<Lengths, DiskError> {
        let state = self.drive.step("list", &at.to_string())?;
        let direct = |(path, bytes): (&Vec<u8>, &Vec<u8>)| {
            let name = path.strip_prefix(at.as_bytes())?.strip_prefix(b"/")?;
            (!name.contains(&b'/')).then(|| (name.to_vec(), bytes.len() as u64))
        };
        Ok(state.now.files.iter().filter_map(direct).take(most).collect())
    }

    fn length(&self, at: &RelName) -> Result<Option<u64>, DiskError> {
        let state = self.drive.step("look at", &at.to_string())?;
        Ok(state.now.files.get(at.as_bytes()).map(|f| f.len() as u64))
    }

    fn create(&self, at: &RelName) -> Result<Box<dyn Sink>, DiskError> {
        let mut state = self.writing("create", at)?;
        if state.now.files.contains_key(at.as_bytes()) {
            return Err(DiskError::new("create", at, Errno::EXIST));
        }
        state.now.files.insert(at.as_bytes().to_vec(), Vec::new());
        drop(state);
        Ok(Box::new(MemorySink { drive: self.drive.clone(), at: at.clone() }))
    }

    fn write_synced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        self.write_over(at, offset, bytes)?.sync("sync", at)
    }

    fn write_unsynced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        self.write_over(at, offset, bytes).map(drop)
    }

    fn remove(&self, at: &RelName) -> Result<(), DiskError> {
        let mut state = self.writing("remove", at)?;
        match state.now.files.remove(at.as_bytes()) {
            Some(bytes) => {
                state.room = state.room.saturating_add(bytes.len() as u64);
                Ok(())
            }
            None => Err(DiskError::new("remove", at, Errno::NOENT)),
        }
    }

    fn sync_all(&self) -> Result<(), DiskError> {
        self.drive.step("sync drive", "memory")?.sync("sync drive", "memory")
    }

    fn read(&self, at: &RelName, offset: u64, _: ReadFrom) -> Result<Box<dyn Source>, DiskError> {
        let state = self.drive.step("open", &at.to_string())?;
        match state.now.files.get(at.as_bytes()) {
            Some(file) => Ok(Box::new(MemorySource {
                bytes: file.clone(),
                at: offset as usize,
                unreadable: state.unreadable.get(at.as_bytes()).copied(),
            })),
            None => Err(DiskError::new("open", at, Errno::NOENT)),
        }
    }
}

struct MemorySink {
    drive: MemoryDrive,
    at: RelName,
}

impl Sink for MemorySink {
    fn write(&mut self, bytes: &[u8]) -> Result<(), DiskError> {
        let mut state = self.drive.step("write", &self.at.to_string())?;
        let space = state.room.checked_sub(bytes.len() as u64);
        state.room = space.ok_or_else(|| DiskError::new("write", &self.at, Errno::NOSPC))?;
        if let Some(file) = state.now.files.get_mut(self.at.as_bytes()) {
            file.extend_from_slice(bytes);
        }
        Ok(())
    }
}

struct MemorySource {
    bytes: Vec<u8>,
    at: usize,
    unreadable: Option<usize>,
}

impl Source for MemorySource {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, DiskError> {
        if self.unreadable.is_some_and(|from| self.at >= from) {
            return Err(DiskError::new("read", "memory", Errno::IO));
        }
        let end = self.unreadable.unwrap_or(self.bytes.len()).min(self.bytes.len());
        let rest = self.bytes.get(self.at..end).unwrap_or_default();
        let got = rest.len().min(into.len());
        into[..got].copy_from_slice(&rest[..got]);
        self.at += got;
        Ok(got)
    }
}
