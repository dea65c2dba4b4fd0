//! Handles a drive whose id file is missing or cannot be read: it gets its own id again if it can be recognised, and a
//! new one if a drive may be begun there. Never lets one stick count as two.

use super::evidence::{self, Evidence, known_drive, note_nothing_there, note_place_empty};
use super::identity::{self, IdFile, StoredId};
use super::ledger::continues_from;
use super::match_drive::{DriveMatch, match_drive};
use super::open_options::{NewDrivePolicy, OpenOptions, PresentDriveIds};
use super::present_drives;
use crate::disk::{Access, Volume};
use crate::job::JobError;
use crate::job::catalogue::{
    Catalogue, DriveRow, DriveRowId, FoundDrive, KnownHow, ReplacedHow, SameDevice,
};
use crate::model::limits::DRIVE_FILE_BYTES;
use crate::model::{Clock, DriveId, DriveLoss, Finding, RelName, bag};

/// The id of a drive that has none to read, and whether the drive may only be read.
pub(super) fn find(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    options: &OpenOptions<'_>,
    found: &FoundDrive<'_>,
    known: &IdFile,
    findings: &mut Vec<Finding>,
) -> Result<(DriveId, bool), JobError> {
    // A file too long to be ours is not overwritten, so the drive is only read.
    let too_long = matches!(known, IdFile::Unreadable(_, length) if *length > DRIVE_FILE_BYTES);
    let matched = match options.taken_for {
        // A restore does not need to know which drive it is.
        Some(_) => DriveMatch::AnyOf(Vec::new()),
        None => match_drive(catalogue, volume, found.folder.as_deref(), &(options.here)())?,
    };
    match (matched, options.access) {
        (DriveMatch::One(id), Access::Read) => {
            findings.push(Finding::IdRecognised { id });
            Ok((id, too_long))
        }
        (DriveMatch::One(id), Access::Write) => {
            // Not one byte is written to a drive that its operator gave up.
            not_forgotten(catalogue, id, || volume.facts().shown.clone())?;
            identity::make_drive_of(volume, Some(id), options.clock)?;
            findings.push(Finding::IdRestored { id });
            Ok((id, false))
        }
        (DriveMatch::AnyOf(_), Access::Read) => {
            read_only(catalogue, volume, options, (known, found), too_long)
        }
        (DriveMatch::AnyOf(maybe), Access::Write) => {
            may_begin(catalogue, volume, options, (known, found))?;
            let own = begin_anew(catalogue, volume, maybe, options.here, options.clock, findings)?;
            Ok((own, false))
        }
    }
}

/// Makes a drive with a new id of one that may be any of some known drives. Those do not count until they are seen:
/// otherwise the copies on this one would count twice, as its own and as theirs.
fn begin_anew(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    mut maybe: Vec<DriveRow>,
    here: &PresentDriveIds<'_>,
    clock: &dyn Clock,
    findings: &mut Vec<Finding>,
) -> Result<DriveId, JobError> {
    let now = clock.event_time().time;
    catalogue.write_transaction(|| {
        // One of them may have been plugged in meanwhile.
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
    findings.push(Finding::IdUnknown { own, maybe: maybe.iter().map(known_drive).collect() });
    Ok(own)
}

/// A drive that its operator has added.
pub struct AddedDrive {
    /// The random id in its `drive.json`.
    pub id: DriveId,
    /// Its row in the catalogue.
    pub row: DriveRowId,
    /// Why it was given up until now, if it was; that decision still stands.
    pub was_forgotten: Option<DriveLoss>,
    /// The mailbox on whose device the drive lies, if there is one.
    pub same_device: SameDevice,
    /// What was found while it was added.
    pub findings: Vec<Finding>,
}

/// Makes a drive because its operator says so, whatever was there before. A drive that can be recognised keeps its id.
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
        // Another stick with the id of a known one, as after copying: it must not take that one's place.
        IdFile::Id(stored) if is_another(catalogue, &stored, volume)? => {
            let own = identity::write_second_id(volume, clock)?;
            findings.push(Finding::CopiedDrive { of: stored.id, own });
            own
        }
        IdFile::Id(stored) => stored.id,
        _ => match match_drive(catalogue, volume, found.folder.as_deref(), &[])? {
            DriveMatch::One(id) => {
                identity::make_drive_of(volume, Some(id), clock)?;
                findings.push(Finding::IdRestored { id });
                id
            }
            DriveMatch::AnyOf(maybe) => {
                begin_anew(catalogue, volume, maybe, &Vec::new, clock, &mut findings)?
            }
        },
    };
    found.origin = identity::origin_of(volume, id)?;
    let evidence = Evidence { catalogue, volume, here: &Vec::new, now: clock.event_time().time };
    let row = evidence.record(id, &found, &mut findings)?;
    forget_other_ledgers(catalogue, volume, row)?;
    let was_forgotten =
        catalogue.drive(id)?.and_then(|row| row.facts.forgotten).map(|gone| gone.why);
    let serial = volume.facts().serial.as_deref();
    catalogue.make_known((id, label), serial, KnownHow::Added, clock.event_time().time)?;
    catalogue.end_announcement(id)?;
    Ok(AddedDrive { id, row, was_forgotten, same_device: found.same_device, findings })
}

