//! Decides whether a drive may be used, before anything on it is believed or written: a drive's own claim that it is
//! ours counts for nothing.

use super::evidence::{known_drive, note_nothing_there};
use super::id_recovery;
use super::identity::{self, IdFile};
use super::match_drive::{DriveMatch, match_drive};
use super::open::Replica;
use super::open_options::{NewDrivePolicy, PresentDriveIds};
use crate::disk::{Access, Volume, plain_folder};
use crate::job::catalogue::{Catalogue, KnownHow};
use crate::job::{DriveRef, JobError};
use crate::model::{Clock, DriveId, DriveLoss, Finding};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// On what grounds a drive is accepted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Acceptance {
    /// Its place allows it.
    As(NewDrivePolicy),
    /// The operator gave leave for the next new stick, and this is it.
    LetIn,
}

impl Acceptance {
    /// Whether it may be made a drive if it is none.
    pub(crate) fn begin(self) -> NewDrivePolicy {
        match self {
            Self::As(begin) => begin,
            Self::LetIn => NewDrivePolicy::OnDevice,
        }
    }

    /// Records the acceptance: a drive let in by leave becomes a known one, and one never seen before is announced.
    pub(crate) fn note(
        self,
        catalogue: &Catalogue,
        admitted: &Replica,
        drive: &DriveRef,
        clock: &dyn Clock,
    ) -> Result<Option<Finding>, JobError> {
        let serial = admitted.volume.facts().serial.as_deref();
        let (id, label, now) = (admitted.id, drive.label.as_str(), clock.event_time().time);
        let let_in = match self {
            Self::LetIn => {
                catalogue.make_known((id, label), serial, KnownHow::LetIn, now)?;
                catalogue.end_permission()?;
                true
            }
            Self::As(NewDrivePolicy::OnDevice) if catalogue.announce(id, serial, clock)? => false,
            Self::As(_) => return Ok(None),
        };
        let drives = catalogue.drives()?;
        let own = drives.iter().find(|row| row.id == id);
        let alike = drives.iter().filter(|row| row.label == drive.label).count() > 1;
        Ok(own.map(|own| Finding::NewDrive { drive: known_drive(own), alike, let_in }))
    }
}

/// Decides whether a drive may be used. If only known drives are accepted, it must have the id of one and be on that
/// one's file system, or be the stick for which leave was given. Writes nothing to the drive.
pub(crate) fn check_acceptance(
    catalogue: &Catalogue,
    drive: &DriveRef,
    volume: &dyn Volume,
    access: Access,
    here: &PresentDriveIds<'_>,
    clock: &dyn Clock,
) -> Result<Acceptance, JobError> {
    if drive.begin != NewDrivePolicy::Known {
        return Ok(Acceptance::As(drive.begin));
    }
    let facts = volume.facts();
    let (path, serial) = (|| facts.shown.clone(), facts.serial.as_deref());
    let known = identity::read(volume)?;
    if let Some(id) = id_of(catalogue, drive, volume, &known, here)?
        && let Some(known) = catalogue.known_as(id)?
    {
        return match serial {
            Some(_) if known.serial.as_deref() == serial => {
                Ok(Acceptance::As(NewDrivePolicy::Known))
            }
            Some(_) => Err(JobError::NotTheKnown { path: path(), id }),
            // Anybody who has read an id once can write it to another drive.
            None => Err(JobError::NoSerial { path: path() }),
        };
    }
    // A drive that cannot be written does not use up the leave.
    let check_writable = access == Access::Write && !matches!(known, IdFile::Newer(..));
    if check_writable && catalogue.use_permission(&facts.mount, clock)? {
        return Ok(Acceptance::LetIn);
    }
    if matches!(known, IdFile::Nothing) {
        note_nothing_there(catalogue, volume, &here(), clock.event_time().time)?;
    }
    Err(JobError::NotAccepted { path: path() })
}

/// Whether the operator has refused a drive.
pub(crate) fn is_refused(
    catalogue: &Catalogue,
    drive: &DriveRef,
    volume: &dyn Volume,
) -> Result<bool, JobError> {
    let known = identity::read(volume)?;
    if id_recovery::refused_before(catalogue, volume)?.is_some() {
        return Ok(true);
    }
    let Some(id) = id_of(catalogue, drive, volume, &known, &Vec::new)? else { return Ok(false) };
    let given_up = catalogue.drive(id)?.and_then(|row| row.facts.forgotten);
    Ok(given_up.is_some_and(|gone| gone.why == DriveLoss::Refused))
}

/// The drive's id, read from it or recognised by what else is on it.
fn id_of(
    catalogue: &Catalogue,
    drive: &DriveRef,
    volume: &dyn Volume,
    known: &IdFile,
    here: &PresentDriveIds<'_>,
) -> Result<Option<DriveId>, JobError> {
    Ok(match known {
        IdFile::Id(stored) => Some(stored.id),
        IdFile::Newer(_, id) => *id,
        IdFile::Nothing | IdFile::Unreadable(..) => {
            let folder = plain_folder(Path::new(OsStr::from_bytes(&drive.path)), volume.facts());
            match match_drive(catalogue, volume, folder.as_deref(), &here())? {
                DriveMatch::One(id) => Some(id),
                DriveMatch::AnyOf(_) => None,
            }
        }
    })
}
