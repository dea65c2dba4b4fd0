//! What in a mailbox is no message by where it lies: what the config ignores, what a Maildir has not finished
//! delivering, what a restore has not finished. One answer for scans, hints and comparisons. Never opens a message.

use crate::disk::{EntryStat, MailboxDir, STAGING};
use crate::model::{Finding, RelName};
use globset::GlobSet;
use std::cell::RefCell;

/// Whether the config ignores a path, by its own name or by a folder above it.
pub fn ignores(ignore: &GlobSet, path: &RelName) -> bool {
    let mut folders = std::iter::successors(path.parent(), RelName::parent);
    ignore.is_match(path.as_path()) || folders.any(|folder| ignore.is_match(folder.as_path()))
}

/// What is excluded from a mailbox.
pub struct Exclusions<'a> {
    dir: &'a MailboxDir,
    ignore: &'a GlobSet,
    /// Folders of unfinished deliveries that a walk left out, with something in them.
    unfinished: RefCell<Vec<Finding>>,
}

impl<'a> Exclusions<'a> {
    /// For a mailbox, and globs on the path from its root.
    pub fn new(dir: &'a MailboxDir, ignore: &'a GlobSet) -> Self {
        Self { dir, ignore, unfinished: RefCell::default() }
    }

    /// Whether a walk enters a folder. Notes what a person should know of those it does not.
    pub fn enters(&self, folder: &RelName) -> bool {
        let unfinished = self.is_unfinished(folder);
        if unfinished && !self.is_ignored(folder) && self.dir.has_entries(folder) {
            let finding = Finding::Excluded { path: folder.clone() };
            finding.note(&mut self.unfinished.borrow_mut());
        }
        !unfinished && !self.is_ignored_folder(folder)
    }

    /// Whether the config ignores a path; for one in a folder that a walk has entered that is all there is to ask.
    pub fn is_ignored(&self, path: &RelName) -> bool {
        self.ignore.is_match(path.as_path())
    }

    /// Whether any path is none of the mailbox, by its own name or by a folder above it.
    pub fn excludes(&self, path: &RelName) -> bool {
        let mut folders = std::iter::successors(path.parent(), RelName::parent);
        self.is_ignored(path)
            || folders.any(|folder| self.is_ignored_folder(&folder) || self.is_unfinished(&folder))
    }

    fn is_ignored_folder(&self, folder: &RelName) -> bool {
        folder.last() == STAGING.as_bytes() || self.is_ignored(folder)
    }

    /// Whether a folder is one in which a Maildir's deliveries are not finished: `tmp` beside `cur` and `new`. Any
    /// other of that name may hold mail.
    fn is_unfinished(&self, folder: &RelName) -> bool {
        let beside = |name| {
            let name = RelName::fixed(name);
            folder.parent().map_or(name.clone(), |above| above.join(&name))
        };
        let is_folder = |name| matches!(self.dir.look(&beside(name)), Ok(EntryStat::Folder));
        folder.last() == b"tmp" && is_folder("cur") && is_folder("new")
    }

    /// What was noted.
    pub fn findings(&self) -> Vec<Finding> {
        self.unfinished.borrow().clone()
    }
}
