//! The first half of a scan: compares all files of a mailbox, or single paths, with the catalogue, and notes what is
//! new, changed or gone. Never writes to the mailbox, and never calls a message gone because a folder could not be
//! read.

use super::confirm::confirm;
use super::exclude::Exclusions;
use super::rules::{PAGE, ScanReport, ScanRules};
use crate::disk::{EntryStat, MailboxDir, WalkEntry};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, FileRow, FileStatRow, FileState, MailboxRowId, millis};
use crate::model::message::FileFacts;
use crate::model::{Finding, RelName, WallTime};

/// Changes written in one transaction.
const TOGETHER: usize = 1_000;

/// Scans a mailbox: walks all of it, then reads what is new.
pub fn scan(
    catalogue: &Catalogue,
    mailbox: MailboxRowId,
    dir: &MailboxDir,
    rules: &ScanRules<'_>,
) -> Result<ScanReport, JobError> {
    let mut report = walk(catalogue, mailbox, dir, rules)?;
    confirm(catalogue, mailbox, dir, rules, &mut report)?;
    catalogue.set_scanned(mailbox)?;
    Ok(report)
}

/// Walks the whole mailbox and the catalogue's rows in the same order, so that memory does not grow with the mailbox,
/// and writes nothing where nothing has changed.
pub(super) fn walk(
    catalogue: &Catalogue,
    mailbox: MailboxRowId,
    dir: &MailboxDir,
    rules: &ScanRules<'_>,
) -> Result<ScanReport, JobError> {
    let mut rows = FileRowPages::new(catalogue, mailbox);
    let exclusions = Exclusions::new(dir, rules.ignore);
    let mut comparison = Comparison::new(catalogue, mailbox, &exclusions, rules);
    let compare = |walk_entry| -> Result<(), JobError> {
        let Some((path, facts, state)) = comparison.file_of(walk_entry) else { return Ok(()) };
        if exclusions.is_ignored(&path) {
            return Ok(());
        }
        comparison.report.files += 1;
        let key = path.key();
        while let Some(row) = rows.next_before(&key)? {
            comparison.missing(&row)?;
        }
        let row = rows.next_if_key(&key)?;
        if row.as_ref().is_some_and(|row| is_unchanged(row, &facts, state)) {
            return Ok(());
        }
        comparison.changed(key, facts, state, false)
    };
    dir.walk_ahead(|folder| exclusions.enters(folder), compare)?;
    while let Some(row) = rows.next()? {
        comparison.missing(&row)?;
    }
    let mut report = comparison.end()?;
    exclusions.findings().into_iter().for_each(|finding| report.problem(finding));
    report.ignored += forget_excluded(catalogue, mailbox, &exclusions)?;
    if report.ignored > 0 {
        report.problem(Finding::NowIgnored { messages: report.ignored });
    }
    Ok(report)
}

/// Forgets missing messages of paths that the config now excludes: they are not required back either. Returns their
/// number.
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

/// Checks single paths, after hints. Returns `false` if a folder is among them, so that a whole scan is needed.
pub fn check_paths(
    catalogue: &Catalogue,
    mailbox: MailboxRowId,
    dir: &MailboxDir,
    paths: &[RelName],
    rules: &ScanRules<'_>,
) -> Result<bool, JobError> {
    let exclusions = Exclusions::new(dir, rules.ignore);
    let mut comparison = Comparison::new(catalogue, mailbox, &exclusions, rules);
    for path in paths.iter().filter(|path| !exclusions.excludes(path)) {
        let key = path.key();
        let row = catalogue.file(mailbox, &key)?;
        let (facts, state) = match dir.stat(path) {
            Ok(EntryStat::File(facts)) => (facts, FileState::Fresh),
            Ok(EntryStat::NotAFile) => (FileFacts::NONE, FileState::NotAFile),
            Ok(EntryStat::Folder) => return Ok(false),
            Ok(EntryStat::Gone) => match row {
                Some(row) => {
                    comparison.missing(&row.file_stat())?;
                    continue;
                }
                // A folder that is gone has no row of its own; a scan finds the messages below it.
                None if rules.seen_gone.contains(path) => return Ok(false),
                None => continue,
            },
            Err(_) => return Ok(false),
        };
        if !row.as_ref().is_some_and(|row| is_unchanged(&row.file_stat(), &facts, state)) {
            // A change of a known file was seen as it happened.
            let hinted = row.is_some_and(|row| row.content.is_some());
            comparison.changed(key, facts, state, hinted)?;
        }
    }
    comparison.end()?;
    Ok(true)
}

