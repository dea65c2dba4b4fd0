//! What each ledger asserts of each location, and what it says has left. Never decides anything: absence says nothing,
//! and what a departure withholds is for the merge to say.

use super::Catalogue;
use super::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use super::rows::{Columns, FromRow};
use crate::job::JobError;
use crate::model::{Position, Suspicion, Timestamp};
use rusqlite::params;

/// A content that a drive's ledger asserts to be at a location.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AssertedRow {
    /// Its row in the table of mailboxes.
    pub mailbox: MailboxRowId,
    /// Path, as its sorting key.
    pub key: Vec<u8>,
    /// Its row in the table of contents: a SHA-256 and a length.
    pub content: ContentRowId,
    /// The last of this card's changes as of which the ledger says so.
    pub as_of: u64,
    /// The line says that it is missing there, and to be restored.
    pub missing: bool,
    /// Why it is suspect.
    pub suspect: Option<Suspicion>,
    /// The file's own time.
    pub modified: Timestamp,
    /// Permission bits.
    pub mode: u32,
}

impl AssertedRow {
    pub(super) const COLUMNS: &str =
        "mailbox, key, content, as_of, missing, suspect, modified_s, modified_n, mode";
}

impl FromRow for AssertedRow {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            mailbox: columns.read()?,
            key: columns.read()?,
            content: columns.read()?,
            as_of: columns.read()?,
            missing: columns.read()?,
            suspect: columns.read()?,
            modified: columns.read()?,
            mode: columns.read()?,
        })
    }
}

impl Catalogue {
    /// What a ledger's last line about a content at a location asserts, if it still does.
    pub fn current_assertion(
        &self,
        replica: ReplicaRowId,
        mailbox: MailboxRowId,
        key: &[u8],
        content: ContentRowId,
    ) -> Result<Option<AssertedRow>, JobError> {
        let sql = format!(
            "SELECT {} FROM current_assertion WHERE replica = ?1 AND mailbox = ?2 AND key = ?3 \
             AND content = ?4 ORDER BY line DESC LIMIT 1",
            AssertedRow::COLUMNS
        );
        self.first_row(&sql, params![replica, mailbox, key, content])
    }

    /// Everything that a ledger asserts to be at a location, the last line first.
    pub fn current_assertions(
        &self,
        replica: ReplicaRowId,
        mailbox: MailboxRowId,
        key: &[u8],
    ) -> Result<Vec<AssertedRow>, JobError> {
        let sql = format!(
            "SELECT {} FROM current_assertion WHERE replica = ?1 AND mailbox = ?2 AND key = ?3 \
             ORDER BY line DESC",
            AssertedRow::COLUMNS
        );
        self.rows(&sql, params![replica, mailbox, key])
    }

