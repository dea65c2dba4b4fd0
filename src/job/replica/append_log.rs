//! Writes to a bag's two logs, the manifest and the ledger, and reads back what was written. Never relies on a sync
//! alone: a worn stick takes bytes, calls them durable and keeps none.

use crate::disk::{ReadFrom, Volume, read_expected};
use crate::job::JobError;
use crate::model::limits::COPY_BUFFER_BYTES;
use crate::model::{RelName, bag};

/// Writes into a log at an offset, makes it durable together with everything written to the device before, and compares
/// it with what the medium then returns. Only if the two are equal is anything recorded.
pub(super) fn write_proven(
    volume: &dyn Volume,
    at: &RelName,
    offset: u64,
    bytes: &[u8],
) -> Result<(), JobError> {
    volume.write_synced(at, offset, bytes).map_err(JobError::NotSynced)?;
    let mut source = volume.read(at, offset, ReadFrom::Medium)?;
    let mut buffer = vec![0; COPY_BUFFER_BYTES.min(bytes.len())];
    for expected in bytes.chunks(COPY_BUFFER_BYTES) {
        let there = &mut buffer[..expected.len()];
        let got = read_expected(&mut *source, there, expected.len() as u64)?;
        if &there[..got] != expected {
            let (drive, log) = (volume.facts().shown.clone(), at.clone());
            return Err(JobError::LogNotAsWritten { path: drive, log });
        }
    }
    Ok(())
}

/// Reserves room for logs of these lengths, in bytes.
pub(super) fn reserve(
    volume: &dyn Volume,
    dir: &RelName,
    manifest: u64,
    ledger: u64,
) -> Result<(), JobError> {
    volume.reserve(&dir.join(&RelName::fixed(bag::MANIFEST)), manifest)?;
    volume.reserve(&dir.join(&RelName::fixed(bag::LEDGER)), ledger)?;
    Ok(())
}

/// Fails if a drive that reports a missing file does not answer otherwise. A stick that was just pulled may report so
/// as long as its mount exists; a read from the medium tells that case from a log that is gone.
pub(super) fn check_answers(volume: &dyn Volume) -> Result<(), JobError> {
    volume.present()?;
    let id = RelName::fixed(bag::DRIVE_FILE);
    if volume.length(&id)?.is_some() {
        volume.read(&id, 0, ReadFrom::Medium)?.read(&mut [0])?;
    }
    Ok(())
}
