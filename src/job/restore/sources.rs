//! Reads what the drives hold of a station into a temporary catalogue. Writes to no drive.

use crate::disk::{Access, EntryKind, ErrorKind};
use crate::job::catalogue::{Catalogue, Contradiction, CopyRow, Decision, Merge};
use crate::job::replica::{
    CopyCheck, CopyLength, NewDrivePolicy, OpenOptions, Replica, compare, copy_length, hash_copy,
    is_station, list_segment, open_replica, read_manifest,
};
use crate::job::{DriveRef, JobError};
use crate::model::limits::DRIVE_FOLDER_ENTRIES;
use crate::model::{
    Clock, DriveId, Finding, Identity, KnownDrive, PayloadName, RelName, StationName, bag,
};
use std::collections::HashSet;

/// The drives of a restore, open, with everything that they say.
pub struct RestoreSources {
    /// A temporary catalogue with all ledgers.
    pub catalogue: Catalogue,
    /// Its bag on a drive is `counterfoil/STATION/`.
    pub station: StationName,
    /// The drives that hold the station.
    pub drives: Vec<Replica>,
    /// The places that could not be read to their end, with the error.
    pub failed: Vec<(String, JobError)>,
}

/// Copies without a location, each with its drive.
#[derive(Default)]
pub(super) struct UnlocatedCopies {
    /// Somebody's mail.
    pub(super) good: Vec<(DriveId, CopyRow)>,
    /// Debris of a power failure, as it seems: after both logs were lost, messages may be among it.
    pub(super) doubtful: Vec<(DriveId, CopyRow)>,
}

/// Opens every drive that holds the station and reads its ledger, its manifest and its folders.
pub fn open_sources(
    drives: &[DriveRef],
    station: &StationName,
    clock: &dyn Clock,
) -> Result<RestoreSources, JobError> {
    let lacks_room = |sources: &RestoreSources| {
        sources.failed.iter().any(|(_, why)| matches!(why, JobError::NoRoomForLedger { .. }))
    };
    match gather_into(Catalogue::temporary()?, drives, station, clock) {
        Ok(sources) if !lacks_room(&sources) => Ok(sources),
        // Without room for a large file, everything is held in memory.
        Ok(_) | Err(JobError::Catalogue(_)) => {
            gather_into(Catalogue::in_memory()?, drives, station, clock)
        }
        Err(error) => Err(error),
    }
}

fn gather_into(
    catalogue: Catalogue,
    drives: &[DriveRef],
    station: &StationName,
    clock: &dyn Clock,
) -> Result<RestoreSources, JobError> {
    let mut sources = RestoreSources {
        catalogue,
        station: station.clone(),
        drives: Vec::new(),
        failed: Vec::new(),
    };
    for (number, drive) in (1..).zip(drives) {
        match sources.add(drive, DriveId::from_bits(number), clock) {
            Ok(()) => {}
            Err(error @ JobError::Catalogue(_)) => return Err(error),
            Err(error) => sources.failed.push((drive.volume_source.shown(), error)),
        }
    }
    sources.compare()?;
    Ok(sources)
}

impl RestoreSources {
    /// Copies that their own ledger gives no location, each with its drive, and whose content is restored at no other
    /// one: what another ledger says hides none of them.
    pub(super) fn unlocated_copies(
        &self,
        merge: &mut Merge<'_>,
    ) -> Result<UnlocatedCopies, JobError> {
        let (mut nameless, mut contents) = (UnlocatedCopies::default(), HashSet::new());
        let catalogue = &self.catalogue;
        for drive in &self.drives {
            let copies = catalogue.copies_without_location(drive.state.row)?;
            let first = copies.into_iter().filter(|copy| contents.insert(copy.content));
            nameless.good.extend(first.map(|copy| (drive.id, copy)));
        }
        for drive in &self.drives {
            let copies = catalogue.debris(drive.state.row)?;
            let first = copies.into_iter().filter(|copy| contents.insert(copy.content));
            nameless.doubtful.extend(first.map(|copy| (drive.id, copy)));
        }
        if !contents.is_empty() {
            merge.each_in(None, |decision| {
                if let Decision::Give(item) = decision {
                    contents.remove(&item.version.content);
                }
                Ok(())
            })?;
            let is_left = |(_, copy): &(DriveId, CopyRow)| contents.contains(&copy.content);
            nameless.good.retain(is_left);
            nameless.doubtful.retain(is_left);
        }
        Ok(nameless)
    }

    /// Drives that contradict each other, under their own ids.
    pub fn contradictions(&self) -> Result<Vec<Contradiction>, JobError> {
        let own = |named: &mut KnownDrive| -> Result<(), JobError> {
            let row = self.catalogue.drive(named.id)?.map(|drive| drive.row);
            let drive = self.drives.iter().find(|drive| Some(drive.state.drive) == row);
            named.id = drive.map_or(named.id, |drive| drive.id);
            Ok(())
        };
        let mut all = self.catalogue.contradictions()?;
        for found in &mut all {
            own(&mut found.drive)?;
            found.other.as_mut().map_or(Ok(()), own)?;
        }
        Ok(all)
    }

