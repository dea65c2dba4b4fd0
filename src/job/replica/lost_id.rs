//! What becomes of a drive whose id is not there or cannot be read: it gets its own again where it can be told which
//! one it is, and another one where it may be begun. Never lets one stick count as two.

use super::evidence::{self, Evidence, named, nothing_there, nothing_where_one_was};
use super::identity::{self, IdFile, StoredId};
use super::ledger::goes_on_from;
use super::open_options::{Begin, Here, OpenOptions};
use super::present_drives;
use super::recognise::{Recognised, recognise};
use crate::disk::{Access, Volume};
use crate::job::JobError;
use crate::job::catalogue::{
    Catalogue, DriveRow, DriveRowId, FoundDrive, KnownHow, ReplacedHow, SameDevice,
};
use crate::model::limits::DRIVE_FILE_BYTES;
use crate::model::{Clock, DriveId, DriveLoss, Finding, RelName, bag};

/// The id of a drive that does not tell it, and whether it may only be read.
pub(super) fn find(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    asked: &OpenOptions<'_>,
    found: &FoundDrive<'_>,
    known: &IdFile,
    findings: &mut Vec<Finding>,
) -> Result<(DriveId, bool), JobError> {
    // One that is too long to be ours is not written over, so it is only read.
    let too_long = matches!(known, IdFile::Unreadable(_, length) if *length > DRIVE_FILE_BYTES);
    let recognised = match asked.taken_for {
        // Who restores from it does not ask which it is.
        Some(_) => Recognised::OneOf(Vec::new()),
        None => recognise(catalogue, volume, found.folder.as_deref(), &(asked.here)())?,
    };
    match (recognised, asked.access) {
        (Recognised::As(id), Access::Read) => {
            findings.push(Finding::IdRecognised { id });
            Ok((id, too_long))
        }
        (Recognised::As(id), Access::Write) => {
            // Not one byte goes to a drive that its operator gave up.
            not_forgotten(catalogue, id, || volume.facts().shown.clone())?;
            identity::make_drive_of(volume, Some(id), asked.clock)?;
            findings.push(Finding::IdRestored { id });
            Ok((id, false))
        }
        (Recognised::OneOf(_), Access::Read) => {
            read_only(catalogue, volume, asked, (known, found), too_long)
        }
        (Recognised::OneOf(maybe), Access::Write) => {
            may_begin(catalogue, volume, asked, (known, found))?;
            let own = begin_anew(catalogue, volume, maybe, asked.here, asked.clock, findings)?;
            Ok((own, false))
        }
    }
}

/// Makes a drive with an id of its own, of one that may have been one of those known. They count for nothing until they
/// are seen: else the copies on this one would be counted twice, as its own and as those of the drive it was.
fn begin_anew(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    mut maybe: Vec<DriveRow>,
    here: &Here<'_>,
    clock: &dyn Clock,
    findings: &mut Vec<Finding>,
) -> Result<DriveId, JobError> {
    let now = clock.stamp().time;
    catalogue.write_transaction(|| {
        // One may have come meanwhile.
        let here = here();
        maybe.retain(|drive| !here.contains(&drive.id));
        let how = ReplacedHow::Unreadable;
        maybe.iter().try_for_each(|drive| catalogue.set_replaced(drive, None, how, now))
    })?;
    if maybe.is_empty() {
        return identity::make_drive(volume, clock);
    }
    // Before the new id is on the medium: a power failure in between must not leave two that count.
    catalogue.make_durable()?;
    let own = identity::make_drive(volume, clock)?;
    maybe.iter().try_for_each(|drive| catalogue.set_replaced_by(drive.row, own))?;
    findings.push(Finding::IdUnknown { own, maybe: maybe.iter().map(named).collect() });
    Ok(own)
}