fn is_unchanged(row: &FileStatRow, facts: &FileFacts, state: FileState) -> bool {
    match row.state {
        FileState::Present | FileState::Fresh | FileState::Changing => {
            state == FileState::Fresh && row.has_facts(facts)
        }
        // Checked again at every scan: permission may have been given meanwhile.
        FileState::Unreadable => false,
        FileState::NotAFile => state == FileState::NotAFile,
        _ => false,
    }
}

/// The files of a mailbox, compared with its rows.
struct Comparison<'a> {
    mailbox: MailboxRowId,
    exclusions: &'a Exclusions<'a>,
    rules: &'a ScanRules<'a>,
    changes: CatalogueChanges<'a>,
    report: ScanReport,
    /// Keys of the folders that could not be read: nothing below them is called missing.
    unreadable: Vec<Vec<u8>>,
    /// When the comparison began, in milliseconds and as claimed.
    begun: (i64, WallTime),
}

impl<'a> Comparison<'a> {
    fn new(
        catalogue: &'a Catalogue,
        mailbox: MailboxRowId,
        exclusions: &'a Exclusions<'a>,
        rules: &'a ScanRules<'a>,
    ) -> Self {
        Self {
            mailbox,
            exclusions,
            rules,
            changes: CatalogueChanges { catalogue, pending: Vec::new() },
            report: ScanReport::default(),
            unreadable: Vec::new(),
            begun: (millis(rules.clock), rules.clock.event_time().claim()),
        }
    }

    /// The file that an entry of the walk is, or that stands for it; none for the mailbox's own folder.
    fn file_of(&mut self, entry: WalkEntry) -> Option<(RelName, FileFacts, FileState)> {
        match entry {
            WalkEntry::File(path, facts) => Some((path, facts, FileState::Fresh)),
            WalkEntry::NotAFile(path) => Some((path, FileFacts::NONE, FileState::NotAFile)),
            // The folder stands for what is in it, which can have no row of its own.
            WalkEntry::TooLong(Some(folder), names) => {
                self.report.problem(Finding::PathsTooLong { folder: folder.clone(), names });
                Some((folder, FileFacts::TOO_LONG, FileState::Unreadable))
            }
            WalkEntry::TooLong(None, names) => {
                self.report.root_unread = Some(format!("{names} of its names are too long"));
                None
            }
            WalkEntry::Unreadable(path, why) => {
                self.unreadable.push(path.as_ref().map(RelName::key).unwrap_or_default());
                let (folder, reason) = (path.clone(), why.clone());
                self.report.problem(Finding::FolderUnreadable { path: folder, why: reason });
                // The folder stands for a message that cannot be read: nobody knows what is in it, so nobody may call
                // it safe.
                if path.is_none() {
                    self.report.root_unread = Some(why);
                }
                path.map(|path| (path, FileFacts::NONE, FileState::Unreadable))
            }
        }
    }

    /// Notes that a file is new, or has other facts than its row.
    fn changed(
        &mut self,
        key: Vec<u8>,
        facts: FileFacts,
        state: FileState,
        hinted: bool,
    ) -> Result<(), JobError> {
        self.report.changes += 1;
        let (mailbox, (looked_at, now)) = (self.mailbox, self.begun);
        self.changes.push(CatalogueChange::Look {
            mailbox,
            key,
            facts,
            state,
            looked_at,
            now,
            hinted,
        })
    }

