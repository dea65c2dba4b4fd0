//! The input and the report of a scan. Only values.

use crate::job::catalogue::FileState;
use crate::model::{Clock, Finding, RelName};
use globset::GlobSet;

/// Rows read from the catalogue at a time.
pub(super) const PAGE: usize = 512;

/// How a scan is done.
pub struct ScanRules<'a> {
    /// Paths that are never read, as globs on the path from the mailbox's root.
    pub ignore: &'a GlobSet,
    /// Milliseconds that a file must stay unchanged before it is read. 0 reads at once: the second look then comes
    /// right before the commit.
    pub stable_for: i64,
    /// Paths whose deletion was seen: what is missing at or below them counts as removed, not as vanished.
    pub seen_gone: &'a [RelName],
    /// Returns whether a new version of a path, in this state, must wait because it keeps changing.
    pub hold: &'a dyn Fn(&RelName, FileState) -> bool,
    /// Where the time comes from.
    pub clock: &'a dyn Clock,
}

/// What a scan found.
#[derive(Debug, Default)]
pub struct ScanReport {
    /// Files seen.
    pub files: u64,
    /// Changes found: new, changed, gone.
    pub changes: u64,
    /// Messages removed from the catalogue because the config ignores their paths now.
    pub ignored: u64,
    /// Why the mailbox's own folder could not be read to its end.
    pub root_unread: Option<String>,
    /// What a person should know.
    pub findings: Vec<Finding>,
}
