//! Which drives are here at once, so that one copied from another is not taken for it.
//! Never asks a medium: whether an earlier drive is still here, the kernel tells.

use super::identity::{self, IdFile, StoredId};
use super::open_options::Begin;
use crate::disk::{Access, Volume, VolumeFacts, VolumeSource};
use crate::job::catalogue::Catalogue;
use crate::job::{DriveRef, JobError};
use crate::model::{Clock, DriveId, Finding};
use std::sync::{Arc, Mutex, PoisonError};

/// The drives met so far, one entry an id.
#[derive(Default)]
pub struct PresentDrives(Mutex<Vec<PresentDrive>>);

struct PresentDrive {
    id: DriveId,
    volume_source: Arc<dyn VolumeSource>,
    facts: VolumeFacts,
}

/// What a drive is beside those met before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum IdConflict {
    /// The only one with its id.
    Only,
    /// One that is here already, by another path.
    Again,
    /// Another medium with the same id.
    Copy,
}

impl PresentDrives {
    /// Looks at a drive that this card may know: one that was copied from a known one is not taken for it.
    pub(crate) fn meet_to_look(
        &self,
        catalogue: &Catalogue,
        drive: &DriveRef,
        volume: &dyn Volume,
    ) -> Result<(), JobError> {
        let facts = volume.facts();
        match identity::read(volume)? {
            IdFile::Id(told) if is_moved(catalogue, &told, facts)? => {
                Err(JobError::CopiedDrive { at: facts.shown.clone(), id: told.id })
            }
            _ => self.meet(drive, volume),
        }
    }

    /// Looks at the id of a drive that will only be read.
    pub fn meet(&self, drive: &DriveRef, volume: &dyn Volume) -> Result<(), JobError> {
        let at = volume.facts().shown.clone();
        let Some(id) = identity::drive_id(volume)? else { return Ok(()) };
        match self.claim(id, &drive.volume_source, volume.facts()) {
            IdConflict::Only => Ok(()),
            IdConflict::Again => Err(JobError::SecondTime { at, id }),
            IdConflict::Copy => Err(JobError::CopiedDrive { at, id }),
        }
    }

    /// The same for a drive that will be written: one that was copied from another gets an id of its own
    /// first. It is told from the original by the serial number of its file system, known here or kept beside the id,
    /// and, where both have the same, by being here at the same time. On the file system where this card saw the
    /// original it is no copy, whatever the file says: a byte of it may have rotted.
    pub fn resolve(
        &self,
        catalogue: &Catalogue,
        drive: &DriveRef,
        volume: &dyn Volume,
        clock: &dyn Clock,
    ) -> Result<Option<Finding>, JobError> {
        let IdFile::Id(known) = identity::read(volume)? else { return Ok(None) };
        let facts = volume.facts();
        let standing = match is_moved(catalogue, &known, facts)? {
            true => IdConflict::Copy,
            false => self.claim(known.id, &drive.volume_source, facts),
        };
        match standing {
            IdConflict::Only => Ok(None),
            IdConflict::Again => {
                Err(JobError::SecondTime { at: facts.shown.clone(), id: known.id })
            }
            IdConflict::Copy => {
                let own = identity::write_second_id(volume, clock)?;
                self.claim(own, &drive.volume_source, facts);
                Ok(Some(Finding::CopiedDrive { of: known.id, own }))
            }
        }
    }

    /// The same where only known drives are used: a second one with an id is not the known one.
    pub fn meet_known(&self, drive: &DriveRef, volume: &dyn Volume) -> Result<(), JobError> {
        self.meet(drive, volume).map_err(|error| match error {
            JobError::CopiedDrive { at, id } => JobError::NotTheKnown { at, id },
            error => error,
        })
    }

    /// The drives met so far that are still here, but for the one of this source.
    pub fn here(&self, but: &Arc<dyn VolumeSource>) -> Vec<DriveId> {
        let present_drives = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let others = present_drives.iter().filter(|c| !Arc::ptr_eq(&c.volume_source, but));
        others.filter(|c| c.volume_source.still_present(&c.facts)).map(|c| c.id).collect()
    }

    /// Takes down which drive one turned out to be that could not tell its id.
    pub fn note(&self, id: DriveId, drive: &DriveRef, facts: &VolumeFacts) {
        let mut present_drives = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if !present_drives
            .iter()
            .any(|c| c.id == id || Arc::ptr_eq(&c.volume_source, &drive.volume_source))
        {
            present_drives.push(PresentDrive {
                id,
                volume_source: Arc::clone(&drive.volume_source),
                facts: facts.clone(),
            });
        }
    }

    /// Opens another drive that was met and is still here, to read from it.
    pub fn lend(&self, id: DriveId) -> Option<Box<dyn Volume>> {
        let volume_source = {
            let present_drives = self.0.lock().unwrap_or_else(PoisonError::into_inner);
            let claim = present_drives
                .iter()
                .find(|c| c.id == id && c.volume_source.still_present(&c.facts))?;
            Arc::clone(&claim.volume_source)
        };
        let volume = volume_source.open(Access::Read).ok()?;
        (identity::drive_id(&*volume).ok()? == Some(id)).then_some(volume)
    }

    fn claim(
        &self,
        id: DriveId,
        volume_source: &Arc<dyn VolumeSource>,
        facts: &VolumeFacts,
    ) -> IdConflict {
        let mut present_drives = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        present_drives.retain(|c| {
            !Arc::ptr_eq(&c.volume_source, volume_source) && c.volume_source.still_present(&c.facts)
        });
        let other = present_drives.iter().find(|claim| claim.id == id).map(|claim| &claim.facts);
        match other {
            Some(other) if (other.device, other.root) == (facts.device, facts.root) => {
                IdConflict::Again
            }
            Some(_) => IdConflict::Copy,
            None => {
                present_drives.push(PresentDrive {
                    id,
                    volume_source: Arc::clone(volume_source),
                    facts: facts.clone(),
                });
                IdConflict::Only
            }
        }
    }
}

/// The serial number of the file system that a drive is known by here.
fn serial_known(catalogue: &Catalogue, id: DriveId) -> Result<Option<String>, JobError> {
    if let Some(serial) = catalogue.known_as(id)?.and_then(|known| known.serial) {
        return Ok(Some(serial));
    }
    Ok(catalogue.drive(id)?.and_then(|row| row.facts.serial))
}

/// Whether an id is on another file system than the one that this card knows it on, whatever is written beside it; of
/// one that is not known, whether it was made on another.
pub(super) fn is_moved(
    catalogue: &Catalogue,
    told: &StoredId,
    facts: &VolumeFacts,
) -> Result<bool, JobError> {
    let Some(serial) = &facts.serial else { return Ok(false) };
    let of = serial_known(catalogue, told.id)?.or_else(|| told.volume.clone());
    Ok(of.is_some_and(|of| of != *serial))
}

/// Refuses for now a removable drive that cannot be told from one that is known by its serial number, since its own
/// cannot be read. A folder is named by a person, who says which one it is.
pub(crate) fn serial_is_read(
    catalogue: &Catalogue,
    drive: &DriveRef,
    volume: &dyn Volume,
) -> Result<(), JobError> {
    if volume.facts().serial.is_some() || !matches!(drive.begin, Begin::OnDevice | Begin::Known) {
        return Ok(());
    }
    let Some(id) = identity::drive_id(volume)? else { return Ok(()) };
    match serial_known(catalogue, id)? {
        Some(_) => Err(JobError::SerialUnread { at: volume.facts().shown.clone(), id }),
        None => Ok(()),
    }
}
