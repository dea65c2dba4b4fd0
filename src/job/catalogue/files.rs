//! The mailbox's side of the catalogue, the table `file`: one row for each path, its state, its content, its change;
//! also versions that look like damage, and files that another card saw go.
//! Never reads the mailbox; scanning does.

use super::file_rows::{FileRow, FileStatRow, NewFile, fold_time};
use super::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use super::{Catalogue, FileState};
use crate::job::JobError;
use crate::model::limits::ALIKE_MAX;
use crate::model::message::FileFacts;
use crate::model::{Identity, Position, Suspicion, WallTime};
use rusqlite::params;

const COLUMNS: &str = FileRow::COLUMNS;

impl Catalogue {
    /// Up to `most` rows of a mailbox with keys after `after`, in order; only what a look is compared
    /// with, since a scan reads every row.
    pub fn file_stats_after(
        &self,
        mailbox: MailboxRowId,
        after: &[u8],
        most: usize,
    ) -> Result<Vec<FileStatRow>, JobError> {
        let sql = "SELECT key, state, bytes, modified_s, modified_n, changed, inode FROM file \
                   WHERE mailbox = ?1 AND key > ?2 ORDER BY key LIMIT ?3";
        self.rows(sql, params![mailbox, after, most as i64])
    }

    /// The row of one path.
    pub fn file(&self, mailbox: MailboxRowId, key: &[u8]) -> Result<Option<FileRow>, JobError> {
        let sql = format!("SELECT {COLUMNS} FROM file WHERE mailbox = ?1 AND key = ?2");
        self.first_row(&sql, params![mailbox, key])
    }

