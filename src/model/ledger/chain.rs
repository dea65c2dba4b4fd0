//! The hash that ties each ledger line to the one before, for writing and for reading. Passes no line on as sound
//! unless the chain proves it.

use super::event::{Event, Line};
use super::wire;
use crate::model::digest::{Digest, Hasher};
use crate::model::time::EventTime;

const HASH_FIELD: &str = ",\"hash\":\"";
const LINE_END: &str = "\"}";
const TAIL: usize = HASH_FIELD.len() + 64 + LINE_END.len();

/// The end of a ledger, to which the next line is chained.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Chain {
    /// Hash of the last line; zeros before the first.
    pub head: Digest,
    /// Number of the last line; 0 before the first.
    pub seq: u64,
}

impl Default for Chain {
    fn default() -> Self {
        Self { head: Digest::from_bytes([0; 32]), seq: 0 }
    }
}

impl Chain {
    /// Makes the next line, with its line feed, and moves to it.
    pub fn write(&mut self, stamp: &EventTime, event: Event) -> String {
        let line = Line { seq: self.seq + 1, stamp: stamp.clone(), event };
        let object = wire::write(&line);
        let body = object.strip_suffix('}').unwrap_or(&object);
        let hash = link(&self.head, body);
        *self = Self { head: hash, seq: line.seq };
        format!("{body}{HASH_FIELD}{hash}{LINE_END}\n")
    }
}

fn link(before: &Digest, body: &str) -> Digest {
    let mut hasher = Hasher::default();
    hasher.update(before.to_string().as_bytes());
    hasher.update(body.as_bytes());
    hasher.finish().digest
}

/// How far a line that was read can be believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineTrust {
    /// The chain proves it from the first line on.
    Sound,
    /// It is whole, but past a break that no later `recovered` line has settled: what it says of a copy must be checked
    /// against the copy.
    PastBreak,
}

/// The verdict on one line of the file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LineVerdict {
    /// A line.
    Line(Box<Line>, LineTrust),
    /// Bytes that are no line of this ledger.
    Junk,
    /// A sound line of a later format: this ledger may be read, never written.
    Newer(u32),
}

/// Reads a ledger line by line, and keeps track of the chain and of where it broke.
#[derive(Debug, Clone, Default)]
pub struct ChainReader {
    chain: Chain,
    /// The hash claimed by the raw line before, sound or not: a line that fits it is whole, although the one before is
    /// damaged.
    claimed: Option<Digest>,
    offset: u64,
    broken: Option<ChainBreak>,
    /// Unreadable lines from the beginning on.
    gaps: u64,
    /// Unreadable lines before the break.
    gaps_before: u64,
    /// The last piece belongs to a line that is too long: that is one gap, in however many pieces it comes.
    in_long: bool,
}

/// A place at which the chain is broken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ChainBreak {
    /// Offset at which sound lines end.
    pub offset: u64,
    /// Whole lines found after it.
    pub whole_lines: u64,
    /// Bytes that are no lines.
    pub junk: u64,
}

impl ChainReader {
    /// Continues at the end of a part that was read and found sound before.
    pub fn resume(chain: Chain, offset: u64, gaps: u64) -> Self {
        Self { chain, claimed: None, offset, broken: None, gaps, gaps_before: gaps, in_long: false }
    }

    /// Unreadable lines up to here, without those that, by a `recovered` line, a power failure left. A departure counts
    /// only if its writer knew of all of them.
    pub fn gaps(&self) -> u64 {
        self.gaps
    }

    /// The end of the chain so far.
    pub fn chain(&self) -> Chain {
        self.chain
    }

    /// Offset after the last piece, in bytes.
    pub fn offset(&self) -> u64 {
        self.offset
    }

    /// The break not yet settled, if there is one.
    pub fn broken(&self) -> Option<ChainBreak> {
        self.broken
    }

    /// Skips bytes that cannot be a line: too long, or without a line feed.
    pub fn junk(&mut self, bytes: u64) {
        self.break_here().junk += bytes;
        self.claimed = None;
        self.offset += bytes;
        self.gaps += u64::from(!self.in_long);
        self.in_long = true;
    }

    /// Judges one line without its line feed; `length` includes the line feed if there is one.
    pub fn line(&mut self, raw: &[u8], length: u64) -> LineVerdict {
        let verdict = self.judge(raw);
        self.in_long = false;
        match &verdict {
            LineVerdict::Junk if !raw.is_empty() => {
                self.break_here().junk += length;
                self.gaps += 1;
            }
            LineVerdict::Line(line, LineTrust::PastBreak) => {
                if let Event::Recovered { torn, .. } = line.event {
                    self.gaps -= torn.min(self.gaps - self.gaps_before);
                }
                match (&line.event, self.broken) {
                    (Event::Recovered { from, to, .. }, Some(b))
                        if *from <= b.offset && *to <= self.offset =>
                    {
                        self.broken = None;
                    }
                    _ => self.break_here().whole_lines += 1,
                }
            }
            _ => {}
        }
        self.offset += length;
        verdict
    }

