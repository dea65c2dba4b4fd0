//! The copies in a drive's ledger, and how each stands. Never calls a copy good that was not read back, or whose line
//! is only a claim.

use super::row_ids::{ContentRowId, ReplicaRowId};
use super::rows::{Columns, FromRow};
use super::{Catalogue, CopyState};
use crate::job::JobError;
use crate::model::{DriveId, Identity, PayloadName, Timestamp};
use rusqlite::params;

/// A copy on a drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CopyRow {
    /// Its name.
    pub name: PayloadName,
    /// Row of its content.
    pub content: ContentRowId,
    /// What it should be.
    pub identity: Identity,
    /// How it stands.
    pub state: CopyState,
}

/// Whether and how a drive holds a content.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CopyStatus {
    /// A good copy.
    Good(PayloadName),
    /// Only a damaged copy, or none where there was one.
    Lost(PayloadName),
    /// Never copied.
    No,
}

/// What is read of a copy `p` and its content `c`.
pub(super) const COPY_COLUMNS: &str =
    "p.segment, p.number, p.extension, p.content, p.state, c.sha256, c.bytes";

impl FromRow for CopyRow {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        let (segment, number) = (columns.read()?, columns.read()?);
        let extension = columns.parsed(|text| text.parse().ok())?;
        Ok(Self {
            name: PayloadName {
                segment,
                number,
                extension: extension.ok_or(rusqlite::Error::InvalidQuery)?,
            },
            content: columns.read()?,
            state: columns.read()?,
            identity: columns.read()?,
        })
    }
}

impl Catalogue {
    /// Whether any drive has a copy of a content, good or claimed.
    pub fn has_copy(&self, identity: &Identity) -> Result<bool, JobError> {
        let Some(content) = self.known_content(identity)? else { return Ok(false) };
        let sql = "SELECT 1 FROM payload INDEXED BY payload_by_content WHERE content = ?1";
        self.has_row(sql, [content])
    }

