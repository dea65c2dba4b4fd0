//! Reads both logs of a bag from their first byte to their last, on the medium, and compares them with what is known of
//! them. Works in pieces and keeps nothing open between two; never writes to a drive.

use super::append_log::check_answers;
use super::copy::READ_ERROR;
use super::line_reader::{LineReader, Piece};
use super::manifest::{self, LineJudgement, PayloadNumbers};
use super::station_bag::StationBag;
use crate::disk::{DiskError, ErrorKind, ReadFrom, Volume};
use crate::job::JobError;
use crate::job::catalogue::{CopyState, KnownLines, Log, LogDamage, ReplicaRowId, ReplicaState};
use crate::model::ledger::{ChainReader, LineVerdict};
use crate::model::{Finding, bag};

/// A check that can be interrupted and continued.
pub(super) struct LogCheck {
    /// The replica it began with: one that was reloaded meanwhile is another.
    replica: ReplicaRowId,
    stage: Stage,
    found: Vec<LogDamage>,
}

enum Stage {
    Ledger(LedgerSoFar),
    Manifest(ManifestSoFar),
    Done,
}

#[derive(Default)]
struct LedgerSoFar {
    reader: ChainReader,
    lines: KnownLines,
    /// Offset of the first break, which may be settled.
    first_break: Option<u64>,
}

#[derive(Default)]
struct ManifestSoFar {
    offset: u64,
    listed: PayloadNumbers,
    /// Number of wrong lines, and the offset of the first.
    wrong: u64,
    first_wrong: Option<u64>,
    /// Offset of junk: at the end of the file a power failure left it, and it is no damage.
    junk: Option<u64>,
}

/// The context of a check.
pub(super) struct Logs<'a> {
    pub bag: StationBag<'a>,
    pub replica: &'a ReplicaState,
}

impl LogCheck {
    /// A check that has read nothing yet.
    pub(super) fn new(replica: &ReplicaState) -> Self {
        Self {
            replica: replica.row,
            stage: Stage::Ledger(LedgerSoFar::default()),
            found: Vec::new(),
        }
    }

    /// Whether it belongs to this replica.
    pub(super) fn is_of(&self, replica: &ReplicaState) -> bool {
        self.replica == replica.row
    }

    /// The damage, once both logs were read to their ends.
    pub(super) fn damage_found(&self) -> Option<&[LogDamage]> {
        matches!(self.stage, Stage::Done).then_some(self.found.as_slice())
    }

    /// Stores the damage in the catalogue once both logs were read; it stays until the lines are written again.
    pub(super) fn save(&self, logs: &Logs<'_>) -> Result<(), JobError> {
        let Some(found) = self.damage_found() else { return Ok(()) };
        if found.iter().any(|damage| damage.unreadable) {
            logs.bag.catalogue.mark_worn(logs.replica.drive, READ_ERROR)?;
        }
        logs.bag.catalogue.set_log_damage(logs.replica.row, found)
    }

    /// Continues for about `most` bytes, or until `stop` returns true, which is called after every line; reads at least
    /// one line. Returns the number of bytes read.
    pub(super) fn advance(
        &mut self,
        logs: &Logs<'_>,
        most: u64,
        stop: &dyn Fn() -> bool,
    ) -> Result<u64, JobError> {
        let mut bytes = 0;
        loop {
            let mut budget = ReadBudget { most: most.saturating_sub(bytes), read: 0, stop };
            let next = match &mut self.stage {
                Stage::Ledger(ledger) => match ledger.advance(logs, &mut budget)? {
                    LogStep::More => None,
                    LogStep::Done(damage) => {
                        self.found.extend(damage);
                        Some(Stage::Manifest(ManifestSoFar::default()))
                    }
                },
                Stage::Manifest(manifest) => match manifest.advance(logs, &mut budget)? {
                    LogStep::More => None,
                    LogStep::Done(damage) => {
                        self.found.extend(damage);
                        Some(Stage::Done)
                    }
                },
                Stage::Done => return Ok(bytes),
            };
            bytes += budget.read;
            match next {
                Some(stage) => self.stage = stage,
                None => return Ok(bytes),
            }
        }
    }
}

/// The state of one log after a part of it.
enum LogStep {
    /// There is more to read.
    More,
    /// It was read to its end; its damage, if it has any.
    Done(Option<LogDamage>),
}

struct ReadBudget<'a> {
    most: u64,
    read: u64,
    stop: &'a dyn Fn() -> bool,
}

impl ReadBudget<'_> {
    fn is_used_up(&mut self, bytes: u64) -> bool {
        self.read += bytes;
        self.read >= self.most || (self.stop)()
    }
}

/// Passes an error on unless it concerns the log alone: then the drive is present and does not return these bytes.
fn unless_log_alone(volume: &dyn Volume, error: DiskError) -> Result<(), JobError> {
    match error.trouble {
        ErrorKind::Failing | ErrorKind::Refused | ErrorKind::Denied => Ok(volume.present()?),
        _ => Err(error.into()),
    }
}

