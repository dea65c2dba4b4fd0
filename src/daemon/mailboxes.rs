//! The mailboxes as the loop sees them: what is to be scanned in each, and the kernel's watch on it.
//! Bounded: too many hints are replaced by one scan of everything.

use super::events::{EventSink, Notice};
use super::scanner::ScanJob;
use super::sources::{Hints, MailboxWatch};
use crate::disk::{MailboxDir, host};
use crate::job::MailboxRef;
use crate::model::RelName;
use crate::model::limits::HINTS_MAX;
use std::collections::BTreeSet;

/// A mailbox as the loop sees it.
pub(super) struct WatchedMailbox {
    pub mailbox: MailboxRef,
    pub pending: PendingScan,
    watch: Option<MailboxWatch>,
    /// Device and inode of the folder that the mailbox was when its watch began: another one may be mounted over it,
    /// or it may be unmounted, and no hint says so.
    root: Option<(u64, u64)>,
}

impl WatchedMailbox {
    pub(super) fn new(mailbox: MailboxRef) -> Self {
        Self { mailbox, pending: PendingScan::default(), watch: None, root: None }
    }

    fn root_now(&self) -> Option<(u64, u64)> {
        MailboxDir::open(&self.mailbox.path).ok()?.identity().ok()
    }

    /// Watches the mailbox's tree, anew if it was watched before, and has it scanned whole.
    pub(super) fn start_watch(&mut self, number: usize, hints: &Hints, sink: &dyn EventSink) {
        self.root = self.root_now();
        let path = host::resolved(&self.mailbox.path);
        self.watch = match MailboxWatch::new(number, &path, hints.clone()) {
            Ok(watch) => Some(watch),
            Err(why) => {
                sink.emit(&Notice::Unwatched(&self.mailbox.name, &why));
                None
            }
        };
        self.pending.scan_whole();
    }

    /// Whether its watch began and still is on the folder at its path.
    pub(super) fn is_watched(&self) -> bool {
        self.watch.is_some() && self.has_same_root()
    }

    /// Whether it is the folder that it was when its watch began.
    pub(super) fn has_same_root(&self) -> bool {
        self.root_now() == self.root
    }
}

/// What is to be scanned in one mailbox.
#[derive(Debug, Default)]
pub(super) struct PendingScan {
    whole: bool,
    touched: BTreeSet<RelName>,
    gone: BTreeSet<RelName>,
    /// Files are due to be confirmed.
    confirm: bool,
}

impl PendingScan {
    pub(super) fn touch(&mut self, path: RelName) {
        self.gone.remove(&path);
        self.touched.insert(path);
        self.bound();
    }

    pub(super) fn gone(&mut self, path: RelName) {
        self.touched.remove(&path);
        self.gone.insert(path);
        self.bound();
    }

    pub(super) fn scan_whole(&mut self) {
        self.whole = true;
    }

    pub(super) fn confirm(&mut self) {
        self.confirm = true;
    }

    /// A job was not enough: scan everything, with what the job knew of deletions.
    pub(super) fn retry_whole(&mut self, job_gone: Vec<RelName>) {
        self.whole = true;
        self.gone.extend(job_gone);
    }

    fn bound(&mut self) {
        if self.touched.len() > HINTS_MAX {
            self.touched.clear();
            self.whole = true;
        }
        if self.gone.len() > HINTS_MAX {
            // What was deleted among these is found missing instead: it is kept, and reported as missing.
            self.gone.clear();
            self.whole = true;
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        !self.whole && !self.confirm && self.touched.is_empty() && self.gone.is_empty()
    }

    /// The next job, if there is one.
    pub(super) fn take(&mut self, mailbox: usize) -> Option<ScanJob> {
        if self.is_empty() {
            return None;
        }
        let pending = std::mem::take(self);
        Some(ScanJob {
            mailbox,
            whole: pending.whole,
            paths: pending.touched.into_iter().collect(),
            gone: pending.gone.into_iter().collect(),
        })
    }
}
