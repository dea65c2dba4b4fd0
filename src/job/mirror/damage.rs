//! Decides whether a new version of a message is what a failing card has left of the version before, by comparing it
//! with the drive's copy of that one. Uses the drive for nothing else.

use super::batch::BatchPlan;
use super::pass::Pass;
use crate::disk::{Chunks, DiskError, PrefixHash, ReadFrom, read_full};
use crate::job::JobError;
use crate::job::catalogue::{
    AssertedRow, ContentRowId, CopyRow, CopyState, CopyStatus, DepartedRow, FileRow,
};
use crate::job::replica::Replica;
use crate::job::scan::any_nul_block;
use crate::model::limits::{COPY_BUFFER_BYTES, NUL_BLOCK_BYTES, NUL_TAIL_BYTES};
use crate::model::{Identity, PayloadName, Suspicion};

/// The good version at a path of which a new version may be the remains, if the drive asserts one. A version that was
/// seen to leave the path earlier is none: the path has another message now.
fn version_before<'a>(
    pass: &Pass<'_>,
    assertions: &'a [AssertedRow],
    row: &FileRow,
    content: ContentRowId,
) -> Result<Option<&'a AssertedRow>, JobError> {
    for known in assertions {
        if known.content == content || known.suspect.is_some() {
            continue;
        }
        let departed = pass.catalogue.departed(row.mailbox, &row.key, known.content)?;
        let by_this = |departed: DepartedRow| {
            departed.successor.is_some_and(|(mailbox, key, successor_content)| {
                (mailbox, successor_content) == (row.mailbox, content) && key == row.key
            })
        };
        if departed.is_none_or(by_this) {
            return Ok(Some(known));
        }
    }
    Ok(None)
}

/// How a new version looks damaged in comparison with the drive's copy, if it does: a card leaves such a file when
/// blocks were never written. The scan finds some of these with the catalogue; a catalogue built anew knows no earlier
/// version.
pub(super) fn suspicion(
    pass: &Pass<'_>,
    (drive, assertions): (&Replica, &[AssertedRow]),
    row: &FileRow,
    content: ContentRowId,
    new: &Identity,
    batch: &mut BatchPlan,
) -> Result<Option<Suspicion>, JobError> {
    let Some(known) = version_before(pass, assertions, row, content)? else { return Ok(None) };
    let good = known.content;
    let old = pass.catalogue.identity(good)?;
    let why = match new.bytes {
        _ if old.bytes == 0 || old == *new => None,
        0 => Some(Suspicion::Emptied),
        _ if ends_in_nul(pass, row, new.bytes)? => Some(Suspicion::NulFilled),
        _ => match compare_with_copy(pass, drive, row, (good, &old), new, batch)? {
            DamageCheck::Damage(why) => Some(why),
            DamageCheck::Another => {
                let at = pass.clock.event_time().time.seconds;
                batch.others_need_pass |= pass.catalogue.end_as_replaced(row, good, at)?;
                None
            }
            DamageCheck::Unknown => None,
        },
    };
    let Some(why) = why else { return Ok(None) };
    // A version that was there before the other one is no remainder of it: this card then does not know the later
    // version, which another card or a drive does.
    let here = (row.mailbox, row.key.as_slice());
    if known.as_of >= row.since || pass.catalogue.was_before(here, content, good)? {
        return Ok(None);
    }
    pass.catalogue.mark_suspect(row, good, why)?;
    Ok(Some(why))
}

/// Whether a message ends in bytes that were never written. One that cannot be read is not judged: copying it will
/// show.
fn ends_in_nul(pass: &Pass<'_>, row: &FileRow, bytes: u64) -> Result<bool, JobError> {
    let Some(mailbox) = pass.mailbox(row.mailbox) else { return Ok(false) };
    let Ok(mut file) = mailbox.dir.open_message(&row.path()?) else { return Ok(false) };
    file.seek(bytes.saturating_sub(NUL_TAIL_BYTES as u64));
    let mut tail = [1; NUL_TAIL_BYTES];
    Ok(match read_full(&mut file, &mut tail) {
        Ok(got) => got > 0 && tail[..got].iter().all(|&b| b == 0),
        Err(_) => false,
    })
}

/// The result of comparing a new version with the copy of the one before.
enum DamageCheck {
    /// The new version is what a card left of the old one.
    Damage(Suspicion),
    /// The new version is another one.
    Another,
    /// The new version does not look damaged, or the two could not be compared.
    Unknown,
}

