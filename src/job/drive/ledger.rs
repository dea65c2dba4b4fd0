//! Reads a station's ledger into the catalogue, and appends to it.
//! Never holds more of it in memory than one line, and never reads again what is known to be unchanged.

use super::logs::write_proven;
use crate::disk::{DiskError, ReadFrom, Source, Trouble, Volume};
use crate::job::JobError;
use crate::job::catalogue::{BookRow, Catalogue};
use crate::model::ledger::{Break, Event, Line, Reader, Standing, Verdict, claimed_hash};
use crate::model::limits::{COPY_BUFFER_BYTES, LEDGER_JUNK_BYTES, LEDGER_LINE_BYTES};
use crate::model::{Finding, RelName, Stamp, bag};

/// What reading the ledger brought.
#[derive(Debug, Default)]
pub(super) struct Loaded {
    /// It is as it was known; nothing was read.
    pub unchanged: bool,
    /// What was known of it does not stand, and it was read from its beginning.
    pub anew: bool,
    /// It ends before where it was known to end.
    pub fell: bool,
    /// A break that no `recovered` line has settled yet.
    pub broken: Option<Break>,
    /// The last line is not ended.
    pub unended: bool,
    /// A later format was met; reading stopped there.
    pub newer: Option<u32>,
    /// It goes on without lines for longer than any cut can make it; reading stopped there.
    pub endless: bool,
    /// Octets of the file.
    pub length: u64,
    /// Why its end could not be read, where what can be read was asked for.
    pub unreadable: Option<DiskError>,
}

impl Loaded {
    /// It is there, and sound to its end.
    pub(super) fn is_whole(&self) -> bool {
        self.length > 0
            && self.broken.is_none()
            && self.newer.is_none()
            && self.unreadable.is_none()
    }
}

/// Brings the catalogue up to what the ledger says. With `partly` an end that cannot be read is passed over:
/// a cut may leave a file that claims to be longer than its clusters go.
pub(super) fn load(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    dir: &RelName,
    book: &mut BookRow,
    partly: bool,
    findings: &mut Vec<Finding>,
) -> Result<Loaded, JobError> {
    let at = dir.join(&RelName::fixed(bag::LEDGER));
    let length = volume.length(&at)?.unwrap_or(0);
    let known = book.ledger_bytes;
    let intact = length >= known && ends_as_known(volume, &at, book)?;
    if intact && length == known {
        return Ok(Loaded { unchanged: true, length, ..Loaded::default() });
    }
    if length < known {
        findings.push(Finding::LedgerShorter { known, found: length });
    }
    let anew = !intact || known == 0;
    let fell = length < known;
    let mut loaded = Loaded { length, anew, fell, ..Loaded::default() };
    catalogue.together(|| {
        if anew {
            catalogue.forget_book(book)?;
        }
        read_lines(catalogue, volume, &at, book, partly, &mut loaded)
    })?;
    Ok(loaded)
}

/// Whether the part already known still ends in the line it ended in: then, the chain being what it
/// is, nobody has changed anything before it without intent.
fn ends_as_known(volume: &dyn Volume, at: &RelName, book: &BookRow) -> Result<bool, JobError> {
    if book.ledger_bytes == 0 {
        return Ok(true);
    }
    let from = book.ledger_bytes.saturating_sub(LEDGER_LINE_BYTES as u64);
    let mut tail = vec![0; (book.ledger_bytes - from) as usize];
    let mut source = volume.read(at, from, ReadFrom::Medium)?;
    let got = crate::disk::read_full(|into| source.read(into), &mut tail)?;
    let Some(text) = tail[..got].strip_suffix(b"\n") else { return Ok(false) };
    let line = text.rsplit(|&b| b == b'\n').next().unwrap_or(text);
    Ok(claimed_hash(line) == Some(book.chain.head))
}

fn read_lines(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    at: &RelName,
    book: &mut BookRow,
    partly: bool,
    loaded: &mut Loaded,
) -> Result<(), JobError> {
    let mut reader = Reader::resume(book.chain, book.ledger_bytes);
    if loaded.length == 0 {
        return Ok(());
    }
    let mut lines = Lines::new(volume.read(at, book.ledger_bytes, ReadFrom::Medium)?);
    let mut last_line_ends = reader.at();
    loop {
        let piece = match lines.next() {
            Ok(Some(piece)) => piece,
            Ok(None) => break,
            Err(error) if partly && error.trouble == Trouble::Failing => {
                loaded.unreadable = Some(error);
                break;
            }
            Err(error) => return Err(error.into()),
        };
        match piece {
            Piece::Line(raw, length) => match reader.line(raw, length) {
                Verdict::Line(line, standing) => {
                    catalogue.fold(book, &line, standing)?;
                    last_line_ends = reader.at();
                }
                Verdict::Junk => {}
                Verdict::Newer(version) => {
                    loaded.newer = Some(version);
                    break;
                }
            },
            Piece::TooLong(length) => reader.junk(length),
        }
        loaded.endless = reader.at() - last_line_ends > LEDGER_JUNK_BYTES;
        if loaded.endless {
            break;
        }
    }
    loaded.broken = reader.broken();
    loaded.unended = lines.unended;
    book.chain = reader.chain();
    book.ledger_bytes = if loaded.endless { last_line_ends } else { reader.at() };
    // Whoever wrote these lines may have been ended before they were synced.
    book.unproven = true;
    catalogue.save_book(book)
}

