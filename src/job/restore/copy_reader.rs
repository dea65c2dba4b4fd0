//! Reads messages back from the drives, in pieces: of each the first copy that is right. Writes to no drive, and calls
//! no message right before its last byte was hashed.

use super::RestoreSources;
use crate::disk::{Chunks, DiskError, ErrorKind, ReadFrom, Staged, Volume};
use crate::job::JobError;
use crate::job::catalogue::ContentRowId;
use crate::job::replica::CopyCheck;
use crate::model::{Hasher, Identity, RelName};

/// The copies of one message, those known to be good first.
pub(super) struct CopyReader<'a> {
    identity: Identity,
    sources: Vec<(&'a dyn Volume, RelName)>,
}

/// How reading one message ended.
pub(super) enum ReadEnd {
    /// The bytes since the last beginning are the message; `first` if they are of the first copy.
    Right { first: bool },
    /// No copy is right; `seen` if any exists.
    NotToBeHad { seen: bool },
}

/// Writes bytes of a copy to a staged file.
pub(super) fn write(staged: &mut Staged, begins: bool, bytes: &[u8]) -> Result<(), DiskError> {
    if begins {
        staged.restart()?;
    }
    staged.write(bytes)
}

impl<'a> CopyReader<'a> {
    /// The copies of a content on the drives of a restore.
    pub(super) fn of(
        sources: &'a RestoreSources,
        content: ContentRowId,
        identity: Identity,
    ) -> Result<Self, JobError> {
        let copies = sources.catalogue.copies_of(&sources.station, content)?;
        let at = copies.iter().filter_map(|(replica, copy)| {
            let drive = sources.drives.iter().find(|drive| drive.state.row == *replica)?;
            Some((&*drive.volume, drive.dir.join(&copy.name.to_rel())))
        });
        Ok(Self { identity, sources: at.collect() })
    }

    /// The length of the message, in bytes.
    pub(super) fn bytes(&self) -> u64 {
        self.identity.bytes
    }

    /// Reads the first copy that is right, piece by piece through `buffer`. Passes each piece to `give`; if it begins a
    /// copy, which it is told first, the pieces before it were of a wrong one.
    pub(super) fn read(&self, buffer: &mut Vec<u8>, give: &mut impl FnMut(bool, &[u8])) -> ReadEnd {
        let mut seen = false;
        for (tried, (volume, at)) in self.sources.iter().enumerate() {
            match self.read_one(*volume, at, buffer, give) {
                check if check.is(&self.identity) => return ReadEnd::Right { first: tried == 0 },
                check => seen |= check != CopyCheck::Absent,
            }
        }
        ReadEnd::NotToBeHad { seen }
    }

    /// Reads one copy and passes its bytes on.
    fn read_one(
        &self,
        volume: &dyn Volume,
        at: &RelName,
        buffer: &mut Vec<u8>,
        give: &mut impl FnMut(bool, &[u8]),
    ) -> CopyCheck {
        let mut source = match volume.read(at, 0, ReadFrom::Anywhere) {
            Ok(source) => source,
            Err(error) if error.trouble == ErrorKind::Gone => return CopyCheck::Absent,
            Err(error) => return CopyCheck::Unreadable(error.trouble),
        };
        let mut hasher = Hasher::default();
        let mut pieces = Chunks::new(&mut *source, self.identity.bytes);
        while !pieces.is_at_end() {
            let begins = pieces.offset() == 0;
            match pieces.next(buffer) {
                Ok(_) if pieces.offset() <= self.identity.bytes => {}
                Ok(_) => return CopyCheck::OtherLength,
                Err(error) => return CopyCheck::Unreadable(error.trouble),
            }
            hasher.update(buffer);
            if begins || !buffer.is_empty() {
                give(begins, buffer);
            }
        }
        CopyCheck::Is(hasher.finish())
    }
}
