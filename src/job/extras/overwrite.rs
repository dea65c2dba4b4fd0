//! Writes whole files on a drive over in place. Only what can be written again is ever given to it.
//!
//! No name changes and nothing is truncated, since on FAT neither is done at once: a file keeps its name, and a shorter
//! text is filled up with empty lines. First the head says that the file is being written, then comes the rest, then
//! the head: a power failure anywhere leaves the old file, one that says what it is, or the new one. Texts wait until
//! there is enough to write, so that all of them share the flushes between these steps. The next pass compares, and
//! writes what is not as it should be.

use crate::disk::{Chunks, DiskError, ErrorKind, ReadFrom, Volume};
use crate::job::{JobError, Progress};
use crate::model::RelName;
use crate::model::limits::{
    EXTRAS_CHUNK_BYTES, EXTRAS_TEXT_BYTES, EXTRAS_WAITING_BYTES, OVERHEAD_BYTES, RESERVE_BYTES,
};

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
    /// Texts that differ from what is there.
    waiting: Vec<Text>,
}

/// What has the name of a file that is to be written.
pub(super) enum Occupant {
    /// A file with this length in bytes, or nothing yet.
    Ours(Option<u64>),
    /// Something that is no file.
    Foreign,
}

/// A text that is to be written over what is there.
struct Text {
    at: RelName,
    /// Length of the file in bytes, if there is one.
    there: Option<u64>,
    /// The length that it will have.
    length: usize,
    text: Vec<u8>,
    /// What stands at its head meanwhile.
    torn: &'static str,
}

impl Text {
    fn head(&self) -> usize {
        HEAD.min(self.length)
    }

    /// A part of it, filled up with empty lines.
    fn part(&self, from: usize, to: usize) -> Vec<u8> {
        let text = self.text.get(from..to.min(self.text.len())).unwrap_or_default();
        let mut bytes = text.to_vec();
        bytes.resize(to - from, b'\n');
        bytes
    }

    /// The head of the file while it is written, in so many bytes.
    fn note(&self, bytes: usize) -> Vec<u8> {
        let mut note = self.torn.as_bytes()[..self.torn.len().min(bytes)].to_vec();
        note.resize(bytes, b' ');
        note
    }
}

