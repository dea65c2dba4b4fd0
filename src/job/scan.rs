//! The mailbox as it is now, taken into the catalogue: first looks, over all of it or at single paths.
//! Never writes to the mailbox, and never calls a message gone because a folder could not be read.

use super::JobError;
use super::catalogue::{Catalogue, FileRow, FileStatRow, FileState, millis};
use super::confirm::confirm;
use super::exclude::Exclusions;
use super::scan_rules::PAGE;
use crate::disk::{EntryStat, MailboxDir, WalkEntry};
use crate::job::catalogue::MailboxRowId;
use crate::model::message::FileFacts;
use crate::model::{Finding, RelName};

pub use super::scan_rules::{ScanReport, ScanRules};

/// Changes written together.
const TOGETHER: usize = 1_000;

/// Walks the whole mailbox beside the catalogue's rows, both in the same order, so that memory does
/// not grow with the mailbox and nothing is written where nothing has changed.
pub fn scan(
    catalogue: &Catalogue,
    mailbox: MailboxRowId,
    dir: &MailboxDir,
    rules: &ScanRules<'_>,
) -> Result<ScanReport, JobError> {
    let mut report = ScanReport::default();
    let mut rows = Rows::new(catalogue, mailbox);
    let mut changes = Changes { catalogue, pending: Vec::new() };
    let mut unreadable: Vec<Vec<u8>> = Vec::new();
    let looked = millis(rules.clock);
    let now = rules.clock.stamp().claim();

    let exclusions = Exclusions::new(dir, rules.ignore);
    for walk_entry in dir.walk(|folder| exclusions.enters(folder)) {
        let (path, facts, state) = match walk_entry {
            WalkEntry::File(path, facts) => (path, facts, FileState::Fresh),
            WalkEntry::NotAFile(path) => (path, FileFacts::NONE, FileState::NotAFile),
            // Listed by its folder: what is in it can have no row of its own.
            WalkEntry::TooLong(Some(folder), names) => {
                report.problem(Finding::PathsTooLong { folder: folder.clone(), names });
                (folder, FileFacts::TOO_LONG, FileState::Unreadable)
            }
            WalkEntry::TooLong(None, names) => {
                report.root_unread = Some(format!("{names} of its names are too long"));
                continue;
            }
            WalkEntry::Unreadable(path, why) => {
                unreadable.push(path.as_ref().map(RelName::key).unwrap_or_default());
                let told = why.clone();
                report.problem(Finding::FolderUnreadable { path: path.clone(), why: told });
                // Listed like a message that cannot be read: nobody knows what is in it, so nobody
                // may call it safe.
                let Some(path) = path else {
                    report.root_unread = Some(why);
                    continue;
                };
                (path, FileFacts::NONE, FileState::Unreadable)
            }
        };
        if exclusions.is_ignored(&path) {
            continue;
        }
        report.files += 1;
        let key = path.key();
        while let Some(row) = rows.next_before(&key)? {
            missing(&mut changes, mailbox, &row, &unreadable, &exclusions, rules, &mut report)?;
        }
        let row = rows.take(&key)?;
        if row.as_ref().is_some_and(|row| is_unchanged(row, &facts, state)) {
            continue;
        }
        report.changes += 1;
        changes.push(Change::Look { mailbox, key, facts, state, looked, now, hinted: false })?;
    }
    while let Some(row) = rows.next()? {
        missing(&mut changes, mailbox, &row, &unreadable, &exclusions, rules, &mut report)?;
    }
    changes.write()?;
    exclusions.findings().into_iter().for_each(|finding| report.problem(finding));
    report.ignored += forget_excluded(catalogue, mailbox, &exclusions)?;
    if report.ignored > 0 {
        report.problem(Finding::NowIgnored { messages: report.ignored });
    }
    confirm(catalogue, mailbox, dir, rules, &mut report)?;
    catalogue.set_scanned(mailbox)?;
    Ok(report)
}