/// Forgets what was known of ledgers that are others now, or have lost their ends: what is there counts from here on.
fn forget_other_ledgers(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    drive: DriveRowId,
) -> Result<(), JobError> {
    for (_, station) in catalogue.replicas_of(drive)? {
        let mut replica = catalogue.replica(drive, &station)?;
        let at = bag::station_dir(&station).join(&RelName::fixed(bag::LEDGER));
        if replica.ledger_bytes > 0 && !continues_from(volume, &at, &replica)? {
            catalogue.forget_replica(&mut replica)?;
        }
    }
    Ok(())
}

/// Whether a drive is on another file system than the one on which its id is known.
fn is_another(
    catalogue: &Catalogue,
    stored: &StoredId,
    volume: &dyn Volume,
) -> Result<bool, JobError> {
    match catalogue.known_as(stored.id)?.and_then(|known| known.serial) {
        // A folder, or a file system without a serial number, is never one that has a number.
        Some(known) => Ok(volume.facts().serial.as_ref() != Some(&known)),
        None => present_drives::is_moved(catalogue, stored, volume.facts()),
    }
}

/// Opens a drive without an id for reading only: copies without an id, as a repair tool leaves them, are readable all
/// the same.
fn read_only(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    options: &OpenOptions<'_>,
    (known, found): (&IdFile, &FoundDrive<'_>),
    too_long: bool,
) -> Result<(DriveId, bool), JobError> {
    let at = || volume.facts().shown.clone();
    let is_there = match known {
        IdFile::Nothing => !identity::stations(volume)?.is_empty(),
        _ => true,
    };
    if is_there {
        return Ok((DriveId::NIL, too_long));
    }
    let (here, now) = ((options.here)(), options.clock.event_time().time);
    if options.taken_for.is_none() {
        note_nothing_there(catalogue, volume, &here, now)?;
    }
    // Somebody's own stick, which is not to be used, says nothing of ours; a restore only reads.
    let gone = match options.taken_for.is_some()
        || matches!(options.begin, NewDrivePolicy::Never | NewDrivePolicy::Known)
    {
        true => {
            let known = catalogue.drive_at(options.path)?.filter(|known| !known.is_wiped());
            known.map(|known| away(volume, &known))
        }
        false => note_place_empty(catalogue, volume, found, &here, now)?,
    };
    Err(gone.unwrap_or_else(|| JobError::NoDrive { path: at() }))
}

fn away(volume: &dyn Volume, known: &DriveRow) -> JobError {
    JobError::DriveAway { path: volume.facts().shown.clone(), id: known.id }
}

/// Whether a place may be made a drive. A place with an unreadable id file was one.
fn may_begin(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    options: &OpenOptions<'_>,
    (known, found): (&IdFile, &FoundDrive<'_>),
) -> Result<(), JobError> {
    let at = || volume.facts().shown.clone();
    match (known, options.begin) {
        (IdFile::Nothing, NewDrivePolicy::InFolder) => {
            let (here, now) = ((options.here)(), options.clock.event_time().time);
            if catalogue.drive_at(options.path)?.is_some() {
                note_nothing_there(catalogue, volume, &here, now)?;
            }
            note_place_empty(catalogue, volume, found, &here, now)?.map_or(Ok(()), Err)
        }
        // Anybody may have written a file that cannot be read.
        (IdFile::Unreadable(..), NewDrivePolicy::Known) => {
            Err(JobError::NotAccepted { path: at() })
        }
        (IdFile::Nothing, NewDrivePolicy::Never | NewDrivePolicy::Known) => {
            note_nothing_there(
                catalogue,
                volume,
                &(options.here)(),
                options.clock.event_time().time,
            )?;
            Err(JobError::NotAccepted { path: at() })
        }
        _ => Ok(()),
    }
}

/// Refuses an open drive that its operator gave up, before anything else is reported of it.
pub fn refuse_forgotten(catalogue: &Catalogue, volume: &dyn Volume) -> Result<(), JobError> {
    match identity::drive_id(volume)? {
        Some(id) => not_forgotten(catalogue, id, || volume.facts().shown.clone()),
        None => Ok(()),
    }
}

/// Refuses the file system of a drive that its operator refused, whatever id it has now, or if it has none.
pub(crate) fn check_refused(catalogue: &Catalogue, volume: &dyn Volume) -> Result<(), JobError> {
    match refused_before(catalogue, volume)? {
        Some(id) => not_forgotten(catalogue, id, || volume.facts().shown.clone()),
        None => Ok(()),
    }
}

/// The refused drive whose file system now claims to be another drive, or none. A drive known by its own id is a copy,
/// and is not refused with the original.
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
    // A drive that is itself refused is reported elsewhere.
    let drives = catalogue.drives()?;
    Ok(drives.iter().find(|row| is_refused(row) && Some(row.id) != id).map(|row| row.id))
}

/// Refuses a drive that its operator gave up.
pub(super) fn not_forgotten(
    catalogue: &Catalogue,
    id: DriveId,
    path: impl Fn() -> String,
) -> Result<(), JobError> {
    match catalogue.drive(id)?.and_then(|row| row.facts.forgotten) {
        Some(gone) => Err(JobError::Forgotten {
            path: path(),
            id,
            since: gone.since.to_rfc3339(),
            why: gone.why,
            place: gone.place.map(|place| crate::model::escape::shown(place.as_bytes())),
        }),
        None => Ok(()),
    }
}
