//! Reads copies back from the medium. Never takes the system's memory for the medium, and never reads further than a
//! copy is long.

use crate::disk::{
    Chunks, DiskError, Entry, ErrorKind, Lengths, ReadAhead, ReadFrom, Source, Volume,
};
use crate::job::JobError;
use crate::model::limits::{DRIVE_FOLDER_ENTRIES, READ_AHEAD_COPIES};
use crate::model::{Digest, Hasher, Identity, PayloadName, RelName};
use std::sync::Arc;

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

/// A copy that was just written, and what it has to be.
pub(crate) struct NewCopy {
    pub(crate) payload: PayloadName,
    pub(crate) identity: Identity,
    /// Its bytes, if they are still in memory: then they are compared, and nothing is hashed a second time.
    pub(crate) bytes: Option<Arc<[u8]>>,
}

/// Reads many copies from the medium. Returns one that is not what was written, if there is any. Some are opened ahead,
/// so that the medium is asked for the next ones while one is compared; if there are many and the drive allows it, two
/// threads read.
pub(crate) fn not_as_written(
    volume: &dyn Volume,
    dir: &RelName,
    copies: &[NewCopy],
) -> Result<Option<PayloadName>, JobError> {
    let is_worth_threads = volume.facts().readers > 1 && copies.len() >= 2 * READ_AHEAD_COPIES;
    let readers = if is_worth_threads { 2 } else { 0 };
    let mut wrong = None;
    ReadAhead { readers, window: READ_AHEAD_COPIES }.run(
        copies,
        |copy| open(volume, dir, copy.payload),
        |NewCopy { identity, bytes, .. }, opened| match (opened, bytes) {
            (Ok(source), None) => Ok(hash_source(volume, source, identity.bytes)?.is(identity)),
            (Ok(mut source), Some(bytes)) => match holds(&mut *source, bytes) {
                Ok(same) => Ok(same),
                Err(error) => classify_copy_error(volume, error).map(|_| false),
            },
            (Err(error), _) => classify_copy_error(volume, error).map(|_| false),
        },
        |copy, same: Result<bool, JobError>| {
            let same = same?;
            wrong = Some(copy.payload).filter(|_| !same);
            Ok::<_, JobError>(same)
        },
    )?;
    Ok(wrong)
}

/// Whether a file is just these bytes.
fn holds(source: &mut dyn Source, bytes: &[u8]) -> Result<bool, DiskError> {
    let (mut pieces, mut piece) = (Chunks::new(source, bytes.len() as u64), Vec::new());
    let mut left = bytes;
    while pieces.next(&mut piece)? {
        match left.strip_prefix(piece.as_slice()) {
            Some(rest) => left = rest,
            None => return Ok(false),
        }
    }
    Ok(left.is_empty())
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::{Access, DirVolumeSource, VolumeSource as _};
    use crate::model::Extension;

    /// A drive with one copy of these bytes.
    fn with_copy(bytes: &[u8]) -> (tempfile::TempDir, Box<dyn Volume>, RelName, PayloadName) {
        let folder = tempfile::tempdir().unwrap();
        let volume = DirVolumeSource::new(folder.path()).open(Access::Write).unwrap();
        let dir = RelName::fixed("bag");
        let payload = PayloadName { segment: 1, number: 1, extension: Extension::NONE };
        volume.make_dir(&dir.join(&PayloadName::segment_dir(1))).unwrap();
        volume.create(&dir.join(&payload.to_rel())).unwrap().write(bytes).unwrap();
        (folder, volume, dir, payload)
    }

    /// With its bytes in memory a copy is compared, and never hashed: an identity of other bytes of that length changes
    /// nothing. Without them the identity decides.
    #[test]
    fn what_is_in_memory_is_compared_and_not_hashed() {
        let long = vec![7; 3 * crate::model::limits::COPY_BUFFER_BYTES];
        for written in [&b"a message"[..], b"", &long] {
            let (_folder, volume, dir, payload) = with_copy(written);
            let wrong = |identity, bytes: Option<&[u8]>| {
                let copy = NewCopy { payload, identity, bytes: bytes.map(Arc::from) };
                not_as_written(&*volume, &dir, &[copy]).unwrap().is_some()
            };
            let (same, other) = (Identity::of(written), Identity::of(b"other"));
            assert!(!wrong(same, None) && wrong(other, None));
            assert!(!wrong(same, Some(written)) && !wrong(other, Some(written)));
            // One byte more, one less, one other: of the copy, and of what was to be written.
            let (longer, mut altered) = ([written, b"."].concat(), written.to_vec());
            assert!(wrong(same, Some(&longer)));
            if let Some(last) = altered.last_mut() {
                *last ^= 1;
                assert!(wrong(same, Some(&altered)));
                assert!(wrong(same, Some(&written[..written.len() - 1])));
            }
        }
    }

    #[test]
    fn a_copy_that_is_gone_is_not_as_written() {
        let (_folder, volume, dir, payload) = with_copy(b"a message");
        volume.remove(&dir.join(&payload.to_rel())).unwrap();
        for bytes in [None, Some(Arc::from(&b"a message"[..]))] {
            let copy = NewCopy { payload, identity: Identity::of(b"a message"), bytes };
            assert_eq!(not_as_written(&*volume, &dir, &[copy]).unwrap(), Some(payload));
        }
    }
}