impl<'a> ExtrasWriter<'a> {
    pub(super) fn new(volume: &'a dyn Volume, progress: &'a dyn Progress) -> Self {
        Self { volume, done: ExtrasOutcome::default(), progress, waiting: Vec::new() }
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

    /// A file is to hold this text, if it does not yet; `torn` stands at its head meanwhile. It is written when
    /// enough waits, or by [`write_waiting`](Self::write_waiting).
    pub(super) fn write(
        &mut self,
        at: &RelName,
        text: &[u8],
        torn: &'static str,
    ) -> Result<(), JobError> {
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
        if !self.has_room(there, length as u64)? {
            return Ok(());
        }
        let (at, text) = (at.clone(), text.to_vec());
        self.waiting.push(Text { at, there, length, text, torn });
        match self.waiting.iter().map(|text| text.length).sum::<usize>() >= EXTRAS_WAITING_BYTES {
            true => self.write_waiting(),
            false => Ok(()),
        }
    }

    /// Writes all that waits, one step of all files after the other. Between the steps the device's own memory is
    /// flushed, without which it could keep a later step and lose an earlier one. After the last one it may still have
    /// a head in its memory: then the file says that it is being written.
    pub(super) fn write_waiting(&mut self) -> Result<(), JobError> {
        let texts = std::mem::take(&mut self.waiting);
        // What was begun would say that it is being written until the next time.
        if texts.is_empty() || self.stops() {
            return Ok(());
        }
        for text in &texts {
            self.grow(&text.at, text.there, text.length as u64)?;
            let there = text.there.unwrap_or(0) as usize;
            self.write_at(&text.at, 0, &text.note(text.head().min(there)))?;
        }
        self.flush()?;
        for text in &texts {
            if !self.write_rest(text)? {
                return Ok(());
            }
        }
        self.flush()?;
        for text in &texts {
            self.write_at(&text.at, 0, &text.part(0, text.head()))?;
        }
        self.hand_over()?;
        self.done.written += texts.len() as u64;
        self.done.bytes += texts.iter().map(|text| text.length as u64).sum::<u64>();
        Ok(())
    }

    /// Everything after the head, and a head that was not there yet. `false`: it was asked to end.
    fn write_rest(&mut self, text: &Text) -> Result<bool, JobError> {
        let (head, mut done) = (text.head(), 0);
        let mut bytes = Vec::new();
        match text.there >= Some(head as u64) {
            true => done = head,
            false => bytes = text.note(head),
        }
        while done < text.length {
            // Its head says that it is being written, and it is written anew.
            if done > head {
                self.hand_over()?;
                if self.stops() {
                    return Ok(false);
                }
            }
            let from = done + bytes.len();
            bytes.extend(text.part(from, text.length.min(from + EXTRAS_CHUNK_BYTES)));
            self.write_at(&text.at, done as u64, &bytes)?;
            done += bytes.len();
            bytes.clear();
        }
        Ok(true)
    }

    /// Whether a file may grow so much, in addition to what waits. `false`: it is left out.
    pub(super) fn has_room(&mut self, there: Option<u64>, length: u64) -> Result<bool, JobError> {
        let more = length.saturating_sub(there.unwrap_or(0));
        let growth = |text: &Text| (text.length as u64).saturating_sub(text.there.unwrap_or(0));
        let all = more + self.waiting.iter().map(growth).sum::<u64>();
        if more > 0 && self.volume.room()? < RESERVE_BYTES + OVERHEAD_BYTES + all {
            self.done.left_out += 1;
            self.done.bytes += there.unwrap_or(0);
            return Ok(false);
        }
        Ok(true)
    }

    /// Makes the file, and reserves what it grows by: on FAT a file whose clusters were not handed over before its
    /// length cannot be read to its end after a power failure, and makes the whole stick read-only. So it is not
    /// written beyond its end before the next sync.
    pub(super) fn grow(
        &self,
        at: &RelName,
        there: Option<u64>,
        length: u64,
    ) -> Result<(), JobError> {
        if there.is_none() {
            drop(self.volume.create(at)?);
        }
        if length > there.unwrap_or(0) {
            // What a power failure left after its end is given back first: Linux takes it for damage when the file
            // grows.
            self.volume.reserve(at, 0)?;
            self.volume.reserve(at, length)?;
        }
        Ok(())
    }

    /// Writes into a file, to be durable with the next sync.
    pub(super) fn write_at(&self, at: &RelName, from: u64, bytes: &[u8]) -> Result<(), JobError> {
        match bytes {
            [] => Ok(()),
            bytes => self.volume.write_unsynced(at, from, bytes).map_err(not_written),
        }
    }

    /// The same, durable at once.
    pub(super) fn write_synced(
        &self,
        at: &RelName,
        from: u64,
        bytes: &[u8],
    ) -> Result<(), JobError> {
        self.volume.write_synced(at, from, bytes).map_err(not_written)
    }

    /// Hands all that was written to the device.
    pub(super) fn hand_over(&self) -> Result<(), JobError> {
        self.volume.sync_all().map_err(JobError::NotSynced)
    }

    /// The same, and has the device keep it.
    pub(super) fn flush(&self) -> Result<(), JobError> {
        self.volume.flush().map_err(JobError::NotSynced)
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

/// What could not even be begun has lost nothing that the system called written.
fn not_written(error: DiskError) -> JobError {
    match error.trouble {
        ErrorKind::Full | ErrorKind::Refused | ErrorKind::Denied | ErrorKind::ReadOnly => {
            error.into()
        }
        _ => JobError::NotSynced(error),
    }
}
