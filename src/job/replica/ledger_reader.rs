//! Reads a ledger once, from a known offset to its end, and judges each line. Stops at a line of a later format, and at
//! junk that is too long.

use super::line_reader::{LineReader, Piece};
use crate::disk::{DiskError, ErrorKind};
use crate::job::JobError;
use crate::job::catalogue::KnownLines;
use crate::model::ledger::{ChainReader, Line, LineTrust, LineVerdict};
use crate::model::limits::{LEDGER_AHEAD_LINES, LEDGER_JUNK_BYTES};
use std::panic::resume_unwind;
use std::sync::mpsc::sync_channel;

/// A line, with the number of unreadable ones before it.
pub(super) struct ReadLine {
    pub(super) line: Box<Line>,
    pub(super) trust: LineTrust,
    pub(super) gaps: u64,
}

/// Consecutive lines that are passed on together.
pub(super) type LineGroup = Vec<ReadLine>;

/// One reading of a ledger, and what it found.
pub(super) struct LedgerReader {
    pub(super) reader: ChainReader,
    pub(super) lines: LineReader,
    /// Count and digest of the whole lines so far.
    pub(super) known: KnownLines,
    /// An end that cannot be read is no error.
    partly: bool,
    /// The offset up to which this card has read before, and the gaps up to there.
    pub(super) known_through: u64,
    pub(super) gaps_known: u64,
    /// The last piece was junk.
    pub(super) ends_in_gap: bool,
    /// Offset of the end of the last line.
    pub(super) last_line_ends: u64,
    /// The later format at which reading stopped.
    pub(super) newer: Option<u32>,
    /// Junk continues for longer than any power failure can leave.
    pub(super) oversized_garbage: bool,
    /// Why the end could not be read.
    pub(super) unreadable: Option<DiskError>,
}

impl LedgerReader {
    pub(super) fn new(
        reader: ChainReader,
        lines: LineReader,
        known: KnownLines,
        partly: bool,
    ) -> Self {
        let (last_line_ends, gaps_known) = (reader.offset(), reader.gaps());
        Self {
            reader,
            lines,
            known,
            partly,
            known_through: 0,
            gaps_known,
            ends_in_gap: false,
            last_line_ends,
            newer: None,
            oversized_garbage: false,
            unreadable: None,
        }
    }

    /// Passes the lines to `apply` as they are read, in groups.
    pub(super) fn read_with(
        mut self,
        mut apply: impl FnMut(LineGroup) -> Result<(), JobError>,
    ) -> Result<Self, JobError> {
        let mut applied = Ok(());
        let ended = self.read_groups(&mut |group| {
            applied = apply(group);
            applied.is_ok()
        });
        applied?;
        Ok(ended.map(|()| self)?)
    }

    /// Passes the same groups to `apply` while a thread reads and judges ahead, which takes about as long as applying.
    pub(super) fn read_ahead_of(
        mut self,
        mut apply: impl FnMut(LineGroup) -> Result<(), JobError>,
    ) -> Result<Self, JobError> {
        std::thread::scope(|scope| {
            let (send, judged) = sync_channel(1);
            let read = move || {
                // If applying failed, nobody takes the rest.
                let ended = self.read_groups(&mut |group| send.send(group).is_ok());
                ended.map(|()| self)
            };
            let reading = std::thread::Builder::new()
                .name("ledger-read".to_owned())
                .spawn_scoped(scope, read)
                .map_err(|e| JobError::Broken(format!("no thread could be started: {e}")))?;
            let applied = judged.iter().try_for_each(&mut apply);
            // Without a receiver the thread does not wait to send more.
            drop(judged);
            let read = reading.join().unwrap_or_else(|why| resume_unwind(why));
            applied?;
            Ok(read?)
        })
    }

    /// Passes all lines to `take` until it returns false, including those read before an error.
    fn read_groups(&mut self, take: &mut dyn FnMut(LineGroup) -> bool) -> Result<(), DiskError> {
        let mut lines = Vec::with_capacity(LEDGER_AHEAD_LINES);
        let ended = self.read(&mut lines, take);
        if !lines.is_empty() {
            take(lines);
        }
        ended
    }

