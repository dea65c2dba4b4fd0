//! When the copies of a replica are to be scrubbed, and which come first. Never trusts the clock: a jump brings one
//! cycle more or one less, since a cycle ends whatever the clock says meanwhile, and the next one is counted from it.

use super::copies::CopyRow;
use super::row_ids::{DriveRowId, ReplicaRowId};
use super::rows::{Columns, FromRow};
use super::{Catalogue, CopyState};
use crate::job::JobError;
use crate::model::limits::SPAN_MAX;
use crate::model::{Clock, Timestamp};
use rusqlite::params;
use std::time::Duration;

/// Seconds counted are kept in steps of this many, so that a pass with nothing new writes nothing.
const COUNTED_STEP: i64 = 3600;

/// What a cycle found, of copies that have no good one of the same message on the same drive.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct CycleTotals {
    /// Copies read.
    pub checked: u64,
    /// Of them damaged.
    pub damaged: u64,
    /// Of them not there.
    pub missing: u64,
}

struct ScrubRow {
    cycle: i64,
    open: bool,
    begun: i64,
    elapsed: i64,
    boot: Option<String>,
    uptime: i64,
}

impl FromRow for ScrubRow {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            cycle: columns.read()?,
            open: columns.read()?,
            begun: columns.read()?,
            elapsed: columns.read()?,
            boot: columns.read()?,
            uptime: columns.read()?,
        })
    }
}

impl Catalogue {
    /// How long until the copies of a replica are to be read again: nothing if a cycle is under way. A cycle is due by
    /// whichever is longer since the last one began, what the clock claims or what was counted while the machine ran;
    /// so a clock that stands still after every boot delays it no longer than the machine is off.
    pub fn scrub_due(
        &self,
        replica: ReplicaRowId,
        every: Duration,
        clock: &dyn Clock,
    ) -> Result<Duration, JobError> {
        let now = clock.event_time();
        let up = i64::try_from(clock.since_boot().as_secs()).unwrap_or(i64::MAX);
        let known = self.scrub_row(replica)?;
        let row = match known {
            Some(row) => row,
            None => self.first_scrub(replica, now.time)?,
        };
        let elapsed = match &row.boot {
            None => row.elapsed,
            Some(boot) if *boot == now.boot => row.elapsed.saturating_add((up - row.uptime).max(0)),
            Some(_) => row.elapsed.saturating_add(up),
        };
        if row.boot.as_ref() != Some(&now.boot) || elapsed - row.elapsed >= COUNTED_STEP {
            let sql = "UPDATE scrub SET elapsed = ?2, boot = ?3, uptime = ?4 WHERE replica = ?1";
            self.change(sql, params![replica, elapsed, now.boot, up])?;
        }
        if row.open {
            return Ok(Duration::ZERO);
        }
        let age = now.time.seconds.saturating_sub(row.begun).max(elapsed).max(0);
        Ok(every.saturating_sub(Duration::from_secs(age.unsigned_abs())))
    }

    /// The copies of a drive are due to be read again, whenever that was last done.
    pub(super) fn scrub_soon(&self, drive: DriveRowId) -> Result<(), JobError> {
        self.db.execute(
            "UPDATE scrub SET elapsed = ?2 WHERE replica IN (SELECT id FROM replica WHERE drive = ?1)",
            params![drive, SPAN_MAX.as_secs() as i64],
        )?;
        Ok(())
    }

    fn scrub_row(&self, replica: ReplicaRowId) -> Result<Option<ScrubRow>, JobError> {
        let sql = "SELECT cycle, open, begun, elapsed, boot, uptime FROM scrub WHERE replica = ?1";
        self.first_row(sql, [replica])
    }

    /// A replica seen for the first time is as old as its ledger says: since all of it was read, else since its oldest
    /// copy was. Where this card has it from that ledger alone a cycle is under way at once: what another card proved
    /// is a claim here.
    fn first_scrub(&self, replica: ReplicaRowId, now: Timestamp) -> Result<ScrubRow, JobError> {
        if self.read_elsewhere(replica)?.0 > 0 {
            self.db.execute(
                "INSERT INTO scrub (replica, cycle, open, begun, elapsed, uptime, errors) \
                 VALUES (?1, 1, 1, ?2, 0, 0, 0)",
                params![replica, now.seconds],
            )?;
            let begun = now.seconds;
            return Ok(ScrubRow { cycle: 1, open: true, begun, elapsed: 0, boot: None, uptime: 0 });
        }
        let sql = "SELECT min(proven) FROM payload WHERE replica = ?1 AND is_whole";
        let begun = self.only_row::<Option<i64>>(sql, [replica])?.unwrap_or(now.seconds);
        self.db.execute(
            "INSERT INTO scrub (replica, cycle, open, begun, elapsed, uptime, errors) \
             VALUES (?1, 0, 0, ?2, 0, 0, 0)",
            params![replica, begun],
        )?;
        Ok(ScrubRow { cycle: 0, open: false, begun, elapsed: 0, boot: None, uptime: 0 })
    }

