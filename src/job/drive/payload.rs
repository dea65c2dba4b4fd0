//! Reads a copy back from the medium.
//! Never takes the system's memory for the medium, and never reads further than a copy is long.

use crate::disk::{ReadFrom, Trouble, Volume, read_full};
use crate::job::JobError;
use crate::model::limits::COPY_BUFFER_BYTES;
use crate::model::{Digest, Hasher, Identity, PayloadName, RelName};

/// What a copy turned out to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Copy {
    /// Something with this identity.
    Is(Identity),
    /// It is there and cannot be read.
    Unreadable,
    /// It is not there.
    Absent,
}

impl Copy {
    /// Its digest, if it has one.
    pub(crate) fn digest(self) -> Option<Digest> {
        match self {
            Self::Is(identity) => Some(identity.digest),
            Self::Unreadable | Self::Absent => None,
        }
    }
}

/// Reads and hashes a copy. `longest` bounds a file that grew without end. An error is one of the
/// drive as a whole; a copy that alone cannot be read is told as such.
pub(crate) fn hash(
    volume: &dyn Volume,
    dir: &RelName,
    payload: PayloadName,
    longest: u64,
) -> Result<Copy, JobError> {
    let at = dir.join(&payload.to_rel());
    let mut source = match volume.read(&at, 0, ReadFrom::Medium) {
        Ok(source) => source,
        Err(error) => return alone(volume, error),
    };
    let mut hasher = Hasher::default();
    let mut buffer = vec![0; COPY_BUFFER_BYTES.min(longest as usize).max(1)];
    let mut total = 0;
    loop {
        match read_full(|into| source.read(into), &mut buffer) {
            Ok(0) => return Ok(Copy::Is(hasher.finish())),
            Ok(got) => {
                hasher.update(&buffer[..got]);
                total += got as u64;
                if total > longest {
                    return Ok(Copy::Is(hasher.finish()));
                }
            }
            Err(error) => return alone(volume, error),
        }
    }
}

/// Whether an error is the copy's alone: then the drive still answers that it is there.
fn alone(volume: &dyn Volume, error: crate::disk::DiskError) -> Result<Copy, JobError> {
    match error.trouble {
        Trouble::Gone => {
            volume.present()?;
            Ok(Copy::Absent)
        }
        Trouble::Failing | Trouble::Refused | Trouble::Denied => {
            volume.present()?;
            Ok(Copy::Unreadable)
        }
        _ => Err(error.into()),
    }
}
