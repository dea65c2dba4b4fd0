//! Decides which drives' copies make messages safe: the one place where `replica.trusted` is set and cleared.
//! Never takes a copy away: what does not count can still be restored from.

use super::drives::{COUNTS, DriveRow, ReplacedHow};
use super::row_ids::{DriveRowId, ReplicaRowId};
use super::{Catalogue, SameDevice};
use crate::disk::{VolumeFacts, same_device};
use crate::job::JobError;
use crate::model::{DriveId, MailboxName, Timestamp};
use rusqlite::params;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

impl Catalogue {
    /// Whether the copies on the device of a mailbox count too, as their operator asks.
    pub fn count_same_device(&self, on: bool) -> Result<(), JobError> {
        if self.counts_same_device()? == on {
            return Ok(());
        }
        self.write_transaction(|| {
            match on {
                true => self.set_meta("count_same_device", "yes")?,
                false => {
                    self.db.execute("DELETE FROM meta WHERE name = 'count_same_device'", [])?;
                }
            }
            self.drives()?.iter().try_for_each(|drive| self.recompute_counts(drive.row))
        })
    }

    /// Whether that was asked.
    pub fn counts_same_device(&self) -> Result<bool, JobError> {
        Ok(self.meta("count_same_device")?.is_some())
    }

    /// Whether the copies of a drive count.
    pub fn counts(&self, drive: DriveRowId) -> Result<bool, JobError> {
        let sql = format!("SELECT 1 FROM drive WHERE id = ?1 AND {COUNTS}");
        self.has_row(&sql, [drive])
    }

    /// Brings the replicas of a drive in line with what is known of it; to be called after every change of that, and
    /// where a replica was made. Writes only if that is news.
    pub fn recompute_counts(&self, drive: DriveRowId) -> Result<(), JobError> {
        let counts = self.counts(drive)?;
        // One of whose ledger only a part is known does not.
        let differs = "drive = ?1 AND trusted <> (?2 AND NOT partial)";
        let sql = format!("SELECT 1 FROM replica WHERE {differs}");
        if self.has_row(&sql, params![drive, counts])? {
            let sql = format!("UPDATE replica SET trusted = ?2 AND NOT partial WHERE {differs}");
            self.change(&sql, params![drive, counts])?;
        }
        Ok(())
    }

    /// Records whether the tables have a part of a ledger that `ledger_bytes` does not count: what comes after it may
    /// say otherwise, so that nothing of it counts.
    pub fn set_partial(&self, replica: ReplicaRowId, partial: bool) -> Result<(), JobError> {
        let sql = "UPDATE replica SET partial = ?2, trusted = trusted AND NOT ?2 WHERE id = ?1 \
                   AND partial <> ?2";
        self.change(sql, params![replica, partial])?;
        Ok(())
    }

    /// The mailbox on whose device an open drive lies, and dies with it. While a mailbox is not there, that may be
    /// unknown.
    pub fn same_device_as(&self, facts: &VolumeFacts, at: &[u8]) -> Result<SameDevice, JobError> {
        let at = Path::new(std::ffi::OsStr::from_bytes(at));
        let sql = "SELECT name, root FROM mailbox WHERE root IS NOT NULL ORDER BY id";
        let mailboxes: Vec<(String, Vec<u8>)> = self.rows(sql, [])?;
        let mut result = SameDevice::No;
        let any = !mailboxes.is_empty();
        for (name, root) in mailboxes {
            let root = Path::new(std::ffi::OsStr::from_bytes(&root));
            match same_device(root, at, facts) {
                Some(true) => return Ok(SameDevice::As(name)),
                Some(false) => {}
                None => result = SameDevice::NotKnown,
            }
        }
        Ok(if any { result } else { SameDevice::NotKnown })
    }

    /// The mailbox's own file system is what this drive was on: it dies with the card, though it is not seen as a
    /// drive any more.
    pub fn mailbox_is_on_drive(&self, mailbox: &MailboxName, serial: &str) -> Result<(), JobError> {
        for drive in self.drives()? {
            if drive.serial.as_deref() == Some(serial) && drive.same_device.is_none() {
                self.db.execute(
                    "UPDATE drive SET same_device = ?2 WHERE id = ?1",
                    params![drive.row, mailbox.as_str()],
                )?;
                self.recompute_counts(drive.row)?;
            }
        }
        Ok(())
    }

    /// Something else was found where a drive was.
    pub fn set_replaced(
        &self,
        drive: &DriveRow,
        by: Option<DriveId>,
        how: ReplacedHow,
        now: Timestamp,
    ) -> Result<(), JobError> {
        let by = by.map(|id| id.to_string());
        self.write_transaction(|| {
            self.db.execute(
                "UPDATE drive SET replaced = ?2, replaced_by = ?3, replaced_how = ?4 WHERE id = ?1",
                params![drive.row, now.to_text(), by, how.as_str()],
            )?;
            let what = if how.is_sure() { "replaced" } else { "perhaps-replaced" };
            self.note_history(drive.row, now, what, by.as_deref(), None)?;
            self.recompute_counts(drive.row)
        })
    }

    /// Which drive it was that was found there.
    pub fn set_replaced_by(&self, drive: DriveRowId, by: DriveId) -> Result<(), JobError> {
        let sql = "UPDATE drive SET replaced_by = ?2 WHERE id = ?1 AND replaced IS NOT NULL";
        self.db.execute(sql, params![drive, by.to_string()])?;
        Ok(())
    }

    /// A drive that was taken for replaced was seen.
    pub fn clear_replaced(&self, drive: &DriveRow, now: Timestamp) -> Result<(), JobError> {
        self.write_transaction(|| {
            self.db.execute(
                "UPDATE drive SET replaced = NULL, replaced_by = NULL, replaced_how = NULL WHERE id = ?1",
                [drive.row],
            )?;
            self.note_history(drive.row, now, "seen-again", None, None)?;
            self.recompute_counts(drive.row)
        })
    }

    /// Two drives are here at once, so that they are two, whatever else they have in common.
    pub fn distinguish(&self, one: DriveId, other: DriveId) -> Result<(), JobError> {
        if !self.are_distinct(one, other)? {
            let (one, other) = sorted_pair(one, other);
            self.db.execute("INSERT OR IGNORE INTO drives_apart VALUES (?1, ?2)", [one, other])?;
        }
        Ok(())
    }

    /// Whether two drives were ever here at once.
    pub fn are_distinct(&self, one: DriveId, other: DriveId) -> Result<bool, JobError> {
        let (one, other) = sorted_pair(one, other);
        let sql = "SELECT 1 FROM drives_apart WHERE one = ?1 AND other = ?2";
        self.has_row(sql, [one, other])
    }
}

fn sorted_pair(one: DriveId, other: DriveId) -> (String, String) {
    let (one, other) = (one.to_string(), other.to_string());
    if one <= other { (one, other) } else { (other, one) }
}