    /// Compares each ledger with what the others say of it, now that all of them are read.
    fn compare(&mut self) -> Result<(), JobError> {
        for drive in &self.drives {
            // Of a drive and its copy, nobody can say here which one was meant.
            if self.drives.iter().filter(|other| other.id == drive.id).count() == 1 {
                let of = (drive.id, false);
                compare(drive.bag(&self.catalogue), &drive.state, of)?;
            }
        }
        Ok(())
    }

    /// Adds a drive under an id of its own, since two drives may have the same one, as copies do.
    fn add(&mut self, drive: &DriveRef, id: DriveId, clock: &dyn Clock) -> Result<(), JobError> {
        let volume = drive.volume_source.open(Access::Read)?;
        let home = bag::station_dir(&self.station);
        if !is_station(&*volume, &self.station)? {
            return Ok(());
        }
        let asked = OpenOptions {
            station: &self.station,
            access: Access::Read,
            begin: NewDrivePolicy::Never,
            label: &drive.label,
            path: &drive.path,
            taken_for: Some(id),
            here: &Vec::new,
            clock,
        };
        let mut admitted = open_replica(&self.catalogue, volume, &asked)?;
        let mut unread: Vec<JobError> =
            admitted.unreadable.take().map(Into::into).into_iter().collect();
        self.catalogue.write_transaction(|| {
            adopt_unlisted_copies(&self.catalogue, &mut admitted, &home, &mut unread)
        })?;
        self.failed.extend(unread.into_iter().map(|error| (drive.volume_source.shown(), error)));
        self.drives.push(admitted);
        Ok(())
    }
}

/// Adopts copies that the ledger does not name. One that the manifest lists was read back before a power failure, so it
/// counts; with a whole ledger only if it has the listed hash, since a device that was not flushed may keep the line
/// and lose the copy. An unlisted file counts only if the ledger is lost or broken: with a whole ledger it is the
/// remains of a copy. What cannot be read of the drive is skipped and reported: a power failure may leave that in a
/// file that was growing, and the copies that count are in others.
fn adopt_unlisted_copies(
    catalogue: &Catalogue,
    drive: &mut Replica,
    home: &RelName,
    unread: &mut Vec<JobError>,
) -> Result<(), JobError> {
    // While the manifest is read, since it may list any number.
    let (volume, whole) = (&*drive.volume, drive.ledger_whole);
    let read = read_manifest(volume, home, |digest, payload, _| {
        if catalogue.knows_number(drive.state.row, payload.number)? {
            return Ok(());
        }
        let CopyLength::Bytes(bytes) = copy_length(volume, home, payload)? else {
            // With a whole ledger, a listed copy without a line was never acknowledged.
            if !whole {
                Finding::Missing { payload }.note(&mut drive.findings);
            }
            return Ok(());
        };
        let identity = Identity { digest, bytes };
        if !whole || hash_copy(volume, home, payload, bytes)?.is(&identity) {
            catalogue.claim_payload(&mut drive.state, payload, &identity)?;
        }
        Ok(())
    });
    skip_on_error(read.map(|_| ()), unread)?;
    if drive.ledger_whole {
        return Ok(());
    }
    let data = home.join(&RelName::fixed(bag::PAYLOAD));
    let folders = drive.volume.list(&data, DRIVE_FOLDER_ENTRIES).map_err(Into::into);
    for folder in skip_on_error(folders, unread)? {
        let Some(segment) = PayloadName::segment_of(&folder.name) else { continue };
        let entries = list_segment(&*drive.volume, home, segment).map(Option::unwrap_or_default);
        for entry in skip_on_error(entries, unread)? {
            let Some(payload) = PayloadName::from_file(segment, &entry.name) else { continue };
            if entry.kind != EntryKind::File
                || catalogue.knows_number(drive.state.row, payload.number)?
            {
                continue;
            }
            let longest = drive.volume.facts().longest_file;
            match hash_copy(&*drive.volume, home, payload, longest)? {
                CopyCheck::Is(identity) => {
                    catalogue.claim_payload(&mut drive.state, payload, &identity)?;
                }
                _ => Finding::Missing { payload }.note(&mut drive.findings),
            }
        }
    }
    Ok(())
}

/// Replaces a read error of the medium with an empty result, and collects the error.
fn skip_on_error<T: Default>(
    read: Result<T, JobError>,
    unread: &mut Vec<JobError>,
) -> Result<T, JobError> {
    match read {
        Err(JobError::Disk(error)) if error.trouble == ErrorKind::Failing => {
            unread.push(JobError::Disk(error));
            Ok(T::default())
        }
        other => other,
    }
}
