//! The mailbox as it is now, taken into the catalogue: two looks, then one reading.
//! Never writes to the mailbox, and never calls a message gone because a folder could not be read.

use super::JobError;
use super::catalogue::{Catalogue, FileRow, FileState, NewFile, millis};
use super::headers;
use crate::disk::{DiskError, Look, MailboxDir, STAGING, Sighting, read_full};
use crate::model::limits::{COPY_BUFFER_BYTES, HEADER_BYTES, NUL_TAIL_BYTES, PROBLEMS_MAX};
use crate::model::message::FileFacts;
use crate::model::{Clock, Finding, Hasher, Identity, RelName, Suspicion};
use globset::GlobSet;

/// Rows read from the catalogue at a time.
const PAGE: usize = 512;
/// Changes written together.
const TOGETHER: usize = 1_000;

/// How a scan is to be done.
pub struct ScanRules<'a> {
    /// Paths never taken, by globs on the path from the mailbox's root.
    pub ignore: &'a GlobSet,
    /// Milliseconds a file must be unchanged for between two looks; 0 reads at once, since the
    /// second look then comes right before the commit.
    pub settle: i64,
    /// Paths whose deletion was seen: what is missing at or below them is removed, not vanished.
    pub seen_gone: &'a [RelName],
    /// Asked whether a new version of a path must wait, since it keeps changing.
    pub hold: &'a dyn Fn(&RelName) -> bool,
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
    /// What a person should know.
    pub findings: Vec<Finding>,
}

/// Whether a path is one the mailbox never counts: what is ignored, a Maildir's `tmp`, our staging.
pub fn is_ignored(path: &RelName, ignore: &GlobSet) -> bool {
    path.parts().any(|part| part == STAGING.as_bytes())
        || path.parts().rev().skip(1).any(|part| part == b"tmp")
        || ignore.is_match(path.as_path())
}

fn is_folder_ignored(path: &RelName, ignore: &GlobSet) -> bool {
    matches!(path.last(), last if last == STAGING.as_bytes() || last == b"tmp")
        || ignore.is_match(path.as_path())
}

/// Walks the whole mailbox beside the catalogue's rows, both in the same order, so that memory does
/// not grow with the mailbox and nothing is written where nothing has changed.
pub fn scan(
    catalogue: &Catalogue,
    mailbox: i64,
    dir: &MailboxDir,
    rules: &ScanRules<'_>,
) -> Result<ScanReport, JobError> {
    let mut report = ScanReport::default();
    let mut rows = Rows::new(catalogue, mailbox);
    let mut changes = Changes { catalogue, pending: Vec::new() };
    let mut unreadable: Vec<Vec<u8>> = Vec::new();
    let looked = millis(rules.clock);
    let now = rules.clock.stamp().time;

    for sighting in dir.walk(|folder| !is_folder_ignored(folder, rules.ignore)) {
        let (path, facts, state) = match sighting {
            Sighting::File(path, facts) => (path, facts, FileState::Fresh),
            Sighting::NotAFile(path) => (path, FileFacts::NONE, FileState::NotAFile),
            Sighting::Unreadable(path, why) => {
                unreadable.push(path.as_ref().map(RelName::key).unwrap_or_default());
                report.problem(Finding::FolderUnreadable { path: path.clone(), why });
                // Listed like a message that cannot be read: nobody knows what is in it, so nobody
                // may call it safe.
                let Some(path) = path else { continue };
                (path, FileFacts::NONE, FileState::Unreadable)
            }
        };
        if rules.ignore.is_match(path.as_path()) {
            continue;
        }
        report.files += 1;
        let key = path.key();
        while let Some(row) = rows.next_before(&key)? {
            missing(&mut changes, row, &unreadable, rules, &mut report)?;
        }
        let row = rows.take(&key)?;
        if row.as_ref().is_some_and(|row| is_unchanged(row, &facts, state)) {
            continue;
        }
        report.changes += 1;
        changes.push(Change::Look { mailbox, key, facts, state, looked, now })?;
    }
    while let Some(row) = rows.next()? {
        missing(&mut changes, row, &unreadable, rules, &mut report)?;
    }
    changes.write()?;
    settle(catalogue, mailbox, dir, rules, &mut report)?;
    Ok(report)
}

