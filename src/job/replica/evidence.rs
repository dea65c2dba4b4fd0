//! What a drive that was found says of others: that it stands where another one was, that one taken for replaced is
//! here after all. Only what is evidence lets copies count no more; of the rest the operator is asked.

use super::identity;
use super::match_drive::of_longest_ledger;
use super::open_options::Here;
use crate::disk::{Volume, is_mounted, plain_folder};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, DriveRow, DriveRowId, FoundDrive, Replaced, ReplacedHow};
use crate::model::{DriveId, Finding, KnownDrive, Timestamp, escape};
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// A drive as it is found: what can be seen of it from outside.
pub(super) fn found<'a>(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    label: &'a str,
    at: &'a [u8],
) -> Result<FoundDrive<'a>, JobError> {
    let facts = volume.facts();
    Ok(FoundDrive {
        label,
        at,
        medium: facts.medium,
        serial: facts.serial.clone(),
        folder: plain_folder(Path::new(std::ffi::OsStr::from_bytes(at)), facts),
        origin: None,
        same_device: catalogue.same_device_as(facts, at)?,
    })
}

/// A drive that is seen.
pub(super) struct Evidence<'a> {
    pub catalogue: &'a Catalogue,
    pub volume: &'a dyn Volume,
    /// Tells which drives are seen to be elsewhere.
    pub here: &'a Here<'a>,
    pub now: Timestamp,
}

/// What a drive that was never seen before has on it.
struct Holds {
    /// Nothing was ever kept on it.
    nothing: bool,
    /// The drives with whose ledger it goes on.
    ledger_of: Vec<DriveId>,
}

impl Evidence<'_> {
    /// Gives it its row, and takes in what it says of others. As one change: of two that are seen at the same time one
    /// is seen first, and then the other one is here, or is taken back.
    pub(super) fn see(
        &self,
        id: DriveId,
        found: &FoundDrive<'_>,
        findings: &mut Vec<Finding>,
    ) -> Result<DriveRowId, JobError> {
        // What the medium says is read before: a hung one must not hold up whoever waits for the catalogue.
        let holds = match self.catalogue.drive(id)? {
            Some(_) => None,
            None => Some(self.holds(id)?),
        };
        self.catalogue.write_transaction(|| self.judged(id, found, holds.as_ref(), findings))
    }

    /// What a drive with an id never seen before has on it. One that was set apart from another goes on with that one's
    /// ledger by right.
    fn holds(&self, id: DriveId) -> Result<Holds, JobError> {
        let Self { catalogue, volume, .. } = *self;
        let stations = identity::stations(volume)?;
        let mut others = catalogue.drives()?;
        let earlier = identity::earlier_ids(volume)?;
        others.retain(|other| {
            ![id, DriveId::NONE].contains(&other.id) && !earlier.contains(&other.id)
        });
        let ledger_of = of_longest_ledger(catalogue, volume, &stations, &others)?;
        let ledger_of = ledger_of.iter().map(|other| other.id).collect();
        Ok(Holds { nothing: stations.is_empty(), ledger_of })
    }

    /// Two drives with one serial number are one stick begun twice, unless one was copied from the other, or both were
    /// ever here at once. Two drives in one folder of the system's own device are not two. A drive with an id never
    /// seen before that goes on with the ledger of one that is known and not here is that one, its id rotted into
    /// another, or a copy of it: the one known is not counted beside it until it is seen.
    fn judged(
        &self,
        id: DriveId,
        found: &FoundDrive<'_>,
        holds: Option<&Holds>,
        findings: &mut Vec<Finding>,
    ) -> Result<DriveRowId, JobError> {
        let Self { catalogue, now, .. } = *self;
        let here = (self.here)();
        let before = catalogue.drive_at(found.at)?;
        let row = catalogue.drive_seen(id, found, now)?;
        let drives = catalogue.drives()?;
        let Some(own) = drives.iter().find(|drive| drive.id == id) else { return Ok(row) };
        if let Some(replaced) = &own.replaced {
            catalogue.clear_replaced(own, now)?;
            findings.extend(replaced.how.is_sure().then_some(Finding::SeenAgain));
        }
        let mut takes_a_place = false;
        let is_other = |drive: &&DriveRow| drive.id != id && drive.id != DriveId::NONE;
        for other in drives.iter().filter(is_other) {
            let is_here = here.contains(&other.id);
            let Some(how) = self.stands_where(own, found, other, is_here)? else { continue };
            takes_a_place = true;
            let known = other.replaced.as_ref().is_some_and(|r| r.how.is_sure());
            if !known && other.forgotten.is_none() {
                catalogue.set_replaced(other, Some(id), how, now)?;
                findings.push(Finding::Replaces { other: named(other) });
            }
        }
        if let Some(holds) = holds.filter(|_| !takes_a_place) {
            let is_absent = |drive: &&DriveRow| !here.contains(&drive.id);
            let of_ledger = |drive: &&DriveRow| holds.ledger_of.contains(&drive.id);
            for other in drives.iter().filter(of_ledger).filter(is_absent).filter(|o| o.counts) {
                catalogue.set_replaced(other, Some(id), ReplacedHow::Ledger, now)?;
                findings.push(Finding::HasLedgerOf { other: named(other) });
            }
            if holds.nothing {
                self.ask_about_the_place(own, before.as_ref().filter(is_absent), findings)?;
            }
        }
        catalogue.settle_counts(row)?;
        Ok(row)
    }

    fn stands_where(
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
            } else if !catalogue.are_apart(own.id, other.id)? {
                return Ok(Some(ReplacedHow::Serial));
            }
        }
        let same_folder = found.folder.is_some() && found.folder == other.folder;
        Ok((same_folder && !is_here).then_some(ReplacedHow::Folder))
    }

    /// A new drive on a device, on which nothing was ever kept, where another one was last: that one reformatted, or a
    /// second one that is mounted at the same place. Nothing on either tells which.
    fn ask_about_the_place(
        &self,
        own: &DriveRow,
        before: Option<&DriveRow>,
        findings: &mut Vec<Finding>,
    ) -> Result<(), JobError> {
        let Some(before) = before else { return Ok(()) };
        // That its place was found empty before is the same question.
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
        findings.push(Finding::PerhapsReformatted { other: named(before) });
        Ok(())
    }
}

