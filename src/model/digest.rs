//! The SHA-256 digest of a message and its hexadecimal form. Reads no file.

use sha2::{Digest as _, Sha256};
use std::fmt;
use std::str::FromStr;

/// A SHA-256 digest (FIPS 180-4): 32 bytes, shown as 64 lower-case hexadecimal digits.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Digest([u8; 32]);

impl Digest {
    /// The digest of bytes already in memory.
    pub fn of(bytes: &[u8]) -> Self {
        Self(Sha256::digest(bytes).into())
    }

    /// From the 32 bytes of a digest.
    pub fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// The 32 bytes.
    pub fn as_bytes(&self) -> &[u8; 32] {
        &self.0
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // By table: thousands of these are written for every batch.
        const DIGITS: &[u8; 16] = b"0123456789abcdef";
        let mut text = [0; 64];
        for (pair, byte) in text.chunks_exact_mut(2).zip(self.0) {
            pair[0] = DIGITS[usize::from(byte >> 4)];
            pair[1] = DIGITS[usize::from(byte & 15)];
        }
        f.write_str(std::str::from_utf8(&text).map_err(|_| fmt::Error)?)
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl FromStr for Digest {
    type Err = NotADigest;

    /// Upper and lower case are both accepted (RFC 8493, section 2.1.3).
    fn from_str(text: &str) -> Result<Self, NotADigest> {
        let text = text.as_bytes();
        if text.len() != 64 {
            return Err(NotADigest);
        }
        let mut out = [0; 32];
        for (byte, pair) in out.iter_mut().zip(text.chunks_exact(2)) {
            *byte = hex_value(pair[0])? << 4 | hex_value(pair[1])?;
        }
        Ok(Self(out))
    }
}

fn hex_value(digit: u8) -> Result<u8, NotADigest> {
    match digit {
        b'0'..=b'9' => Ok(digit - b'0'),
        b'a'..=b'f' => Ok(digit - b'a' + 10),
        b'A'..=b'F' => Ok(digit - b'A' + 10),
        _ => Err(NotADigest),
    }
}

/// The text is not 64 hexadecimal digits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("not a SHA-256 digest: 64 hexadecimal digits are needed")]
pub struct NotADigest;

/// A digest being computed over bytes as they arrive.
#[derive(Default, Clone)]
pub struct Hasher(Sha256, u64);

impl Hasher {
    /// Adds the next bytes.
    pub fn update(&mut self, bytes: &[u8]) {
        self.0.update(bytes);
        self.1 += bytes.len() as u64;
    }

    /// Digest and length of all bytes added.
    pub fn finish(self) -> Identity {
        Identity { digest: Digest(self.0.finalize().into()), bytes: self.1 }
    }
}

/// The identity of a content: its digest and its length in bytes. Two contents with the same digest and different
/// lengths would mean a broken hash, so both are always compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Identity {
    /// SHA-256 of the bytes.
    pub digest: Digest,
    /// Number of bytes.
    pub bytes: u64,
}

impl Identity {
    /// The identity of bytes already in memory.
    pub fn of(bytes: &[u8]) -> Self {
        Self { digest: Digest::of(bytes), bytes: bytes.len() as u64 }
    }
}
