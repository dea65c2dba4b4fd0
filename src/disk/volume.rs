//! The seam between the work and a drive: everything that is ever done on a drive, and no more.
//! Never names a path outside the drive, all names are below its root; never writes on after a failed sync.

use super::error::DiskError;
use crate::model::{Medium, RelName};
use std::sync::{Arc, OnceLock};

/// What one wants to do with a drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Access {
    /// Look only; nothing is written and no lock is taken.
    Read,
    /// Write; at most one process at a time.
    Write,
}

/// A place where a drive may be found. Opening it anew after every piece of work is what lets an
/// idle daemon hold nothing on a drive, so that it can be unmounted at any time.
pub trait VolumeSource: Send + Sync {
    /// Opens the drive that is there now. After an error of `sync_all` or `write_synced` it refuses every write, and
    /// still reads.
    fn open(&self, access: Access) -> Result<Box<dyn Volume>, DiskError> {
        Ok(Box::new(LatchedVolume::new(self.open_unlatched(access)?)))
    }
    /// The same without that. For sources to implement and to build on; whoever works on a drive calls `open`.
    fn open_unlatched(&self, access: Access) -> Result<Box<dyn Volume>, DiskError>;
    /// Whether the drive once opened with these facts is still there. Asks the kernel alone, never the
    /// medium: a hung device does not hang this.
    fn still_present(&self, facts: &VolumeFacts) -> bool;
    /// Where it is, for a person.
    fn shown(&self) -> String;
}

/// What is known of an open drive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VolumeFacts {
    /// Where it is, for a person.
    pub shown: String,
    /// Tells one mount of one device from another, within one boot.
    pub mount: String,
    /// The longest file its file system holds, in bytes.
    pub longest_file: u64,
    /// It may only be read.
    pub read_only: bool,
    /// How many may read it at once to advantage.
    pub readers: u32,
    /// Number of the device beneath, to see whether it is the mailbox's own.
    pub device: u64,
    /// Number of the root folder on it: with the device it tells whether two paths lead to one drive.
    pub root: u64,
    /// Serial number of its file system, where it is known: no two have the same by chance.
    pub serial: Option<String>,
    /// What its device hangs on.
    pub medium: Medium,
}

/// What an entry of a folder is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EntryKind {
    /// A regular file.
    File,
    /// A folder.
    Folder,
    /// A link, pipe, socket, device.
    Other,
}

/// An entry of a folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Its name, raw.
    pub name: Vec<u8>,
    /// What it is.
    pub kind: EntryKind,
}

/// The files of a folder by their raw names, each with its length in bytes.
pub type Lengths = Vec<(Vec<u8>, u64)>;

/// Where bytes are to come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReadFrom {
    /// The system's memory will do.
    Anywhere,
    /// The medium itself: what is kept in memory is dropped first.
    Medium,
}

/// An open drive. All names are from its root; nothing is reached through a link, nor on another file system.
pub trait Volume: Send + Sync {
    /// What is known of it.
    fn facts(&self) -> &VolumeFacts;
    /// Fails if the device was pulled, or something else is mounted in its place.
    fn present(&self) -> Result<(), DiskError>;
    /// Bytes that can still be written.
    fn room(&self) -> Result<u64, DiskError>;
    /// Makes a folder; one that is there is fine.
    fn make_dir(&self, at: &RelName) -> Result<(), DiskError>;
    /// The entries of a folder, at most `most`; an absent folder has none.
    fn list(&self, at: &RelName, most: usize) -> Result<Vec<Entry>, DiskError>;
    /// The regular files of a folder and their lengths in bytes, at most `most`, in one go: by their names alone,
    /// none of them is opened. An absent folder has none.
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
    /// Makes a file that must not be there yet.
    fn create(&self, at: &RelName) -> Result<Box<dyn Sink>, DiskError>;
    /// Writes into a file that is there, at an offset no further than its end, and makes it
    /// durable with everything written to the device before: on FAT, only this flushes the device.
    fn write_synced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError>;
    /// Sees to it that a file may grow to so many bytes without its file system having to find room for
    /// it: on FAT the chain of its clusters is then handed over with everything else, before a length that
    /// needs it. Of a file that is that long already, what was reserved before is given back. A hint: what
    /// cannot do it passes it over.
    fn reserve(&self, _at: &RelName, _length: u64) -> Result<(), DiskError> {
        Ok(())
    }
    /// Removes a regular file; durable with the next sync. For copies that the ledger has given up, and nothing else.
    fn remove(&self, at: &RelName) -> Result<(), DiskError> {
        Err(DiskError::new("remove", at, rustix::io::Errno::OPNOTSUPP))
    }
    /// Deletes all that is in a folder, of whatever kind, but for the entries right in it that `keep` names. `go_on` is
    /// asked before each; `false` if it said no. For a drive that its operator wipes, and nothing else.
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
    /// Hands everything written so far to the device.
    fn sync_all(&self) -> Result<(), DiskError>;
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

/// How the first sync that failed did so; empty while none has.
type FailedSync = Arc<OnceLock<DiskError>>;

/// Refuses to write after a failed sync, with the trouble that the sync was in.
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

/// A drive that is written no further once a sync of it failed, so that nobody who works on it has to remember: the
/// kernel reports lost pages once and calls them clean from then on, so a second sync would lie. It is never undone:
/// to write again, the drive is opened and admitted anew.
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

