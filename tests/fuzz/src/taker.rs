//! Makes choices, numbers and texts out of bytes, so that a fuzzer's change of a byte is a small change
//! of the story. Never fails: bytes that have run out are zeros.

/// Bytes being used up.
pub struct Taker<'a>(pub &'a [u8]);

impl<'a> Taker<'a> {
    /// Whether all are used up.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// One byte.
    pub fn byte(&mut self) -> u8 {
        self.some(1).first().copied().unwrap_or(0)
    }

    /// A number of so many bytes.
    pub fn number(&mut self, bytes: usize) -> u64 {
        self.some(bytes).iter().fold(0, |sum, byte| sum << 8 | u64::from(*byte))
    }

    /// A number below a bound, which is not 0.
    pub fn below(&mut self, bound: usize) -> usize {
        self.number(2) as usize % bound
    }

    /// At most so many bytes.
    pub fn some(&mut self, most: usize) -> &'a [u8] {
        let (taken, rest) = self.0.split_at(most.min(self.0.len()));
        self.0 = rest;
        taken
    }

    /// A few bytes, how many being chosen too.
    pub fn piece(&mut self, most: usize) -> &'a [u8] {
        let length = self.below(most + 1);
        self.some(length)
    }

    /// Text of a few characters.
    pub fn text(&mut self, most: usize) -> String {
        String::from_utf8_lossy(self.piece(most)).into_owned()
    }
}
