//! Reads messages back from the drives: of each the first copy that proves right, piece by piece.
//! Never writes to a drive, and never calls a message right before its last byte was hashed.

use super::RestoreSources;
use crate::disk::{DiskError, Pieces, ReadFrom, Staged, Trouble, Volume};
use crate::job::JobError;
use crate::job::catalogue::ContentRowId;
use crate::model::{Hasher, Identity, RelName};

/// The copies there are of one message, those known good first.
pub(super) struct CopyReader<'a> {
    identity: Identity,
    at: Vec<(&'a dyn Volume, RelName)>,
}

/// What comes of reading one message, until its end.
pub(super) enum CopyChunk {
    /// Some bytes of a copy. Where it `begins`, those of the copy before were not right.
    Bytes { begins: bool, bytes: Vec<u8> },
    /// Nothing more comes.
    End(ReadEnd),
}

/// How reading one message ended.
pub(super) enum ReadEnd {
    /// The bytes since the last beginning are the message; whether they are those of the first copy.
    Right { first: bool },
    /// No copy is right; whether there is one at all.
    NotToBeHad { seen: bool },
}

/// Writes the bytes of a piece behind those of the same copy.
pub(super) fn write(staged: &mut Staged, begins: bool, bytes: &[u8]) -> Result<(), DiskError> {
    if begins {
        staged.begin_anew()?;
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
        let told = sources.catalogue.copies_of(&sources.station, content)?;
        let at = told.iter().filter_map(|(replica, copy)| {
            let drive = sources.drives.iter().find(|drive| drive.state.row == *replica)?;
            Some((&*drive.volume, drive.dir.join(&copy.name.to_rel())))
        });
        Ok(Self { identity, at: at.collect() })
    }

    /// Reads the first copy that is right. `give` takes each piece, and says whether more is wanted.
    pub(super) fn read(&self, give: &mut impl FnMut(CopyChunk) -> bool) -> bool {
        let mut seen = false;
        for (tried, (volume, at)) in self.at.iter().enumerate() {
            match self.read_one(*volume, at, give) {
                CopyRead::Right => {
                    return give(CopyChunk::End(ReadEnd::Right { first: tried == 0 }));
                }
                CopyRead::Wrong => seen = true,
                CopyRead::Gone => {}
                CopyRead::NotWanted => return false,
            }
        }
        give(CopyChunk::End(ReadEnd::NotToBeHad { seen }))
    }

    fn read_one(
        &self,
        volume: &dyn Volume,
        at: &RelName,
        give: &mut impl FnMut(CopyChunk) -> bool,
    ) -> CopyRead {
        let mut source = match volume.read(at, 0, ReadFrom::Anywhere) {
            Ok(source) => source,
            Err(error) if error.trouble == Trouble::Gone => return CopyRead::Gone,
            Err(_) => return CopyRead::Wrong,
        };
        let mut hasher = Hasher::default();
        let mut pieces = Pieces::new(&mut *source, self.identity.bytes);
        while !pieces.is_at_end() {
            let (begins, mut bytes) = (pieces.at() == 0, Vec::new());
            match pieces.next(&mut bytes) {
                Ok(_) if pieces.at() <= self.identity.bytes => {}
                // A copy that is too long, or cannot be read to its end, is a bad one, and the next is tried.
                _ => return CopyRead::Wrong,
            }
            hasher.update(&bytes);
            if (begins || !bytes.is_empty()) && !give(CopyChunk::Bytes { begins, bytes }) {
                return CopyRead::NotWanted;
            }
        }
        match hasher.finish() == self.identity {
            true => CopyRead::Right,
            false => CopyRead::Wrong,
        }
    }
}

enum CopyRead {
    Right,
    Wrong,
    Gone,
    NotWanted,
}
