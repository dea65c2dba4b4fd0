//! Decides whether a ledger may be loaded: the card needs the room, and the drive the copies that this many lines
//! imply. Does not read what a line says.

use super::copy;
use super::line_reader::{LineReader, Piece};
use crate::disk::{EntryKind, ErrorKind, ReadFrom, Volume};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, KnownLines, LedgerRoom, ReplicaState};
use crate::model::limits::{
    COPIES_COUNTED, DRIVE_FOLDER_ENTRIES, LEDGER_LINE_LEAST, LEDGER_LINES_A_COPY,
    LEDGER_LINES_PLAIN, LEDGER_SMALL_BYTES,
};
use crate::model::{PayloadName, RelName, bag};

/// A ledger that is about to be read, from an offset to its end.
pub(super) struct LedgerAdmission<'a> {
    pub volume: &'a dyn Volume,
    pub dir: &'a RelName,
    pub from: u64,
    pub length: u64,
    /// The lines that this card already knows.
    pub before: KnownLines,
}

impl LedgerAdmission<'_> {
    /// Fails if the ledger must not be loaded. A restore, which has to bring back what it can, needs only the room.
    pub(super) fn check(
        &self,
        catalogue: &Catalogue,
        replica: &ReplicaState,
        partly: bool,
    ) -> Result<Option<LedgerRoom>, JobError> {
        if !partly && !catalogue.is_vouched_for(replica.drive)? {
            self.check_copies()?;
        }
        let room = catalogue.room_for(self.length.saturating_sub(self.from));
        match room.filter(|room| !room.is_enough()) {
            Some(LedgerRoom { free, needed, .. }) => {
                let path = self.volume.facts().shown.clone();
                Err(JobError::NoRoomForLedger { path, needed, free })
            }
            None => Ok(room),
        }
    }

    /// Turns an error that means that the room ran out meanwhile into one of this ledger. The room reserved for mail is
    /// still there.
    pub(super) fn no_room(&self, room: Option<LedgerRoom>, error: JobError) -> JobError {
        let is_full = match &error {
            JobError::Disk(error) => error.trouble == ErrorKind::Full,
            error => error.state_trouble() == Some(ErrorKind::Full),
        };
        match room {
            Some(LedgerRoom { free, needed, .. }) if is_full && needed > LEDGER_SMALL_BYTES => {
                let path = self.volume.facts().shown.clone();
                JobError::NoRoomForLedger { path, needed, free }
            }
            _ => error,
        }
    }

    /// Fails if there are too few copies for this many lines. Counts the copies, and then the lines, only if the length
    /// leaves the question open.
    fn check_copies(&self) -> Result<(), JobError> {
        let most = self.length.saturating_sub(self.from) / LEDGER_LINE_LEAST;
        let plain = LEDGER_LINES_PLAIN + self.before.lines;
        if most <= plain {
            return Ok(());
        }
        let copies = self.copies((most - plain).div_ceil(LEDGER_LINES_A_COPY))?;
        let allowed = plain + copies * LEDGER_LINES_A_COPY;
        if most <= allowed || !self.has_more_lines(allowed)? {
            return Ok(());
        }
        let path = self.volume.facts().shown.clone();
        Err(JobError::LedgerNotBorneOut { path, lines: allowed, copies })
    }

    /// Counts files that may be copies, until there are `enough`.
    fn copies(&self, enough: u64) -> Result<u64, JobError> {
        let data = self.dir.join(&RelName::fixed(bag::PAYLOAD));
        let enough = enough.min(COPIES_COUNTED);
        let mut copies = 0;
        for folder in self.volume.list(&data, DRIVE_FOLDER_ENTRIES)? {
            let segment = PayloadName::segment_of(&folder.name);
            let Some(segment) = segment.filter(|_| folder.kind == EntryKind::Folder) else {
                continue;
            };
            let files = copy::list(self.volume, self.dir, segment)?.unwrap_or_default();
            let is_copy = |name: &[u8]| PayloadName::from_file(segment, name).is_some();
            copies += files.iter().filter(|f| f.kind == EntryKind::File && is_copy(&f.name)).count()
                as u64;
            if copies >= enough {
                break;
            }
        }
        Ok(copies)
    }

    fn has_more_lines(&self, allowed: u64) -> Result<bool, JobError> {
        let at = self.dir.join(&RelName::fixed(bag::LEDGER));
        let mut lines = LineReader::new(self.volume.read(&at, self.from, ReadFrom::Medium)?);
        let mut count = 0_u64;
        while let Some(piece) = lines.next()? {
            // A piece longer than any line is judged where it is read.
            if let Piece::TooLong(_) = piece {
                return Ok(false);
            }
            count += 1;
            if count > allowed {
                return Ok(true);
            }
        }
        Ok(false)
    }
}
