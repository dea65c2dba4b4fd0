//! What the model's contents are as files. Owns their bytes and names.

use crate::model::Content;

/// Bytes at the end of a damaged message that were never written.
const NEVER_WRITTEN: usize = 64;

/// The name of a plain path.
pub(crate) fn name_of(path: u8) -> String {
    format!("{}.eml", char::from(b'p' + path))
}

/// A message: all its versions have one Message-ID.
pub(crate) fn bytes_of(content: Content) -> Vec<u8> {
    let Content { message, version, damaged } = content;
    let mut bytes = format!(
        "Message-ID: <{message}@example.org>\r\nSubject: message {message}, version {version}\r\n\r\n{}",
        "The road is open, the water is falling.\r\n".repeat(4)
    )
    .into_bytes();
    if damaged {
        let end = bytes.len() - NEVER_WRITTEN;
        bytes[end..].fill(0);
    }
    bytes
}

/// Which content a file has; none that it should not have.
pub(crate) fn content_of(bytes: &[u8]) -> Option<Content> {
    let text = std::str::from_utf8(bytes).ok()?;
    let line = text.lines().nth(1)?.strip_prefix("Subject: message ")?;
    let (message, version) = line.split_once(", version ")?;
    let damaged = bytes.last() == Some(&0);
    let content =
        Content { message: message.parse().ok()?, version: version.parse().ok()?, damaged };
    (bytes_of(content) == bytes).then_some(content)
}