/// A drive that its operator has made.
pub struct AddedDrive {
    /// Its id.
    pub id: DriveId,
    /// Its row.
    pub row: DriveRowId,
    /// Why it was given up until now, if it was; it is not taken back yet.
    pub was_forgotten: Option<DriveLoss>,
    /// The mailbox on whose device it lies.
    pub same_device: SameDevice,
    /// What was found on the way.
    pub findings: Vec<Finding>,
}

/// Makes a drive by its operator's word, whatever was there before. One that can be known again keeps its id.
pub fn add(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    label: &str,
    at: &[u8],
    clock: &dyn Clock,
) -> Result<AddedDrive, JobError> {
    let mut findings = Vec::new();
    let mut found = evidence::found(catalogue, volume, label, at)?;
    let id = match identity::read(volume)? {
        // Another stick with the id of one of ours, as after it was copied: it must not take that one's place.
        IdFile::Id(told) if is_another(catalogue, &told, volume)? => {
            let own = identity::write_second_id(volume, clock)?;
            findings.push(Finding::CopiedDrive { of: told.id, own });
            own
        }
        IdFile::Id(told) => told.id,
        _ => match recognise(catalogue, volume, found.folder.as_deref(), &[])? {
            Recognised::As(id) => {
                identity::make_drive_of(volume, Some(id), clock)?;
                findings.push(Finding::IdRestored { id });
                id
            }
            Recognised::OneOf(maybe) => {
                begin_anew(catalogue, volume, maybe, &Vec::new, clock, &mut findings)?
            }
        },
    };
    found.origin = identity::origin_of(volume, id)?;
    let sight = Evidence { catalogue, volume, here: &Vec::new, now: clock.stamp().time };
    let row = sight.see(id, &found, &mut findings)?;
    forget_other_ledgers(catalogue, volume, row)?;
    let was_forgotten =
        catalogue.drive(id)?.and_then(|row| row.facts.forgotten).map(|gone| gone.why);
    let serial = volume.facts().serial.as_deref();
    catalogue.make_known((id, label), serial, KnownHow::Added, clock.stamp().time)?;
    catalogue.end_announcement(id)?;
    Ok(AddedDrive { id, row, was_forgotten, same_device: found.same_device, findings })
}

/// What was known of a ledger that is another one now, or has lost its end, goes: what is there counts from here on.
fn forget_other_ledgers(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    drive: DriveRowId,
) -> Result<(), JobError> {
    for (_, station) in catalogue.replicas_of(drive)? {
        let mut replica = catalogue.replica(drive, &station)?;
        let at = bag::station_dir(&station).join(&RelName::fixed(bag::LEDGER));
        if replica.ledger_bytes > 0 && !goes_on_from(volume, &at, &replica)? {
            catalogue.forget_replica(&mut replica)?;
        }
    }
    Ok(())
}

/// Whether a drive that has an id is on another file system than the one that is known by it.
fn is_another(
    catalogue: &Catalogue,
    told: &StoredId,
    volume: &dyn Volume,
) -> Result<bool, JobError> {
    match catalogue.known_as(told.id)?.and_then(|known| known.serial) {
        // A folder, or a file system without a number, is none that has one.
        Some(known) => Ok(volume.facts().serial.as_ref() != Some(&known)),
        None => present_drives::is_moved(catalogue, told, volume.facts()),
    }
}

