//! What waits to be looked at in each mailbox, and when.
//! Bounded: too many hints are replaced by one look over everything.

use super::scanner::ScanJob;
use crate::model::RelName;
use crate::model::limits::HINTS_MAX;
use std::collections::BTreeSet;

/// What waits in one mailbox.
#[derive(Debug, Default)]
pub(super) struct PendingScan {
    whole: bool,
    touched: BTreeSet<RelName>,
    gone: BTreeSet<RelName>,
    /// Second looks are due.
    settle: bool,
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

    pub(super) fn doubt(&mut self) {
        self.whole = true;
    }

    pub(super) fn settle(&mut self) {
        self.settle = true;
    }

    fn bound(&mut self) {
        if self.touched.len() > HINTS_MAX {
            self.touched.clear();
            self.whole = true;
        }
        if self.gone.len() > HINTS_MAX {
            // What was deleted among these will be found missing instead: kept, and said so.
            self.gone.clear();
            self.whole = true;
        }
    }

    /// The next piece of work, if there is one.
    pub(super) fn take(&mut self, mailbox: usize) -> Option<ScanJob> {
        if !self.whole && !self.settle && self.touched.is_empty() && self.gone.is_empty() {
            return None;
        }
        let waiting = std::mem::take(self);
        Some(ScanJob {
            mailbox,
            whole: waiting.whole,
            paths: waiting.touched.into_iter().collect(),
            gone: waiting.gone.into_iter().collect(),
        })
    }

    /// A piece of work was not enough: look everything over, with what was known of deletions.
    pub(super) fn again(&mut self, job_gone: Vec<RelName>) {
        self.whole = true;
        self.gone.extend(job_gone);
    }
}
