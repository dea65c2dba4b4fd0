//! A drive on which long reads can be stopped: of a ledger, a list, a copy of gigabytes, or very many small ones.
//! Never stops a write, nor the reading back of what was just written.

use super::error::{DiskError, ErrorKind};
use super::volume::{
    Access, Entry, Lengths, ReadFrom, Sink, Source, Volume, VolumeFacts, VolumeSource,
};
use crate::model::RelName;
use crate::model::limits::{BATCH_BYTES, BATCH_BYTES_MAX, BATCH_MESSAGES_MAX};
use rustix::io::Errno;
use std::fmt;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Returns whether to stop.
pub type StopAsked = Arc<dyn Fn() -> bool + Send + Sync>;

/// Opening a file, or finding its length, counts as this many bytes read: it takes a stick about as long.
const OPENED: u64 = 4 << 10;
/// The same for listing a folder.
const LISTED: u64 = 64 << 10;
/// Bytes that are read even after a stop, so that a drive with hardly anything on it is always read whole.
const ALWAYS: u64 = BATCH_BYTES;
/// The same after a write: a batch is read back.
const READ_BACK: u64 = 2 * BATCH_BYTES_MAX + BATCH_MESSAGES_MAX as u64 * 2 * OPENED;

/// Opens the drive of another source so that long reads can be stopped.
pub struct StoppableVolumeSource {
    inner: Arc<dyn VolumeSource>,
    stop: StopAsked,
}

impl StoppableVolumeSource {
    /// Wraps a source.
    pub fn new(inner: Arc<dyn VolumeSource>, stop: StopAsked) -> Self {
        Self { inner, stop }
    }
}

impl VolumeSource for StoppableVolumeSource {
    fn open_unlatched(&self, access: Access) -> Result<Box<dyn Volume>, DiskError> {
        let inner = self.inner.open_unlatched(access)?;
        let reading = ReadAllowance { left: Arc::new(ALWAYS.into()), stop: Arc::clone(&self.stop) };
        Ok(Box::new(StoppableVolume { inner, reading }))
    }

    fn still_present(&self, facts: &VolumeFacts) -> bool {
        self.inner.still_present(facts)
    }

    fn shown(&self) -> String {
        self.inner.shown()
    }
}

/// How much may be read before a stop is obeyed.
#[derive(Clone)]
struct ReadAllowance {
    /// Bytes that are still read even after a stop.
    left: Arc<AtomicU64>,
    stop: StopAsked,
}

impl ReadAllowance {
    fn charge(&self, bytes: u64, at: impl fmt::Display) -> Result<(), DiskError> {
        let left = self.left.load(Ordering::Relaxed).saturating_sub(bytes);
        self.left.store(left, Ordering::Relaxed);
        match left == 0 && (self.stop)() {
            true => Err(DiskError::with("read", at, Errno::CANCELED, ErrorKind::Stopped)),
            false => Ok(()),
        }
    }

    fn wrote(&self) {
        self.left.store(READ_BACK, Ordering::Relaxed);
    }
}

struct StoppableVolume {
    inner: Box<dyn Volume>,
    reading: ReadAllowance,
}

impl Volume for StoppableVolume {
    fn facts(&self) -> &VolumeFacts {
        self.inner.facts()
    }

    fn present(&self) -> Result<(), DiskError> {
        self.inner.present()
    }

    fn room(&self) -> Result<u64, DiskError> {
        self.inner.room()
    }

    fn make_dir(&self, at: &RelName) -> Result<(), DiskError> {
        self.inner.make_dir(at)
    }

    fn list(&self, at: &RelName, most: usize) -> Result<Vec<Entry>, DiskError> {
        self.reading.charge(LISTED, at)?;
        self.inner.list(at, most)
    }

    fn lengths(&self, at: &RelName, most: usize) -> Result<Lengths, DiskError> {
        self.reading.charge(LISTED, at)?;
        self.inner.lengths(at, most)
    }

    fn length(&self, at: &RelName) -> Result<Option<u64>, DiskError> {
        self.reading.charge(OPENED, at)?;
        self.inner.length(at)
    }

    fn create(&self, at: &RelName) -> Result<Box<dyn Sink>, DiskError> {
        self.reading.wrote();
        self.inner.create(at)
    }

    fn write_synced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        self.reading.wrote();
        self.inner.write_synced(at, offset, bytes)
    }

    fn write_unsynced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        self.reading.wrote();
        self.inner.write_unsynced(at, offset, bytes)
    }

    fn reserve(&self, at: &RelName, length: u64) -> Result<(), DiskError> {
        self.inner.reserve(at, length)
    }

    fn remove(&self, at: &RelName) -> Result<(), DiskError> {
        self.reading.wrote();
        self.inner.remove(at)
    }

    fn clear(
        &self,
        at: &RelName,
        keep: &dyn Fn(&[u8]) -> bool,
        go_on: &mut dyn FnMut() -> bool,
    ) -> Result<bool, DiskError> {
        self.inner.clear(at, keep, go_on)
    }

    fn remove_empty(&self, at: &RelName) -> Result<(), DiskError> {
        self.inner.remove_empty(at)
    }

    fn sync_all(&self) -> Result<(), DiskError> {
        self.inner.sync_all()
    }

    fn flush(&self) -> Result<(), DiskError> {
        self.inner.flush()
    }

    fn read(
        &self,
        at: &RelName,
        offset: u64,
        from: ReadFrom,
    ) -> Result<Box<dyn Source>, DiskError> {
        self.reading.charge(OPENED, at)?;
        let inner = self.inner.read(at, offset, from)?;
        Ok(Box::new(StoppableSource { inner, at: at.clone(), reading: self.reading.clone() }))
    }
}

struct StoppableSource {
    inner: Box<dyn Source>,
    at: RelName,
    reading: ReadAllowance,
}

impl Source for StoppableSource {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, DiskError> {
        let got = self.inner.read(into)?;
        self.reading.charge(got as u64, &self.at)?;
        Ok(got)
    }
}
