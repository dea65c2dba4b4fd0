//! What is missing from this card's mailboxes, where it may have gone to, and what a person does not want back there.
//! Never calls anything departed that nobody saw go.

use super::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use super::rows::{Columns, FromRow};
use super::{Catalogue, ContentAt, FileRow, FileState};
use crate::job::JobError;
use crate::model::ledger::Departed;
use crate::model::limits::ALIKE_MAX;
use crate::model::{RelName, Timestamp, WallTime};
use rusqlite::params;

/// A content that is missing from a location.
#[derive(Debug, Clone)]
pub struct MissingRow {
    /// Its row in the table of mailboxes.
    pub mailbox: MailboxRowId,
    /// Path, as its sorting key.
    pub key: Vec<u8>,
    /// Its row in the table of contents: a SHA-256 and a length.
    pub content: ContentRowId,
    /// A version that looks like damage is there in its place.
    pub damaged: bool,
    /// The file's own time.
    pub modified: Timestamp,
    /// Permission bits.
    pub mode: u32,
    /// When it was first seen there.
    pub first_seen: WallTime,
    /// The change that made it so.
    pub change_no: u64,
}

const MISSING: &str = "SELECT mailbox, key, content, damaged, modified_s, modified_n, mode, first_seen, clock, \
                       change_no FROM missing";

impl FromRow for MissingRow {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            mailbox: columns.read()?,
            key: columns.read()?,
            content: columns.read()?,
            damaged: columns.read()?,
            modified: columns.read()?,
            mode: columns.read()?,
            first_seen: columns.read()?,
            change_no: columns.read()?,
        })
    }
}

impl MissingRow {
    /// As a row of the mailbox's files, for a report.
    pub fn as_file(&self, catalogue: &Catalogue) -> Result<FileRow, JobError> {
        Ok(FileRow {
            mailbox: self.mailbox,
            key: self.key.clone(),
            state: FileState::Vanished,
            bytes: catalogue.identity(self.content)?.bytes,
            modified: self.modified,
            changed: 0,
            inode: 0,
            mode: self.mode,
            first_statted: 0,
            first_seen: self.first_seen.time,
            clock_trusted: self.first_seen.trusted,
            content: Some(self.content),
            good: None,
            suspect: None,
            change_no: self.change_no,
            since: self.change_no,
            departure_read: 0,
            hinted: false,
        })
    }

    /// Read back from the sorting key; an error means a damaged catalogue.
    pub fn path(&self) -> Result<RelName, JobError> {
        RelName::from_key(&self.key).map_err(|e| JobError::Broken(format!("catalogue: {e}")))
    }
}

impl Catalogue {
    /// Records that a content is missing from the location of a row, or damaged there.
    pub fn set_missing(
        &self,
        row: &FileRow,
        content: ContentRowId,
        damaged: bool,
    ) -> Result<(), JobError> {
        self.record_change(|change_no| {
            let sql = "DELETE FROM departed WHERE mailbox = ?1 AND key = ?2 AND content = ?3";
            self.change(sql, params![row.mailbox, row.key, content])?;
            let sql = "INSERT OR REPLACE INTO missing VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10)";
            self.change(
                sql,
                params![
                    row.mailbox,
                    row.key,
                    content,
                    damaged,
                    row.modified.seconds,
                    row.modified.nanos,
                    row.mode,
                    row.first_seen.seconds,
                    row.clock_trusted,
                    change_no as i64
                ],
            )?;
            Ok(())
        })
    }

    /// A content is missing from a location only because it was unknown whether what is there now is the rest of it. A
    /// drive shows that it is not: of the same message it is a later version. Whether it was so.
    pub fn end_as_replaced(
        &self,
        row: &FileRow,
        before: ContentRowId,
        at: i64,
    ) -> Result<bool, JobError> {
        let Some(content) = row.content else { return Ok(false) };
        let sql = "SELECT 1 FROM missing WHERE mailbox = ?1 AND key = ?2 AND content = ?3 \
                   AND damaged = 0";
        let id = self.message_id(content)?;
        if id.is_none()
            || self.message_id(before)? != id
            || !self.has_row(sql, params![row.mailbox, row.key, before])?
        {
            return Ok(false);
        }
        let successor = Some((row.mailbox, row.key.as_slice(), content));
        let of = (row.mailbox, row.key.as_slice(), before);
        self.set_departed(of, Departed::Replaced, successor, at).map(|_| true)
    }