    /// Whether any ledger ever said that a content looks like damage at a location.
    pub(super) fn is_suspected_at(
        &self,
        mailbox: MailboxRowId,
        key: &[u8],
        content: ContentRowId,
    ) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM assertion INDEXED BY assertion_by_content WHERE content = ?3 \
                   AND mailbox = ?1 AND key = ?2 AND suspect IS NOT NULL LIMIT 1";
        self.has_row(sql, params![mailbox, key, content])
    }

    /// Whether a ledger ever said that a content is at a location.
    pub fn was_asserted(
        &self,
        replica: ReplicaRowId,
        mailbox: MailboxRowId,
        key: &[u8],
        content: ContentRowId,
    ) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM assertion WHERE replica = ?1 AND mailbox = ?2 AND key = ?3 \
                   AND content = ?4";
        self.has_row(sql, params![replica, mailbox, key, content])
    }

    /// Whether, by any ledger, one content was at a location, undamaged, before another was there.
    pub fn was_before(
        &self,
        (mailbox, key): (MailboxRowId, &[u8]),
        one: ContentRowId,
        other: ContentRowId,
    ) -> Result<bool, JobError> {
        let whole = |content: ContentRowId| -> Result<Vec<Position>, JobError> {
            let sql = "SELECT DISTINCT writer, n FROM assertion INDEXED BY assertion_by_content \
                       WHERE content = ?3 AND mailbox = ?1 AND key = ?2 AND suspect IS NULL";
            self.rows(sql, params![mailbox, key, content])
        };
        let ones = whole(one)?;
        if ones.is_empty() {
            return Ok(false);
        }
        let mut writers = self.writers()?;
        let others = whole(other)?;
        Ok(others.iter().any(|at| ones.iter().any(|one| writers.covers(*at, *one))))
    }

    /// Whether a ledger ever said where a content is.
    pub fn was_placed(
        &self,
        replica: ReplicaRowId,
        content: ContentRowId,
    ) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM assertion INDEXED BY assertion_by_content WHERE content = ?2 \
                   AND replica = ?1";
        self.has_row(sql, params![replica, content])
    }

    /// Whether a ledger asserts a content to be anywhere.
    pub fn is_placed(
        &self,
        replica: ReplicaRowId,
        content: ContentRowId,
    ) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM assertion INDEXED BY assertion_by_content WHERE content = ?2 \
                   AND replica = ?1 AND ended IS NULL";
        self.has_row(sql, params![replica, content])
    }

    /// Another location than this one where, by a ledger, a content is, or else was.
    pub fn other_location(
        &self,
        replica: ReplicaRowId,
        (mailbox, key): (MailboxRowId, &[u8]),
        content: ContentRowId,
    ) -> Result<Option<(MailboxRowId, Vec<u8>)>, JobError> {
        let sql = "SELECT mailbox, key FROM assertion INDEXED BY assertion_by_content \
                   WHERE content = ?4 AND replica = ?1 AND NOT (mailbox = ?2 AND key = ?3) \
                   ORDER BY ended IS NOT NULL LIMIT 1";
        self.first_row(sql, params![replica, mailbox, key, content])
    }

    /// The positions as of which a ledger asserts a content at a location: those of its lines, and of each later mark
    /// while it stood.
    pub fn stamps(
        &self,
        replica: ReplicaRowId,
        mailbox: MailboxRowId,
        key: &[u8],
        content: ContentRowId,
    ) -> Result<Vec<Position>, JobError> {
        let sql = "SELECT writer, n FROM assertion WHERE replica = ?1 AND mailbox = ?2 \
                   AND key = ?3 AND content = ?4 UNION SELECT m.writer, m.n FROM assertion a \
                   JOIN mark m ON m.replica = a.replica AND m.mailbox = a.mailbox \
                   AND m.line > a.line AND (a.ended IS NULL OR m.line < a.ended) \
                   WHERE a.replica = ?1 AND a.mailbox = ?2 AND a.key = ?3 AND a.content = ?4";
        self.rows(sql, params![replica, mailbox, key, content])
    }

    /// The positions of the departures of a content from a location that count, by a ledger.
    pub fn departures(
        &self,
        replica: ReplicaRowId,
        mailbox: MailboxRowId,
        key: &[u8],
        content: ContentRowId,
    ) -> Result<Vec<Position>, JobError> {
        let sql = "SELECT writer, n FROM departure WHERE replica = ?1 AND mailbox = ?2 \
                   AND key = ?3 AND content = ?4 AND counts";
        self.rows(sql, params![replica, mailbox, key, content])
    }

    /// The positions as of which a ledger asserts a content at a location that none of its own departures covers.
    pub fn uncovered_positions(
        &self,
        replica: ReplicaRowId,
        (mailbox, key, content): (MailboxRowId, &[u8], ContentRowId),
    ) -> Result<Vec<Position>, JobError> {
        let mut stamps = self.stamps(replica, mailbox, key, content)?;
        for departure in self.departures(replica, mailbox, key, content)? {
            let mut left = Vec::with_capacity(stamps.len());
            for stamp in stamps {
                if !self.covers(departure, stamp)? {
                    left.push(stamp);
                }
            }
            stamps = left;
        }
        Ok(stamps)
    }

    /// Whether everything that a ledger asserts of a mailbox is there on this card, or missing: then one line may
    /// assert all of it again.
    pub fn may_be_marked(
        &self,
        replica: ReplicaRowId,
        mailbox: MailboxRowId,
    ) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM assertion a WHERE a.replica = ?1 AND a.mailbox = ?2 AND a.ended \
                   IS NULL AND NOT EXISTS (SELECT 1 FROM file f WHERE f.mailbox = a.mailbox \
                   AND f.key = a.key AND f.content = a.content AND f.is_present) \
                   AND NOT EXISTS (SELECT 1 FROM missing m WHERE m.mailbox = a.mailbox \
                   AND m.key = a.key AND m.content = a.content) LIMIT 1";
        Ok(!self.has_row(sql, params![replica, mailbox])?)
    }
}