impl LedgerSoFar {
    /// Reads on, up to the ledger's known end.
    fn advance(
        &mut self,
        logs: &Logs<'_>,
        budget: &mut ReadBudget<'_>,
    ) -> Result<LogStep, JobError> {
        let end = logs.replica.ledger_bytes;
        let offset = logs.bag.file(bag::LEDGER);
        if self.reader.offset() < end {
            let opened = logs.bag.volume.read(&offset, self.reader.offset(), ReadFrom::Medium);
            let mut lines = match opened {
                Ok(source) => LineReader::new(source),
                Err(error) if error.trouble == ErrorKind::Gone => {
                    check_answers(logs.bag.volume)?;
                    return self.judge(logs, false).map(LogStep::Done);
                }
                Err(error) => {
                    unless_log_alone(logs.bag.volume, error)?;
                    return self.judge(logs, true).map(LogStep::Done);
                }
            };
            while self.reader.offset() < end {
                let before = self.reader.offset();
                match lines.next() {
                    Ok(Some(piece)) => self.add(piece),
                    Ok(None) => break,
                    Err(error) => {
                        unless_log_alone(logs.bag.volume, error)?;
                        return self.judge(logs, true).map(LogStep::Done);
                    }
                }
                let is_last = self.reader.offset() >= end;
                if budget.is_used_up(self.reader.offset() - before) && !is_last {
                    return Ok(LogStep::More);
                }
            }
        }
        self.judge(logs, false).map(LogStep::Done)
    }

    fn add(&mut self, piece: Piece<'_>) {
        match piece {
            Piece::Line(raw, length) => {
                if let LineVerdict::Line(..) = self.reader.line(raw, length) {
                    self.lines.add(&self.reader.chain().head);
                }
            }
            Piece::TooLong(length) => self.reader.junk(length),
        }
        if let Some(broken) = self.reader.broken() {
            self.first_break.get_or_insert(broken.offset);
        }
    }

    fn judge(&self, logs: &Logs<'_>, unreadable: bool) -> Result<Option<LogDamage>, JobError> {
        let known = logs.bag.catalogue.known_lines(logs.replica.row)?;
        if self.lines == known {
            return Ok(None);
        }
        let at = match self.reader.broken() {
            _ if unreadable => self.reader.offset(),
            Some(broken) => broken.offset,
            None => self.first_break.unwrap_or(self.reader.offset()),
        };
        let lines = known.lines.saturating_sub(self.lines.lines).max(1);
        Ok(Some(LogDamage { log: Log::Ledger, offset: at, lines, unreadable }))
    }
}

impl ManifestSoFar {
    /// Reads on, up to the manifest's end.
    fn advance(
        &mut self,
        logs: &Logs<'_>,
        budget: &mut ReadBudget<'_>,
    ) -> Result<LogStep, JobError> {
        let path = logs.bag.file(bag::MANIFEST);
        let mut lines = match logs.bag.volume.read(&path, self.offset, ReadFrom::Medium) {
            Ok(source) => LineReader::new(source),
            Err(error) if error.trouble == ErrorKind::Gone => {
                check_answers(logs.bag.volume)?;
                return self.judge(logs, false).map(LogStep::Done);
            }
            Err(error) => {
                unless_log_alone(logs.bag.volume, error)?;
                return self.judge(logs, true).map(LogStep::Done);
            }
        };
        loop {
            let (right, length) = match lines.next() {
                Ok(Some(piece)) => manifest::judge(logs.bag.catalogue, logs.replica.row, &piece)?,
                Ok(None) => return self.judge(logs, false).map(LogStep::Done),
                Err(error) => {
                    unless_log_alone(logs.bag.volume, error)?;
                    return self.judge(logs, true).map(LogStep::Done);
                }
            };
            match right {
                LineJudgement::Junk => {
                    self.junk.get_or_insert(self.offset);
                }
                line => {
                    self.first_wrong = self.first_wrong.or(self.junk.take());
                    self.add(line);
                }
            }
            self.offset += length;
            if budget.is_used_up(length) {
                return Ok(LogStep::More);
            }
        }
    }

    fn add(&mut self, line: LineJudgement) {
        match line {
            LineJudgement::Right(payload) => self.listed.insert(payload.number),
            LineJudgement::Wrong => {
                self.first_wrong.get_or_insert(self.offset);
                self.wrong += 1;
            }
            LineJudgement::Unknown | LineJudgement::Comment | LineJudgement::Junk => {}
        }
    }

    /// If a line became junk, or names something else, a copy is no longer listed.
    fn judge(&self, logs: &Logs<'_>, unreadable: bool) -> Result<Option<LogDamage>, JobError> {
        let mut unlisted = 0;
        manifest::each_copy(logs.bag.catalogue, logs.replica, |copy| {
            let must = match copy.state {
                CopyState::Missing | CopyState::GivenUp | CopyState::Removed => false,
                // Debris that is gone need not be listed, and nobody records that it is gone.
                CopyState::Debris => false,
                _ => true,
            };
            unlisted += u64::from(must && !self.listed.contains(copy.name.number));
        })?;
        let junk = u64::from(self.first_wrong.is_some());
        let lines = self.wrong.max(unlisted).max(junk);
        if lines == 0 && !unreadable {
            return Ok(None);
        }
        let offset = self.first_wrong.filter(|_| !unreadable).unwrap_or(self.offset);
        Ok(Some(LogDamage { log: Log::Manifest, offset, lines: lines.max(1), unreadable }))
    }
}

/// The damage as a finding for a person.
pub(crate) fn finding(damage: &LogDamage) -> Finding {
    let LogDamage { log, offset, lines, unreadable } = *damage;
    match (log, unreadable) {
        (Log::Ledger, false) => Finding::LedgerLinesLost { offset, lines },
        (Log::Manifest, false) => Finding::ManifestLinesLost { offset, lines },
        (Log::Ledger, true) => Finding::LogUnreadable { log: bag::LEDGER, offset },
        (Log::Manifest, true) => Finding::LogUnreadable { log: bag::MANIFEST, offset },
    }
}
