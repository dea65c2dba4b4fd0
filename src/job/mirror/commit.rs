//! The commit: how a batch of messages becomes safe. The order of the steps in [`commit`] is the promise of the whole
//! program, and the types of the steps enforce it. Nothing else writes copies to a drive.

use super::batch::{BatchPlan, BatchSize, LeftOutFiles};
use super::pass::{Pass, PassReport};
use super::steps::{Acknowledgement, Batch};
use crate::job::JobError;
use crate::job::catalogue::millis;
use crate::job::replica::Replica;

impl Pass<'_> {
    /// Commits a batch and counts it. Returns the earliest change that has to be recorded again.
    pub(super) fn commit(
        &self,
        drive: &mut Replica,
        batch: BatchPlan,
        size: &mut BatchSize,
        report: &mut PassReport,
    ) -> Result<Option<u64>, JobError> {
        report.room = Some(batch.room);
        if batch.is_empty() {
            return Ok(None);
        }
        let begun = millis(self.clock);
        let notes = (batch.notes.len() + batch.departures.len()) as u64;
        let mut left_out = LeftOutFiles::default();
        let committed = commit(self, drive, batch, &mut left_out)?;
        size.adapt(millis(self.clock) - begun);
        if let Some(committed) = committed {
            report.copied += committed.copied();
            report.bytes += committed.bytes();
        }
        report.noted += notes;
        report.batches += 1;
        let unfinished = left_out.iter().map(|(row, _)| row.change_no).min();
        for (row, reason) in left_out {
            report.fail(self, row.mailbox, row.path()?, reason);
        }
        Ok(unfinished)
    }
}

/// Commits a batch. `None`: there was nothing to commit. Any error makes the whole batch void: after a failed sync the
/// volume refuses every write, and the next admission repairs what was left.
fn commit(
    pass: &Pass<'_>,
    drive: &mut Replica,
    plan: BatchPlan,
    left_out: &mut LeftOutFiles,
) -> Result<Option<Acknowledgement>, JobError> {
    // 1. Check that it is still the drive that was admitted. Survives: a pulled stick, a mount point without one.
    drive.volume.present()?;

    // 2. Write every copy under a name never used before. Survives: a power failure anywhere in here, since no line
    // names these files yet and no old file is touched.
    let Some(written) = Batch::write(pass, drive, plan, left_out)? else { return Ok(None) };

    // 3. Hand everything to the device, and reserve room for the lines. Survives: nothing yet; but an error here is
    // reported only once and makes the batch void, so that no lost page is ever taken for a written one.
    let synced = written.sync(pass, drive)?;

    // 4. Read every copy back from the medium. Survives: a device that took the bytes and did not keep them, or kept
    // others.
    let proven = synced.read_back(drive)?;

    // 5a. Write and sync the manifest; on FAT this flushes the device's own cache. Survives: a power failure between
    // here and the ledger, after which recovery finds the copies listed and adopts them. Debris is listed after the
    // ledger is written: listed before, it would be adopted.
    let listed = proven.list(drive)?;

    // 5b. Write and sync the ledger: the commit point. Survives: everything from here on. Both logs are read back like
    // the copies: a worn stick may take a line, call it durable and not keep it.
    let recorded = listed.record(pass, drive)?;

    // 6. Only now may anyone be informed.
    let acknowledgement = recorded.acknowledge();
    pass.progress.advance(acknowledgement.copied(), acknowledgement.bytes());
    Ok(Some(acknowledgement))
}
