//! Owns `drive.json`, by which a drive is recognised at any place and under any name, and the further ids of drives
//! that were copied from others. Believes no more of the file than its format and its id.

use crate::disk::{EntryKind, ErrorKind, ReadFrom, Volume, read_full};
use crate::job::JobError;
use crate::model::limits::{DRIVE_FILE_BYTES, DRIVE_FILES_MAX, DRIVE_FOLDER_ENTRIES, STATIONS_MAX};
use crate::model::{Clock, DriveId, RelName, StationName, bag};
use serde::{Deserialize, Serialize};

/// The version of a drive's layout that this program writes.
const FORMAT: u32 = 1;

#[derive(Serialize, Deserialize)]
struct DriveFile {
    format: u32,
    id: String,
    #[serde(default)]
    made: String,
    /// Serial number of the file system on which the id was made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    volume: Option<String>,
}

/// The fields that every later format has too.
#[derive(Deserialize)]
struct FormatVersion {
    format: u64,
    #[serde(default)]
    id: serde_json::Value,
}

/// An id as it stands on a drive.
pub(super) struct StoredId {
    /// The random id in its `drive.json`.
    pub id: DriveId,
    /// Serial number of the file system on which the id was made, if it had one.
    pub volume: Option<String>,
}

/// What was found instead of, or as, the id file.
pub(super) enum IdFile {
    /// A file with an id.
    Id(StoredId),
    /// No file.
    Nothing,
    /// A file that is not readable as ours: torn when it was made, or rotten. Its name, and its length in bytes.
    Unreadable(RelName, u64),
    /// A file of a later format, which may be read from and never written to; its id, if it still has one.
    Newer(u32, Option<DriveId>),
}

/// The name of an id file: `drive.json`; `drive-2.json` and so on if the drive was copied from another.
fn file(number: u32) -> RelName {
    match number {
        1 => RelName::fixed(bag::DRIVE_FILE),
        _ => bag::drive_file(number),
    }
}

/// The number of the latest id file, 0 if there is none. A copied drive's ids follow the original's, so that no file
/// has to be changed.
fn latest(volume: &dyn Volume) -> Result<u32, JobError> {
    for number in 1..=DRIVE_FILES_MAX {
        if volume.length(&file(number))?.is_none() {
            return Ok(number - 1);
        }
    }
    Ok(DRIVE_FILES_MAX)
}

/// Reads the id of a drive.
pub(super) fn read(volume: &dyn Volume) -> Result<IdFile, JobError> {
    match latest(volume)? {
        0 => Ok(IdFile::Nothing),
        number => read_file(volume, number),
    }
}

fn read_file(volume: &dyn Volume, number: u32) -> Result<IdFile, JobError> {
    let at = file(number);
    let length = volume.length(&at)?.unwrap_or(0);
    if length > DRIVE_FILE_BYTES {
        return Ok(IdFile::Unreadable(at, length));
    }
    let mut source = volume.read(&at, 0, ReadFrom::Anywhere)?;
    let mut text = vec![0; length as usize];
    let got = read_full(&mut *source, &mut text)?;
    // Serde would take an array for the object, too.
    let object = text[..got].trim_ascii_start().starts_with(b"{");
    let version = serde_json::from_slice::<FormatVersion>(&text[..got]).ok().filter(|_| object);
    let Some(version) = version else {
        return Ok(IdFile::Unreadable(at, length));
    };
    if version.format > u64::from(FORMAT) {
        let id = version.id.as_str().and_then(|id| id.parse().ok());
        return Ok(IdFile::Newer(u32::try_from(version.format).unwrap_or(u32::MAX), id));
    }
    let Ok(file) = serde_json::from_slice::<DriveFile>(&text[..got]) else {
        return Ok(IdFile::Unreadable(at, length));
    };
    match file.id.parse() {
        Ok(id) if id != DriveId::NIL => Ok(IdFile::Id(StoredId { id, volume: file.volume })),
        _ => Ok(IdFile::Unreadable(at, length)),
    }
}

/// The id in the first file: the original's, if this drive is a copy.
fn first_id(volume: &dyn Volume) -> Result<Option<DriveId>, JobError> {
    Ok(match read_file(volume, 1)? {
        IdFile::Id(stored) => Some(stored.id),
        _ => None,
    })
}

/// The id of the drive that this one was copied from, if that can be read; its own id if it is no copy.
pub(super) fn origin_of(volume: &dyn Volume, id: DriveId) -> Result<Option<DriveId>, JobError> {
    if latest(volume)? > 1 { first_id(volume) } else { Ok(Some(id)) }
}

/// The ids in all files but the latest: a drive that got a later id is none of these.
pub(super) fn earlier_ids(volume: &dyn Volume) -> Result<Vec<DriveId>, JobError> {
    let mut ids = Vec::new();
    for number in 1..latest(volume)? {
        if let IdFile::Id(stored) = read_file(volume, number)? {
            ids.push(stored.id);
        }
    }
    Ok(ids)
}

