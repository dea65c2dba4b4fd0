//! Wipes one of our drives: deletes everything in our folder, overwrites the free space with zeros, and deletes the
//! drive's id. Never touches anything outside our folder.
//!
//! The id goes last: a wipe that was interrupted can be distinguished from a new stick, and continues.

use crate::disk::{Access, DiskError, ErrorKind, Volume, VolumeFacts, VolumeSource};
use crate::job::{JobError, Progress};
use crate::model::limits::{ZEROS_FILE_BYTES, ZEROS_SYNCED_BYTES};
use crate::model::{RelName, bag};
use rustix::io::Errno;

/// Zeros written at once, in bytes; the second if there is no room for the first.
const PIECES: [usize; 2] = [1 << 20, 4 << 10];

/// The result of a wipe.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Wiped {
    /// Files that were deleted.
    pub files: u64,
    /// Free space that was overwritten, in bytes.
    pub zeros: u64,
    /// It was stopped: the messages are deleted, and not all free space is overwritten.
    pub stopped: bool,
}

/// Wipes an open drive, which its operator gave up before. With `fills` its free space is overwritten. `volume_source`
/// is where the drive was opened.
pub fn wipe(
    volume_source: &dyn VolumeSource,
    volume: Box<dyn Volume>,
    fills: bool,
    progress: &dyn Progress,
) -> Result<Wiped, JobError> {
    let mut wiped = Wiped::default();
    let kept = |name: &[u8]| name.starts_with(b"drive") && name.ends_with(b".json");
    let home = RelName::fixed(bag::HOME);
    if !clear(&*volume, &home, &kept, progress, &mut wiped)? {
        return Ok(Wiped { stopped: true, ..wiped });
    }
    volume.sync_all()?;
    let filled = match fills {
        true => fill(&*volume, &home, progress, &mut wiped),
        false => Ok(true),
    };
    // The zeros are removed in any case: the stick is somebody's, and it is full. If syncing them failed, this volume
    // deletes nothing more, so the drive is opened again.
    let volume = match volume.clear(&home, &kept, &mut || true) {
        Ok(_) => volume,
        Err(_) => {
            let anew = opened_anew(volume_source, volume)?;
            anew.clear(&home, &kept, &mut || true)?;
            anew
        }
    };
    volume.sync_all()?;
    if !filled? {
        return Ok(Wiped { stopped: true, ..wiped });
    }
    volume.clear(&home, &|_| false, &mut || true)?;
    volume.remove_empty(&home)?;
    volume.sync_all()?;
    Ok(wiped)
}

/// Opens the same drive again, and no other that may be there by now.
fn opened_anew(
    volume_source: &dyn VolumeSource,
    volume: Box<dyn Volume>,
) -> Result<Box<dyn Volume>, DiskError> {
    let VolumeFacts { mount, shown, .. } = volume.facts().clone();
    // It holds the lock.
    drop(volume);
    let anew = volume_source.open(Access::Write)?;
    match anew.facts().mount == mount {
        true => Ok(anew),
        false => Err(DiskError::new("wipe", shown, Errno::NODEV)),
    }
}

fn clear(
    volume: &dyn Volume,
    home: &RelName,
    kept: &dyn Fn(&[u8]) -> bool,
    progress: &dyn Progress,
    wiped: &mut Wiped,
) -> Result<bool, DiskError> {
    volume.clear(home, kept, &mut || {
        wiped.files += 1;
        progress.advance(1, 0);
        !progress.stop()
    })
}

/// Writes zeros until there is no more room; `false` if it was stopped.
fn fill(
    volume: &dyn Volume,
    home: &RelName,
    progress: &dyn Progress,
    wiped: &mut Wiped,
) -> Result<bool, JobError> {
    let zeros = vec![0; PIECES[0]];
    let longest = volume.facts().longest_file.min(ZEROS_FILE_BYTES);
    for number in 1_u64.. {
        let at = home.join(&RelName::fixed(&format!("zeros-{number}")));
        let mut file = match volume.create(&at) {
            Err(error) if error.trouble == ErrorKind::Full => return Ok(true),
            file => file?,
        };
        let mut length = 0;
        let mut is_full = false;
        for piece in PIECES {
            is_full = false;
            while !is_full && length + piece as u64 <= longest {
                if progress.stop() {
                    return Ok(false);
                }
                match file.write(&zeros[..piece]) {
                    Err(error) if error.trouble == ErrorKind::Full => is_full = true,
                    written => written?,
                }
                length += piece as u64;
                if !is_full {
                    wiped.zeros += piece as u64;
                    progress.advance(0, piece as u64);
                }
                if length.is_multiple_of(ZEROS_SYNCED_BYTES) && !synced(volume)? {
                    return Ok(true);
                }
            }
        }
        drop(file);
        if is_full || !synced(volume)? {
            return Ok(true);
        }
    }
    Ok(true)
}

/// Syncs what was written, so that little waits in memory; `false` if there is no room for it.
fn synced(volume: &dyn Volume) -> Result<bool, DiskError> {
    match volume.sync_all() {
        Err(error) if error.trouble == ErrorKind::Full => Ok(false),
        done => done.map(|()| true),
    }
}