    fn break_here(&mut self) -> &mut ChainBreak {
        let offset = self.offset;
        if self.broken.is_none() {
            self.gaps_before = self.gaps;
        }
        self.broken.get_or_insert(ChainBreak { offset, whole_lines: 0, junk: 0 })
    }

    fn judge(&mut self, raw: &[u8]) -> LineVerdict {
        let Some((body, hash)) = split(raw) else {
            // An empty line ends a torn one; it says nothing about the line before.
            if !raw.is_empty() {
                self.claimed = None;
            }
            return LineVerdict::Junk;
        };
        let follows_head = link(&self.chain.head, body) == hash;
        let follows_claim =
            !follows_head && self.claimed.is_some_and(|claimed| link(&claimed, body) == hash);
        self.claimed = Some(hash);
        if !follows_head && !follows_claim {
            return LineVerdict::Junk;
        }
        let line = match wire::read(&format!("{body}}}")) {
            wire::ParsedLine::Line(line) if line.seq > self.chain.seq => line,
            wire::ParsedLine::Newer(version) if follows_head => return LineVerdict::Newer(version),
            _ => return LineVerdict::Junk,
        };
        if follows_claim {
            self.break_here();
        }
        self.chain = Chain { head: hash, seq: line.seq };
        let trust = match self.broken {
            None => LineTrust::Sound,
            Some(_) => LineTrust::PastBreak,
        };
        LineVerdict::Line(line, trust)
    }
}

/// The hash that a raw line, without its line feed, claims for itself.
pub fn claimed_hash(raw: &[u8]) -> Option<Digest> {
    split(raw).map(|(_, hash)| hash)
}

