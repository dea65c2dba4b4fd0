//! Reads files in pieces: the one loop in which copies, messages and programs are read, hashed and compared. Holds one
//! piece at a time, and stops reading once a file proves longer than it should be.

use super::error::DiskError;
use super::volume::Source;
use crate::model::limits::COPY_BUFFER_BYTES;
use crate::model::{Hasher, Identity};

/// The pieces of a file, in order, each `COPY_BUFFER_BYTES` long except the last.
pub struct Chunks<'a> {
    source: &'a mut dyn Source,
    /// Offset of the next piece from the beginning of the file.
    offset: u64,
    /// Length that it should have at most, in bytes. One more byte is read, so that a longer file is noticed.
    longest: u64,
    ended: bool,
}

impl<'a> Chunks<'a> {
    /// The pieces of a file of at most `longest` bytes; `u64::MAX` if the length is unknown.
    pub fn new(source: &'a mut dyn Source, longest: u64) -> Self {
        Self::resume(source, 0, longest)
    }

    /// The pieces of a file from the offset `at` on.
    pub fn resume(source: &'a mut dyn Source, offset: u64, longest: u64) -> Self {
        Self { source, offset, longest, ended: false }
    }

    /// Replaces `piece` with the next one. Returns `false` and empties `piece` if there is none.
    pub fn next(&mut self, piece: &mut Vec<u8>) -> Result<bool, DiskError> {
        if self.ended {
            piece.clear();
            return Ok(false);
        }
        let left = self.longest.saturating_sub(self.offset);
        let room = left.saturating_add(1).min(COPY_BUFFER_BYTES as u64) as usize;
        piece.resize(room, 0);
        let got = read_expected(self.source, piece, left)?;
        piece.truncate(got);
        self.offset += got as u64;
        self.ended = got < room || self.offset > self.longest;
        Ok(got > 0)
    }

    /// Offset after the last piece, in bytes from the beginning of the file.
    pub fn offset(&self) -> u64 {
        self.offset
    }

    /// Whether the last piece was read; known without another read if the file ends where it should.
    pub fn is_at_end(&self) -> bool {
        self.ended
    }
}

/// Length and hash of a file of at most `longest` bytes; of a longer one, those of its beginning.
pub fn hash(source: &mut dyn Source, longest: u64) -> Result<Identity, DiskError> {
    let (mut pieces, mut piece) = (Chunks::new(source, longest), Vec::new());
    let mut hasher = Hasher::default();
    while pieces.next(&mut piece)? {
        hasher.update(&piece);
    }
    Ok(hasher.finish())
}

/// Hashes the first bytes of what it receives, up to a limit.
pub struct PrefixHash {
    hasher: Hasher,
    left: u64,
}

impl PrefixHash {
    /// Hashes the first `bytes` bytes.
    pub fn new(bytes: u64) -> Self {
        Self { hasher: Hasher::default(), left: bytes }
    }

    /// Adds the next bytes.
    pub fn update(&mut self, bytes: &[u8]) {
        let some = bytes.len().min(usize::try_from(self.left).unwrap_or(usize::MAX));
        self.hasher.update(&bytes[..some]);
        self.left -= some as u64;
    }

    /// Length and hash; shorter than the limit if fewer bytes came.
    pub fn finish(self) -> Identity {
        self.hasher.finish()
    }
}

/// Fills a buffer as far as the file reaches, so that a short read never looks like its end. Returns the bytes read.
pub fn read_full(source: &mut dyn Source, into: &mut [u8]) -> Result<usize, DiskError> {
    read_expected(source, into, u64::MAX)
}

/// Fills a buffer from a file of which `left` bytes are expected: a read that ends just there needs no second one to
/// find the end.
pub fn read_expected(
    source: &mut dyn Source,
    into: &mut [u8],
    left: u64,
) -> Result<usize, DiskError> {
    let mut filled = 0;
    while filled < into.len() {
        let room = into.len() - filled;
        let got = source.read(&mut into[filled..])?;
        filled += got;
        if got == 0 || got < room && filled as u64 == left {
            break;
        }
    }
    Ok(filled)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Returns a few bytes at a time, and counts the reads.
    struct Slow<'a> {
        bytes: &'a [u8],
        at_once: usize,
        asked: u32,
    }

    impl Source for Slow<'_> {
        fn read(&mut self, into: &mut [u8]) -> Result<usize, DiskError> {
            self.asked += 1;
            let (some, rest) =
                self.bytes.split_at(self.bytes.len().min(into.len()).min(self.at_once));
            into[..some.len()].copy_from_slice(some);
            self.bytes = rest;
            Ok(some.len())
        }
    }

    #[test]
    fn the_end_of_a_file_of_the_length_it_should_have_takes_no_read() {
        for (bytes, asked) in [(0, 1), (1, 1), (5_000, 1), (COPY_BUFFER_BYTES, 2)] {
            let content = vec![7; bytes];
            let mut source = Slow { bytes: &content, at_once: usize::MAX, asked: 0 };
            assert_eq!(hash(&mut source, bytes as u64).unwrap(), Identity::of(&content));
            assert_eq!(source.asked, asked, "{bytes}");
        }
    }

    proptest! {
        /// However the bytes arrive, and however long the file is: the output equals the input, a file that is too long
        /// is noticed, and no more than a piece of the excess is read.
        #[test]
        fn pieces_are_the_file(
            bytes in prop::collection::vec(any::<u8>(), 0..600),
            repeated in 1..600_usize,
            at_once in 1..200_000_usize,
            longest in prop_oneof![0..300_000_u64, Just(u64::MAX)],
            resumed in 0..200_000_usize,
        ) {
            let content = bytes.repeat(repeated);
            let resumed = resumed.min(content.len()).min(longest.try_into().unwrap_or(usize::MAX));
            let mut source = Slow { bytes: &content[resumed..], at_once, asked: 0 };
            let mut pieces = Chunks::resume(&mut source, resumed as u64, longest);
            let (mut piece, mut all) = (Vec::new(), content[..resumed].to_vec());
            while pieces.next(&mut piece).unwrap() {
                all.extend_from_slice(&piece);
            }
            prop_assert!(piece.is_empty() && pieces.is_at_end());
            prop_assert_eq!(pieces.offset(), all.len() as u64);
            let expected = content.len().min(longest.saturating_add(1).try_into().unwrap_or(usize::MAX));
            prop_assert_eq!(&all[..], &content[..expected]);
            let mut prefix = PrefixHash::new(longest);
            all.chunks(977).for_each(|some| prefix.update(some));
            let first = content.len().min(longest.try_into().unwrap_or(usize::MAX));
            prop_assert_eq!(prefix.finish(), Identity::of(&content[..first]));
        }
    }
}