/// Looks at single paths, after hints; a folder among them asks for a whole scan (`false`).
pub fn look_at(
    catalogue: &Catalogue,
    mailbox: i64,
    dir: &MailboxDir,
    paths: &[RelName],
    rules: &ScanRules<'_>,
) -> Result<bool, JobError> {
    let mut changes = Changes { catalogue, pending: Vec::new() };
    let looked = millis(rules.clock);
    let now = rules.clock.stamp().time;
    let mut report = ScanReport::default();
    for path in paths.iter().filter(|path| !is_ignored(path, rules.ignore)) {
        let key = path.key();
        let row = catalogue.file(mailbox, &key)?;
        let (facts, state) = match dir.look(path) {
            Ok(Look::File(facts)) => (facts, FileState::Fresh),
            Ok(Look::NotAFile) => (FileFacts::NONE, FileState::NotAFile),
            Ok(Look::Folder) => return Ok(false),
            Ok(Look::Gone) => match row {
                Some(row) => {
                    missing(&mut changes, row, &[], rules, &mut report)?;
                    continue;
                }
                // A folder that is gone has no row of its own; those below it are found by a scan.
                None if rules.seen_gone.contains(path) => return Ok(false),
                None => continue,
            },
            Err(_) => return Ok(false),
        };
        if !row.is_some_and(|row| is_unchanged(&row, &facts, state)) {
            changes.push(Change::Look { mailbox, key, facts, state, looked, now })?;
        }
    }
    changes.write()?;
    Ok(true)
}

fn is_unchanged(row: &FileRow, facts: &FileFacts, state: FileState) -> bool {
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
    row: FileRow,
    unreadable: &[Vec<u8>],
    rules: &ScanRules<'_>,
    report: &mut ScanReport,
) -> Result<(), JobError> {
    if !row.state.is_there() || unreadable.iter().any(|folder| is_below(&row.key, folder)) {
        return Ok(());
    }
    report.changes += 1;
    if row.content.is_none() {
        return changes.push(Change::Forget(row));
    }
    let seen = rules.seen_gone.iter().any(|gone| is_below(&row.key, &gone.key()));
    let state = if seen { FileState::LeavingSeen } else { FileState::Leaving };
    let looked = millis(rules.clock);
    changes.push(Change::State { row, state, looked })
}

/// Whether a key is a folder's or lies below it; the empty key is the mailbox itself.
fn is_below(key: &[u8], folder: &[u8]) -> bool {
    folder.is_empty()
        || key.strip_prefix(folder).is_some_and(|rest| rest.first().is_none_or(|&b| b == 0))
}

/// Second looks: reads files unchanged for `settle`, then calls missing ones gone.
pub fn settle(
    catalogue: &Catalogue,
    mailbox: i64,
    dir: &MailboxDir,
    rules: &ScanRules<'_>,
    report: &mut ScanReport,
) -> Result<(), JobError> {
    let due = millis(rules.clock) - rules.settle;
    for state in [FileState::Changing, FileState::Fresh] {
        each_page(catalogue, mailbox, state, due, |row| {
            second_look(catalogue, dir, row, rules, report)
        })?;
    }
    // A little later than files that appear, so that a move is seen as one: the new place is known
    // by the time the old one is called gone.
    let due = if rules.settle > 0 { due - rules.settle / 4 } else { due };
    for state in [FileState::LeavingSeen, FileState::Leaving] {
        each_page(catalogue, mailbox, state, due, |row| gone(catalogue, dir, row))?;
    }
    Ok(())
}