    /// Notes that the file of a row is gone, unless it cannot be seen just now.
    fn missing(&mut self, row: &FileStatRow) -> Result<(), JobError> {
        let is_ignored = is_counted(row.state) && is_key_excluded(&row.key, self.exclusions);
        let is_unseen = self.unreadable.iter().any(|folder| is_below(&row.key, folder));
        if !is_ignored && (!row.state.is_there() || is_unseen) {
            return Ok(());
        }
        self.report.changes += 1;
        let row = self.changes.catalogue.file(self.mailbox, &row.key)?;
        let Some(row) = row else { return Ok(()) };
        if is_ignored {
            // A missing message is counted by `forget_excluded`.
            self.report.ignored += u64::from(row.state.is_there());
            return self.changes.push(CatalogueChange::Forget(row));
        }
        if row.content.is_none() {
            return self.changes.push(CatalogueChange::Forget(row));
        }
        let seen = self.rules.seen_gone.iter().any(|gone| is_below(&row.key, &gone.key()));
        let state = if seen { FileState::LeavingSeen } else { FileState::Leaving };
        let looked_at = millis(self.rules.clock);
        self.changes.push(CatalogueChange::State { row, state, looked_at })
    }

    fn end(mut self) -> Result<ScanReport, JobError> {
        self.changes.write()?;
        Ok(self.report)
    }
}

/// Whether a path counts in an answer about the mailbox: it is there, or nobody saw it go.
fn is_counted(state: FileState) -> bool {
    !matches!(state, FileState::Removed | FileState::Moved)
}

/// Whether a path that was mirrored once is excluded now. A message that is ignored now did not leave: no drive records
/// anything of it, and a restore gives back what was copied.
fn is_key_excluded(key: &[u8], exclusions: &Exclusions<'_>) -> bool {
    RelName::from_key(key).is_ok_and(|path| exclusions.excludes(&path))
}

/// Whether a key is that of a folder or lies below it; the empty key is the mailbox itself.
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
pub(in crate::job) const TOO_LONG: i64 = -1;

impl ScanReport {
    pub(super) fn problem(&mut self, finding: Finding) {
        finding.note(&mut self.findings);
    }
}

/// The rows of a mailbox in order, read in pages.
struct FileRowPages<'a> {
    catalogue: &'a Catalogue,
    mailbox: MailboxRowId,
    page: std::collections::VecDeque<FileStatRow>,
    after: Vec<u8>,
    ended: bool,
}

impl<'a> FileRowPages<'a> {
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
    fn next_if_key(&mut self, key: &[u8]) -> Result<Option<FileStatRow>, JobError> {
        self.fill()?;
        Ok(self.page.pop_front_if(|row| row.key == key))
    }
}

enum CatalogueChange {
    Look {
        mailbox: MailboxRowId,
        key: Vec<u8>,
        facts: FileFacts,
        state: FileState,
        looked_at: i64,
        now: WallTime,
        hinted: bool,
    },
    State {
        row: FileRow,
        state: FileState,
        looked_at: i64,
    },
    Forget(FileRow),
}

/// Changes on their way to the catalogue, written many at a time; no transaction if there are none.
struct CatalogueChanges<'a> {
    catalogue: &'a Catalogue,
    pending: Vec<CatalogueChange>,
}

impl CatalogueChanges<'_> {
    fn push(&mut self, change: CatalogueChange) -> Result<(), JobError> {
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

    fn apply(&self, change: &CatalogueChange) -> Result<(), JobError> {
        match change {
            CatalogueChange::Look { mailbox, key, facts, state, looked_at, now, hinted } => self
                .catalogue
                .record_look((*mailbox, key), facts, *state, (*looked_at, *now), *hinted),
            CatalogueChange::State { row, state, looked_at } => {
                self.catalogue.set_state(row, *state, *looked_at)
            }
            CatalogueChange::Forget(row) => self.catalogue.forget(row),
        }
    }
}