/// What is missing from paths that are not to be taken any more is not wanted back either. How many there are.
fn forget_excluded(
    catalogue: &Catalogue,
    mailbox: MailboxRowId,
    exclusions: &Exclusions<'_>,
) -> Result<u64, JobError> {
    let mut excluded = Vec::new();
    catalogue.each_missing(|row| {
        if row.mailbox == mailbox && !row.damaged && is_key_excluded(&row.key, exclusions) {
            excluded.push(row);
        }
        Ok(())
    })?;
    catalogue
        .write_transaction(|| excluded.iter().try_for_each(|row| catalogue.forget_missing(row)))?;
    Ok(excluded.len() as u64)
}

/// Looks at single paths, after hints; a folder among them asks for a whole scan (`false`).
pub fn check_paths(
    catalogue: &Catalogue,
    mailbox: MailboxRowId,
    dir: &MailboxDir,
    paths: &[RelName],
    rules: &ScanRules<'_>,
) -> Result<bool, JobError> {
    let mut changes = Changes { catalogue, pending: Vec::new() };
    let looked = millis(rules.clock);
    let now = rules.clock.stamp().claim();
    let mut report = ScanReport::default();
    let exclusions = Exclusions::new(dir, rules.ignore);
    for path in paths.iter().filter(|path| !exclusions.excludes(path)) {
        let key = path.key();
        let row = catalogue.file(mailbox, &key)?;
        let (facts, state) = match dir.look(path) {
            Ok(EntryStat::File(facts)) => (facts, FileState::Fresh),
            Ok(EntryStat::NotAFile) => (FileFacts::NONE, FileState::NotAFile),
            Ok(EntryStat::Folder) => return Ok(false),
            Ok(EntryStat::Gone) => match row {
                Some(row) => {
                    missing(
                        &mut changes,
                        mailbox,
                        &row.file_stat(),
                        &[],
                        &exclusions,
                        rules,
                        &mut report,
                    )?;
                    continue;
                }
                // A folder that is gone has no row of its own; those below it are found by a scan.
                None if rules.seen_gone.contains(path) => return Ok(false),
                None => continue,
            },
            Err(_) => return Ok(false),
        };
        if !row.as_ref().is_some_and(|row| is_unchanged(&row.file_stat(), &facts, state)) {
            // Whatever changed was seen as it happened, if there was anything before.
            let hinted = row.is_some_and(|row| row.content.is_some());
            changes.push(Change::Look { mailbox, key, facts, state, looked, now, hinted })?;
        }
    }
    changes.write()?;
    Ok(true)
}

fn is_unchanged(row: &FileStatRow, facts: &FileFacts, state: FileState) -> bool {
    match row.state {
        FileState::Present | FileState::Fresh | FileState::Changing => {
            state == FileState::Fresh && row.has_facts(facts)
        }
        // Looked at again at every scan: permission may have been given meanwhile.
        FileState::Unreadable => false,
        FileState::NotAFile => state == FileState::NotAFile,
        _ => false,
    }
}

fn missing(
    changes: &mut Changes<'_>,
    mailbox: MailboxRowId,
    row: &FileStatRow,
    unreadable: &[Vec<u8>],
    exclusions: &Exclusions<'_>,
    rules: &ScanRules<'_>,
    report: &mut ScanReport,
) -> Result<(), JobError> {
    let is_ignored = is_counted(row.state) && is_key_excluded(&row.key, exclusions);
    let is_unseen = unreadable.iter().any(|folder| is_below(&row.key, folder));
    if !is_ignored && (!row.state.is_there() || is_unseen) {
        return Ok(());
    }
    report.changes += 1;
    let Some(row) = changes.catalogue.file(mailbox, &row.key)? else { return Ok(()) };
    if is_ignored {
        // What is missing is counted where it is missing from.
        report.ignored += u64::from(row.state.is_there());
        return changes.push(Change::Forget(row));
    }
    if row.content.is_none() {
        return changes.push(Change::Forget(row));
    }
    let seen = rules.seen_gone.iter().any(|gone| is_below(&row.key, &gone.key()));
    let state = if seen { FileState::LeavingSeen } else { FileState::Leaving };
    let looked = millis(rules.clock);
    changes.push(Change::State { row, state, looked })
}

/// Whether a path counts in an answer about the mailbox: it is there, or nobody saw it go.
fn is_counted(state: FileState) -> bool {
    !matches!(state, FileState::Removed | FileState::Moved)
}

