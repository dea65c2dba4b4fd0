//! Splits a file into lines, holding one at a time, and no more of it than a ledger's line may be long.

use crate::disk::{DiskError, Source};
use crate::model::limits::{COPY_BUFFER_BYTES, LEDGER_LINE_BYTES};

/// A piece of a file of lines.
pub enum Piece<'a> {
    /// A line without its line feed, and its length with it.
    Line(&'a [u8], u64),
    /// The length of a piece that is longer than any line may be.
    TooLong(u64),
}

/// Splits a file into lines.
pub struct LineReader {
    source: Box<dyn Source>,
    buffer: Vec<u8>,
    filled: usize,
    consumed: usize,
    ended: bool,
    skipping: bool,
    /// Whether the last piece had no line feed.
    pub no_final_newline: bool,
}

impl LineReader {
    /// Begins at the offset at which the source was opened.
    pub fn new(source: Box<dyn Source>) -> Self {
        let buffer = vec![0; COPY_BUFFER_BYTES.max(2 * LEDGER_LINE_BYTES)];
        Self {
            source,
            buffer,
            filled: 0,
            consumed: 0,
            ended: false,
            skipping: false,
            no_final_newline: false,
        }
    }

    /// The next piece; `None` at the end of the file.
    #[expect(clippy::should_implement_trait, reason = "a piece lives in the buffer")]
    pub fn next(&mut self) -> Result<Option<Piece<'_>>, DiskError> {
        loop {
            let unread = &self.buffer[self.consumed..self.filled];
            // First whether there is a line feed at all, which the library finds out many bytes at a time.
            let end = unread.contains(&b'\n').then(|| unread.iter().position(|&b| b == b'\n'));
            if let Some(end) = end.flatten() {
                let from = self.consumed;
                self.consumed += end + 1;
                let length = end as u64 + 1;
                if self.skipping || end > LEDGER_LINE_BYTES {
                    self.skipping = false;
                    return Ok(Some(Piece::TooLong(length)));
                }
                return Ok(Some(Piece::Line(&self.buffer[from..from + end], length)));
            }
            if unread.len() > LEDGER_LINE_BYTES {
                let length = unread.len() as u64;
                (self.consumed, self.filled, self.skipping) = (0, 0, true);
                return Ok(Some(Piece::TooLong(length)));
            }
            if self.ended {
                if unread.is_empty() {
                    // The last bytes may have been skipped as the rest of a line that was too long.
                    self.no_final_newline |= self.skipping;
                    return Ok(None);
                }
                self.no_final_newline = true;
                let (from, to) = (self.consumed, self.filled);
                self.consumed = self.filled;
                let length = (to - from) as u64;
                return Ok(Some(match self.skipping {
                    true => Piece::TooLong(length),
                    false => Piece::Line(&self.buffer[from..to], length),
                }));
            }
            self.buffer.copy_within(self.consumed..self.filled, 0);
            self.filled -= self.consumed;
            self.consumed = 0;
            let got = self.source.read(&mut self.buffer[self.filled..])?;
            self.filled += got;
            self.ended = got == 0;
        }
    }
}
