//! Compares the result of a restore with the mailbox. They are the same if every message of one is in the other, at the
//! same path, with the same bytes, the same permission bits and the same second of its last change, and if the mailbox
//! has every folder that the restore made. What a scan leaves out belongs to neither. Writes nothing.

use super::maildir::Maildirs;
use super::maildir::hash_file;
use crate::disk::{Chunks, DiskError, EntryStat, MailboxDir, TargetDir, WalkEntry};
use crate::job::JobError;
use crate::job::scan::exclude::Exclusions;
use crate::model::RelName;
use crate::model::limits::PROBLEMS_MAX;
use crate::model::message::FileFacts;
use globset::GlobSet;
use std::cell::RefCell;
use std::path::Path;

/// Messages that differ in the same way.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct LimitedList {
    /// The first of them, at most [`PROBLEMS_MAX`].
    pub some: Vec<RelName>,
    /// The number of all of them.
    pub all: u64,
}

impl LimitedList {
    fn note(&mut self, path: RelName) {
        self.all += 1;
        if self.some.len() < PROBLEMS_MAX {
            self.some.push(path);
        }
    }
}

/// The result of a comparison. Each message is in one of the lists; one with other flags counts once.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct TreeComparison {
    /// Messages that are the same.
    pub same: u64,
    /// Messages that the card has damaged.
    pub damaged: LimitedList,
    /// Messages with other bytes in the mailbox.
    pub other: LimitedList,
    /// Messages with the same bytes and other permission bits or another time.
    pub other_facts: LimitedList,
    /// Messages of a Maildir that the mailbox has with other flags.
    pub other_flags: LimitedList,
    /// Messages and folders of the mailbox that cannot be read.
    pub unread: LimitedList,
    /// Messages of the mailbox that were not restored.
    pub not_restored: LimitedList,
    /// Restored messages that the mailbox lacks.
    pub only_restored: LimitedList,
    /// Entries of the mailbox that are no files.
    pub not_files: LimitedList,
    /// Folders without a message that the restore made and the mailbox lacks.
    pub folders: LimitedList,
    /// Restored messages that a scan leaves out. They decide nothing.
    pub excluded: u64,
}

impl TreeComparison {
    /// Whether the restore gave exactly the mailbox.
    pub fn is_alike(&self) -> bool {
        let differing = [
            &self.damaged,
            &self.other,
            &self.other_facts,
            &self.other_flags,
            &self.unread,
            &self.not_restored,
            &self.only_restored,
            &self.not_files,
            &self.folders,
        ];
        differing.iter().all(|listed| listed.all == 0)
    }
}

/// Compares a restored folder with a mailbox, both ways. The inner error is the mailbox's: it cannot be opened.
/// `suspect` returns whether the drives know that the card has damaged a message.
pub fn compare(
    restored: &Path,
    mailbox: &Path,
    ignore: &GlobSet,
    suspect: &dyn Fn(&RelName) -> bool,
) -> Result<Result<TreeComparison, DiskError>, JobError> {
    let (dir, target) = match (MailboxDir::open(mailbox), TargetDir::open(mailbox)) {
        (Ok(dir), Ok(target)) => (dir, target),
        (Err(error), _) | (_, Err(error)) => return Ok(Err(error)),
    };
    let sides = TreeComparer {
        restored: MailboxDir::open(restored)?,
        restored_target: TargetDir::open(restored)?,
        exclusions: Exclusions::new(&dir, ignore),
        mailbox: &dir,
        mailbox_target: target,
        suspect,
    };
    let mut found = TreeComparison::default();
    sides.go_through_restored(&mut found)?;
    sides.go_through_mailbox(&mut found)?;
    Ok(Ok(found))
}

struct TreeComparer<'a> {
    restored: MailboxDir,
    restored_target: TargetDir,
    mailbox: &'a MailboxDir,
    mailbox_target: TargetDir,
    exclusions: Exclusions<'a>,
    suspect: &'a dyn Fn(&RelName) -> bool,
}