    /// Whether a ledger has any good copy.
    pub fn has_good_copies(&self, replica: ReplicaRowId) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM payload WHERE replica = ?1 AND is_good";
        self.has_row(sql, [replica])
    }

    /// Changes how a copy stands.
    pub fn set_copy_state(
        &self,
        replica: ReplicaRowId,
        number: u32,
        state: CopyState,
    ) -> Result<(), JobError> {
        let sql = "UPDATE payload SET state = ?3 WHERE replica = ?1 AND number = ?2";
        self.change(sql, params![replica, number, state])?;
        Ok(())
    }

    /// Records, for a person, that the good copies with these numbers were read again and were right.
    pub fn copies_reread(
        &self,
        replica: ReplicaRowId,
        numbers: std::ops::RangeInclusive<u32>,
        when: Timestamp,
    ) -> Result<(), JobError> {
        let sql = "UPDATE payload SET proven = ?4, reread = 1 WHERE replica = ?1 AND number \
                   BETWEEN ?2 AND ?3 AND is_whole";
        self.change(sql, params![replica, numbers.start(), numbers.end(), when.seconds])?;
        Ok(())
    }

    /// A copy that was called good and cannot be read elsewhere: until its drive is read again it counts for
    /// nothing, and what is found then goes into that drive's ledger.
    pub fn mark_copy_unverified(&self, replica: ReplicaRowId, number: u32) -> Result<(), JobError> {
        let sql = "UPDATE payload SET state = ?3, cycle = 0, read_here = 1, proven = 0, reread = 0 \
                   WHERE replica = ?1 AND number = ?2 AND is_whole";
        self.change(sql, params![replica, number, CopyState::Claimed])?;
        Ok(())
    }

    /// Copies of a drive, with numbers after `after`, that are damaged or not there, of messages that neither the
    /// drive nor the mailbox has any more.
    pub fn unrecoverable_copies(
        &self,
        replica: ReplicaRowId,
        after: u32,
        most: u32,
    ) -> Result<Vec<CopyRow>, JobError> {
        let sql = format!(
            "SELECT {COPY_COLUMNS} FROM bad_copy p JOIN content c ON c.id = p.content \
             WHERE p.replica = ?1 AND p.number > ?2 \
             AND NOT EXISTS (SELECT 1 FROM payload q INDEXED BY payload_by_content \
             WHERE q.content = p.content AND q.replica = p.replica AND q.is_whole) \
             AND NOT EXISTS (SELECT 1 FROM present_by_content f WHERE f.content = p.content) \
             ORDER BY p.number LIMIT ?3"
        );
        self.rows(&sql, params![replica, after, most])
    }

    /// Good copies of a content on other drives of the same station: the drive's id, the replica, the copy.
    pub fn peer_copies(
        &self,
        replica: ReplicaRowId,
        content: ContentRowId,
    ) -> Result<Vec<(DriveId, ReplicaRowId, CopyRow)>, JobError> {
        let sql = format!(
            "SELECT drive.uuid, p.replica, {COPY_COLUMNS} FROM payload p \
             INDEXED BY payload_by_content JOIN content c ON c.id = p.content JOIN replica \
             ON replica.id = p.replica JOIN drive ON drive.id = replica.drive WHERE p.content = ?2 \
             AND p.replica <> ?1 AND p.is_whole AND replica.station = (SELECT station FROM replica \
             WHERE id = ?1) ORDER BY p.state, p.number DESC"
        );
        let copies: Vec<(Option<DriveId>, _, _)> = self.rows(&sql, params![replica, content])?;
        Ok(copies
            .into_iter()
            .filter_map(|(id, replica, copy)| Some((id?, replica, copy)))
            .collect())
    }

    /// Whether and how a drive holds a content.
    pub fn copy_status(
        &self,
        replica: ReplicaRowId,
        content: ContentRowId,
    ) -> Result<CopyStatus, JobError> {
        // The index is named here and elsewhere: left to itself SQLite may go through a whole replica.
        let sql = format!(
            "SELECT {COPY_COLUMNS} FROM payload p INDEXED BY payload_by_content \
             JOIN content c ON c.id = p.content \
             WHERE p.content = ?2 AND p.replica = ?1 ORDER BY p.is_whole DESC, p.number DESC LIMIT 1"
        );
        let row: Option<CopyRow> = self.first_row(&sql, params![replica, content])?;
        Ok(match row {
            Some(p) if p.state.is_whole() => CopyStatus::Good(p.name),
            Some(p) if p.state != CopyState::Debris && !p.state.is_given_up() => {
                CopyStatus::Lost(p.name)
            }
            _ => CopyStatus::No,
        })
    }

    /// One copy by its number.
    pub fn payload(&self, replica: ReplicaRowId, number: u32) -> Result<Option<CopyRow>, JobError> {
        let sql = format!(
            "SELECT {COPY_COLUMNS} FROM payload p JOIN content c ON c.id = p.content \
             WHERE p.replica = ?1 AND p.number = ?2"
        );
        self.first_row(&sql, params![replica, number])
    }

    /// Whether a number is that of a copy: asked for each line of a manifest.
    pub fn knows_number(&self, replica: ReplicaRowId, number: u32) -> Result<bool, JobError> {
        self.has_row(
            "SELECT 1 FROM payload WHERE replica = ?1 AND number = ?2",
            params![replica, number],
        )
    }

    /// Copies `p` of contents `c`, as the rest of a query selects them.
    pub(super) fn copies(
        &self,
        of: &str,
        params: impl rusqlite::Params,
    ) -> Result<Vec<CopyRow>, JobError> {
        let sql =
            format!("SELECT {COPY_COLUMNS} FROM payload p JOIN content c ON c.id = p.content {of}");
        self.rows(&sql, params)
    }

    /// Up to `most` copies with numbers after `after`, in order.
    pub fn payloads_after(
        &self,
        replica: ReplicaRowId,
        after: u32,
        most: u32,
    ) -> Result<Vec<CopyRow>, JobError> {
        let of = "WHERE p.replica = ?1 AND p.number > ?2 ORDER BY p.number LIMIT ?3";
        self.copies(of, params![replica, after, most])
    }

    /// Up to `most` copies with numbers before `before`, latest first.
    pub fn payloads_before(
        &self,
        replica: ReplicaRowId,
        before: u32,
        most: u32,
    ) -> Result<Vec<CopyRow>, JobError> {
        let of = "WHERE p.replica = ?1 AND p.number < ?2 ORDER BY p.number DESC LIMIT ?3";
        self.copies(of, params![replica, before, most])
    }

    /// Copies claimed by lines after a break.
    pub fn claimed_copies(&self, replica: ReplicaRowId) -> Result<Vec<CopyRow>, JobError> {
        let of = "WHERE p.replica = ?1 AND p.state = ?2 ORDER BY p.number";
        self.copies(of, params![replica, CopyState::Claimed])
    }

    /// Whether a content is known as a message, now or earlier, to the mailbox or to a ledger. What has headers
    /// was read from the mailbox once, as the good version of what a failing card has spoilt since.
    pub fn is_message(&self, replica: ReplicaRowId, identity: &Identity) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM content c WHERE c.sha256 = ?2 AND c.bytes = ?3 AND (c.sender \
                   IS NOT NULL OR EXISTS (SELECT 1 FROM file WHERE content = c.id) \
                   OR EXISTS (SELECT 1 FROM assertion INDEXED BY assertion_by_content \
                   WHERE content = c.id AND replica = ?1))";
        self.has_row(
            sql,
            params![replica, identity.digest.as_bytes().as_slice(), identity.bytes as i64],
        )
    }
}

