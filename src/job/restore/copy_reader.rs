//! Reads messages back from the drives: of each the first copy that proves right, piece by piece.
//! Never writes to a drive, and never calls a message right before its last byte was hashed.

use super::RestoreSources;
use crate::disk::{DiskError, ReadFrom, Staged, Trouble, Volume, read_if_unchanged};
use crate::job::JobError;
use crate::model::limits::COPY_BUFFER_BYTES;
use crate::model::{Hasher, Identity, RelName};

/// The copies there are of one message, those known good first.
pub(super) struct CopyReader<'a> {
    identity: Identity,
    at: Vec<(&'a dyn Volume, RelName)>,
}

/// What comes of reading one message, until its end.
pub(super) enum CopyChunk {
    /// Some bytes of a copy. Where it `begins`, those of the copy before were not right.
    Octets { begins: bool, octets: Vec<u8> },
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
pub(super) fn write(staged: &mut Staged, begins: bool, octets: &[u8]) -> Result<(), DiskError> {
    if begins {
        staged.begin_anew()?;
    }
    staged.write(octets)
}

impl<'a> CopyReader<'a> {
    /// The copies of a content on the drives of a restore.
    pub(super) fn of(
        gathered: &'a RestoreSources,
        content: i64,
        identity: Identity,
    ) -> Result<Self, JobError> {
        let told = gathered.catalogue.copies_of(&gathered.station, content)?;
        let at = told.iter().filter_map(|(replica, copy)| {
            let drive = gathered.drives.iter().find(|drive| drive.state.row == *replica)?;
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
        let expected = self.identity.bytes;
        let mut hasher = Hasher::default();
        let mut left = expected;
        loop {
            // One byte more than is expected tells a copy that is too long.
            let room = left.saturating_add(1).min(COPY_BUFFER_BYTES as u64) as usize;
            let mut octets = vec![0; room];
            // A copy that cannot be read to its end is a bad one, and the next is tried.
            let Ok(got) = read_if_unchanged(|into| source.read(into), &mut octets, left) else {
                return CopyRead::Wrong;
            };
            if got as u64 > left {
                return CopyRead::Wrong;
            }
            octets.truncate(got);
            hasher.update(&octets);
            let begins = left == expected;
            left -= got as u64;
            let ends = got < room;
            if (got > 0 || begins) && !give(CopyChunk::Octets { begins, octets }) {
                return CopyRead::NotWanted;
            }
            if ends {
                break;
            }
        }
        match left == 0 && hasher.finish() == self.identity {
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
