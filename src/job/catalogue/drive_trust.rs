//! What is known of how well a drive keeps its data, and how long its room lasts.
//! Never forgets a mark by itself: a full scrub without an error clears the lighter one, the operator both.

use super::row_ids::{DriveRowId, ReplicaRowId};
use super::{Catalogue, CopyState};
use crate::job::JobError;
use crate::model::limits::{
    DISTRUST_POINTS, FILLED_DAYS, FILLED_DAYS_LEAST, POINTS_OF_FOREIGN, RESERVE_BYTES, ROOM_STEP,
    SHRINKS_MAX,
};
use crate::model::{Digest, EventTime, Identity, Timestamp};
use rusqlite::params;

/// Seconds of a day of the calendar.
const DAY: i64 = 86_400;

impl Catalogue {
    /// A drive answered with an error of reading or writing: it is to be replaced soon.
    pub fn mark_worn(&self, drive: DriveRowId, why: &str) -> Result<(), JobError> {
        self.change(
            "UPDATE drive SET worn = ?2 WHERE id = ?1 AND worn IS NULL",
            params![drive, why],
        )?;
        Ok(())
    }

    /// All of a drive was read without an error.
    pub fn clear_worn(&self, drive: DriveRowId) -> Result<(), JobError> {
        let sql = "UPDATE drive SET worn = NULL WHERE id = ?1 AND worn IS NOT NULL";
        self.change(sql, [drive])?;
        Ok(())
    }

    /// Why a drive is not trusted, if it is not.
    pub fn distrust_reason(&self, drive: DriveRowId) -> Result<Option<String>, JobError> {
        Ok(self.first_row("SELECT distrust FROM drive WHERE id = ?1", [drive])?.flatten())
    }

    /// From now on nothing is counted as mirrored on a drive alone, and nothing is written to it.
    fn set_distrust(&self, drive: DriveRowId, why: &str) -> Result<(), JobError> {
        self.write_transaction(|| {
            self.db.execute("UPDATE drive SET distrust = ?2 WHERE id = ?1", params![drive, why])?;
            self.recompute_counts(drive)
        })
    }

    /// A copy has other bytes than it should. One that was right in a later look than that in which it was made
    /// is no power failure's work: it counts against its drive, more where it has another's bytes or zeros.
    pub fn note_wrong(
        &self,
        drive: DriveRowId,
        replica: ReplicaRowId,
        number: u32,
        should: &Identity,
        found: &Identity,
    ) -> Result<(), JobError> {
        let sql = "SELECT reread AND is_whole FROM payload WHERE replica = ?1 AND number = ?2";
        let once_right: Option<bool> = self.first_row(sql, params![replica, number])?;
        if once_right != Some(true) {
            return Ok(());
        }
        let foreign = is_zeros(found) || self.is_known(&found.digest, should)?;
        let points = if foreign { POINTS_OF_FOREIGN } else { 1 };
        let sql = "UPDATE drive SET corruption_points = corruption_points + ?2 WHERE id = ?1 \
                   RETURNING corruption_points";
        let sum: i64 = self.only_row(sql, params![drive, points])?;
        match sum >= DISTRUST_POINTS {
            true => self.set_distrust(drive, "copies that were right have other octets now"),
            false => Ok(()),
        }
    }

    fn is_known(&self, found: &Digest, other_than: &Identity) -> Result<bool, JobError> {
        self.has_row(
            "SELECT 1 FROM content WHERE sha256 = ?1 AND sha256 <> ?2",
            params![found.as_bytes().as_slice(), other_than.digest.as_bytes().as_slice()],
        )
    }

    /// A drive came, perhaps with a ledger that ends before where it was known to end. Once is a power failure's work,
    /// or that of whoever put an old state back; a drive that comes back again and again as it was has kept nothing it
    /// was given.
    pub fn record_arrival(
        &self,
        drive: DriveRowId,
        rolled_back_to: Option<u64>,
    ) -> Result<(), JobError> {
        let Some(to) = rolled_back_to else {
            return self.clear_rollbacks(drive);
        };
        let sql = "UPDATE drive SET rollbacks = CASE WHEN rolled_back_to IS ?2 THEN rollbacks + 1 \
                   ELSE 1 END, rolled_back_to = ?2 WHERE id = ?1 RETURNING rollbacks";
        let rollbacks: i64 = self.only_row(sql, params![drive, to as i64])?;
        match rollbacks >= SHRINKS_MAX {
            true => self.set_distrust(drive, "it comes back without what was written to it"),
            false => Ok(()),
        }
    }

    /// A drive came back with the ledger it was known to have.
    fn clear_rollbacks(&self, drive: DriveRowId) -> Result<(), JobError> {
        let sql = "UPDATE drive SET rollbacks = 0, rolled_back_to = NULL WHERE id = ?1 \
                   AND rollbacks > 0";
        self.change(sql, [drive])?;
        Ok(())
    }