    /// What is missing from a location is not looked for any more; no drive records anything of it.
    pub fn forget_missing(&self, row: &MissingRow) -> Result<(), JobError> {
        let sql = "DELETE FROM missing WHERE mailbox = ?1 AND key = ?2 AND content = ?3";
        self.change(sql, params![row.mailbox, row.key, row.content])?;
        Ok(())
    }

    /// A content is at a location of a mailbox: it has not left it, and is to stay there.
    pub(super) fn note_present(
        &self,
        mailbox: MailboxRowId,
        key: &[u8],
        content: ContentRowId,
    ) -> Result<(), JobError> {
        for table in ["departed", "not_wanted"] {
            let sql =
                format!("DELETE FROM {table} WHERE mailbox = ?1 AND key = ?2 AND content = ?3");
            self.change(&sql, params![mailbox, key, content])?;
        }
        Ok(())
    }

    /// A content is at a location of a mailbox again: it is missing nowhere any more. Where it was missing from
    /// another location, and has not been here before, it has moved.
    pub(super) fn note_returned(
        &self,
        mailbox: MailboxRowId,
        key: &[u8],
        content: ContentRowId,
        at: i64,
    ) -> Result<(), JobError> {
        let sql = format!("{MISSING} WHERE content = ?1 ORDER BY change_no");
        let rows: Vec<MissingRow> = self.rows(&sql, [content])?;
        if rows.is_empty() {
            return Ok(());
        }
        let was_here = |row: &MissingRow| row.mailbox == mailbox && row.key == key;
        if !rows.iter().any(was_here)
            && let Some(from) = rows.iter().find(|row| !row.damaged)
        {
            let of = (from.mailbox, from.key.as_slice(), content);
            self.set_departed(of, Departed::Moved, Some((mailbox, key, content)), at)?;
        }
        self.change("DELETE FROM missing WHERE content = ?1", [content])?;
        Ok(())
    }

    /// A location that has a content now and did not when a row was last known to be there, and that no departure
    /// names yet: where the content of the row went to.
    pub fn new_location(
        &self,
        row: &FileRow,
        content: ContentRowId,
    ) -> Result<Option<(MailboxRowId, Vec<u8>)>, JobError> {
        let sql = "SELECT mailbox, key FROM possible_move_target WHERE content = ?1 \
                   AND NOT (mailbox = ?2 AND key = ?3) AND since > max(?4, (SELECT scanned \
                   FROM mailbox WHERE id = ?2), coalesce((SELECT twin_seen FROM file WHERE mailbox \
                   = ?2 AND key = ?3), 0)) LIMIT 1";
        self.first_row(sql, params![content, row.mailbox, row.key, row.since as i64])
    }

    /// A row is there though its content came to another location just now: what came before this moment was no move.
    pub fn note_twin_seen(&self, row: &FileRow) -> Result<(), JobError> {
        let sql = "UPDATE file SET twin_seen = ?3 WHERE mailbox = ?1 AND key = ?2";
        self.change(sql, params![row.mailbox, row.key, self.change_no()? as i64])?;
        Ok(())
    }

