//! What the discovery of a drive says of other drives: that it took the place of one, or that one taken for replaced
//! still exists. Only evidence keeps copies from counting; where there is none, the operator is asked.

use super::identity;
use super::match_drive::of_longest_ledger;
use super::open_options::PresentDriveIds;
use crate::disk::{Volume, is_mounted, plain_folder};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, DriveRow, DriveRowId, FoundDrive, Replaced, ReplacedHow};
use crate::model::{DriveId, Finding, KnownDrive, Timestamp, escape};
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// A discovered drive, as far as it can be seen from outside.
pub(super) fn found<'a>(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    label: &'a str,
    path: &'a [u8],
) -> Result<FoundDrive<'a>, JobError> {
    let facts = volume.facts();
    Ok(FoundDrive {
        label,
        path,
        medium: facts.medium,
        serial: facts.serial.clone(),
        folder: plain_folder(Path::new(std::ffi::OsStr::from_bytes(path)), facts),
        origin: None,
        same_device: catalogue.same_device_as(facts, path)?,
    })
}

/// The context of a drive that was just discovered.
pub(super) struct Evidence<'a> {
    pub catalogue: &'a Catalogue,
    pub volume: &'a dyn Volume,
    /// Returns the drives that are known to be elsewhere at this moment.
    pub here: &'a PresentDriveIds<'a>,
    pub now: Timestamp,
}

/// The contents of a drive that was never seen before.
struct DriveContents {
    /// It has no station's bag.
    nothing: bool,
    /// The known drives whose ledger it continues.
    ledger_of: Vec<DriveId>,
}

impl Evidence<'_> {
    /// Gives the drive a row, and records what it says of others. In one transaction: of two drives discovered at the
    /// same time one comes first, and then the other counts as present, or its replacement is undone.
    pub(super) fn record(
        &self,
        id: DriveId,
        found: &FoundDrive<'_>,
        findings: &mut Vec<Finding>,
    ) -> Result<DriveRowId, JobError> {
        // The medium is read before the transaction: a hung one must not delay whoever waits for the catalogue.
        let holds = match self.catalogue.drive(id)? {
            Some(_) => None,
            None => Some(self.contents_of(id)?),
        };
        self.catalogue
            .write_transaction(|| self.record_in_transaction(id, found, holds.as_ref(), findings))
    }

    /// Reads the contents of a drive whose id was never seen before. One that got a second id because it is a copy
    /// continues the original's ledger rightly.
    fn contents_of(&self, id: DriveId) -> Result<DriveContents, JobError> {
        let Self { catalogue, volume, .. } = *self;
        let stations = identity::stations(volume)?;
        let mut others = catalogue.drives()?;
        let earlier = identity::earlier_ids(volume)?;
        others.retain(|other| {
            ![id, DriveId::NIL].contains(&other.id) && !earlier.contains(&other.id)
        });
        let ledger_of = of_longest_ledger(catalogue, volume, &stations, &others)?;
        let ledger_of = ledger_of.iter().map(|other| other.id).collect();
        Ok(DriveContents { nothing: stations.is_empty(), ledger_of })
    }

    /// Records what the drive says of others, in a transaction. Two drives with one serial number are one stick that
    /// was begun twice, unless one was copied from the other, or both were ever present at once. Two drives in one
    /// folder of the system's own device are one. A drive with an unknown id that continues the ledger of a known,
    /// absent drive is that drive with a rotten id, or a copy of it: until the known one is seen, its copies do not
    /// count in addition.
    fn record_in_transaction(
        &self,
        id: DriveId,
        found: &FoundDrive<'_>,
        holds: Option<&DriveContents>,
        findings: &mut Vec<Finding>,
    ) -> Result<DriveRowId, JobError> {
        let Self { catalogue, now, .. } = *self;
        let here = (self.here)();
        let before = catalogue.drive_at(found.path)?;
        let row = catalogue.drive_seen(id, found, now)?;
        let drives = catalogue.drives()?;
        let Some(own) = drives.iter().find(|drive| drive.id == id) else { return Ok(row) };
        if let Some(replaced) = &own.replaced {
            catalogue.clear_replaced(own, now)?;
            findings.extend(replaced.how.is_sure().then_some(Finding::SeenAgain));
        }
        let mut takes_a_place = false;
        let is_other = |drive: &&DriveRow| drive.id != id && drive.id != DriveId::NIL;
        for other in drives.iter().filter(is_other) {
            let is_here = here.contains(&other.id);
            let Some(how) = self.how_replaced(own, found, other, is_here)? else { continue };
            takes_a_place = true;
            let known = other.replaced.as_ref().is_some_and(|r| r.how.is_sure());
            if !known && other.forgotten.is_none() {
                catalogue.set_replaced(other, Some(id), how, now)?;
                findings.push(Finding::Replaces { other: known_drive(other) });
            }
        }
        if let Some(holds) = holds.filter(|_| !takes_a_place) {
            let is_absent = |drive: &&DriveRow| !here.contains(&drive.id);
            let of_ledger = |drive: &&DriveRow| holds.ledger_of.contains(&drive.id);
            for other in drives.iter().filter(of_ledger).filter(is_absent).filter(|o| o.counts) {
                catalogue.set_replaced(other, Some(id), ReplacedHow::Ledger, now)?;
                findings.push(Finding::HasLedgerOf { other: known_drive(other) });
            }
            if holds.nothing {
                self.ask_about_mount_point(own, before.as_ref().filter(is_absent), findings)?;
            }
        }
        catalogue.recompute_counts(row)?;
        Ok(row)
    }

    fn how_replaced(
        &self,
        own: &DriveRow,
        found: &FoundDrive<'_>,
        other: &DriveRow,
        is_here: bool,
    ) -> Result<Option<ReplacedHow>, JobError> {
        let catalogue = self.catalogue;
        let is_copy = own.origin.is_some() && own.origin == other.origin;
        if found.serial.is_some() && found.serial == other.serial && !is_copy {
            if is_here {
                catalogue.distinguish(own.id, other.id)?;
            } else if !catalogue.are_distinct(own.id, other.id)? {
                return Ok(Some(ReplacedHow::Serial));
            }
        }
        let same_folder = found.folder.is_some() && found.folder == other.folder;
        Ok((same_folder && !is_here).then_some(ReplacedHow::Folder))
    }

    /// Handles a new, empty drive on a device at a place where another one was last: either that one was reformatted,
    /// or a second one is mounted at the same place. Nothing on either tells which.
    fn ask_about_mount_point(
        &self,
        own: &DriveRow,
        before: Option<&DriveRow>,
        findings: &mut Vec<Finding>,
    ) -> Result<(), JobError> {
        let Some(before) = before else { return Ok(()) };
        // Finding the place empty before raised the same question.
        let asked = |r: &Replaced| !r.how.is_sure() && r.by.is_none();
        let is_open = before.forgotten.is_none() && before.replaced.as_ref().is_none_or(asked);
        let on_devices = own.folder.is_none() && before.folder.is_none();
        if before.id == own.id
            || !is_open
            || !on_devices
            || before.away.is_some()
            || own.origin != Some(own.id)
        {
            return Ok(());
        }
        self.catalogue.set_replaced(before, Some(own.id), ReplacedHow::Place, self.now)?;
        findings.push(Finding::PerhapsReformatted { other: known_drive(before) });
        Ok(())
    }
}

