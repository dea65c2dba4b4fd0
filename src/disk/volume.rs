//! The interface to a drive: the operations that the program does on drives, and no others.
//! All names are below the drive's root. After a failed sync nothing more is written.

use super::error::DiskError;
use crate::model::{Medium, RelName};
use std::sync::{Arc, OnceLock};

/// What a drive is opened for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Access {
    /// Reading only; no lock is taken.
    Read,
    /// Writing too; one process at a time.
    Write,
}

/// Where a drive can be opened. It is opened anew for every job, so that an idle daemon keeps nothing open on a drive
/// and it can be unmounted at any time.
pub trait VolumeSource: Send + Sync {
    /// Opens the drive that is there now. After an error of `sync_all` or `write_synced` the volume refuses every
    /// write, and can still be read.
    fn open(&self, access: Access) -> Result<Box<dyn Volume>, DiskError> {
        Ok(Box::new(LatchedVolume::new(self.open_unlatched(access)?)))
    }
    /// The same without that refusal: for sources to implement and to wrap. Whoever works on a drive calls `open`.
    fn open_unlatched(&self, access: Access) -> Result<Box<dyn Volume>, DiskError>;
    /// Whether the drive that was opened with these facts is still there. Asks the kernel only, never the medium, so a
    /// device that hangs does not hang this.
    fn still_present(&self, facts: &VolumeFacts) -> bool;
    /// Its path, for a person.
    fn shown(&self) -> String;
}

/// What is known of an open drive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VolumeFacts {
    /// Its path, for a person.
    pub shown: String,
    /// Distinguishes this mount of this device from every other mount in this boot.
    pub mount: String,
    /// The length of the longest file that its file system can hold, in bytes.
    pub longest_file: u64,
    /// It can only be read.
    pub read_only: bool,
    /// With how many readers at once it is read fastest.
    pub readers: u32,
    /// Number of its device, to see whether the mailbox is on the same one.
    pub device: u64,
    /// Inode of its root folder: with the device it shows whether two paths lead to one drive.
    pub root: u64,
    /// Serial number of its file system, if known: no two have the same by chance.
    pub serial: Option<String>,
    /// How its device is connected.
    pub medium: Medium,
}

/// What an entry of a folder is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EntryKind {
    /// A regular file.
    File,
    /// A folder.
    Folder,
    /// A link, pipe, socket or device.
    Other,
}

/// An entry of a folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Its name, in raw bytes.
    pub name: Vec<u8>,
    /// What it is.
    pub kind: EntryKind,
}

/// The files of a folder: the name of each in raw bytes, and its length in bytes.
pub type Lengths = Vec<(Vec<u8>, u64)>;

/// Where bytes are read from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReadFrom {
    /// From the page cache or the medium.
    Anywhere,
    /// From the medium: the file is dropped from the page cache first.
    Medium,
}

/// An open drive. All names start at its root; nothing is reached through a link or on another file system.
pub trait Volume: Send + Sync {
    /// What is known of it.
    fn facts(&self) -> &VolumeFacts;
    /// Fails if the device was pulled, or something else is mounted in its place.
    fn present(&self) -> Result<(), DiskError>;
    /// Bytes that this user can still write.
    fn room(&self) -> Result<u64, DiskError>;
    /// Makes a folder, with those above it. It may be there already.
    fn make_dir(&self, at: &RelName) -> Result<(), DiskError>;
    /// The entries of a folder, at most `most`; an absent folder has none.
    fn list(&self, at: &RelName, most: usize) -> Result<Vec<Entry>, DiskError>;
    /// The regular files of a folder and their lengths in bytes, at most `most`, without opening any. An absent folder
    /// has none.
    fn lengths(&self, at: &RelName, most: usize) -> Result<Lengths, DiskError> {
        let mut files = Vec::new();
        for entry in self.list(at, most)? {
            let name = RelName::new(entry.name.as_slice());
            if let (EntryKind::File, Ok(name)) = (entry.kind, name) {
                let length = self.length(&at.join(&name))?;
                files.extend(length.map(|length| (entry.name, length)));
            }
        }
        Ok(files)
    }
    /// Length of a regular file in bytes; `None` if nothing has that name.
    fn length(&self, at: &RelName) -> Result<Option<u64>, DiskError>;
    /// Makes a new file; the name must be free.
    fn create(&self, at: &RelName) -> Result<Box<dyn Sink>, DiskError>;
    /// Writes into an existing file, at an offset up to its end, and makes it durable with everything written to the
    /// device before: on FAT only this flushes the device.
    fn write_synced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError>;
    /// Writes into an existing file, at an offset up to its end. It is durable after [`flush`](Self::flush). Only for
    /// what can be written again. A volume that has nothing better makes it durable at once.
    fn write_unsynced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        self.write_synced(at, offset, bytes)
    }
    /// Reserves room for a file to grow to this many bytes: on FAT the chain of its clusters then becomes durable with
    /// everything else, before a length that needs it. If the file is that long already, what was reserved before is
    /// freed. A hint: a volume that cannot do this does nothing.
    fn reserve(&self, _at: &RelName, _length: u64) -> Result<(), DiskError> {
        Ok(())
    }
    /// Removes a regular file; durable with the next sync. Only for copies that the ledger has given up.
    fn remove(&self, at: &RelName) -> Result<(), DiskError> {
        Err(DiskError::new("remove", at, rustix::io::Errno::OPNOTSUPP))
    }
    /// Deletes everything in a folder, of whatever kind, except for the entries directly in it that `keep` names.
    /// `go_on` is called before each removal; the result is `false` if it stopped this. Only for a drive that its
    /// operator wipes.
    fn clear(
        &self,
        at: &RelName,
        _keep: &dyn Fn(&[u8]) -> bool,
        _go_on: &mut dyn FnMut() -> bool,
    ) -> Result<bool, DiskError> {
        Err(DiskError::new("clear", at, rustix::io::Errno::OPNOTSUPP))
    }
    /// Removes an empty folder.
    fn remove_empty(&self, at: &RelName) -> Result<(), DiskError> {
        Err(DiskError::new("remove", at, rustix::io::Errno::OPNOTSUPP))
    }
    /// Makes everything written so far durable.
    fn sync_all(&self) -> Result<(), DiskError>;
    /// The same, and flushes the device's own memory, which `sync_all` leaves alone on FAT and exFAT.
    fn flush(&self) -> Result<(), DiskError> {
        self.sync_all()
    }
    /// Opens a regular file for reading from an offset.
    fn read(&self, at: &RelName, offset: u64, from: ReadFrom)
    -> Result<Box<dyn Source>, DiskError>;
}

