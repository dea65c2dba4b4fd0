//! What is asked of a scan, and what it reports. Only values.

use crate::job::catalogue::FileState;
use crate::model::{Clock, Finding, RelName};
use globset::GlobSet;

/// Rows read from the catalogue at a time.
pub(super) const PAGE: usize = 512;

/// How a scan is to be done.
pub struct ScanRules<'a> {
    /// Paths never taken, by globs on the path from the mailbox's root.
    pub ignore: &'a GlobSet,
    /// Milliseconds a file must be unchanged for between two looks; 0 reads at once, since the
    /// second look then comes right before the commit.
    pub settle: i64,
    /// Paths whose deletion was seen: what is missing at or below them is removed, not vanished.
    pub seen_gone: &'a [RelName],
    /// Asked whether a new version of a path, in this state, must wait, since it keeps changing.
    pub hold: &'a dyn Fn(&RelName, FileState) -> bool,
    /// Time.
    pub clock: &'a dyn Clock,
}

/// What a scan found.
#[derive(Debug, Default)]
pub struct ScanReport {
    /// Files seen.
    pub files: u64,
    /// Changes found: new, changed, gone.
    pub changes: u64,
    /// Messages taken out of the catalogue, since their paths are ignored now.
    pub ignored: u64,
    /// Why the mailbox's own folder could not be read, or not to its end.
    pub root_unread: Option<String>,
    /// What a person should know.
    pub findings: Vec<Finding>,
}
