//! Owns `drive.json`, by which a drive is known again wherever and under whatever name it appears.
//! Never believes more of it than its format and its id.

use crate::disk::{EntryKind, ReadFrom, Volume, read_full};
use crate::job::JobError;
use crate::model::limits::{DRIVE_FILE_BYTES, STATIONS_MAX};
use crate::model::{Clock, DriveId, RelName, StationName, bag};
use serde::{Deserialize, Serialize};

/// Version of the layout of a drive.
const FORMAT: u32 = 1;

#[derive(Serialize, Deserialize)]
struct DriveFile {
    format: u32,
    id: String,
    #[serde(default)]
    made: String,
}

/// What stands where the id should be.
pub(super) enum Known {
    /// An id.
    Id(DriveId),
    /// No file.
    Nothing,
    /// A file that cannot be read as ours: torn when it was made, or rotten. Its length in octets.
    Unreadable(u64),
    /// A file of a later format, which may be read from and never written to; its id, if it still has one.
    Newer(u32, Option<DriveId>),
}

/// Reads the id of a drive.
pub(super) fn read(volume: &dyn Volume) -> Result<Known, JobError> {
    let at = RelName::fixed(bag::DRIVE_FILE);
    let Some(length) = volume.length(&at)? else { return Ok(Known::Nothing) };
    if length > DRIVE_FILE_BYTES {
        return Ok(Known::Unreadable(length));
    }
    let mut source = volume.read(&at, 0, ReadFrom::Anywhere)?;
    let mut text = vec![0; length as usize];
    let got = read_full(|into| source.read(into), &mut text)?;
    let Ok(file) = serde_json::from_slice::<DriveFile>(&text[..got]) else {
        return Ok(Known::Unreadable(length));
    };
    if file.format > FORMAT {
        return Ok(Known::Newer(file.format, file.id.parse().ok()));
    }
    Ok(file.id.parse().map_or(Known::Unreadable(length), Known::Id))
}

/// Makes a drive of a folder: gives it a random id. One that has an id keeps it.
pub fn make_drive(volume: &dyn Volume, clock: &dyn Clock) -> Result<DriveId, JobError> {
    let at = RelName::fixed(bag::DRIVE_FILE);
    let old_length = match read(volume)? {
        Known::Id(id) => return Ok(id),
        Known::Nothing => None,
        Known::Unreadable(length) => Some(length),
        Known::Newer(format, _) => {
            return Err(JobError::NewerFormat { at: volume.facts().shown.clone(), format });
        }
    };
    let id = DriveId::from_bits(crate::disk::host::random_bits()?);
    let made = clock.stamp().time.to_rfc3339();
    let file = DriveFile { format: FORMAT, id: id.to_string(), made };
    let mut text = serde_json::to_string(&file).unwrap_or_default();
    match old_length {
        None => {
            text.push('\n');
            volume.make_dir(&RelName::fixed(bag::HOME))?;
            volume.create(&at)?.write(text.as_bytes())?;
            volume.sync_all()?;
        }
        Some(length) if length <= DRIVE_FILE_BYTES => {
            // In place, blanks covering the rest: on FAT nothing is truncated, and without a readable
            // id there is nothing to lose here.
            let missing = (length as usize).saturating_sub(text.len() + 1);
            text.extend(std::iter::repeat_n(' ', missing));
            text.push('\n');
            volume.write_synced(&at, 0, text.as_bytes())?;
        }
        Some(_) => {
            let at = volume.facts().shown.clone();
            return Err(JobError::Broken(format!(
                "{at}: counterfoil/drive.json is not ours: look at it by hand, or use another drive"
            )));
        }
    }
    Ok(id)
}

/// The id of the drive, if it has one that can be read.
pub fn drive_id(volume: &dyn Volume) -> Result<Option<DriveId>, JobError> {
    Ok(match read(volume)? {
        Known::Id(id) => Some(id),
        Known::Newer(_, id) => id,
        Known::Nothing | Known::Unreadable(_) => None,
    })
}

/// The stations that have a folder on a drive.
pub fn stations(volume: &dyn Volume) -> Result<Vec<StationName>, JobError> {
    let home = RelName::fixed(bag::HOME);
    let mut found = Vec::new();
    for entry in volume.list(&home, STATIONS_MAX * 2)? {
        let name = std::str::from_utf8(&entry.name).ok().and_then(|name| name.parse().ok());
        if let (EntryKind::Folder, Some(name)) = (entry.kind, name) {
            found.push(name);
        }
    }
    found.sort();
    found.truncate(STATIONS_MAX);
    Ok(found)
}