/// A file being written.
pub trait Sink {
    /// Appends all bytes.
    fn write(&mut self, bytes: &[u8]) -> Result<(), DiskError>;
}

/// A file being read.
pub trait Source: Send {
    /// Reads some bytes; 0 at the end.
    fn read(&mut self, into: &mut [u8]) -> Result<usize, DiskError>;
}

/// The error of the first failed sync; empty while none has failed.
type FailedSync = Arc<OnceLock<DiskError>>;

/// Refuses a write after a failed sync, with the trouble of that sync.
fn may_write(
    failed: &FailedSync,
    operation: &'static str,
    at: &str,
    shown: &str,
) -> Result<(), DiskError> {
    let Some(error) = failed.get() else { return Ok(()) };
    let what = format!(
        "{at} on {shown}, which is written to again only once it is opened anew, since a sync failed"
    );
    Err(DiskError::with(operation, what, error.errno, error.trouble))
}

/// A drive that refuses writes after the first failed sync. The kernel reports lost pages once and calls them clean
/// from then on, so a second sync could succeed falsely. This is never undone: to write again, the drive is opened and
/// recovered anew.
struct LatchedVolume {
    inner: Box<dyn Volume>,
    failed: FailedSync,
}

impl LatchedVolume {
    fn new(inner: Box<dyn Volume>) -> Self {
        Self { inner, failed: FailedSync::default() }
    }

    fn writing(&self, operation: &'static str, at: &RelName) -> Result<&dyn Volume, DiskError> {
        may_write(&self.failed, operation, &at.to_string(), &self.inner.facts().shown)?;
        Ok(&*self.inner)
    }

    fn synced(&self, done: Result<(), DiskError>) -> Result<(), DiskError> {
        done.inspect_err(|error| {
            self.failed.get_or_init(|| error.clone());
        })
    }
}

impl Volume for LatchedVolume {
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
        self.writing("make folder", at)?.make_dir(at)
    }

    fn list(&self, at: &RelName, most: usize) -> Result<Vec<Entry>, DiskError> {
        self.inner.list(at, most)
    }

    fn lengths(&self, at: &RelName, most: usize) -> Result<Lengths, DiskError> {
        self.inner.lengths(at, most)
    }

    fn length(&self, at: &RelName) -> Result<Option<u64>, DiskError> {
        self.inner.length(at)
    }

    fn create(&self, at: &RelName) -> Result<Box<dyn Sink>, DiskError> {
        let inner = self.writing("create", at)?.create(at)?;
        let (at, shown) = (at.to_string(), self.inner.facts().shown.clone());
        Ok(Box::new(LatchedSink { inner, at, shown, failed: Arc::clone(&self.failed) }))
    }

    fn write_synced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        self.synced(self.writing("write", at)?.write_synced(at, offset, bytes))
    }

    fn write_unsynced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        self.writing("write", at)?.write_unsynced(at, offset, bytes)
    }

    fn reserve(&self, at: &RelName, length: u64) -> Result<(), DiskError> {
        self.writing("reserve room for", at)?.reserve(at, length)
    }

    fn remove(&self, at: &RelName) -> Result<(), DiskError> {
        self.writing("remove", at)?.remove(at)
    }

    fn clear(
        &self,
        at: &RelName,
        keep: &dyn Fn(&[u8]) -> bool,
        go_on: &mut dyn FnMut() -> bool,
    ) -> Result<bool, DiskError> {
        self.writing("clear", at)?.clear(at, keep, go_on)
    }

    fn remove_empty(&self, at: &RelName) -> Result<(), DiskError> {
        self.writing("remove", at)?.remove_empty(at)
    }

    fn sync_all(&self) -> Result<(), DiskError> {
        may_write(&self.failed, "sync", "everything", &self.inner.facts().shown)?;
        self.synced(self.inner.sync_all())
    }

    fn flush(&self) -> Result<(), DiskError> {
        may_write(&self.failed, "sync", "everything", &self.inner.facts().shown)?;
        self.synced(self.inner.flush())
    }

    fn read(
        &self,
        at: &RelName,
        offset: u64,
        from: ReadFrom,
    ) -> Result<Box<dyn Source>, DiskError> {
        self.inner.read(at, offset, from)
    }
}

/// A file of such a drive: one that was begun before the sync failed cannot be continued either.
struct LatchedSink {
    inner: Box<dyn Sink>,
    at: String,
    shown: String,
    failed: FailedSync,
}

impl Sink for LatchedSink {
    fn write(&mut self, bytes: &[u8]) -> Result<(), DiskError> {
        may_write(&self.failed, "write", &self.at, &self.shown)?;
        self.inner.write(bytes)
    }
}