    /// Whether a content was somewhere on this card, as far as is known, when a mailbox was last scanned: it is there,
    /// is missing from there, or was seen to leave. What came to another mailbox since then may be just as new there.
    pub fn was_here(&self, mailbox: MailboxRowId, content: ContentRowId) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM readable_by_content f WHERE f.content = ?1 \
                   AND f.since <= (SELECT scanned FROM mailbox WHERE id = ?2) UNION ALL SELECT 1 \
                   FROM missing INDEXED BY missing_by_content WHERE content = ?1 UNION ALL \
                   SELECT 1 FROM departed INDEXED BY departed_by_content WHERE content = ?1";
        self.has_row(sql, params![content, mailbox])
    }

    /// All of a mailbox was scanned: what is there now was there at the last change. Where nothing changed nothing is
    /// written, not even without effect: a read-only catalogue would refuse that, and be copied for it.
    pub fn set_scanned(&self, mailbox: MailboxRowId) -> Result<(), JobError> {
        let change_no = self.change_no()? as i64;
        let (of, behind) = (params![mailbox, change_no], "WHERE id = ?1 AND scanned <> ?2");
        if self.has_row(&format!("SELECT 1 FROM mailbox {behind}"), of)? {
            self.db.execute(&format!("UPDATE mailbox SET scanned = ?2 {behind}"), of)?;
        }
        Ok(())
    }

    /// Up to `most` missing contents of changes after `change_no` and up to `until`, in order.
    pub fn missing_after(
        &self,
        change_no: u64,
        until: u64,
        most: usize,
    ) -> Result<Vec<MissingRow>, JobError> {
        let sql = format!(
            "{MISSING} WHERE change_no > ?1 AND change_no <= ?2 ORDER BY change_no LIMIT ?3"
        );
        self.rows(&sql, [change_no as i64, until as i64, most as i64])
    }

    /// Everything that is missing from the mailboxes in force or damaged there, in order of the paths.
    pub fn each_missing(
        &self,
        each: impl FnMut(MissingRow) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let here = self.in_force();
        let sql = format!("{MISSING} WHERE true{here} ORDER BY mailbox, key, content");
        self.each_row(&sql, [], each)
    }

    /// Whether a content is in a mailbox of this card, or missing from one.
    pub fn is_somewhere(&self, content: ContentRowId) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM readable_by_content WHERE content = ?1 UNION ALL SELECT 1 \
                   FROM missing INDEXED BY missing_by_content WHERE content = ?1";
        self.has_row(sql, [content])
    }

    /// A location where a content is, or is missing from, of which a ledger says so too; among the latest of many.
    pub fn asserted_location(
        &self,
        replica: ReplicaRowId,
        content: ContentRowId,
    ) -> Result<Option<(MailboxRowId, Vec<u8>)>, JobError> {
        let sql = "SELECT mailbox, key FROM ( SELECT * FROM (SELECT mailbox, key \
                   FROM present_by_content WHERE content = ?2 ORDER BY change_no DESC LIMIT ?3) \
                   UNION ALL SELECT * FROM (SELECT mailbox, key FROM missing \
                   INDEXED BY missing_by_content WHERE content = ?2 LIMIT ?3)) here \
                   WHERE EXISTS (SELECT 1 FROM assertion a WHERE a.replica = ?1 \
                   AND a.mailbox = here.mailbox AND a.key = here.key AND a.content = ?2 \
                   AND a.ended IS NULL) LIMIT 1";
        self.first_row(sql, params![replica, content, ALIKE_MAX])
    }

    /// The file's own time and permission bits of a content at a location, as the last ledger line of it says.
    pub fn attributes(
        &self,
        mailbox: MailboxRowId,
        key: &[u8],
        content: ContentRowId,
    ) -> Result<Option<(Timestamp, u32)>, JobError> {
        let sql = "SELECT modified_s, modified_n, mode FROM replica JOIN assertion a ON a.replica \
                   = replica.id WHERE a.mailbox = ?1 AND a.key = ?2 AND a.content = ?3 \
                   ORDER BY a.as_of DESC, a.line DESC LIMIT 1";
        self.first_row(sql, params![mailbox, key, content])
    }

    /// Whether a content is there, settled, at some path of the mailboxes in force: of another one nobody knows
    /// whether it is still there.
    pub fn is_present(&self, content: ContentRowId) -> Result<bool, JobError> {
        let sql = format!("SELECT 1 FROM present_by_content WHERE content = ?1{}", self.in_force());
        self.has_row(&sql, [content])
    }
}

impl Catalogue {
    /// A person does not want a content at a location of this card's mailboxes. No drive records it.
    pub fn set_not_wanted(
        &self,
        (mailbox, key, content): (MailboxRowId, &[u8], ContentRowId),
        at: i64,
    ) -> Result<(), JobError> {
        self.change(
            "INSERT OR REPLACE INTO not_wanted VALUES (?1, ?2, ?3, ?4)",
            params![mailbox, key, content, at],
        )?;
        Ok(())
    }

    /// What a person does not want in this card's mailboxes: mailbox, path as its sorting key, content.
    pub fn not_wanted(&self) -> Result<Vec<ContentAt>, JobError> {
        self.rows("SELECT mailbox, key, content FROM not_wanted", [])
    }
}