/// Appends events as chained lines, makes them durable, and takes them into the catalogue. This
/// is the commit point: what the lines say is true from the moment this returns.
pub(crate) fn append(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    dir: &RelName,
    book: &mut BookRow,
    stamp: &Stamp,
    events: Vec<Event>,
    end_line_before: bool,
) -> Result<(), JobError> {
    let mut chain = book.chain;
    let mut text = String::new();
    if end_line_before {
        text.push('\n');
    }
    let mut lines = Vec::with_capacity(events.len());
    let less = events.iter().any(|e| matches!(e, Event::Damaged { .. } | Event::Missing { .. }));
    for event in events {
        text.push_str(&chain.write(stamp, event.clone()));
        lines.push(Line { seq: chain.seq, stamp: stamp.clone(), event });
    }
    let at = dir.join(&RelName::fixed(bag::LEDGER));
    write_proven(volume, &at, book.ledger_bytes, text.as_bytes())?;
    catalogue.together(|| {
        book.chain = chain;
        book.ledger_bytes += text.len() as u64;
        book.unproven = false;
        lines.iter().try_for_each(|line| catalogue.fold(book, line, Standing::Sound))?;
        catalogue.save_book(book)
    })?;
    if less { catalogue.make_durable() } else { Ok(()) }
}

/// One piece of a file of lines.
pub enum Piece<'a> {
    /// A line without its line feed, and its length with it.
    Line(&'a [u8], u64),
    /// So many octets that are longer than any line may be.
    TooLong(u64),
}

/// Lines of a file, held one at a time and never longer than a ledger's line may be.
pub struct Lines {
    source: Box<dyn Source>,
    buffer: Vec<u8>,
    filled: usize,
    taken: usize,
    ended: bool,
    skipping: bool,
    /// Whether the last piece had no line feed.
    pub unended: bool,
}

impl Lines {
    /// From where a file was opened.
    pub fn new(source: Box<dyn Source>) -> Self {
        let buffer = vec![0; COPY_BUFFER_BYTES.max(2 * LEDGER_LINE_BYTES)];
        Self { source, buffer, filled: 0, taken: 0, ended: false, skipping: false, unended: false }
    }

    /// The next piece; `None` at the end of the file.
    #[expect(clippy::should_implement_trait, reason = "a piece lives in the buffer")]
    pub fn next(&mut self) -> Result<Option<Piece<'_>>, DiskError> {
        loop {
            let waiting = &self.buffer[self.taken..self.filled];
            // First whether there is one at all, since the library finds that out many octets at a time.
            let end = waiting.contains(&b'\n').then(|| waiting.iter().position(|&b| b == b'\n'));
            if let Some(end) = end.flatten() {
                let from = self.taken;
                self.taken += end + 1;
                let length = end as u64 + 1;
                if self.skipping || end > LEDGER_LINE_BYTES {
                    self.skipping = false;
                    return Ok(Some(Piece::TooLong(length)));
                }
                return Ok(Some(Piece::Line(&self.buffer[from..from + end], length)));
            }
            if waiting.len() > LEDGER_LINE_BYTES {
                let length = waiting.len() as u64;
                (self.taken, self.filled, self.skipping) = (0, 0, true);
                return Ok(Some(Piece::TooLong(length)));
            }
            if self.ended {
                if waiting.is_empty() {
                    // The last octets may have been passed over as the rest of a line too long.
                    self.unended |= self.skipping;
                    return Ok(None);
                }
                self.unended = true;
                let (from, to) = (self.taken, self.filled);
                self.taken = self.filled;
                let length = (to - from) as u64;
                return Ok(Some(match self.skipping {
                    true => Piece::TooLong(length),
                    false => Piece::Line(&self.buffer[from..to], length),
                }));
            }
            self.buffer.copy_within(self.taken..self.filled, 0);
            self.filled -= self.taken;
            self.taken = 0;
            let got = self.source.read(&mut self.buffer[self.filled..])?;
            self.filled += got;
            self.ended = got == 0;
        }
    }
}
