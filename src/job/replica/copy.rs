//! Reads copies back from the medium. Never takes the system's memory for the medium, and never reads further than a
//! copy is long.

use crate::disk::{
    Chunks, DiskError, Entry, ErrorKind, Lengths, ReadAhead, ReadFrom, Source, Volume,
};
use crate::job::JobError;
use crate::model::limits::{DRIVE_FOLDER_ENTRIES, READ_AHEAD_COPIES};
use crate::model::{Digest, Hasher, Identity, PayloadName, RelName};

/// The reason under which a worn drive is reported.
pub(crate) const READ_ERROR: &str = "a copy on it could not be read";

/// What reading a copy gave.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum CopyCheck {
    /// The file was read to its end, and is this.
    Is(Identity),
    /// The file exists and cannot be read: the medium's own error, or something else has its name.
    Unreadable(ErrorKind),
    /// The file has another length than it should; its bytes were not read.
    OtherLength,
    /// The file does not exist.
    Absent,
}

impl CopyCheck {
    /// The digest, if the file was read to its end.
    pub(crate) fn digest(self) -> Option<Digest> {
        match self {
            Self::Is(identity) => Some(identity.digest),
            Self::Unreadable(_) | Self::OtherLength | Self::Absent => None,
        }
    }

    /// Whether the medium answered with an error of its own.
    pub(crate) fn is_read_error(self) -> bool {
        self == Self::Unreadable(ErrorKind::Failing)
    }
}

/// Reads and hashes a copy. `longest` bounds a file that grew without end, in bytes. An error is one of the whole
/// drive; if the copy alone cannot be read, that is a result.
pub(crate) fn hash(
    volume: &dyn Volume,
    dir: &RelName,
    payload: PayloadName,
    longest: u64,
) -> Result<CopyCheck, JobError> {
    match open(volume, dir, payload) {
        Ok(source) => hash_source(volume, source, longest),
        Err(error) => classify_copy_error(volume, error),
    }
}

/// The entries of a segment's folder. `None`: that folder alone cannot be read.
pub(crate) fn list(
    volume: &dyn Volume,
    dir: &RelName,
    segment: u32,
) -> Result<Option<Vec<Entry>>, JobError> {
    let at = dir.join(&PayloadName::segment_dir(segment));
    match volume.list(&at, DRIVE_FOLDER_ENTRIES) {
        Ok(entries) => Ok(Some(entries)),
        Err(error) => classify_copy_error(volume, error).map(|_| None),
    }
}

/// The files of a segment's folder and their lengths. `None`: that folder alone cannot be read.
pub(super) fn lengths(
    volume: &dyn Volume,
    dir: &RelName,
    segment: u32,
) -> Result<Option<Lengths>, JobError> {
    let at = dir.join(&PayloadName::segment_dir(segment));
    match volume.lengths(&at, DRIVE_FOLDER_ENTRIES) {
        Ok(files) => Ok(Some(files)),
        Err(error) => classify_copy_error(volume, error).map(|_| None),
    }
}

/// The length of a copy's file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum CopyLength {
    /// In bytes.
    Bytes(u64),
    /// What reading it would give: it does not exist, or it alone cannot be examined, as in a folder whose beginning a
    /// power failure destroyed.
    None(CopyCheck),
}

/// Returns the length of a copy.
pub(crate) fn length(
    volume: &dyn Volume,
    dir: &RelName,
    payload: PayloadName,
) -> Result<CopyLength, JobError> {
    match volume.length(&dir.join(&payload.to_rel())) {
        Ok(Some(bytes)) => Ok(CopyLength::Bytes(bytes)),
        Ok(None) => Ok(CopyLength::None(CopyCheck::Absent)),
        Err(error) => classify_copy_error(volume, error).map(CopyLength::None),
    }
}

/// The hash of a file that is read in pieces; no file is open between two pieces.
#[derive(Default)]
pub(crate) struct PartialHash {
    hasher: Hasher,
    offset: u64,
}

/// The state after a piece.
pub(crate) enum HashStep<Hashed> {
    /// The file ended.
    Done(Hashed),
    /// There is more to read.
    More(PartialHash),
}

