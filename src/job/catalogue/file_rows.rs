//! A path of a mailbox as the catalogue keeps it. Only values: nothing is queried or changed here.

use super::FileState;
use super::row_ids::{ContentRowId, MailboxRowId};
use super::rows::{Columns, FromRow};
use crate::job::JobError;
use crate::model::message::{FileFacts, Headers, SizeBreakdown};
use crate::model::{Identity, RelName, Suspicion, Timestamp};

/// A row of the table of files.
#[derive(Debug, Clone)]
pub struct FileRow {
    /// Its row in the table of mailboxes.
    pub mailbox: MailboxRowId,
    /// Path, as its sorting key.
    pub key: Vec<u8>,
    /// Where it stands.
    pub state: FileState,
    /// Length in bytes at the last look.
    pub bytes: u64,
    /// The file's own time.
    pub modified: Timestamp,
    /// Stands for the time of the last change of anything about it.
    pub changed: i64,
    /// Inode.
    pub inode: i64,
    /// Permission bits.
    pub mode: u32,
    /// Monotonic milliseconds of the first look at these facts.
    pub first_statted: i64,
    /// When its content was first seen here.
    pub first_seen: Timestamp,
    /// Whether something vouched for the clock then.
    pub clock_trusted: bool,
    /// Its content when last read.
    pub content: Option<ContentRowId>,
    /// The last version that was not suspect, if this one is.
    pub good: Option<ContentRowId>,
    /// Why it is suspect.
    pub suspect: Option<Suspicion>,
    /// Number of its last change.
    pub change_no: u64,
    /// Number of the change that brought this content here.
    pub since: u64,
    /// Number of the change with which this card read that another saw it go from here; 0 where it never did.
    pub departure_read: u64,
    /// The change under way was seen as it happened.
    pub hinted: bool,
}

impl FromRow for FileRow {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            mailbox: columns.read()?,
            key: columns.read()?,
            state: columns.read()?,
            bytes: columns.read()?,
            modified: columns.read()?,
            changed: columns.read()?,
            inode: columns.read()?,
            mode: columns.read()?,
            first_statted: columns.read()?,
            first_seen: columns.seconds()?,
            clock_trusted: columns.read()?,
            content: columns.read()?,
            good: columns.read()?,
            suspect: columns.read()?,
            change_no: columns.read()?,
            since: columns.read()?,
            departure_read: columns.read()?,
            hinted: columns.read()?,
        })
    }
}

impl FileRow {
    pub(super) const COLUMNS: &str = "mailbox, key, state, bytes, modified_s, modified_n, changed, inode, mode, \
        first_statted, first_seen, clock, content, good, suspect, change_no, since, departure_read, hinted";

    /// Read back from the sorting key; an error means a damaged catalogue.
    pub fn path(&self) -> Result<RelName, JobError> {
        RelName::from_key(&self.key).map_err(|e| JobError::Broken(format!("catalogue: {e}")))
    }

    /// What a look is compared with.
    pub fn file_stat(&self) -> FileStatRow {
        FileStatRow {
            key: self.key.clone(),
            state: self.state,
            bytes: self.bytes,
            modified: self.modified,
            changed: self.changed,
            inode: self.inode,
        }
    }

    /// Whether a file's bytes could be the same: everything but the name's own change time.
    pub fn has_same_bytes(&self, facts: &FileFacts) -> bool {
        self.bytes == facts.bytes
            && self.modified == facts.modified
            && self.inode == facts.inode as i64
    }
}

/// As much of a row as a look is compared with.
#[derive(Debug, Clone)]
pub struct FileStatRow {
    /// Path, as its sorting key.
    pub key: Vec<u8>,
    /// Where it stands.
    pub state: FileState,
    pub(super) bytes: u64,
    pub(super) modified: Timestamp,
    pub(super) changed: i64,
    pub(super) inode: i64,
}

impl FromRow for FileStatRow {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            key: columns.read()?,
            state: columns.read()?,
            bytes: columns.read()?,
            modified: columns.read()?,
            changed: columns.read()?,
            inode: columns.read()?,
        })
    }
}

impl FileStatRow {
    /// Whether a look finds it as it was.
    pub fn has_facts(&self, facts: &FileFacts) -> bool {
        self.bytes == facts.bytes
            && self.modified == facts.modified
            && self.changed == fold_time(facts.changed)
            && self.inode == facts.inode as i64
    }
}

/// Only ever compared for equality, so wrapping is harmless.
pub(super) fn fold_time(time: Timestamp) -> i64 {
    time.seconds.wrapping_mul(1_000_000_000).wrapping_add(time.nanos.into())
}

/// A content just read from the mailbox.
#[derive(Debug, Clone)]
pub struct NewFile {
    /// SHA-256 and length of the content.
    pub identity: Identity,
    /// Sender, receivers, subject and date, as far as they could be read.
    pub headers: Headers,
    /// What its bytes are made of.
    pub size_breakdown: SizeBreakdown,
    /// Why it is suspect.
    pub suspect: Option<Suspicion>,
    /// It has no Message-ID, and what was at its path before is its beginning.
    pub continues: bool,
    /// A whole block of it is NUL, which no mail program writes and a failing card does.
    pub has_nul_block: bool,
}