/// Whether a path that was taken once is not to be taken any more. What is ignored now did not leave: no drive is
/// told anything of it, and a restore gives back what was copied.
fn is_key_excluded(key: &[u8], exclusions: &Exclusions<'_>) -> bool {
    RelName::from_key(key).is_ok_and(|path| exclusions.excludes(&path))
}

/// Whether a key is a folder's or lies below it; the empty key is the mailbox itself.
fn is_below(key: &[u8], folder: &[u8]) -> bool {
    folder.is_empty()
        || key.strip_prefix(folder).is_some_and(|rest| rest.first().is_none_or(|&b| b == 0))
}

impl FileFacts {
    /// Stands for a folder with paths in it that are too long.
    const TOO_LONG: Self = Self { inode: TOO_LONG as u64, ..Self::NONE };
    /// Stands for facts that a link, pipe or device does not have.
    const NONE: Self = Self {
        bytes: 0,
        modified: crate::model::Timestamp { seconds: 0, nanos: 0 },
        changed: crate::model::Timestamp { seconds: 0, nanos: 0 },
        inode: 0,
        mode: 0,
    };
}

/// The inode of a row that stands for paths that are too long: no file has it.
pub(super) const TOO_LONG: i64 = -1;

impl ScanReport {
    pub(super) fn problem(&mut self, finding: Finding) {
        finding.note(&mut self.findings);
    }
}

/// The rows of a mailbox in order, a page at a time.
struct Rows<'a> {
    catalogue: &'a Catalogue,
    mailbox: MailboxRowId,
    page: std::collections::VecDeque<FileStatRow>,
    after: Vec<u8>,
    ended: bool,
}

impl<'a> Rows<'a> {
    fn new(catalogue: &'a Catalogue, mailbox: MailboxRowId) -> Self {
        Self { catalogue, mailbox, page: Default::default(), after: Vec::new(), ended: false }
    }

    fn fill(&mut self) -> Result<(), JobError> {
        if self.page.is_empty() && !self.ended {
            self.page = self.catalogue.file_stats_after(self.mailbox, &self.after, PAGE)?.into();
            match self.page.back() {
                Some(last) => self.after.clone_from(&last.key),
                None => self.ended = true,
            }
        }
        Ok(())
    }

    fn next(&mut self) -> Result<Option<FileStatRow>, JobError> {
        self.fill()?;
        Ok(self.page.pop_front())
    }

    /// The next row, if it comes before `key`.
    fn next_before(&mut self, key: &[u8]) -> Result<Option<FileStatRow>, JobError> {
        self.fill()?;
        Ok(self.page.pop_front_if(|row| row.key.as_slice() < key))
    }

    /// The row of `key`, if it is the next.
    fn take(&mut self, key: &[u8]) -> Result<Option<FileStatRow>, JobError> {
        self.fill()?;
        Ok(self.page.pop_front_if(|row| row.key == key))
    }
}

enum Change {
    Look {
        mailbox: MailboxRowId,
        key: Vec<u8>,
        facts: FileFacts,
        state: FileState,
        looked: i64,
        now: crate::model::WallTime,
        hinted: bool,
    },
    State {
        row: FileRow,
        state: FileState,
        looked: i64,
    },
    Forget(FileRow),
}

/// Changes on their way to the catalogue, written many at a time; none written, no transaction.
struct Changes<'a> {
    catalogue: &'a Catalogue,
    pending: Vec<Change>,
}

impl Changes<'_> {
    fn push(&mut self, change: Change) -> Result<(), JobError> {
        self.pending.push(change);
        if self.pending.len() >= TOGETHER { self.write() } else { Ok(()) }
    }

    fn write(&mut self) -> Result<(), JobError> {
        if self.pending.is_empty() {
            return Ok(());
        }
        let pending = std::mem::take(&mut self.pending);
        self.catalogue
            .write_transaction(|| pending.iter().try_for_each(|change| self.apply(change)))
    }

    fn apply(&self, change: &Change) -> Result<(), JobError> {
        match change {
            Change::Look { mailbox, key, facts, state, looked, now, hinted } => {
                self.catalogue.look((*mailbox, key), facts, *state, (*looked, *now), *hinted)
            }
            Change::State { row, state, looked } => self.catalogue.set_state(row, *state, *looked),
            Change::Forget(row) => self.catalogue.forget(row),
        }
    }
}