/// What is only looked at keeps what it has: copies without an id, as after a repair tool, are readable all the same.
fn read_only(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    asked: &OpenOptions<'_>,
    (known, found): (&IdFile, &FoundDrive<'_>),
    too_long: bool,
) -> Result<(DriveId, bool), JobError> {
    let at = || volume.facts().shown.clone();
    let is_there = match known {
        IdFile::Nothing => !identity::stations(volume)?.is_empty(),
        _ => true,
    };
    if is_there {
        return Ok((DriveId::NONE, too_long));
    }
    let (here, now) = ((asked.here)(), asked.clock.stamp().time);
    if asked.taken_for.is_none() {
        nothing_there(catalogue, volume, &here, now)?;
    }
    // Somebody's own stick, which is not to be used, tells nothing of ours; a restore only reads.
    let gone = match asked.taken_for.is_some() || matches!(asked.begin, Begin::Never | Begin::Known)
    {
        true => {
            let known = catalogue.drive_at(asked.at)?.filter(|known| !known.is_wiped());
            known.map(|known| away(volume, &known))
        }
        false => nothing_where_one_was(catalogue, volume, found, &here, now)?,
    };
    Err(gone.unwrap_or_else(|| JobError::NoDrive { at: at() }))
}

fn away(volume: &dyn Volume, known: &DriveRow) -> JobError {
    JobError::DriveAway { at: volume.facts().shown.clone(), id: known.id }
}

/// Whether a place may be made a drive. What is there and cannot be read was one.
fn may_begin(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    asked: &OpenOptions<'_>,
    (known, found): (&IdFile, &FoundDrive<'_>),
) -> Result<(), JobError> {
    let at = || volume.facts().shown.clone();
    match (known, asked.begin) {
        (IdFile::Nothing, Begin::InFolder) => {
            let (here, now) = ((asked.here)(), asked.clock.stamp().time);
            if catalogue.drive_at(asked.at)?.is_some() {
                nothing_there(catalogue, volume, &here, now)?;
            }
            nothing_where_one_was(catalogue, volume, found, &here, now)?.map_or(Ok(()), Err)
        }
        // What cannot be read anybody may have written.
        (IdFile::Unreadable(..), Begin::Known) => Err(JobError::NotAccepted { at: at() }),
        (IdFile::Nothing, Begin::Never | Begin::Known) => {
            nothing_there(catalogue, volume, &(asked.here)(), asked.clock.stamp().time)?;
            Err(JobError::NotAccepted { at: at() })
        }
        _ => Ok(()),
    }
}

/// Refuses an open drive that its operator gave up, before anything else is said of it.
pub fn refuse_forgotten(catalogue: &Catalogue, volume: &dyn Volume) -> Result<(), JobError> {
    match identity::drive_id(volume)? {
        Some(id) => not_forgotten(catalogue, id, || volume.facts().shown.clone()),
        None => Ok(()),
    }
}

/// Refuses the file system of a drive that its operator refused, whatever id it has now, and if it has none.
pub(crate) fn not_as_another(catalogue: &Catalogue, volume: &dyn Volume) -> Result<(), JobError> {
    match refused_before(catalogue, volume)? {
        Some(id) => not_forgotten(catalogue, id, || volume.facts().shown.clone()),
        None => Ok(()),
    }
}

/// The drive that was refused on the file system of one that says it is another, or nothing. One that is known by its
/// own id is a copy of it, and not refused with it.
pub(super) fn refused_before(
    catalogue: &Catalogue,
    volume: &dyn Volume,
) -> Result<Option<DriveId>, JobError> {
    let Some(serial) = &volume.facts().serial else { return Ok(None) };
    let id = identity::drive_id(volume)?;
    if id.map(|id| catalogue.known_as(id)).transpose()?.flatten().is_some() {
        return Ok(None);
    }
    let is_refused = |row: &DriveRow| {
        let why = row.forgotten.as_ref().map(|gone| gone.why);
        why == Some(DriveLoss::Refused) && row.serial.as_ref() == Some(serial)
    };
    // Of itself it is said already that it is refused.
    let drives = catalogue.drives()?;
    Ok(drives.iter().find(|row| is_refused(row) && Some(row.id) != id).map(|row| row.id))
}

/// Refuses a drive that its operator gave up.
pub(super) fn not_forgotten(
    catalogue: &Catalogue,
    id: DriveId,
    at: impl Fn() -> String,
) -> Result<(), JobError> {
    match catalogue.drive(id)?.and_then(|row| row.facts.forgotten) {
        Some(gone) => Err(JobError::Forgotten {
            at: at(),
            id,
            since: gone.since.to_rfc3339(),
            why: gone.why,
            place: gone.place.map(|place| crate::model::escape::shown(place.as_bytes())),
        }),
        None => Ok(()),
    }
}