impl TreeComparer<'_> {
    fn go_through_restored(&self, found: &mut TreeComparison) -> Result<(), JobError> {
        let folders = RefCell::new(LimitedList::default());
        let mut maildirs = Maildirs::default();
        let enter = |folder: &RelName| {
            let is_there = || matches!(self.mailbox.stat(folder), Ok(EntryStat::Folder));
            if !self.restored.has_entries(folder)
                && !self.exclusions.is_ignored(folder)
                && !is_there()
            {
                folders.borrow_mut().note(folder.clone());
            }
            true
        };
        for walk_entry in self.restored.walk(enter) {
            let (path, given) = match walk_entry {
                WalkEntry::File(path, facts) => (path, facts),
                WalkEntry::NotAFile(path) => {
                    return Err(JobError::Broken(format!(
                        "{path}: a restore made what is no file"
                    )));
                }
                WalkEntry::Unreadable(path, why) => {
                    let at = path.map(|path| path.to_string()).unwrap_or_default();
                    return Err(JobError::Broken(format!(
                        "{at}: what was restored is unreadable: {why}"
                    )));
                }
                WalkEntry::TooLong(..) => continue,
            };
            if self.exclusions.excludes(&path) {
                found.excluded += 1;
                continue;
            }
            match self.mailbox.stat(&path) {
                Ok(EntryStat::File(there)) => self.compare_one(path, given, there, found)?,
                Ok(_)
                    if self.is_flagged(
                        &mut maildirs,
                        &self.mailbox_target,
                        &self.restored,
                        &path,
                    ) =>
                {
                    found.other_flags.note(path);
                }
                Ok(_) => found.only_restored.note(path),
                Err(_) => found.unread.note(path),
            }
        }
        found.folders = folders.into_inner();
        Ok(())
    }

    /// Compares a message that is on both sides.
    fn compare_one(
        &self,
        path: RelName,
        given: FileFacts,
        there: FileFacts,
        found: &mut TreeComparison,
    ) -> Result<(), JobError> {
        let Some(same_bytes) = self.has_same_bytes(&path)? else {
            found.unread.note(path);
            return Ok(());
        };
        // A restore never gives a message the right to be run.
        let same_facts = (given.mode ^ there.mode) & 0o666 == 0
            // A card with FAT stores no more of the time than whole seconds.
            && given.modified.seconds == there.modified.seconds;
        // Nobody writes other bytes and leaves length and time as they were.
        let untouched = given.bytes == there.bytes && given.modified == there.modified;
        match (same_bytes, same_facts) {
            (true, true) => found.same += 1,
            (true, false) => found.other_facts.note(path),
            (false, _) if untouched || (self.suspect)(&path) => found.damaged.note(path),
            (false, _) => found.other.note(path),
        }
        Ok(())
    }

    /// Whether both have the same bytes; none if the mailbox's cannot be read.
    fn has_same_bytes(&self, path: &RelName) -> Result<Option<bool>, JobError> {
        let mut one = self.restored.open_message(path)?;
        let Ok(mut other) = self.mailbox.open_message(path) else { return Ok(None) };
        let (mut here, mut there) = (Vec::new(), Vec::new());
        let mut pieces = Chunks::new(&mut one, u64::MAX);
        let mut others = Chunks::new(&mut other, u64::MAX);
        loop {
            let goes_on = pieces.next(&mut here)?;
            if others.next(&mut there).is_err() {
                return Ok(None);
            }
            if here != there || !goes_on {
                return Ok(Some(here == there));
            }
        }
    }

    /// Whether the other side's Maildir has a message with other flags.
    fn is_flagged(
        &self,
        maildirs: &mut Maildirs,
        other: &TargetDir,
        own: &MailboxDir,
        path: &RelName,
    ) -> bool {
        let identity = own.open_message(path).and_then(hash_file);
        identity.is_ok_and(|identity| maildirs.has_with_other_flags(other, path, &identity))
    }

    fn go_through_mailbox(&self, found: &mut TreeComparison) -> Result<(), JobError> {
        let mut maildirs = Maildirs::default();
        for walk_entry in self.mailbox.walk(|folder| self.exclusions.enters(folder)) {
            match walk_entry {
                WalkEntry::File(path, _)
                | WalkEntry::NotAFile(path)
                | WalkEntry::Unreadable(Some(path), _)
                    if self.exclusions.is_ignored(&path) => {}
                WalkEntry::File(path, _) => {
                    let is_given = matches!(self.restored.stat(&path)?, EntryStat::File(_));
                    let other = &self.restored_target;
                    if !is_given && !self.is_flagged(&mut maildirs, other, self.mailbox, &path) {
                        found.not_restored.note(path);
                    }
                }
                WalkEntry::NotAFile(path) => found.not_files.note(path),
                WalkEntry::Unreadable(Some(path), _) => found.unread.note(path),
                WalkEntry::Unreadable(None, _) => found.unread.all += 1,
                WalkEntry::TooLong(Some(folder), names) => {
                    found.not_restored.note(folder);
                    found.not_restored.all += names - 1;
                }
                WalkEntry::TooLong(None, names) => found.not_restored.all += names,
            }
        }
        Ok(())
    }
}