    /// Rows of a mailbox in one of the indexed states (all but `Present`) whose look is no later than `until`.
    pub fn files_in_state(
        &self,
        mailbox: MailboxRowId,
        state: FileState,
        until: i64,
        after: &[u8],
        most: usize,
    ) -> Result<Vec<FileRow>, JobError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM unsettled_file WHERE state = ?1 \
             AND mailbox = ?2 AND key > ?3 AND first_statted <= ?4 ORDER BY mailbox, key LIMIT ?5"
        );
        self.rows(&sql, params![state, mailbox, after, until, most as i64])
    }

    /// The earliest look among a mailbox's rows that still wait for their second one.
    pub fn earliest_unsettled(&self, mailbox: MailboxRowId) -> Result<Option<i64>, JobError> {
        let sql = "SELECT min(first_statted) FROM unsettled_file \
                   WHERE mailbox = ?1 AND state IN (?2, ?3, ?4)";
        let of = params![mailbox, FileState::Fresh, FileState::LeavingSeen, FileState::Leaving];
        self.only_row(sql, of)
    }

    /// Rows of a mailbox that seem to be gone, of contents that are settled somewhere else; at most this many.
    pub fn leaving_but_elsewhere(
        &self,
        mailbox: MailboxRowId,
        most: usize,
    ) -> Result<Vec<FileRow>, JobError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM unsettled_file u WHERE state IN (?3, ?4) AND mailbox = ?1 \
             AND EXISTS (SELECT 1 FROM present_by_content f WHERE f.content = u.content) LIMIT ?2"
        );
        let of = params![mailbox, most as i64, FileState::LeavingSeen, FileState::Leaving];
        self.rows(&sql, of)
    }

    /// Rows changed after `change_no`, latest first and before `before`: the newest message is copied first.
    pub fn changes(
        &self,
        change_no: u64,
        before: u64,
        most: usize,
    ) -> Result<Vec<FileRow>, JobError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM file INDEXED BY file_by_change WHERE change_no > ?1 \
             AND change_no < ?2 ORDER BY change_no DESC LIMIT ?3"
        );
        let before = i64::try_from(before).unwrap_or(i64::MAX);
        self.rows(&sql, params![change_no as i64, before, most as i64])
    }

    /// Records a look: new facts, to be settled by a second look. `first_seen` is kept if there was one. A path that
    /// was gone starts over: its content has left it, or is missing from it.
    /// `hinted`: the change was seen as it happened.
    pub fn record_look(
        &self,
        (mailbox, key): (MailboxRowId, &[u8]),
        facts: &FileFacts,
        state: FileState,
        (first_statted, now): (i64, WallTime),
        hinted: bool,
    ) -> Result<(), JobError> {
        let sql = "INSERT INTO file (mailbox, key, state, bytes, modified_s, modified_n, changed, \
                   inode, mode, first_statted, first_seen, change_no, clock, hinted) VALUES \
                   (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,0,?12,?13) \
                   ON CONFLICT DO UPDATE SET state=?3, bytes=?4, modified_s=?5, modified_n=?6, \
                   changed=?7, inode=?8, mode=?9, first_statted=?10, change_no=CASE WHEN is_gone \
                   THEN 0 ELSE change_no END, content=CASE WHEN is_gone THEN NULL ELSE content \
                   END, good=CASE WHEN is_gone THEN NULL ELSE good END, suspect=CASE WHEN is_gone \
                   THEN NULL ELSE suspect END, hinted=CASE WHEN state IN (?14, ?15) THEN \
                   max(hinted, ?13) ELSE ?13 END";
        self.change(
            sql,
            params![
                mailbox,
                key,
                state,
                facts.bytes as i64,
                facts.modified.seconds,
                facts.modified.nanos,
                fold_time(facts.changed),
                facts.inode as i64,
                facts.mode,
                first_statted,
                now.time.seconds,
                now.trusted,
                hinted,
                FileState::Fresh,
                FileState::Changing,
            ],
        )?;
        Ok(())
    }

    /// Changes the state of a path, and nothing else.
    pub fn set_state(
        &self,
        row: &FileRow,
        state: FileState,
        first_statted: i64,
    ) -> Result<(), JobError> {
        let sql = "UPDATE file SET state = ?3, first_statted = ?4 WHERE mailbox = ?1 AND key = ?2";
        self.change(sql, params![row.mailbox, row.key, state, first_statted])?;
        Ok(())
    }

    /// Records that a path is gone.
    pub fn set_gone(&self, row: &FileRow, state: FileState) -> Result<(), JobError> {
        self.set_state(row, state, row.first_statted)
    }

    /// Forgets a path that was gone before anything of it was read.
    pub fn forget(&self, row: &FileRow) -> Result<(), JobError> {
        self.change(
            "DELETE FROM file WHERE mailbox = ?1 AND key = ?2",
            params![row.mailbox, row.key],
        )?;
        Ok(())
    }

    /// Records a content read and settled. Always a change that the drives have to record: while the path waited for
    /// its second look a pass skipped it, whatever a drive had not recorded of it. Also returns whether the content was
    /// known before.
    pub fn confirm_file(
        &self,
        row: &FileRow,
        new: &NewFile,
        now: WallTime,
    ) -> Result<(ContentRowId, bool), JobError> {
        let (content, is_new) = self.content_read(new)?;
        let same = row.content == Some(content);
        self.record_change(|change_no| {
            let (first_seen, trusted) = match same || row.content.is_none() {
                true => (row.first_seen, row.clock_trusted),
                false => (now.time, now.trusted),
            };
            let good = match new.suspect {
                None => None,
                Some(_) if row.suspect.is_some() => row.good,
                Some(_) => row.content,
            };
            let (good, suspect) = if same { (row.good, row.suspect) } else { (good, new.suspect) };
            let sql = "UPDATE file SET state = ?3, content = ?4, good = ?5, suspect = ?6, \
                       change_no = ?7, first_seen = ?8, clock = ?9, hinted = 0, since = CASE WHEN \
                       ?10 THEN since ELSE ?7 END, move_target = CASE WHEN ?10 THEN move_target \
                       ELSE 0 END WHERE mailbox = ?1 AND key = ?2";
            self.change(
                sql,
                params![
                    row.mailbox,
                    row.key,
                    FileState::Present,
                    content,
                    good,
                    suspect.map(Suspicion::as_str),
                    change_no as i64,
                    first_seen.seconds,
                    trusted,
                    same,
                ],
            )?;
            // What nobody knew of has left from nowhere, and is missing nowhere.
            if !is_new {
                self.note_present(row.mailbox, &row.key, content)?;
                if suspect.is_none() {
                    self.note_returned(row.mailbox, &row.key, content, now.time.seconds)?;
                }
            }
            Ok((content, !is_new))
        })
    }

    /// Where a content is in the mailboxes, settled and not suspect.
    pub fn files_of(&self, content: ContentRowId) -> Result<Vec<FileRow>, JobError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM present_by_content WHERE content = ?1 AND suspect IS NULL \
             LIMIT ?2"
        );
        self.rows(&sql, params![content, ALIKE_MAX])
    }
}