fn each_page(
    catalogue: &Catalogue,
    mailbox: i64,
    state: FileState,
    due: i64,
    mut each: impl FnMut(&FileRow) -> Result<(), JobError>,
) -> Result<(), JobError> {
    let mut after = Vec::new();
    loop {
        let page = catalogue.files_in_state(mailbox, state, due, &after, PAGE)?;
        let Some(last) = page.last() else { return Ok(()) };
        after.clone_from(&last.key);
        catalogue.together(|| page.iter().try_for_each(&mut each))?;
    }
}

fn gone(catalogue: &Catalogue, dir: &MailboxDir, row: &FileRow) -> Result<(), JobError> {
    let path = row.path()?;
    match dir.look(&path) {
        Ok(Look::Gone | Look::Folder) => {
            let elsewhere = match row.content {
                Some(content) => catalogue.is_present(content)?,
                None => false,
            };
            let state = match (elsewhere, row.state) {
                (true, _) => FileState::Moved,
                (false, FileState::LeavingSeen) => FileState::Removed,
                (false, _) => FileState::Vanished,
            };
            catalogue.set_gone(row, state)
        }
        // Back again, or not to be seen just now: the next scan tells.
        _ => catalogue.set_state(row, FileState::Fresh, row.looked),
    }
}

fn second_look(
    catalogue: &Catalogue,
    dir: &MailboxDir,
    row: &FileRow,
    rules: &ScanRules<'_>,
    report: &mut ScanReport,
) -> Result<(), JobError> {
    let path = row.path()?;
    let replaced = row.content.is_some_and(|_| row.tick > 0);
    if replaced && (rules.hold)(&path) {
        if row.state != FileState::Changing {
            catalogue.set_state(row, FileState::Changing, row.looked)?;
        }
        return Ok(());
    }
    match read_message(dir, &path, row) {
        Ok(Read::Whole(new, last_octets)) => {
            let suspect = match row.content {
                Some(before) => suspicion(catalogue, before, &new.identity, &last_octets)?,
                None => None,
            };
            catalogue.settle(row, &NewFile { suspect, ..new }, rules.clock.stamp().time)
        }
        Ok(Read::Changed(facts)) => {
            let now = rules.clock.stamp().time;
            catalogue.look(
                row.mailbox,
                &row.key,
                &facts,
                FileState::Fresh,
                millis(rules.clock),
                now,
            )
        }
        Err(error) if error.errno == rustix::io::Errno::NOENT => Ok(()),
        Err(error) => {
            report.problem(Finding::MessageUnreadable { path, why: error.errno.to_string() });
            catalogue.set_state(row, FileState::Unreadable, row.looked)
        }
    }
}

enum Read {
    /// The message, and its last octets.
    Whole(NewFile, Vec<u8>),
    /// It is not what the first look saw.
    Changed(FileFacts),
}

fn read_message(dir: &MailboxDir, path: &RelName, row: &FileRow) -> Result<Read, DiskError> {
    let mut file = dir.open_message(path)?;
    let facts = file.opened_as();
    if !row.has_facts(&facts) {
        return Ok(Read::Changed(facts));
    }
    let mut hasher = Hasher::default();
    let mut buffer = vec![0; COPY_BUFFER_BYTES.min(facts.bytes as usize + 1)];
    let mut start = Vec::new();
    let mut end: Vec<u8> = Vec::new();
    let mut left = facts.bytes + 1;
    while left > 0 {
        let want = buffer.len().min(left as usize);
        let got = read_full(|into| file.read(into), &mut buffer[..want])?;
        if got == 0 {
            break;
        }
        let bytes = &buffer[..got];
        hasher.update(bytes);
        start.extend_from_slice(&bytes[..got.min(HEADER_BYTES - start.len())]);
        end.extend_from_slice(&bytes[got.saturating_sub(NUL_TAIL_BYTES)..]);
        end.drain(..end.len().saturating_sub(NUL_TAIL_BYTES));
        left -= got as u64;
    }
    let identity = hasher.finish();
    let now = file.facts_now()?;
    if identity.bytes != facts.bytes || now != facts {
        return Ok(Read::Changed(now));
    }
    let headers = headers::read(&start);
    Ok(Read::Whole(NewFile { identity, headers, suspect: None }, end))
}