    /// The operator starts over with a drive, or has one back that was given up. Its marks are cleared. What is on one
    /// that did not keep its data counts for nothing until it was read again, so that everything is copied to it anew;
    /// one that was given up is inspected like one that comes back, and all of it is read again as soon as there is
    /// time. Whether it was given up.
    pub fn restore_trust(&self, drive: DriveRowId, now: Timestamp) -> Result<bool, JobError> {
        let taken_back = self.write_transaction(|| {
            self.db.execute(
                "UPDATE payload SET state = ?2, cycle = 0, read_here = 1 WHERE is_whole AND replica IN \
                 (SELECT replica.id FROM replica JOIN drive ON drive.id = replica.drive \
                 WHERE drive.id = ?1 AND distrust IS NOT NULL)",
                params![drive, CopyState::Claimed],
            )?;
            self.db.execute(
                "UPDATE replica SET recorded_through = 0, session = NULL WHERE drive IN \
                 (SELECT id FROM drive WHERE id = ?1 AND distrust IS NOT NULL)",
                [drive],
            )?;
            self.db.execute(
                "UPDATE drive SET worn = NULL, distrust = NULL, corruption_points = 0, rollbacks = 0, \
                 rolled_back_to = NULL \
                 WHERE id = ?1",
                [drive],
            )?;
            self.end_contradictions(drive)?;
            self.read_accused_anew(drive)?;
            let taken_back = self.reinstate(drive, now)?;
            if taken_back {
                self.db.execute("UPDATE replica SET session = NULL WHERE drive = ?1", [drive])?;
                self.scrub_soon(drive)?;
            }
            self.recompute_counts(drive)?;
            Ok(taken_back)
        })?;
        if taken_back {
            self.keep_forgotten();
        }
        Ok(taken_back)
    }

    /// Keeps how much room a drive has, if that is news.
    pub fn record_free_space(&self, drive: DriveRowId, room: u64) -> Result<(), JobError> {
        let room = i64::try_from(room).unwrap_or(i64::MAX);
        let sql = "UPDATE drive SET room = ?2 WHERE id = ?1 AND (room IS NULL OR abs(room - \
                   ?2) >= ?3)";
        self.change(sql, params![drive, room, ROOM_STEP as i64])?;
        Ok(())
    }

    /// Counts what was written on a day. A line of a clock that nothing vouched for counts on no day.
    pub(super) fn note_written(
        &self,
        replica: ReplicaRowId,
        bytes: u64,
        stamp: &EventTime,
    ) -> Result<(), JobError> {
        if !stamp.trusted {
            return Ok(());
        }
        let sql = "INSERT INTO written_by_day VALUES (?1, ?2, ?3) ON CONFLICT DO UPDATE SET bytes \
                   = bytes + ?3";
        self.change(sql, params![replica, stamp.time.seconds.div_euclid(DAY), bytes as i64])?;
        Ok(())
    }

    /// In how many days a drive is full at the present rate. Unknown where nothing vouches for the clock, where
    /// the history is short, and while nothing is written.
    pub fn days_left(&self, drive: DriveRowId, now: &EventTime) -> Result<Option<u64>, JobError> {
        if !now.trusted {
            return Ok(None);
        }
        let today = now.time.seconds.div_euclid(DAY);
        let room: Option<i64> =
            self.first_row("SELECT room FROM drive WHERE id = ?1", [drive])?.flatten();
        let first = today - FILLED_DAYS;
        let sql = "SELECT min(day), CAST(total(bytes) AS INTEGER) FROM written_by_day WHERE day \
                   BETWEEN ?2 AND ?3 AND replica IN (SELECT id FROM replica WHERE drive = ?1)";
        let (since, bytes): (Option<i64>, i64) =
            self.only_row(sql, params![drive, first + 1, today])?;
        let (Some(room), Some(since)) = (room, since) else { return Ok(None) };
        // A drive that was written to before the window has been here for all of it.
        let before: bool = self.has_row(
            "SELECT 1 FROM written_by_day WHERE day <= ?2 AND replica IN (SELECT id FROM \
            replica WHERE drive = ?1)",
            params![drive, first],
        )?;
        let days = if before { FILLED_DAYS } else { today - since + 1 };
        if days < FILLED_DAYS_LEAST || bytes <= 0 {
            return Ok(None);
        }
        let left = (room - RESERVE_BYTES as i64).max(0);
        let days_left = i128::from(left) * i128::from(days) / i128::from(bytes);
        Ok(Some(u64::try_from(days_left).unwrap_or(u64::MAX)))
    }
}

/// Whether these are this many zeros: what a device gives for blocks it never kept.
fn is_zeros(found: &Identity) -> bool {
    use crate::model::Hasher;
    const PIECE: usize = 4096;
    let mut hasher = Hasher::default();
    let mut left = found.bytes;
    while left > 0 {
        let piece = left.min(PIECE as u64);
        hasher.update(&[0; PIECE][..piece as usize]);
        left -= piece;
    }
    found.bytes > 0 && hasher.finish() == *found
}
