//! Recognises a drive whose id cannot be read: by the end of its ledger, the serial number of its file system, or its
//! folder. Never guesses: if several drives may be it, none is returned.

use super::{identity, ledger};
use crate::disk::{ErrorKind, Volume};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, DriveRow};
use crate::model::{DriveId, RelName, StationName, bag};

/// The result of recognising a drive.
pub(super) enum DriveMatch {
    /// It is this one.
    One(DriveId),
    /// It is one of these, or one never known here. If empty, it is none of ours.
    AnyOf(Vec<DriveRow>),
}

/// Searches the known drives for this one. `here` are the drives known to be elsewhere at this moment: it is none of
/// them, nor one that it was copied from.
///
/// The end of a ledger is a hash over every line before it, with times to the nanosecond: two drives never have the
/// same one by chance, only as copies of each other. A file system keeps its serial number until it is made again. A
/// folder on the system's own device does not change its contents by itself. Each of these identifies a drive only if
/// it fits no second one. A mount point identifies none: sticks take turns there.
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
        drive.id != DriveId::NIL && !here.contains(&drive.id) && !earlier.contains(&drive.id)
    });
    let by_ledger = of_longest_ledger(catalogue, volume, &stations, &candidates)?;
    let serial = volume.facts().serial.as_deref();
    let by_serial = |drive: &&DriveRow| serial.is_some() && drive.serial.as_deref() == serial;
    let by_folder = |drive: &&DriveRow| folder.is_some() && drive.folder.as_deref() == folder;
    let found = only_one(by_ledger.iter())
        .or_else(|| only_one(by_ledger.iter().filter(by_serial)))
        .or_else(|| only_one(candidates.iter().filter(by_serial)))
        .or_else(|| only_one(candidates.iter().filter(by_folder)));
    if let Some(drive) = found {
        return Ok(DriveMatch::One(drive.id));
    }
    // Without those that are known to be on another file system.
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

fn only_one<'d>(mut drives: impl Iterator<Item = &'d DriveRow>) -> Option<&'d DriveRow> {
    drives.next().filter(|_| drives.next().is_none())
}

/// The drives whose known ledger is the beginning of one that is here. Of several, those with the longest known part,
/// since a copy that went its own way shares the beginning.
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
            let same = match ledger::continues_from(volume, &at, &replica) {
                // A ledger that cannot be read identifies no drive.
                Err(JobError::Disk(error)) if error.trouble != ErrorKind::Gone => false,
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
