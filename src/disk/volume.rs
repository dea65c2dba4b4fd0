//! The seam between the work and a drive: everything that is ever done on a drive, and no more.
//! Never names a path outside the drive: all names are below its root.

use super::error::DiskError;
use crate::model::{Medium, RelName};

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
    /// Opens the drive that is there now.
    fn open(&self, access: Access) -> Result<Box<dyn Volume>, DiskError>;
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

/// An open drive. All names are from its root; nothing is reached through a link, nor on another
/// file system. After an error of `sync_all` or `write_synced` the volume must be dropped: the
/// kernel calls lost pages clean after reporting them once, so a second sync would lie.
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