/// Whether a new version looks like damage to the card: emptied, or ending in octets never written.
/// (One cut short is found when it is copied, beside the version before.)
fn suspicion(
    catalogue: &Catalogue,
    before: i64,
    new: &Identity,
    last_octets: &[u8],
) -> Result<Option<Suspicion>, JobError> {
    let before = catalogue.identity(before)?;
    Ok(match new.bytes {
        _ if before.bytes == 0 || before == *new => None,
        0 => Some(Suspicion::Emptied),
        _ if last_octets.iter().all(|&b| b == 0) => Some(Suspicion::NulFilled),
        _ => None,
    })
}

impl FileFacts {
    /// Stands for facts that a link, pipe or device does not have.
    const NONE: Self = Self {
        bytes: 0,
        modified: crate::model::Moment { seconds: 0, nanos: 0 },
        changed: crate::model::Moment { seconds: 0, nanos: 0 },
        inode: 0,
        mode: 0,
    };
}

impl ScanReport {
    fn problem(&mut self, finding: Finding) {
        let full = self.findings.len() >= PROBLEMS_MAX;
        match self.findings.last_mut() {
            Some(Finding::More { count }) => *count += 1,
            _ if full => self.findings.push(Finding::More { count: 1 }),
            _ => self.findings.push(finding),
        }
    }
}

/// The rows of a mailbox in order, a page at a time.
struct Rows<'a> {
    catalogue: &'a Catalogue,
    mailbox: i64,
    page: std::collections::VecDeque<FileRow>,
    after: Vec<u8>,
    ended: bool,
}

impl<'a> Rows<'a> {
    fn new(catalogue: &'a Catalogue, mailbox: i64) -> Self {
        Self { catalogue, mailbox, page: Default::default(), after: Vec::new(), ended: false }
    }

    fn fill(&mut self) -> Result<(), JobError> {
        if self.page.is_empty() && !self.ended {
            self.page = self.catalogue.files_after(self.mailbox, &self.after, PAGE)?.into();
            match self.page.back() {
                Some(last) => self.after.clone_from(&last.key),
                None => self.ended = true,
            }
        }
        Ok(())
    }

    fn next(&mut self) -> Result<Option<FileRow>, JobError> {
        self.fill()?;
        Ok(self.page.pop_front())
    }

    /// The next row, if it comes before `key`.
    fn next_before(&mut self, key: &[u8]) -> Result<Option<FileRow>, JobError> {
        self.fill()?;
        Ok(self.page.pop_front_if(|row| row.key.as_slice() < key))
    }

    /// The row of `key`, if it is the next.
    fn take(&mut self, key: &[u8]) -> Result<Option<FileRow>, JobError> {
        self.fill()?;
        Ok(self.page.pop_front_if(|row| row.key == key))
    }
}

enum Change {
    Look {
        mailbox: i64,
        key: Vec<u8>,
        facts: FileFacts,
        state: FileState,
        looked: i64,
        now: crate::model::Moment,
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
        self.catalogue.together(|| pending.iter().try_for_each(|change| self.apply(change)))
    }

    fn apply(&self, change: &Change) -> Result<(), JobError> {
        match change {
            Change::Look { mailbox, key, facts, state, looked, now } => {
                self.catalogue.look(*mailbox, key, facts, *state, *looked, *now)
            }
            Change::State { row, state, looked } => self.catalogue.set_state(row, *state, *looked),
            Change::Forget(row) => self.catalogue.forget(row),
        }
    }
}