    fn read(
        &self,
        at: &RelName,
        offset: u64,
        from: ReadFrom,
    ) -> Result<Box<dyn Source>, DiskError> {
        self.inner.read(at, offset, from)
    }
}

/// A file that was begun before the sync failed is not gone on with either.
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::{MemoryDrive, Trouble, read_full};

    const OLD: &str = "old";

    fn name(at: &str) -> RelName {
        RelName::new(at).unwrap()
    }

    fn opened(drive: &MemoryDrive) -> Box<dyn Volume> {
        drive.volume_source().open(Access::Write).unwrap()
    }

    fn drive() -> MemoryDrive {
        let drive = MemoryDrive::default();
        drive.put(OLD, b"old");
        drive
    }

    /// Everything that would write is refused, and nothing of it reaches the drive.
    fn expect_latched(volume: &dyn Volume, drive: &MemoryDrive) {
        let (files, operations) = (drive.files(), drive.operations());
        let (old, new) = (name(OLD), name("new"));
        let refused = [
            volume.make_dir(&new),
            volume.create(&new).map(drop),
            volume.write_synced(&old, 0, b"NEW"),
            volume.reserve(&old, 100),
            volume.remove(&old),
            volume.clear(&new, &|_| false, &mut || true).map(drop),
            volume.remove_empty(&new),
            volume.sync_all(),
        ];
        for refused in refused {
            let error = refused.unwrap_err();
            assert_eq!(error.trouble, Trouble::Failing, "the trouble of the sync");
            assert!(error.to_string().contains("since a sync failed: "), "{error}");
        }
        assert_eq!((drive.files(), drive.operations()), (files, operations));
        assert_eq!(drive.file(OLD).unwrap(), b"old");
    }

    fn expect_read(volume: &dyn Volume) {
        volume.present().unwrap();
        assert!(volume.room().is_ok() && volume.list(&name("folder"), 1).is_ok());
        assert!(volume.lengths(&name("folder"), 1).is_ok());
        assert_eq!(volume.length(&name(OLD)).unwrap(), Some(3));
        let mut source = volume.read(&name(OLD), 0, ReadFrom::Medium).unwrap();
        let mut bytes = [0; 4];
        assert_eq!(read_full(&mut *source, &mut bytes).unwrap(), 3);
    }

    #[test]
    fn after_a_failed_sync_of_all_nothing_is_written_and_everything_read() {
        let drive = drive();
        let volume = opened(&drive);
        volume.sync_all().unwrap();
        drive.fail_sync_after(0);
        volume.sync_all().unwrap_err();
        expect_latched(&*volume, &drive);
        expect_read(&*volume);
    }

    #[test]
    fn after_a_failed_sync_of_one_file_nothing_is_written_and_everything_read() {
        let drive = drive();
        let volume = opened(&drive);
        drive.fail_sync_after(0);
        volume.write_synced(&name(OLD), 0, b"old").unwrap_err();
        expect_latched(&*volume, &drive);
        expect_read(&*volume);
    }

    #[test]
    fn a_file_begun_before_the_failed_sync_is_not_gone_on_with() {
        let drive = drive();
        let volume = opened(&drive);
        let mut sink = volume.create(&name("new")).unwrap();
        sink.write(b"one").unwrap();
        drive.fail_sync_after(0);
        volume.sync_all().unwrap_err();
        let error = sink.write(b"two").unwrap_err();
        assert!(error.to_string().starts_with("write new on memory, "), "{error}");
        assert_eq!(drive.file("new").unwrap(), b"one");
    }

    #[test]
    fn other_errors_do_not_latch_and_opening_anew_does_away_with_it() {
        let drive = drive();
        let volume = opened(&drive);
        assert_eq!(volume.create(&name(OLD)).map(drop).unwrap_err().trouble, Trouble::Exists);
        volume.sync_all().unwrap();
        drive.fail_sync_after(0);
        volume.sync_all().unwrap_err();
        volume.sync_all().unwrap_err();
        let anew = opened(&drive);
        anew.create(&name("new")).unwrap();
        anew.sync_all().unwrap();
        volume.create(&name("newer")).map(drop).unwrap_err();
    }
}