/// Makes a drive of a folder by giving it a random id. A folder that has an id keeps it.
pub fn make_drive(volume: &dyn Volume, clock: &dyn Clock) -> Result<DriveId, JobError> {
    make_drive_of(volume, None, clock)
}

/// Makes a drive of a folder, with `known` as its id if it had one.
pub(super) fn make_drive_of(
    volume: &dyn Volume,
    known: Option<DriveId>,
    clock: &dyn Clock,
) -> Result<DriveId, JobError> {
    let id = || known.map_or_else(random_id, Ok);
    match read(volume)? {
        IdFile::Id(stored) => Ok(stored.id),
        IdFile::Nothing => {
            volume.make_dir(&RelName::fixed(bag::HOME))?;
            create(volume, 1, id()?, clock)
        }
        IdFile::Unreadable(at, length) if length <= DRIVE_FILE_BYTES => {
            // In place, with blanks over the rest: on FAT nothing is truncated, and without a readable id there is
            // nothing to lose.
            let id = id()?;
            let mut text = new_file(volume, id, clock);
            let missing = (length as usize).saturating_sub(text.len() + 1);
            text.extend(std::iter::repeat_n(' ', missing));
            text.push('\n');
            volume.write_synced(&at, 0, text.as_bytes()).map_err(JobError::NotSynced)?;
            Ok(id)
        }
        IdFile::Unreadable(file, _) => Err(JobError::Broken(format!(
            "{}: {file} is not ours: look at it by hand, or use another drive",
            volume.facts().shown
        ))),
        IdFile::Newer(format, _) => {
            Err(JobError::NewerFormat { path: volume.facts().shown.clone(), format })
        }
    }
}

/// Gives a drive that was copied from another an id of its own; its contents stay as they are.
pub(super) fn write_second_id(volume: &dyn Volume, clock: &dyn Clock) -> Result<DriveId, JobError> {
    let number = latest(volume)? + 1;
    if number > DRIVE_FILES_MAX {
        return Err(JobError::Broken(format!(
            "{}: this drive was copied from copies too often: use another one",
            volume.facts().shown
        )));
    }
    create(volume, number, random_id()?, clock)
}

fn random_id() -> Result<DriveId, JobError> {
    Ok(DriveId::from_bits(crate::disk::host::random_bits()?))
}

fn create(
    volume: &dyn Volume,
    number: u32,
    id: DriveId,
    clock: &dyn Clock,
) -> Result<DriveId, JobError> {
    let mut text = new_file(volume, id, clock);
    text.push('\n');
    drop(volume.create(&file(number))?);
    volume.sync_all().map_err(JobError::NotSynced)?;
    // The id is durable before anybody remembers it: otherwise a power failure would leave a place that is remembered
    // as a drive and has no id, which a person would have to sort out.
    volume.write_synced(&file(number), 0, text.as_bytes()).map_err(JobError::NotSynced)?;
    Ok(id)
}

fn new_file(volume: &dyn Volume, id: DriveId, clock: &dyn Clock) -> String {
    let made = clock.event_time().time.to_rfc3339();
    let serial = volume.facts().serial.clone();
    let file = DriveFile { format: FORMAT, id: id.to_string(), made, volume: serial };
    serde_json::to_string(&file).unwrap_or_default()
}

/// The id of a drive, if it can be read.
pub fn drive_id(volume: &dyn Volume) -> Result<Option<DriveId>, JobError> {
    Ok(match read(volume)? {
        IdFile::Id(stored) => Some(stored.id),
        IdFile::Newer(_, id) => id,
        IdFile::Nothing | IdFile::Unreadable(..) => None,
    })
}

/// The stations that have a bag on a drive. A folder that cannot be read hides none of the others: whoever opens it
/// gets the error.
pub fn stations(volume: &dyn Volume) -> Result<Vec<StationName>, JobError> {
    let home = RelName::fixed(bag::HOME);
    let mut found = Vec::new();
    for entry in volume.list(&home, STATIONS_MAX * 2)? {
        let name = std::str::from_utf8(&entry.name).ok().and_then(|name| name.parse().ok());
        if let (EntryKind::Folder, Some(name)) = (entry.kind, name) {
            let is_one = match is_station(volume, &name) {
                Err(JobError::Disk(error)) if error.trouble == ErrorKind::Failing => false,
                known => known?,
            };
            found.extend(is_one.then_some(name));
        }
    }
    found.sort();
    found.truncate(STATIONS_MAX);
    Ok(found)
}

/// Whether a folder is a station's bag: next to those there are the folder of the programs, and what a repair tool
/// left.
pub fn is_station(volume: &dyn Volume, name: &StationName) -> Result<bool, JobError> {
    let entries = volume.list(&bag::station_dir(name), DRIVE_FOLDER_ENTRIES)?;
    let ours = [bag::PAYLOAD, bag::LEDGER, bag::MANIFEST, bag::DECLARATION];
    Ok(entries.iter().any(|entry| ours.iter().any(|name| entry.name == name.as_bytes())))
}