    fn read(
        &mut self,
        lines: &mut LineGroup,
        take: &mut dyn FnMut(LineGroup) -> bool,
    ) -> Result<(), DiskError> {
        loop {
            let gaps = self.reader.gaps();
            if self.reader.offset() <= self.known_through {
                self.gaps_known = gaps;
            }
            let piece = match self.lines.next() {
                Ok(Some(piece)) => piece,
                Ok(None) => return Ok(()),
                Err(error) if self.partly && error.trouble == ErrorKind::Failing => {
                    self.unreadable = Some(error);
                    return Ok(());
                }
                Err(error) => return Err(error),
            };
            match piece {
                Piece::Line(raw, length) => match self.reader.line(raw, length) {
                    LineVerdict::Line(line, trust) => {
                        self.last_line_ends = self.reader.offset();
                        self.known.add(&self.reader.chain().head);
                        lines.push(ReadLine { line, trust, gaps: self.reader.gaps() });
                        if lines.len() >= LEDGER_AHEAD_LINES && !take(std::mem::take(lines)) {
                            return Ok(());
                        }
                    }
                    LineVerdict::Junk => {}
                    LineVerdict::Newer(version) => {
                        self.newer = Some(version);
                        return Ok(());
                    }
                },
                Piece::TooLong(length) => self.reader.junk(length),
            }
            self.ends_in_gap = self.reader.gaps() > gaps;
            self.oversized_garbage = self.reader.offset() - self.last_line_ends > LEDGER_JUNK_BYTES;
            if self.oversized_garbage {
                return Ok(());
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::Source;
    use crate::model::ledger::{Chain, Event};
    use crate::model::{EventTime, Identity, Timestamp};
    use proptest::prelude::*;
    use rustix::io::Errno;

    /// A file that fails from some offset on.
    struct Bytes {
        bytes: Vec<u8>,
        at: usize,
        fails_at: Option<usize>,
    }

    impl Source for Bytes {
        fn read(&mut self, into: &mut [u8]) -> Result<usize, DiskError> {
            let end = self.fails_at.unwrap_or(self.bytes.len()).min(self.bytes.len());
            if self.at == end && self.fails_at.is_some() {
                return Err(DiskError::new("read", "ledger", Errno::IO));
            }
            let got = into.len().min(end - self.at).min(5_000);
            into[..got].copy_from_slice(&self.bytes[self.at..self.at + got]);
            self.at += got;
            Ok(got)
        }
    }

    /// Lines of different lengths.
    fn ledger(lines: u32) -> Vec<u8> {
        let stamp = EventTime { time: Timestamp::default(), trusted: false, boot: "b".into() };
        let mut chain = Chain::default();
        let line = |number: u32| {
            let payload = format!("data/0001/{number:08}.EML").parse().unwrap();
            let identity = Identity::of(&number.to_le_bytes());
            chain.write(&stamp, Event::Debris { payload, identity })
        };
        (1..=lines).map(line).collect::<String>().into_bytes()
    }

    type ReadLine = (Vec<(Line, LineTrust, u64)>, Result<String, String>);

    /// The lines that reach `apply`, which fails at line `most`, and how reading ends.
    fn read(
        bytes: &[u8],
        fails_at: Option<usize>,
        partly: bool,
        most: usize,
        ahead: bool,
    ) -> ReadLine {
        let source = Bytes { bytes: bytes.to_vec(), at: 0, fails_at };
        let lines = LineReader::new(Box::new(source));
        let ledger_reader =
            LedgerReader::new(ChainReader::default(), lines, KnownLines::default(), partly);
        let mut lines = Vec::new();
        let apply = |group: LineGroup| {
            group.into_iter().try_for_each(|read| {
                lines.push((*read.line, read.trust, read.gaps));
                match lines.len() == most {
                    true => Err(JobError::Broken("refused".to_owned())),
                    false => Ok(()),
                }
            })
        };
        let ended =
            if ahead { ledger_reader.read_ahead_of(apply) } else { ledger_reader.read_with(apply) };
        let ended = ended.map_err(|error| error.to_string()).map(|ledger_reader| {
            let LedgerReader {
                reader, lines, known, last_line_ends, newer, oversized_garbage, ..
            } = ledger_reader;
            let why = ledger_reader.unreadable.map(|error| error.to_string());
            let no_final_newline = lines.no_final_newline;
            format!("{reader:?} {no_final_newline} {known:?} {last_line_ends} {newer:?} {oversized_garbage} {why:?}")
        });
        (lines, ended)
    }

    /// The refused line is in the same group as the last one before the error.
    #[test]
    fn a_line_that_is_refused_comes_before_an_error_behind_it() {
        let bytes = ledger(196);
        let beside = read(&bytes, Some(56_144), false, 129, false);
        assert_eq!(beside, read(&bytes, Some(56_144), false, 129, true));
        assert_eq!(beside.1, Err(JobError::Broken("refused".to_owned()).to_string()));
    }

    proptest! {
        /// Reading ahead changes no result: for a whole ledger, a torn one, one with other bytes in it, one that cannot
        /// be read to its end, and where applying a line fails.
        #[test]
        fn reading_ahead_meets_the_same(
            lines in 0_u32..600,
            torn in prop::option::of(0_usize..200_000),
            spoilt in prop::option::of(0_usize..200_000),
            fails_at in prop::option::of(0_usize..200_000),
            partly: bool,
            most in 1_usize..700,
        ) {
            let mut bytes = ledger(lines);
            bytes.truncate(torn.unwrap_or(bytes.len()));
            if let Some(byte) = spoilt.and_then(|at| bytes.get_mut(at)) {
                *byte ^= 4;
            }
            let beside = read(&bytes, fails_at, partly, most, false);
            prop_assert_eq!(&beside, &read(&bytes, fails_at, partly, most, true));
            prop_assert!(beside.0.len() <= most);
        }
    }
}