impl Catalogue {
    /// A settled file of whole seconds is to be read at the next scan: to that its time of change is another.
    pub fn recheck_later(&self, row: &FileRow) -> Result<(), JobError> {
        self.change(
            "UPDATE file SET changed = ?3 WHERE mailbox = ?1 AND key = ?2",
            params![row.mailbox, row.key, row.changed.wrapping_sub(1)],
        )?;
        Ok(())
    }
}

impl Catalogue {
    /// Marks the version of a path suspect, after a look at the version before on a drive: that one is missing.
    pub fn mark_suspect(
        &self,
        row: &FileRow,
        good: ContentRowId,
        why: Suspicion,
    ) -> Result<(), JobError> {
        self.write_transaction(|| {
            self.set_missing(row, good, true)?;
            let change_no = self.next_change_no()?;
            let sql = "UPDATE file SET good = ?3, suspect = ?4, change_no = ?5 WHERE mailbox = ?1 \
                       AND key = ?2";
            self.change(sql, params![row.mailbox, row.key, good, why.as_str(), change_no as i64])?;
            Ok(())
        })
    }

    /// The card changed a message by itself: its present version is suspect, the version before is to be restored.
    pub fn mark_altered(&self, row: &FileRow, now: &Identity) -> Result<(), JobError> {
        let content = self.content(now)?;
        self.write_transaction(|| {
            if let Some(good) = row.content {
                self.headers_as_of(content, good)?;
                if row.suspect.is_none() {
                    self.set_missing(row, good, true)?;
                }
            }
            let change_no = self.next_change_no()?;
            let sql = "UPDATE file SET good = coalesce(good, content), content = ?3, suspect = ?4, \
                       change_no = ?5, since = ?5 WHERE mailbox = ?1 AND key = ?2";
            self.change(
                sql,
                params![
                    row.mailbox,
                    row.key,
                    content,
                    Suspicion::Altered.as_str(),
                    change_no as i64
                ],
            )?;
            Ok(())
        })
    }

    /// A version that looked like damage is accepted as the message.
    pub fn accept_as_is(&self, mailbox: MailboxRowId, key: &[u8]) -> Result<(), JobError> {
        self.record_change(|change_no| {
            let sql = "UPDATE file SET suspect = NULL, good = NULL, change_no = ?3 \
                       WHERE mailbox = ?1 AND key = ?2";
            self.change(sql, params![mailbox, key, change_no as i64])?;
            Ok(())
        })
    }

    /// What is missing in place of a damaged version is missing without one from now on.
    pub fn damage_is_gone(&self, mailbox: MailboxRowId, key: &[u8]) -> Result<(), JobError> {
        let sql = "UPDATE missing SET damaged = 0 WHERE mailbox = ?1 AND key = ?2";
        self.change(sql, params![mailbox, key])?;
        Ok(())
    }
}

impl FileRow {
    /// As of which change a ledger has to assert it for the drive's copy to count.
    pub fn assert_from(&self) -> u64 {
        self.since.max(self.departure_read)
    }
}

impl Catalogue {
    /// Takes note of the departures that were just read in a ledger after a line, of what is here all the same. That
    /// drive is hardly the only one that has them, so nothing that any drive recorded of it before counts from now on.
    /// Lines written later speak of what was read, and no such departure takes them back.
    pub fn note_departures_read(&self, replica: ReplicaRowId, behind: u64) -> Result<(), JobError> {
        let sql = "SELECT f.mailbox, f.key, d.writer, d.n, max(f.since, f.departure_read) \
                   FROM departure d CROSS JOIN file f ON f.mailbox = d.mailbox AND f.key = d.key \
                   AND f.content = d.content AND NOT f.is_gone WHERE d.replica = ?1 \
                   AND d.line > ?2";
        let rows: Vec<(MailboxRowId, Vec<u8>, Position, u64)> =
            self.rows(sql, params![replica, behind as i64])?;
        if rows.is_empty() {
            return Ok(());
        }
        let mut writers = self.writers()?;
        let mut last = None;
        for (mailbox, key, left, since) in rows {
            if last.as_ref() == Some(&(mailbox, key.clone())) {
                continue;
            }
            let here = self.position_at(since)?;
            if here.is_some_and(|here| writers.may_cover(left, here)) {
                self.record_change(|change_no| {
                    let sql = "UPDATE file SET departure_read = ?3, change_no = ?3 \
                               WHERE mailbox = ?1 AND key = ?2";
                    self.change(sql, params![mailbox, key, change_no as i64])
                })?;
                last = Some((mailbox, key));
            }
        }
        Ok(())
    }
}
