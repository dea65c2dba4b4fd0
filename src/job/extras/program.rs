//! Puts a program on a drive, with its hash next to it. A power failure while it is written leaves it without a hash,
//! and so does a stick that did not keep it: a hash stands there only for a program that was read back. What is there
//! from an earlier mount is compared byte by byte, since whoever had the stick may have changed it and its hash.

use super::overwrite::{ExtrasWriter, Occupant};
use crate::disk::{Chunks, ErrorKind, ReadFrom, Source, bundled_programs, read_full};
use crate::job::JobError;
use crate::model::limits::{EXTRAS_CHUNK_BYTES, EXTRAS_PROGRAM_MORE, EXTRAS_SUM_BYTES};
use crate::model::{Digest, Hasher, Identity, RelName, bag};

/// A program, as `README.TXT` and the station's reports name it.
pub fn carried_program(
    program: &bundled_programs::BundledProgram,
) -> Result<bag::CarriedProgram, JobError> {
    let (bytes, digest) = hash(&mut *program.open()?, 0)?;
    Ok(bag::CarriedProgram { name: program.name.clone(), identity: Identity { digest, bytes } })
}

/// Puts a program there, if it is not. `compare`: it was not read yet since the drive came.
pub(super) fn write_program(
    extras: &mut ExtrasWriter<'_>,
    program: &bundled_programs::BundledProgram,
    own: &Identity,
    compare: bool,
) -> Result<(), JobError> {
    if extras.stops() {
        return Ok(());
    }
    let folder = RelName::fixed(bag::PROGRAMS);
    let at = folder.join(&RelName::fixed(&program.name));
    let sum_path = folder.join(&RelName::fixed(&format!("{}.sha256", program.name)));
    let occupants = (extras.occupant(&at)?, extras.occupant(&sum_path)?);
    let (Occupant::Ours(there), Occupant::Ours(sum_bytes_there)) = occupants else {
        return Ok(());
    };
    let bytes = own.bytes;
    if there > Some(bytes.saturating_add(EXTRAS_PROGRAM_MORE))
        || sum_bytes_there > Some(EXTRAS_SUM_BYTES)
    {
        return leave_out(extras, &sum_path, sum_bytes_there);
    }
    let length = bytes.max(there.unwrap_or(0));
    // A shorter program is filled up with NUL, which it does not mind: on FAT nothing is truncated.
    let (_, digest) = hash(&mut *program.open()?, length - bytes)?;
    let sum = format!("{digest}  {}\n", program.name);
    let is_there = there == Some(length)
        && sum_bytes_there.is_some_and(|length| length >= sum.len() as u64)
        && extras.has_text(&sum_path, sum.as_bytes())?
        && (!compare || is_same(extras, &at, length, digest)?);
    // Perhaps it was not compared to its end.
    if extras.stops() {
        return Ok(());
    }
    if is_there {
        extras.done.bytes += length + sum.len() as u64;
        return Ok(());
    }
    extras.volume.make_dir(&folder)?;
    // Both, or neither: without its hash a program is of no use.
    let sum_length = (sum.len() as u64).max(sum_bytes_there.unwrap_or(0));
    if !extras.has_room(there, length)? || !extras.has_room(sum_bytes_there, sum_length)? {
        return Ok(());
    }
    extras.grow(&at, there, length)?;
    extras.grow(&sum_path, sum_bytes_there, sum_length)?;
    extras.write_at(&sum_path, 0, &bag::filler(sum_bytes_there.unwrap_or(0)))?;
    extras.flush()?;
    if !copy(extras, program, &at, length)? {
        return Ok(());
    }
    let is_kept = is_same(extras, &at, length, digest)?;
    if !is_kept || extras.done.stopped {
        extras.done.left_out += u64::from(!extras.done.stopped);
        return Ok(());
    }
    let mut line = sum.into_bytes();
    line.resize(sum_length as usize, b'\n');
    extras.write_synced(&sum_path, 0, &line)?;
    extras.done.written += 1;
    extras.done.bytes += length + sum_length;
    Ok(())
}

/// What is so much longer than ours is no earlier version of it: it is not filled up, stays as it is, and has no hash.
fn leave_out(
    extras: &mut ExtrasWriter<'_>,
    sum_path: &RelName,
    sum_bytes_there: Option<u64>,
) -> Result<(), JobError> {
    extras.done.left_out += 1;
    // What is longer than a hash is left to whoever put it there.
    match sum_bytes_there.filter(|length| *length <= EXTRAS_SUM_BYTES).map(bag::filler) {
        Some(blank) if !extras.has_text(sum_path, &blank)? => {
            extras.write_synced(sum_path, 0, &blank)
        }
        _ => Ok(()),
    }
}

/// Whether a file is ours, as the medium gives it. One that cannot be read is not, nor one of which reading was
/// stopped.
fn is_same(
    extras: &mut ExtrasWriter<'_>,
    at: &RelName,
    length: u64,
    digest: Digest,
) -> Result<bool, JobError> {
    let volume = extras.volume;
    let mut source = match volume.read(at, 0, ReadFrom::Medium) {
        Err(error) if error.trouble == ErrorKind::Failing => return Ok(false),
        source => source?,
    };
    let mut hasher = Hasher::default();
    let (mut pieces, mut piece) = (Chunks::new(&mut *source, length), Vec::new());
    loop {
        if extras.stops() {
            return Ok(false);
        }
        match pieces.next(&mut piece) {
            Ok(true) => hasher.update(&piece),
            Ok(false) => break,
            Err(error) if error.trouble == ErrorKind::Failing => return Ok(false),
            Err(error) => return Err(error.into()),
        }
    }
    Ok(hasher.finish() == Identity { digest, bytes: length })
}

/// Copies it over what is there. `false`: it was asked to end.
fn copy(
    extras: &mut ExtrasWriter<'_>,
    program: &bundled_programs::BundledProgram,
    at: &RelName,
    length: u64,
) -> Result<bool, JobError> {
    let mut source = program.open()?;
    let mut chunk = vec![0; EXTRAS_CHUNK_BYTES];
    let mut done = 0;
    while done < length {
        if extras.stops() {
            return Ok(false);
        }
        let part = (length - done).min(EXTRAS_CHUNK_BYTES as u64) as usize;
        let got = read_full(&mut *source, &mut chunk[..part])?;
        chunk[got..part].fill(0);
        extras.write_at(at, done, &chunk[..part])?;
        extras.hand_over()?;
        done += part as u64;
    }
    // Before its hash is written, which must not be kept without it.
    extras.flush()?;
    Ok(true)
}

const NULS: [u8; 4 << 10] = [0; 4 << 10];

/// Length and hash of what comes, and of so many NUL after it.
fn hash(source: &mut dyn Source, filling: u64) -> Result<(u64, Digest), JobError> {
    let mut hasher = Hasher::default();
    let (mut pieces, mut piece) = (Chunks::new(source, u64::MAX), Vec::new());
    while pieces.next(&mut piece)? {
        hasher.update(&piece);
    }
    let mut left = filling;
    while left > 0 {
        let some = left.min(NULS.len() as u64);
        hasher.update(&NULS[..some as usize]);
        left -= some;
    }
    let identity = hasher.finish();
    Ok((identity.bytes, identity.digest))
}
