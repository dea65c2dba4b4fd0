//! Keeps track of the drives that are present at once, so that a copy of a drive is not taken for the drive. Asks no
//! medium: the kernel knows whether an earlier drive is still present.

use super::identity::{self, IdFile, StoredId};
use super::open_options::NewDrivePolicy;
use crate::disk::{Access, Volume, VolumeFacts, VolumeSource};
use crate::job::catalogue::Catalogue;
use crate::job::{DriveRef, JobError};
use crate::model::{Clock, DriveId, Finding};
use std::sync::{Arc, Mutex, PoisonError};

/// The drives opened so far, one entry for each id.
#[derive(Default)]
pub struct PresentDrives(Mutex<Vec<PresentDrive>>);

struct PresentDrive {
    id: DriveId,
    volume_source: Arc<dyn VolumeSource>,
    facts: VolumeFacts,
}

/// How a drive's id relates to those of the drives opened before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum IdConflict {
    /// No other present drive has it.
    Only,
    /// It is a drive that is present already, by another path.
    Again,
    /// Another medium has the same id.
    Copy,
}

impl PresentDrives {
    /// Registers a drive that will only be read. Refuses a copy of a drive that this card knows.
    pub(crate) fn register_read_only(
        &self,
        catalogue: &Catalogue,
        drive: &DriveRef,
        volume: &dyn Volume,
    ) -> Result<(), JobError> {
        let facts = volume.facts();
        match identity::read(volume)? {
            IdFile::Id(stored) if is_moved(catalogue, &stored, facts)? => {
                Err(JobError::CopiedDrive { path: facts.shown.clone(), id: stored.id })
            }
            _ => self.register(drive, volume),
        }
    }

    /// Registers the id of a drive that will only be read.
    pub fn register(&self, drive: &DriveRef, volume: &dyn Volume) -> Result<(), JobError> {
        let path = volume.facts().shown.clone();
        let Some(id) = identity::drive_id(volume)? else { return Ok(()) };
        match self.add(id, &drive.volume_source, volume.facts()) {
            IdConflict::Only => Ok(()),
            IdConflict::Again => Err(JobError::SecondTime { path, id }),
            IdConflict::Copy => Err(JobError::CopiedDrive { path, id }),
        }
    }

    /// Registers a drive that will be written; a copy of another drive gets an id of its own first. A copy is
    /// distinguished from its original by the serial number of its file system, as known here or stored with the id;
    /// and, if both have the same, by their being present at the same time. On the file system where this card saw the
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
        let conflict = match is_moved(catalogue, &known, facts)? {
            true => IdConflict::Copy,
            false => self.add(known.id, &drive.volume_source, facts),
        };
        match conflict {
            IdConflict::Only => Ok(None),
            IdConflict::Again => {
                Err(JobError::SecondTime { path: facts.shown.clone(), id: known.id })
            }
            IdConflict::Copy => {
                let own = identity::write_second_id(volume, clock)?;
                self.add(own, &drive.volume_source, facts);
                Ok(Some(Finding::CopiedDrive { of: known.id, own }))
            }
        }
    }

    /// Registers a drive where only known ones are used: a second drive with an id is not the known one.
    pub fn register_known(&self, drive: &DriveRef, volume: &dyn Volume) -> Result<(), JobError> {
        self.register(drive, volume).map_err(|error| match error {
            JobError::CopiedDrive { path, id } => JobError::NotTheKnown { path, id },
            error => error,
        })
    }

    /// The registered drives that are still present, without the one of this source.
    pub fn ids_except(&self, but: &Arc<dyn VolumeSource>) -> Vec<DriveId> {
        let present_drives = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let others = present_drives.iter().filter(|c| !Arc::ptr_eq(&c.volume_source, but));
        others.filter(|c| c.volume_source.still_present(&c.facts)).map(|c| c.id).collect()
    }

    /// Registers which drive it is whose id could not be read.
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

    /// Opens another registered drive that is still present, to read from it.
    pub fn open_other(&self, id: DriveId) -> Option<Box<dyn Volume>> {
        let volume_source = {
            let present_drives = self.0.lock().unwrap_or_else(PoisonError::into_inner);
            let register = present_drives
                .iter()
                .find(|c| c.id == id && c.volume_source.still_present(&c.facts))?;
            Arc::clone(&register.volume_source)
        };
        let volume = volume_source.open(Access::Read).ok()?;
        (identity::drive_id(&*volume).ok()? == Some(id)).then_some(volume)
    }

    fn add(
        &self,
        id: DriveId,
        volume_source: &Arc<dyn VolumeSource>,
        facts: &VolumeFacts,
    ) -> IdConflict {
        let mut present_drives = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        present_drives.retain(|c| {
            !Arc::ptr_eq(&c.volume_source, volume_source) && c.volume_source.still_present(&c.facts)
        });
        let other = present_drives
            .iter()
            .find(|register| register.id == id)
            .map(|register| &register.facts);
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

/// The serial number of the file system on which this card knows a drive.
fn serial_known(catalogue: &Catalogue, id: DriveId) -> Result<Option<String>, JobError> {
    if let Some(serial) = catalogue.known_as(id)?.and_then(|known| known.serial) {
        return Ok(Some(serial));
    }
    Ok(catalogue.drive(id)?.and_then(|row| row.facts.serial))
}

/// Whether an id is on another file system than the one on which this card knows it, whatever is stored with it; for an
/// unknown id, than the one it was made on.
pub(super) fn is_moved(
    catalogue: &Catalogue,
    stored: &StoredId,
    facts: &VolumeFacts,
) -> Result<bool, JobError> {
    let Some(serial) = &facts.serial else { return Ok(false) };
    let of = serial_known(catalogue, stored.id)?.or_else(|| stored.volume.clone());
    Ok(of.is_some_and(|of| of != *serial))
}

/// Refuses for now a removable drive whose serial number cannot be read, if a drive of its id is known by one. A folder
/// is named by a person, who says which drive it is.
pub(crate) fn check_serial(
    catalogue: &Catalogue,
    drive: &DriveRef,
    volume: &dyn Volume,
) -> Result<(), JobError> {
    if volume.facts().serial.is_some()
        || !matches!(drive.begin, NewDrivePolicy::OnDevice | NewDrivePolicy::Known)
    {
        return Ok(());
    }
    let Some(id) = identity::drive_id(volume)? else { return Ok(()) };
    match serial_known(catalogue, id)? {
        Some(_) => Err(JobError::SerialUnread { path: volume.facts().shown.clone(), id }),
        None => Ok(()),
    }
}
