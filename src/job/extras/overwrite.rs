//! Writes a whole file on a drive over in place. Only what can be written again is ever given to it.
//!
//! No name changes and nothing is truncated, since on FAT neither is done at once: a file keeps its name, and a shorter
//! text is filled up with empty lines. First the head says that the file is being written, then comes the rest, then
//! the head: a power failure anywhere leaves the old file, one that says what it is, or the new one. The next pass
//! compares, and writes what is not as it should be.

use crate::disk::{Chunks, ErrorKind, ReadFrom, Volume};
use crate::job::{JobError, Progress};
use crate::model::RelName;
use crate::model::limits::{EXTRAS_CHUNK_BYTES, EXTRAS_TEXT_BYTES, OVERHEAD_BYTES, RESERVE_BYTES};

/// Bytes of a file's head: a sector, the least that a stick writes at once.
const HEAD: usize = 512;

/// What was done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ExtrasOutcome {
    /// Files written.
    pub written: u64,
    /// Bytes of everything carried now.
    pub bytes: u64,
    /// Files left out: there was no room, or something else has their name.
    pub left_out: u64,
    /// It ended early, because it was asked to.
    pub stopped: bool,
}

/// A drive, as a place for what can be written again.
pub(super) struct ExtrasWriter<'a> {
    pub volume: &'a dyn Volume,
    pub done: ExtrasOutcome,
    progress: &'a dyn Progress,
}

/// What has the name of a file that is to be written.
pub(super) enum Occupant {
    /// A file with this length in bytes, or nothing yet.
    Ours(Option<u64>),
    /// Something that is no file.
    Foreign,
}

impl<'a> ExtrasWriter<'a> {
    pub(super) fn new(volume: &'a dyn Volume, progress: &'a dyn Progress) -> Self {
        Self { volume, done: ExtrasOutcome::default(), progress }
    }

    /// Whether to end here: there is mail to copy, or somebody waits for the drive.
    pub(super) fn stops(&mut self) -> bool {
        self.done.stopped |= self.progress.stop();
        self.done.stopped
    }

    /// What has a name. A foreign one is counted as left out.
    pub(super) fn occupant(&mut self, at: &RelName) -> Result<Occupant, JobError> {
        match self.volume.length(at) {
            Ok(length) => Ok(Occupant::Ours(length)),
            Err(error) if error.trouble == ErrorKind::Refused => {
                self.done.left_out += 1;
                Ok(Occupant::Foreign)
            }
            Err(error) => Err(error.into()),
        }
    }

    /// Makes a file that holds this text, if it does not yet. `torn` stands at its head meanwhile.
    pub(super) fn write(&mut self, at: &RelName, text: &[u8], torn: &str) -> Result<(), JobError> {
        if self.stops() {
            return Ok(());
        }
        let Occupant::Ours(there) = self.occupant(at)? else { return Ok(()) };
        if there > Some(EXTRAS_TEXT_BYTES) {
            self.done.left_out += 1;
            return Ok(());
        }
        let length = text.len().max(there.unwrap_or(0) as usize);
        if there == Some(length as u64) && self.has_text(at, text)? {
            self.done.bytes += length as u64;
            return Ok(());
        }
        if !self.make_room(at, there, length as u64)? {
            return Ok(());
        }
        let filled = |from: usize, to: usize| {
            let text = text.get(from..to.min(text.len())).unwrap_or_default();
            let mut bytes = text.to_vec();
            bytes.resize(to - from, b'\n');
            bytes
        };
        let head = HEAD.min(length);
        let mut mark = torn.as_bytes()[..torn.len().min(head)].to_vec();
        mark.resize(head, b' ');
        let chunk = |from: usize| filled(from, length.min(from + EXTRAS_CHUNK_BYTES));
        if there.is_none() {
            mark.extend(chunk(head));
        }
        self.write_at(at, 0, &mark)?;
        let mut done = mark.len();
        while done < length {
            // Its head says that it is being written, and it is written anew.
            if done > head && self.stops() {
                return Ok(());
            }
            let bytes = chunk(done);
            self.write_at(at, done as u64, &bytes)?;
            done += bytes.len();
        }
        self.write_at(at, 0, &filled(0, head))?;
        self.done.written += 1;
        self.done.bytes += length as u64;
        Ok(())
    }

    /// Makes the file, and reserves what it grows by: on FAT a file whose clusters were not handed over before its
    /// length cannot be read to its end after a power failure, and makes the whole stick read-only. `false`: no room.
    pub(super) fn make_room(
        &mut self,
        at: &RelName,
        there: Option<u64>,
        length: u64,
    ) -> Result<bool, JobError> {
        let more = length.saturating_sub(there.unwrap_or(0));
        if more > 0 && self.volume.room()? < RESERVE_BYTES + OVERHEAD_BYTES + more {
            self.done.left_out += 1;
            self.done.bytes += there.unwrap_or(0);
            return Ok(false);
        }
        if there.is_none() {
            drop(self.volume.create(at)?);
        }
        if more > 0 {
            // What a power failure left after its end is given back first: Linux takes it for damage when the file
            // grows.
            self.volume.reserve(at, 0)?;
            self.volume.reserve(at, length)?;
            self.volume.sync_all().map_err(JobError::NotSynced)?;
        }
        Ok(true)
    }

    pub(super) fn write_at(&self, at: &RelName, from: u64, bytes: &[u8]) -> Result<(), JobError> {
        match bytes {
            [] => Ok(()),
            bytes => {
                self.volume.write_synced(at, from, bytes).map_err(|error| match error.trouble {
                    // What could not even be begun has lost nothing that the system called written.
                    ErrorKind::Full
                    | ErrorKind::Refused
                    | ErrorKind::Denied
                    | ErrorKind::ReadOnly => error.into(),
                    _ => JobError::NotSynced(error),
                })
            }
        }
    }

    /// Whether a file holds this text, and after it empty lines only.
    pub(super) fn has_text(&self, at: &RelName, text: &[u8]) -> Result<bool, JobError> {
        let mut source = self.volume.read(at, 0, ReadFrom::Anywhere)?;
        let (mut pieces, mut piece) = (Chunks::new(&mut *source, u64::MAX), Vec::new());
        let mut rest = text;
        while pieces.next(&mut piece)? {
            let (same, filling) = piece.split_at(piece.len().min(rest.len()));
            if same != &rest[..same.len()] || filling.iter().any(|&b| b != b'\n') {
                return Ok(false);
            }
            rest = &rest[same.len()..];
        }
        Ok(rest.is_empty())
    }
}