/// Decides whether a version that is shorter, or has a block of NUL, is what a card left of one whose copy the drive
/// has. If that copy cannot be read, the question stays open: the new version is copied like any other, and a ledger
/// line records that the old copy is lost.
fn compare_with_copy(
    pass: &Pass<'_>,
    drive: &Replica,
    row: &FileRow,
    (good, old): (ContentRowId, &Identity),
    new: &Identity,
    batch: &mut BatchPlan,
) -> Result<DamageCheck, JobError> {
    let is_holed = new.bytes <= old.bytes && has_nul_block(pass, row)?;
    if new.bytes >= old.bytes && !is_holed {
        return Ok(DamageCheck::Unknown);
    }
    let CopyStatus::Good(payload) = pass.catalogue.copy_status(drive.state.row, good)? else {
        return Ok(DamageCheck::Unknown);
    };
    if let Ok(beginning) = beginning(drive, payload, new.bytes) {
        if beginning == *new {
            return Ok(DamageCheck::Damage(Suspicion::CutShort));
        }
        return Ok(match is_holed && is_all_but_nul(pass, drive, row, payload)? {
            true => DamageCheck::Damage(Suspicion::NulFilled),
            false => DamageCheck::Another,
        });
    }
    // Decides whether the copy alone is at fault: an error of the whole drive ends the pass.
    let copy = CopyRow { name: payload, content: good, identity: *old, state: CopyState::Good };
    let verdict = drive.hash(payload, old.bytes)?.judge(&copy);
    verdict.note_drive(pass.catalogue, &drive.state)?;
    batch.notes.extend(verdict.event());
    Ok(DamageCheck::Unknown)
}

/// Passes a message on the card to `each`, in whole blocks except for the last. Returns `false` if the message cannot
/// be read or `each` does.
fn each_block(
    pass: &Pass<'_>,
    row: &FileRow,
    mut each: impl FnMut(&[u8]) -> bool,
) -> Result<bool, JobError> {
    let Some(mailbox) = pass.mailbox(row.mailbox) else { return Ok(false) };
    let Ok(mut file) = mailbox.dir.open_message(&row.path()?) else { return Ok(false) };
    let (mut pieces, mut piece) = (Chunks::new(&mut file, u64::MAX), Vec::new());
    loop {
        match pieces.next(&mut piece) {
            Ok(false) => return Ok(true),
            Ok(true) if each(&piece) => {}
            _ => return Ok(false),
        }
    }
}

fn has_nul_block(pass: &Pass<'_>, row: &FileRow) -> Result<bool, JobError> {
    let mut found = false;
    each_block(pass, row, |bytes| {
        found = any_nul_block(bytes);
        !found
    })?;
    Ok(found)
}

/// Whether a message equals the beginning of a copy, block by block, except for blocks of NUL.
fn is_all_but_nul(
    pass: &Pass<'_>,
    drive: &Replica,
    row: &FileRow,
    payload: PayloadName,
) -> Result<bool, JobError> {
    let at = drive.dir.join(&payload.to_rel());
    let Ok(mut source) = drive.volume.read(&at, 0, ReadFrom::Anywhere) else { return Ok(false) };
    let mut good = vec![0; COPY_BUFFER_BYTES];
    each_block(pass, row, |bytes| {
        let good = &mut good[..bytes.len()];
        let got = read_full(&mut *source, good);
        let blocks = bytes.chunks(NUL_BLOCK_BYTES).zip(good.chunks(NUL_BLOCK_BYTES));
        got.is_ok_and(|got| got == bytes.len()) && { blocks }
            .all(|(new, old)| new == old || new.iter().all(|&b| b == 0))
    })
}

/// Length and hash of the first `bytes` bytes of a copy.
fn beginning(drive: &Replica, payload: PayloadName, bytes: u64) -> Result<Identity, DiskError> {
    let at = drive.dir.join(&payload.to_rel());
    let mut source = drive.volume.read(&at, 0, ReadFrom::Anywhere)?;
    let (mut pieces, mut piece) = (Chunks::new(&mut *source, bytes), Vec::new());
    let mut prefix = PrefixHash::new(bytes);
    while pieces.next(&mut piece)? {
        prefix.update(&piece);
    }
    Ok(prefix.finish())
}
