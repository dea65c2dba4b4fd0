//! The model's contents as files. Owns their bytes and names, and how they are found in folders.

use crate::model::{Content, Location, Mail, Path as Place};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

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

/// The content of a file; `None` if no file should have it.
pub(crate) fn content_of(bytes: &[u8]) -> Option<Content> {
    let text = std::str::from_utf8(bytes).ok()?;
    let line = text.lines().nth(1)?.strip_prefix("Subject: message ")?;
    let (message, version) = line.split_once(", version ")?;
    let damaged = bytes.last() == Some(&0);
    let content =
        Content { message: message.parse().ok()?, version: version.parse().ok()?, damaged };
    (bytes_of(content) == bytes).then_some(content)
}

/// Messages in folders.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Found {
    /// At plain paths.
    pub(crate) in_place: BTreeMap<Location, Content>,
    /// Under conflict names, by mailbox.
    pub(crate) conflict_names: BTreeSet<(u8, Content)>,
}

impl Found {
    /// The model's mailboxes in this form.
    pub(crate) fn of(mail: &Mail) -> Self {
        let mut found = Self::default();
        for (at, content) in mail {
            match at.path {
                Place::Plain(_) => drop(found.in_place.insert(*at, *content)),
                Place::ConflictName(..) | Place::Numbered(_) => {
                    found.conflict_names.insert((at.mailbox, *content));
                }
            }
        }
        found
    }

    pub(crate) fn contents(&self) -> BTreeSet<Content> {
        let conflict_names = self.conflict_names.iter().map(|(_, content)| *content);
        self.in_place.values().copied().chain(conflict_names).collect()
    }
}

/// Every file below a folder.
pub(crate) fn below(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        match entry.path() {
            path if path.is_dir() => files.extend(below(&path)),
            path => files.push(path),
        }
    }
    files
}

/// The plain path that a file is at.
pub(crate) fn plain(file: &Path) -> Option<u8> {
    (0..4).find(|path| file.file_name().is_some_and(|name| *name == *name_of(*path)))
}

/// The contents of the mailboxes below a folder.
pub(crate) fn found(root: &Path, mailbox_name: impl Fn(u8) -> String) -> Found {
    let mut found = Found::default();
    for mailbox in 0..2 {
        let folder = root.join(mailbox_name(mailbox));
        for file in below(&folder) {
            let content = fs::read(&file).ok().and_then(|bytes| content_of(&bytes));
            // A file that never was a message is not counted: it then shows as a lost one.
            let Some(content) = content else { continue };
            match plain(&file).filter(|_| file.parent() == Some(&folder)) {
                Some(path) => {
                    let at = Location { mailbox, path: Place::Plain(path) };
                    found.in_place.insert(at, content);
                }
                None => drop(found.conflict_names.insert((mailbox, content))),
            }
        }
    }
    found
}