fn split(raw: &[u8]) -> Option<(&str, Digest)> {
    // An editor may have changed the line ends to its own system's; the contents are the same.
    let raw = raw.strip_suffix(b"\r").unwrap_or(raw);
    let text = std::str::from_utf8(raw).ok()?;
    let at = text.len().checked_sub(TAIL)?;
    let (body, tail) = (text.get(..at)?, text.get(at..)?);
    let hash = tail.strip_prefix(HASH_FIELD)?.strip_suffix(LINE_END)?;
    body.starts_with('{').then_some((body, hash.parse().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::digest::Identity;
    use crate::model::ids::{DriveId, WriterId};
    use crate::model::ledger::event::{Assertion, Location};
    use crate::model::names::RelName;
    use crate::model::position::Position;
    use crate::model::time::Timestamp;
    use proptest::prelude::*;

    fn stamp() -> EventTime {
        let time = Timestamp { seconds: 1_000, nanos: 5 };
        EventTime { time, trusted: false, boot: "b".into() }
    }

    fn mirrored(number: u32, path: &[u8]) -> Event {
        Event::Mirrored {
            payload: format!("data/0001/{number:08}.EML").parse().unwrap(),
            identity: Identity::of(path),
            assertion: Assertion {
                location: Location {
                    mailbox: "in".parse().unwrap(),
                    path: RelName::new(path).unwrap(),
                },
                modified: Timestamp { seconds: -1, nanos: 7 },
                mode: 0o640,
                first_seen: Timestamp::default(),
                suspect: None,
                as_of: Position { writer: WriterId::from_bits(1), n: number.into() },
            },
            replaces: None,
        }
    }

    fn ledger(lines: u32) -> Vec<String> {
        let mut chain = Chain::default();
        (1..=lines)
            .map(|n| chain.write(&stamp(), mirrored(n, format!("m{n}").as_bytes())))
            .collect()
    }

    fn read(file: &[u8]) -> (Vec<(u64, LineTrust)>, ChainReader) {
        let mut reader = ChainReader::default();
        let mut lines = Vec::new();
        for raw in file.split_inclusive(|&b| b == b'\n') {
            let text = raw.strip_suffix(b"\n").unwrap_or(raw);
            if let LineVerdict::Line(line, trust) = reader.line(text, raw.len() as u64) {
                lines.push((line.seq, trust));
            }
        }
        (lines, reader)
    }

    #[test]
    fn a_whole_ledger_is_sound() {
        let (lines, reader) = read(ledger(5).concat().as_bytes());
        assert_eq!(lines, (1..=5).map(|n| (n, LineTrust::Sound)).collect::<Vec<_>>());
        assert_eq!(reader.broken(), None);
    }

    #[test]
    fn a_torn_end_costs_only_itself_and_is_settled_by_a_recovered_line() {
        let lines = ledger(3);
        for cut in 1..lines[2].len() - 1 {
            let mut file = lines[..2].concat().into_bytes();
            let from = file.len() as u64;
            file.extend_from_slice(&lines[2].as_bytes()[..cut]);
            let (read_lines, reader) = read(&file);
            assert_eq!(read_lines.len(), 2, "cut at {cut}");
            assert_eq!(reader.broken().map(|b| b.offset), Some(from));
            let mut chain = reader.chain();
            file.push(b'\n');
            let to = file.len() as u64;
            let event = Event::Recovered { from, to, whole_lines: 0, torn: 1 };
            file.extend_from_slice(chain.write(&stamp(), event).as_bytes());
            file.extend_from_slice(chain.write(&stamp(), mirrored(9, b"after")).as_bytes());
            let (read_lines, reader) = read(&file);
            assert_eq!(read_lines.last(), Some(&(4, LineTrust::Sound)), "cut at {cut}");
            assert_eq!((reader.broken(), reader.gaps()), (None, 0));
        }
    }

    #[test]
    fn an_altered_line_is_found_and_those_after_it_are_only_claims() {
        let lines = ledger(6);
        let file = lines.concat();
        let altered = file.replacen("\"bytes\":2", "\"bytes\":3", 1);
        let (read_lines, reader) = read(altered.as_bytes());
        assert_eq!(read_lines.len(), 5);
        assert!(read_lines.iter().all(|(_, trust)| *trust == LineTrust::PastBreak));
        assert_eq!(reader.broken().map(|b| (b.offset, b.whole_lines)), Some((0, 5)));
    }

    #[test]
    fn old_lines_in_a_junk_tail_are_not_taken_again() {
        let lines = ledger(4);
        let (read_lines, _) =
            read(format!("{}{}", lines.concat(), lines[1..3].concat()).as_bytes());
        assert_eq!(read_lines.len(), 4);
    }

    #[test]
    fn a_witness_reads_back_and_tells_of_a_line_that_there_can_be() {
        let witness = |line| {
            let drive = DriveId::from_bits(0xaa);
            Event::Witness { drive, line, hash: Digest::from_bytes([7; 32]) }
        };
        let read = |event| {
            let text = Chain::default().write(&stamp(), event);
            ChainReader::default().line(text.trim_end().as_bytes(), text.len() as u64)
        };
        let LineVerdict::Line(line, LineTrust::Sound) = read(witness(9)) else { panic!("no line") };
        assert_eq!(line.event, witness(9));
        assert_eq!(read(witness(0)), LineVerdict::Junk);
    }

    #[test]
    fn a_later_format_is_told_apart_from_junk() {
        let mut chain = Chain::default();
        let line = chain.write(&stamp(), mirrored(1, b"x"));
        let body = line[..line.len() - TAIL - 1].replacen("\"v\":1", "\"v\":3", 1);
        let hash = link(&Chain::default().head, &body);
        let raw = format!("{body}{HASH_FIELD}{hash}{LINE_END}");
        assert_eq!(ChainReader::default().line(raw.as_bytes(), 1), LineVerdict::Newer(3));
    }

    proptest! {
        /// Whatever the file contains: nothing panics, and no line is sound unless the chain was whole before it.
        #[test]
        fn damage_never_makes_a_sound_line(at in 0usize..2000, with in proptest::collection::vec(any::<u8>(), 1..40)) {
            let whole = ledger(5).concat().into_bytes();
            let mut file = whole.clone();
            let at = at % file.len();
            let end = (at + with.len()).min(file.len());
            file.splice(at..end, with);
            if file != whole {
                let (lines, _) = read(&file);
                let before = whole[..at].iter().filter(|&&b| b == b'\n').count() as u64;
                for (seq, trust) in lines {
                    prop_assert!(trust == LineTrust::PastBreak || seq <= before + 1);
                }
            }
        }

        #[test]
        fn any_path_survives_the_ledger(raw in proptest::collection::vec(any::<u8>(), 1..200)) {
            if let Ok(path) = RelName::new(raw) {
                let mut chain = Chain::default();
                let text = chain.write(&stamp(), mirrored(1, path.as_bytes()));
                let verdict = ChainReader::default().line(text.trim_end().as_bytes(), text.len() as u64);
                let LineVerdict::Line(line, LineTrust::Sound) = verdict else { panic!("{verdict:?}") };
                prop_assert_eq!(line.event, mirrored(1, path.as_bytes()));
            }
        }
    }
}