/// Records that the file system of a drive is present and no longer has a drive on it.
pub(super) fn note_nothing_there(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    here: &[DriveId],
    now: Timestamp,
) -> Result<(), JobError> {
    let Some(serial) = &volume.facts().serial else { return Ok(()) };
    let was_on_it = |drive: &DriveRow| {
        drive.serial.as_ref() == Some(serial) && drive.counts && !here.contains(&drive.id)
    };
    let drives = catalogue.drives()?;
    // If there are several, as a drive and its copy, either may be the one that is gone.
    drives
        .iter()
        .filter(|drive| was_on_it(drive))
        .try_for_each(|drive| catalogue.set_replaced(drive, None, ReplacedHow::Serial, now))
}

/// Handles a place without a drive where one was last. An empty mount point says only that the drive is not plugged in.
/// A mounted file system may be that drive, wiped, or another stick: the operator is asked, and until then nothing is
/// called safe by its copies alone. Returns the error that describes the place.
pub(super) fn note_place_empty(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    found: &FoundDrive<'_>,
    here: &[DriveId],
    now: Timestamp,
) -> Result<Option<JobError>, JobError> {
    // A drive that was wiped is present, with nothing of it left.
    let Some(known) = catalogue.drive_at(found.path)?.filter(|known| !known.is_wiped()) else {
        return Ok(None);
    };
    let at = volume.facts().shown.clone();
    if !is_mounted(Path::new(std::ffi::OsStr::from_bytes(found.path))) {
        return Ok(Some(JobError::DriveAway { path: at, id: known.id }));
    }
    let is_open = known.forgotten.is_none() && known.replaced.is_none() && known.away.is_none();
    if is_open && !here.contains(&known.id) {
        catalogue.set_replaced(&known, None, ReplacedHow::Place, now)?;
    }
    let (id, label) = (known.id, escape::shown(known.label.as_bytes()));
    Ok(Some(JobError::EmptyStick { path: at, id, label }))
}

pub(super) fn known_drive(drive: &DriveRow) -> KnownDrive {
    KnownDrive { id: drive.id, label: escape::shown(drive.label.as_bytes()) }
}