/// How the copies of a station on a drive stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct CopyCounts {
    /// Copies that were whole when they were last read.
    pub whole: u64,
    /// Sum of their lengths, in bytes.
    pub bytes: u64,
    /// Of them those that were read again after they were made.
    pub read_again: u64,
    /// The longest ago that one of them was last read, as claimed.
    pub oldest: Option<Timestamp>,
    /// Copies whose line comes after a break: whole only if they are found to be.
    pub claimed: u64,
    /// Copies found damaged.
    pub damaged: u64,
    /// Copies that were not there any more.
    pub missing: u64,
    /// What looks like what a power failure left of a copy.
    pub debris: u64,
}

impl Catalogue {
    /// How the copies in a replica stand.
    pub fn copy_counts(&self, replica: ReplicaRowId) -> Result<CopyCounts, JobError> {
        let sql = "SELECT p.state, count(*), sum(c.bytes), sum(p.reread), min(p.proven) \
                   FROM payload p JOIN content c ON c.id = p.content WHERE p.replica = ?1 \
                   GROUP BY p.state";
        let mut counts = CopyCounts::default();
        let groups: Vec<(CopyState, u64, u64, u64, i64)> = self.rows(sql, [replica])?;
        for (state, copies, bytes, reread, seconds) in groups {
            match state {
                CopyState::Good | CopyState::Adopted => {
                    counts.whole += copies;
                    counts.bytes += bytes;
                    counts.read_again += reread;
                    let earlier = counts.oldest.map_or(seconds, |o| o.seconds.min(seconds));
                    counts.oldest = Some(Timestamp { seconds: earlier, nanos: 0 });
                }
                CopyState::Claimed => counts.claimed += copies,
                CopyState::Damaged => counts.damaged += copies,
                CopyState::Missing => counts.missing += copies,
                CopyState::Debris => counts.debris += copies,
                CopyState::GivenUp | CopyState::Removed => {}
            }
        }
        Ok(counts)
    }
}
