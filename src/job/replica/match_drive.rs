//! Knows a drive again whose id cannot be read: by the end of its ledger, by the serial number of its file system, by
//! the folder it is in. Never guesses: where several drives may be it, it is none of them.

use super::{identity, ledger};
use crate::disk::{Trouble, Volume};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, DriveRow};
use crate::model::{DriveId, RelName, StationName, bag};

/// Which drive it is.
pub(super) enum DriveMatch {
    /// This one.
    One(DriveId),
    /// One of these, or one that was never known here. Nobody of ours, if it is empty.
    AnyOf(Vec<DriveRow>),
}

/// Looks for the drive among those known. `here` are the drives that are seen to be elsewhere at this moment: it is
/// none of them, nor one that it was set apart from.
///
/// The end of a ledger is a hash over every line before it, with the times to the nanosecond: no two drives have it by
/// chance, only copies of each other. Its serial number a file system keeps until it is made anew. What a folder on the
/// system's own device holds does not change by itself. Each of these names a drive only where it names no second one.
/// A mount point names nobody: sticks take turns there.
pub(super) fn match_drive(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    folder: Option<&[u8]>,
    here: &[DriveId],
) -> Result<DriveMatch, JobError> {
    let stations = identity::stations(volume)?;
    if stations.is_empty() {
        return Ok(DriveMatch::AnyOf(Vec::new()));
    }
    let earlier = identity::earlier_ids(volume)?;
    let mut candidates = catalogue.drives()?;
    candidates.retain(|drive| {
        drive.id != DriveId::NONE && !here.contains(&drive.id) && !earlier.contains(&drive.id)
    });
    let by_ledger = of_longest_ledger(catalogue, volume, &stations, &candidates)?;
    let serial = volume.facts().serial.as_deref();
    let by_serial = |drive: &&DriveRow| serial.is_some() && drive.serial.as_deref() == serial;
    let by_folder = |drive: &&DriveRow| folder.is_some() && drive.folder.as_deref() == folder;
    let found = only(by_ledger.iter())
        .or_else(|| only(by_ledger.iter().filter(by_serial)))
        .or_else(|| only(candidates.iter().filter(by_serial)))
        .or_else(|| only(candidates.iter().filter(by_folder)));
    if let Some(drive) = found {
        return Ok(DriveMatch::One(drive.id));
    }
    // Not one that is known to be on another file system.
    let other = |drive: &DriveRow| serial.is_some() && drive.serial.is_some() && !by_serial(&drive);
    candidates.retain(|drive| drive.counts && !other(drive));
    let mut may_be = Vec::new();
    for drive in candidates {
        let replicas = catalogue.replicas_of(drive.row)?;
        if replicas.iter().any(|(_, station)| stations.contains(station)) {
            may_be.push(drive);
        }
    }
    Ok(DriveMatch::AnyOf(may_be))
}

fn only<'d>(mut drives: impl Iterator<Item = &'d DriveRow>) -> Option<&'d DriveRow> {
    drives.next().filter(|_| drives.next().is_none())
}

/// The drives whose ledger, as far as it is known, is the beginning of one that is here; of several the ones of which
/// most is known, since a copy that went its own way shares the beginning.
pub(super) fn of_longest_ledger(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    stations: &[StationName],
    candidates: &[DriveRow],
) -> Result<Vec<DriveRow>, JobError> {
    let mut found: (u64, Vec<DriveRow>) = (1, Vec::new());
    for drive in candidates {
        for (_, station) in catalogue.replicas_of(drive.row)? {
            if !stations.contains(&station) {
                continue;
            }
            let replica = catalogue.replica(drive.row, &station)?;
            let at = bag::station_dir(&station).join(&RelName::fixed(bag::LEDGER));
            let same = match ledger::goes_on_from(volume, &at, &replica) {
                // What cannot be read names nobody.
                Err(JobError::Disk(error)) if error.trouble != Trouble::Gone => false,
                same => same?,
            };
            if !same || replica.ledger_bytes < found.0 {
                continue;
            }
            if replica.ledger_bytes > found.0 {
                found = (replica.ledger_bytes, Vec::new());
            }
            found.1.push(drive.clone());
        }
    }
    found.1.dedup_by_key(|drive| drive.row);
    Ok(found.1)
}