impl PartialHash {
    /// Bytes read so far.
    pub(crate) fn read(&self) -> u64 {
        self.offset
    }

    /// Continues for at most `most` bytes, or until `stop` returns true, which is called before each buffer. `longest`
    /// bounds a file that grew without end.
    pub(crate) fn advance(
        mut self,
        source: &mut dyn Source,
        longest: u64,
        most: u64,
        stop: &dyn Fn() -> bool,
    ) -> Result<HashStep<Identity>, DiskError> {
        let end = self.offset.saturating_add(most);
        let (mut pieces, mut piece) = (Chunks::resume(source, self.offset, longest), Vec::new());
        // At least one buffer, so that every step makes progress.
        while pieces.next(&mut piece)? {
            self.hasher.update(&piece);
            self.offset = pieces.offset();
            if !pieces.is_at_end() && (self.offset >= end || stop()) {
                return Ok(HashStep::More(self));
            }
        }
        Ok(HashStep::Done(self.hasher.finish()))
    }
}

/// Reads a piece of a copy. Returns the result if it was the last one, else the state to continue from.
pub(crate) fn hash_piece(
    volume: &dyn Volume,
    dir: &RelName,
    payload: PayloadName,
    part: PartialHash,
    (longest, most): (u64, u64),
    stop: &dyn Fn() -> bool,
) -> Result<HashStep<CopyCheck>, JobError> {
    let read = volume
        .read(&dir.join(&payload.to_rel()), part.offset, ReadFrom::Medium)
        .and_then(|mut source| part.advance(&mut *source, longest, most, stop));
    match read {
        Ok(HashStep::Done(identity)) => Ok(HashStep::Done(CopyCheck::Is(identity))),
        Ok(HashStep::More(part)) => Ok(HashStep::More(part)),
        Err(error) => classify_copy_error(volume, error).map(HashStep::Done),
    }
}

/// Reads and hashes many copies, and returns the results in order. A few are opened ahead, so that the medium is asked
/// for the next ones while one is hashed; if there are many and the drive allows it, two threads read.
pub(crate) fn hash_all(
    volume: &dyn Volume,
    dir: &RelName,
    copies: &[(PayloadName, u64)],
) -> Result<Vec<CopyCheck>, JobError> {
    let is_worth_threads = volume.facts().readers > 1 && copies.len() >= 2 * READ_AHEAD_COPIES;
    let readers = if is_worth_threads { 2 } else { 0 };
    let mut found = Vec::with_capacity(copies.len());
    ReadAhead { readers, window: READ_AHEAD_COPIES }.run(
        copies,
        |(payload, _)| open(volume, dir, *payload),
        |(_, longest), opened| match opened {
            Ok(source) => hash_source(volume, source, *longest),
            Err(error) => classify_copy_error(volume, error),
        },
        |_, check| {
            found.push(check?);
            Ok::<_, JobError>(true)
        },
    )?;
    Ok(found)
}

fn open(
    volume: &dyn Volume,
    dir: &RelName,
    payload: PayloadName,
) -> Result<Box<dyn Source>, DiskError> {
    volume.read(&dir.join(&payload.to_rel()), 0, ReadFrom::Medium)
}

fn hash_source(
    volume: &dyn Volume,
    mut source: Box<dyn Source>,
    longest: u64,
) -> Result<CopyCheck, JobError> {
    match crate::disk::hash(&mut *source, longest) {
        Ok(identity) => Ok(CopyCheck::Is(identity)),
        Err(error) => classify_copy_error(volume, error),
    }
}

/// Sorts out an error that concerns the copy (or the folder) alone: after it the drive still answers that it is
/// present.
fn classify_copy_error(volume: &dyn Volume, error: DiskError) -> Result<CopyCheck, JobError> {
    match error.trouble {
        ErrorKind::Gone => {
            volume.present()?;
            Ok(CopyCheck::Absent)
        }
        ErrorKind::Failing | ErrorKind::Refused | ErrorKind::Denied => {
            volume.present()?;
            Ok(CopyCheck::Unreadable(error.trouble))
        }
        _ => Err(error.into()),
    }
}
