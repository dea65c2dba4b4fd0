//! Reads a copy back from the medium.
//! Never takes the system's memory for the medium, and never reads further than a copy is long.

use crate::disk::{DiskError, ReadFrom, Source, Trouble, Volume, read_full};
use crate::job::JobError;
use crate::model::limits::{COPY_BUFFER_BYTES, READ_AHEAD_COPIES};
use crate::model::{Digest, Hasher, Identity, PayloadName, RelName};
use std::collections::VecDeque;

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
    match open(volume, dir, payload) {
        Ok(source) => hash_source(volume, source, longest),
        Err(error) => alone(volume, error),
    }
}

/// Reads and hashes many copies, in order, with a few opened ahead, so that the medium is asked for
/// the next ones while one is hashed. `each` is given the place of every copy in the list.
pub(crate) fn hash_all(
    volume: &dyn Volume,
    dir: &RelName,
    copies: &[(PayloadName, u64)],
    mut each: impl FnMut(usize, Copy) -> Result<(), JobError>,
) -> Result<(), JobError> {
    let mut ahead = VecDeque::new();
    let mut to_open = copies.iter();
    for (at, (_, longest)) in copies.iter().enumerate() {
        ahead.extend(
            to_open
                .by_ref()
                .take(READ_AHEAD_COPIES - ahead.len())
                .map(|(payload, _)| open(volume, dir, *payload)),
        );
        let copy = match ahead.pop_front() {
            Some(Ok(source)) => hash_source(volume, source, *longest)?,
            Some(Err(error)) => alone(volume, error)?,
            None => Copy::Absent,
        };
        each(at, copy)?;
    }
    Ok(())
}

fn open(
    volume: &dyn Volume,
    dir: &RelName,
    payload: PayloadName,
) -> Result<Box<dyn Source>, DiskError> {
    volume.read(&dir.join(&payload.to_rel()), 0, ReadFrom::Medium)
}

fn hash_source(
    volume: &dyn Volume,
    mut source: Box<dyn Source>,
    longest: u64,
) -> Result<Copy, JobError> {
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
fn alone(volume: &dyn Volume, error: DiskError) -> Result<Copy, JobError> {
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
