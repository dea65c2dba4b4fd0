//! What is remembered of a message in addition to its bytes. Headers are for a person's eye; all except the Message-ID
//! decide nothing.

use super::limits::HEADER_CHARS;
use super::time::Timestamp;
use serde::Serialize;

/// What the file system says of a file; if two looks give equal facts, the file is unchanged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FileFacts {
    /// Length in bytes.
    pub bytes: u64,
    /// Time of the last change of its bytes.
    pub modified: Timestamp,
    /// Time of the last change of anything about it.
    pub changed: Timestamp,
    /// Number of the inode.
    pub inode: u64,
    /// Permission bits.
    pub mode: u32,
}

/// Headers as shown to a person; empty if absent or unreadable.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Headers {
    /// The `From` field, shortened.
    pub from: String,
    /// The `To` field, shortened.
    pub to: String,
    /// Subject.
    pub subject: String,
    /// Date in RFC 3339, UTC.
    pub date: String,
    /// Message-ID (RFC 5322, section 3.6.4), without its angle brackets. The only header that decides anything: whether
    /// a content is a later version of the one before it at a path.
    #[serde(skip)]
    pub message_id: String,
}

/// How the size of a message divides, in bytes as stored and so as they went over the air: encoded, not decoded. The
/// rest of its length is headers and the lines between parts. For a person's eye only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct SizeBreakdown {
    /// Bytes of text that the writer wrote.
    pub body: u64,
    /// Bytes of text quoted from earlier messages.
    pub quoted: u64,
    /// Bytes of everything attached.
    pub attached: u64,
}

impl Headers {
    /// Cuts a header's text to the length that is stored.
    pub fn clip(text: &str) -> String {
        let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
        match text.char_indices().nth(HEADER_CHARS) {
            Some((at, _)) => format!("{}…", &text[..at]),
            None => text,
        }
    }
}
