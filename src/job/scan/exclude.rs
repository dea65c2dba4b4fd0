//! Decides by its path what in a mailbox is no message: what the config ignores, what a Maildir has not finished
//! delivering, what a restore has not finished. The same answer for scans, hints and comparisons. Never opens a
//! message.

use crate::disk::{EntryStat, MailboxDir, STAGING};
use crate::model::{Finding, RelName};
use globset::GlobSet;
use std::sync::{Mutex, PoisonError};

/// Whether the config ignores a path, by its own name or by a folder above it.
pub fn ignores(ignore: &GlobSet, path: &RelName) -> bool {
    let mut folders = std::iter::successors(path.parent(), RelName::parent);
    ignore.is_match(path.as_path()) || folders.any(|folder| ignore.is_match(folder.as_path()))
}

/// The exclusions of one mailbox.
pub struct Exclusions<'a> {
    dir: &'a MailboxDir,
    ignore: &'a GlobSet,
    /// Folders with unfinished deliveries that a walk skipped.
    unfinished: Mutex<Vec<Finding>>,
}

impl<'a> Exclusions<'a> {
    /// The exclusions of a mailbox; `ignore` matches paths from its root.
    pub fn new(dir: &'a MailboxDir, ignore: &'a GlobSet) -> Self {
        Self { dir, ignore, unfinished: Mutex::default() }
    }

    /// Whether a walk enters a folder. Keeps a finding for a folder that it skips with deliveries in it.
    pub fn enters(&self, folder: &RelName) -> bool {
        let unfinished = self.is_unfinished(folder);
        if unfinished && !self.is_ignored(folder) && self.dir.has_entries(folder) {
            let finding = Finding::Excluded { path: folder.clone() };
            finding.note(&mut self.unfinished.lock().unwrap_or_else(PoisonError::into_inner));
        }
        !unfinished && !self.is_ignored_folder(folder)
    }

    /// Whether the config ignores a path. A walk has to ask no more of a path in a folder that it entered.
    pub fn is_ignored(&self, path: &RelName) -> bool {
        self.ignore.is_match(path.as_path())
    }

    /// Whether a path is excluded, by its own name or by any folder above it.
    pub fn excludes(&self, path: &RelName) -> bool {
        let mut folders = std::iter::successors(path.parent(), RelName::parent);
        self.is_ignored(path)
            || folders.any(|folder| self.is_ignored_folder(&folder) || self.is_unfinished(&folder))
    }

    fn is_ignored_folder(&self, folder: &RelName) -> bool {
        folder.last() == STAGING.as_bytes() || self.is_ignored(folder)
    }

    /// Whether a folder holds the unfinished deliveries of a Maildir: a `tmp` next to `cur` and `new`. Any other folder
    /// of that name may hold mail.
    fn is_unfinished(&self, folder: &RelName) -> bool {
        let sibling = |name| {
            let name = RelName::fixed(name);
            folder.parent().map_or(name.clone(), |above| above.join(&name))
        };
        let is_folder = |name| matches!(self.dir.stat(&sibling(name)), Ok(EntryStat::Folder));
        folder.last() == b"tmp" && is_folder("cur") && is_folder("new")
    }

    /// The findings of the walk so far.
    pub fn findings(&self) -> Vec<Finding> {
        self.unfinished.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}