    /// The number of the cycle under way; begins one if there is none.
    pub fn cycle_under_way(
        &self,
        replica: ReplicaRowId,
        clock: &dyn Clock,
    ) -> Result<i64, JobError> {
        let now = clock.event_time();
        let row = match self.scrub_row(replica)? {
            Some(row) => row,
            None => self.first_scrub(replica, now.time)?,
        };
        if row.open {
            return Ok(row.cycle);
        }
        let up = i64::try_from(clock.since_boot().as_secs()).unwrap_or(i64::MAX);
        self.db.execute(
            "UPDATE scrub SET cycle = cycle + 1, open = 1, begun = ?2, elapsed = 0, boot = ?3, uptime = ?4, \
             errors = 0 WHERE replica = ?1",
            params![replica, now.time.seconds, now.boot, up],
        )?;
        Ok(row.cycle + 1)
    }

    /// All copies of a replica were read, by a cycle or by `verify`: the next cycle is counted from here.
    pub(super) fn cycle_ended(
        &self,
        replica: ReplicaRowId,
        when: Timestamp,
    ) -> Result<(), JobError> {
        let sql = "UPDATE scrub SET begun = CASE open WHEN 1 THEN begun ELSE ?2 END, \
                   elapsed = CASE open WHEN 1 THEN elapsed ELSE 0 END, boot = CASE open WHEN 1 \
                   THEN boot END, open = 0 WHERE replica = ?1";
        self.change(sql, params![replica, when.seconds])?;
        Ok(())
    }

    /// The same where no line can be written: the drive may only be read.
    pub fn end_cycle(
        &self,
        replica: ReplicaRowId,
        drive: DriveRowId,
        when: Timestamp,
    ) -> Result<(), JobError> {
        self.drive_verified(drive, when)?;
        self.cycle_ended(replica, when)
    }

    /// Copies that a cycle has not read yet: those never read since the mount they were made in first, then those whose
    /// proof is the oldest by claim. That decides only the order.
    pub fn copies_to_scrub(
        &self,
        replica: ReplicaRowId,
        cycle: i64,
        most: u32,
    ) -> Result<Vec<CopyRow>, JobError> {
        let of = "WHERE p.replica = ?1 AND p.cycle < ?2 AND NOT p.is_given_up ORDER BY p.reread, p.proven, p.number \
            LIMIT ?3";
        self.copies(of, params![replica, cycle, most])
    }

    /// Copies with numbers from `from` on that come from lines just read: another card proved them, or this one before
    /// it lost its catalogue. Until they are read here they are claims.
    pub fn known_from_lines(&self, replica: ReplicaRowId, from: u32) -> Result<(), JobError> {
        let sql = "UPDATE payload SET read_here = 0 WHERE replica = ?1 AND number >= ?2 AND cycle \
                   = 0";
        self.change(sql, params![replica, from])?;
        Ok(())
    }

    /// Copies with these numbers were read by this card.
    pub fn read_here(
        &self,
        replica: ReplicaRowId,
        numbers: std::ops::RangeInclusive<u32>,
    ) -> Result<(), JobError> {
        let sql = "UPDATE payload SET read_here = 1 WHERE replica = ?1 AND number BETWEEN ?2 \
                   AND ?3 AND NOT read_here";
        self.change(sql, params![replica, numbers.start(), numbers.end()])?;
        Ok(())
    }

    /// How many good copies of a replica this card has never read, and how many there are.
    pub fn read_elsewhere(&self, replica: ReplicaRowId) -> Result<(u64, u64), JobError> {
        let sql = "SELECT coalesce(sum(NOT read_here), 0), count(*) FROM payload \
                   WHERE replica = ?1 AND is_whole";
        self.only_row(sql, [replica])
    }

    /// A cycle has read a copy.
    pub fn copy_in_cycle(
        &self,
        replica: ReplicaRowId,
        number: u32,
        cycle: i64,
    ) -> Result<(), JobError> {
        let sql = "UPDATE payload SET cycle = ?3, read_here = 1 WHERE replica = ?1 AND number = ?2";
        self.change(sql, params![replica, number, cycle])?;
        Ok(())
    }

    /// A copy could not be read in the cycle under way.
    pub fn error_in_cycle(&self, replica: ReplicaRowId) -> Result<(), JobError> {
        self.db.execute("UPDATE scrub SET errors = errors + 1 WHERE replica = ?1", [replica])?;
        Ok(())
    }

    /// Whether the medium gave every copy in the last cycle.
    pub fn cycle_without_error(&self, replica: ReplicaRowId) -> Result<bool, JobError> {
        let sql = "SELECT errors = 0 FROM scrub WHERE replica = ?1";
        Ok(self.first_row(sql, [replica])?.unwrap_or(false))
    }

    /// The state of a replica after a cycle.
    pub fn cycle_totals(&self, replica: ReplicaRowId) -> Result<CycleTotals, JobError> {
        let missed = "NOT EXISTS (SELECT 1 FROM payload q INDEXED BY payload_by_content \
                      WHERE q.content = p.content AND q.replica = p.replica AND q.is_whole)";
        let sql = format!(
            "SELECT (SELECT count(*) FROM payload WHERE replica = ?1 AND NOT is_given_up), \
             coalesce(sum(p.state = ?2), 0), coalesce(sum(p.state = ?3), 0) \
             FROM bad_copy p WHERE p.replica = ?1 AND {missed}"
        );
        let of = params![replica, CopyState::Damaged, CopyState::Missing];
        let (checked, damaged, missing) = self.only_row(&sql, of)?;
        Ok(CycleTotals { checked, damaged, missing })
    }
}