/// The file system of a drive is here, and has no drive on it any more.
pub(super) fn nothing_there(
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
    // Of several, as a drive and its copy, it may be either that is gone.
    drives
        .iter()
        .filter(|drive| was_on_it(drive))
        .try_for_each(|drive| catalogue.set_replaced(drive, None, ReplacedHow::Serial, now))
}

/// There is no drive at a place where one was last. An empty mount point tells nothing: that one is not plugged in. But
/// where a file system is mounted, it may be that one, wiped, or another stick: its operator is asked, and until then
/// nothing is called safe by its copies alone. What the place is to be called.
pub(super) fn nothing_where_one_was(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    found: &FoundDrive<'_>,
    here: &[DriveId],
    now: Timestamp,
) -> Result<Option<JobError>, JobError> {
    // One that was wiped is there, with nothing of it left.
    let Some(known) = catalogue.drive_at(found.at)?.filter(|known| !known.is_wiped()) else {
        return Ok(None);
    };
    let at = volume.facts().shown.clone();
    if !is_mounted(Path::new(std::ffi::OsStr::from_bytes(found.at))) {
        return Ok(Some(JobError::DriveAway { at, id: known.id }));
    }
    let is_open = known.forgotten.is_none() && known.replaced.is_none() && known.away.is_none();
    if is_open && !here.contains(&known.id) {
        catalogue.set_replaced(&known, None, ReplacedHow::Place, now)?;
    }
    let (id, label) = (known.id, escape::shown(known.label.as_bytes()));
    Ok(Some(JobError::EmptyStick { at, id, label }))
}

pub(super) fn named(drive: &DriveRow) -> KnownDrive {
    KnownDrive { id: drive.id, label: escape::shown(drive.label.as_bytes()) }
}
