//! The commit: how a batch of messages becomes safe. The order of the steps in [`commit`] is the
//! promise of the whole program, and their types hold it; nothing else writes copies to a drive.

use super::batch::{BatchPlan, BatchSize, LeftOut};
use super::pass::{Pass, PassReport};
use super::steps::{Acknowledgement, Batch};
use crate::job::JobError;
use crate::job::catalogue::millis;
use crate::job::replica::Replica;

impl Pass<'_> {
    /// Commits a batch and counts it; the earliest change_no that must be told again.
    pub(super) fn commit(
        &self,
        drive: &mut Replica,
        batch: BatchPlan,
        size: &mut BatchSize,
        report: &mut PassReport,
    ) -> Result<u64, JobError> {
        report.room = Some(batch.room);
        if batch.is_empty() {
            return Ok(u64::MAX);
        }
        let begun = millis(self.clock);
        let notes = (batch.notes.len() + batch.departures.len()) as u64;
        let mut left_out = LeftOut::default();
        let committed = commit(self, drive, batch, &mut left_out)?;
        size.took(millis(self.clock) - begun);
        if let Some(committed) = committed {
            report.copied += committed.copied();
            report.bytes += committed.bytes();
        }
        report.noted += notes;
        report.batches += 1;
        let mut unfinished = u64::MAX;
        for (row, reason) in left_out {
            unfinished = unfinished.min(row.change_no);
            report.fail(self, row.mailbox, row.path()?, reason);
        }
        Ok(unfinished)
    }
}

/// Commits a batch. `None`: there was nothing to commit. On any error the whole batch is void: the volume refuses
/// every write after a failed sync, and the next admission mends what was left.
fn commit(
    pass: &Pass<'_>,
    drive: &mut Replica,
    plan: BatchPlan,
    left_out: &mut LeftOut,
) -> Result<Option<Acknowledgement>, JobError> {
    // 1. Is it still the drive that was admitted? Survives: a pulled stick, a mount point without it.
    drive.volume.present()?;

    // 2. Write every copy under a name never used before. Survives: a power failure anywhere in here, since no
    //    line tells of these files yet and no old file is touched.
    let Some(written) = Batch::write(pass, drive, plan, left_out)? else { return Ok(None) };

    // 3. Hand all of it to the device, and room for the lines with it. Survives: nothing yet; but an error
    //    here is reported once only and makes the batch void, so that no lost page is ever taken for a
    //    written one.
    let synced = written.sync(pass, drive)?;

    // 4. Read every copy back from the medium. Survives: a device that took the bytes and did not
    //    keep them, or kept others.
    let proven = synced.read_back(drive)?;

    // 5a. The manifest, synced; on FAT this is what flushes the device's own cache. Survives: a power failure
    //     between here and the ledger, after which recovery finds the copies listed and adopts them.
    //     What turned out to be debris is listed behind the ledger: listed before, it would be adopted.
    let listed = proven.list(drive)?;

    // 5b. The ledger, synced: the commit point. Survives: everything from here on. Both logs are read back
    //     like the copies: a worn stick may take a line, call it durable and not keep it.
    let recorded = listed.record(pass, drive)?;

    // 6. Only now may anyone be told.
    let acknowledgement = recorded.acknowledge();
    pass.progress.advance(acknowledgement.copied(), acknowledgement.bytes());
    Ok(Some(acknowledgement))
}
