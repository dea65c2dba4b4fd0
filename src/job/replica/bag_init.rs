//! Creates a station's folder on a drive, and completes what a power failure left of a first attempt. Never changes a
//! file that holds anything but our own fixed text.

use crate::disk::{DiskError, ReadFrom, Volume, read_full};
use crate::job::JobError;
use crate::model::{Clock, RelName, StationName, bag};

/// Creates what is missing of a station's folder. The caller's first synced write makes it durable on the device; until
/// then nothing in it has been acknowledged.
pub(super) fn ensure(
    volume: &dyn Volume,
    station: &StationName,
    clock: &dyn Clock,
) -> Result<(), JobError> {
    let dir = bag::station_dir(station);
    volume.make_dir(&dir.join(&RelName::fixed(bag::PAYLOAD)))?;
    let mut made = false;
    let info = bag::info_text(station, clock.event_time().time);
    let readme = bag::readme_text(station, &[]);
    let files = [
        (bag::DECLARATION, bag::DECLARATION_TEXT),
        (bag::INFO, info.as_str()),
        (bag::README, readme.as_str()),
        (bag::MANIFEST, ""),
        (bag::LEDGER, ""),
    ];
    for (name, text) in files {
        let at = dir.join(&RelName::fixed(name));
        match volume.length(&at)? {
            None => {
                volume.create(&at)?.write(text.as_bytes())?;
                made = true;
            }
            // Shorter than it should be, or a declaration with other bytes: torn when it was created. Both are
            // overwritten in place, which destroys nothing that was ever good.
            Some(length) if length < text.len() as u64 && !text.is_empty() => {
                synced(volume.write_synced(&at, 0, text.as_bytes()))?;
            }
            Some(length) if name == bag::DECLARATION && length == text.len() as u64 => {
                let mut there = vec![0; text.len()];
                let mut source = volume.read(&at, 0, ReadFrom::Anywhere)?;
                read_full(&mut *source, &mut there)?;
                if there != text.as_bytes() {
                    synced(volume.write_synced(&at, 0, text.as_bytes()))?;
                }
            }
            Some(_) => {}
        }
    }
    if made {
        synced(volume.sync_all())?;
    }
    Ok(())
}

fn synced(done: Result<(), DiskError>) -> Result<(), JobError> {
    done.map_err(JobError::NotSynced)
}
