//! Whether a drive is one of those that are to be used, before anything on it is believed or written: its own word that
//! it is ours counts for nothing.

use super::evidence::{named, nothing_there};
use super::identity::{self, IdFile};
use super::lost_id;
use super::open::Replica;
use super::open_options::{Begin, Here};
use super::recognise::{Recognised, recognise};
use crate::disk::{Access, Volume, plain_folder};
use crate::job::catalogue::{Catalogue, KnownHow};
use crate::job::{DriveRef, JobError};
use crate::model::{Clock, DriveId, DriveLoss, Finding};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// As what a drive comes in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Newcomer {
    /// As its place allows it.
    As(Begin),
    /// As the next new stick, for which its operator has given leave.
    LetIn,
}

impl Newcomer {
    /// Whether it may be made a drive if it is none.
    pub(crate) fn begin(self) -> Begin {
        match self {
            Self::As(begin) => begin,
            Self::LetIn => Begin::OnDevice,
        }
    }

    /// Keeps what became of it: the one that was let in is ours, one never seen before is announced.
    pub(crate) fn note(
        self,
        catalogue: &Catalogue,
        admitted: &Replica,
        drive: &DriveRef,
        clock: &dyn Clock,
    ) -> Result<Option<Finding>, JobError> {
        let serial = admitted.volume.facts().serial.as_deref();
        let (id, label, now) = (admitted.id, drive.label.as_str(), clock.stamp().time);
        let let_in = match self {
            Self::LetIn => {
                catalogue.make_known((id, label), serial, KnownHow::LetIn, now)?;
                catalogue.end_leave()?;
                true
            }
            Self::As(Begin::OnDevice) if catalogue.announce(id, serial, clock)? => false,
            Self::As(_) => return Ok(None),
        };
        let drives = catalogue.drives()?;
        let own = drives.iter().find(|row| row.id == id);
        let alike = drives.iter().filter(|row| row.label == drive.label).count() > 1;
        Ok(own.map(|own| Finding::NewDrive { drive: named(own), alike, let_in }))
    }
}

/// Whether a drive is one of those that are to be used. Where only known ones are, it must have the id of one of them
/// and the file system that one had, or be the one for which leave was given. Nothing is written to it.
pub(crate) fn may_come_in(
    catalogue: &Catalogue,
    drive: &DriveRef,
    volume: &dyn Volume,
    access: Access,
    here: &Here<'_>,
    clock: &dyn Clock,
) -> Result<Newcomer, JobError> {
    if drive.begin != Begin::Known {
        return Ok(Newcomer::As(drive.begin));
    }
    let facts = volume.facts();
    let (at, serial) = (|| facts.shown.clone(), facts.serial.as_deref());
    let known = identity::read(volume)?;
    if let Some(id) = id_of(catalogue, drive, volume, &known, here)?
        && let Some(known) = catalogue.known_as(id)?
    {
        return match serial {
            Some(_) if known.serial.as_deref() == serial => Ok(Newcomer::As(Begin::Known)),
            Some(_) => Err(JobError::NotTheKnown { at: at(), id }),
            // Its id alone anybody can write who has read it once.
            None => Err(JobError::NoSerial { at: at() }),
        };
    }
    // One that cannot be written does not use up the leave.
    let may_be_written = access == Access::Write && !matches!(known, IdFile::Newer(..));
    if may_be_written && catalogue.take_leave(&facts.mount, clock)? {
        return Ok(Newcomer::LetIn);
    }
    if matches!(known, IdFile::Nothing) {
        nothing_there(catalogue, volume, &here(), clock.stamp().time)?;
    }
    Err(JobError::NotAccepted { at: at() })
}

/// Whether its operator will have none of a drive.
pub(crate) fn is_refused(
    catalogue: &Catalogue,
    drive: &DriveRef,
    volume: &dyn Volume,
) -> Result<bool, JobError> {
    let known = identity::read(volume)?;
    if lost_id::refused_before(catalogue, volume)?.is_some() {
        return Ok(true);
    }
    let Some(id) = id_of(catalogue, drive, volume, &known, &Vec::new)? else { return Ok(false) };
    let given_up = catalogue.drive(id)?.and_then(|row| row.facts.forgotten);
    Ok(given_up.is_some_and(|gone| gone.why == DriveLoss::Refused))
}

/// Which drive it is, by its id or by what else is on it.
fn id_of(
    catalogue: &Catalogue,
    drive: &DriveRef,
    volume: &dyn Volume,
    known: &IdFile,
    here: &Here<'_>,
) -> Result<Option<DriveId>, JobError> {
    Ok(match known {
        IdFile::Id(told) => Some(told.id),
        IdFile::Newer(_, id) => *id,
        IdFile::Nothing | IdFile::Unreadable(..) => {
            let folder = plain_folder(Path::new(OsStr::from_bytes(&drive.at)), volume.facts());
            match recognise(catalogue, volume, folder.as_deref(), &here())? {
                Recognised::As(id) => Some(id),
                Recognised::OneOf(_) => None,
            }
        }
    })
}
