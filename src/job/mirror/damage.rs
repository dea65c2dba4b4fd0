//! Tells what a card has left of a message from another version of it, beside the copy that a drive has of the one
//! before. Reads the drive for nothing else.

use super::batch::BatchPlan;
use super::pass::Pass;
use crate::disk::{DiskError, Pieces, PrefixHash, ReadFrom, read_full};
use crate::job::JobError;
use crate::job::catalogue::{AssertedRow, ContentRowId, CopyStatus, DepartedRow, FileRow};
use crate::job::confirm::any_nul_block;
use crate::job::replica::{CopyCheck, READ_ERROR, Replica, hash_copy};
use crate::model::limits::{COPY_BUFFER_BYTES, NUL_BLOCK_BYTES, NUL_TAIL_BYTES};
use crate::model::{Identity, PayloadName, Suspicion};

/// The good version that a drive has of a path beside a new one, if there is any that the new one may be the rest of.
/// What was seen to leave the path before that came is not: another message is there now.
fn version_before<'a>(
    pass: &Pass<'_>,
    stands: &'a [AssertedRow],
    row: &FileRow,
    content: ContentRowId,
) -> Result<Option<&'a AssertedRow>, JobError> {
    for known in stands {
        if known.content == content || known.suspect.is_some() {
            continue;
        }
        let departed = pass.catalogue.departed(row.mailbox, &row.key, known.content)?;
        let by_this = |departed: DepartedRow| {
            departed.heir.is_some_and(|(mailbox, key, heir)| {
                (mailbox, heir) == (row.mailbox, content) && key == row.key
            })
        };
        if departed.is_none_or(by_this) {
            return Ok(Some(known));
        }
    }
    Ok(None)
}

/// What a new version looks like beside the one the drive has: what a card leaves of a file whose blocks
/// were never written. The scan sees some of it by the catalogue; one built anew knows no version before.
pub(super) fn found(
    pass: &Pass<'_>,
    (drive, stands): (&Replica, &[AssertedRow]),
    row: &FileRow,
    content: ContentRowId,
    new: &Identity,
    batch: &mut BatchPlan,
) -> Result<Option<Suspicion>, JobError> {
    let Some(known) = version_before(pass, stands, row, content)? else { return Ok(None) };
    let good = known.content;
    let old = pass.catalogue.identity(good)?;
    let why = match new.bytes {
        _ if old.bytes == 0 || old == *new => None,
        0 => Some(Suspicion::Emptied),
        _ if ends_in_nul(pass, row, new.bytes)? => Some(Suspicion::NulFilled),
        _ => match left_of(pass, drive, row, (good, &old), new, batch)? {
            Compared::Is(why) => Some(why),
            Compared::IsNot => {
                let at = pass.clock.stamp().time.seconds;
                batch.learnt |= pass.catalogue.settle_as_replaced(row, good, at)?;
                None
            }
            Compared::Not => None,
        },
    };
    let Some(why) = why else { return Ok(None) };
    // What was there before the other was is no rest of it: this card does not know the later version. Whoever told of
    // that knew of this one, or a drive did.
    let here = (row.mailbox, row.key.as_slice());
    if known.as_of >= row.since || pass.catalogue.was_before(here, content, good)? {
        return Ok(None);
    }
    pass.catalogue.mark_suspect(row, good, why)?;
    Ok(Some(why))
}

/// Whether a message's last bytes are those of blocks never written. One that cannot be read is not
/// judged: the copy will tell.
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

/// What came of comparing a new version with the copy of the one before.
enum Compared {
    /// It is what a card left of it.
    Is(Suspicion),
    /// It is another one.
    IsNot,
    /// It does not look like that, or they could not be compared.
    Not,
}

/// Whether a version that is shorter, or has a block of NUL, is what a card left of one whose copy the drive has. Where
/// that copy cannot be read nobody knows: the new version is copied like any other, and the ledger is told that the old
/// copy is lost.
fn left_of(
    pass: &Pass<'_>,
    drive: &Replica,
    row: &FileRow,
    (good, old): (ContentRowId, &Identity),
    new: &Identity,
    batch: &mut BatchPlan,
) -> Result<Compared, JobError> {
    let is_holed = new.bytes <= old.bytes && has_nul_block(pass, row)?;
    if new.bytes >= old.bytes && !is_holed {
        return Ok(Compared::Not);
    }
    let CopyStatus::Good(payload) = pass.catalogue.held(drive.state.row, good)? else {
        return Ok(Compared::Not);
    };
    if let Ok(beginning) = beginning(drive, payload, new.bytes) {
        if beginning == *new {
            return Ok(Compared::Is(Suspicion::CutShort));
        }
        return Ok(match is_holed && is_all_but_nul(pass, drive, row, payload)? {
            true => Compared::Is(Suspicion::NulFilled),
            false => Compared::IsNot,
        });
    }
    // Whether that is the copy's trouble alone: one of the drive ends the pass.
    let found = hash_copy(&*drive.volume, &drive.dir, payload, old.bytes)?;
    if found.is_failing() {
        pass.catalogue.mark_worn(drive.state.drive, READ_ERROR)?;
    }
    if found != CopyCheck::Is(*old) {
        batch.notes.push(found.event(payload));
    }
    Ok(Compared::Not)
}

/// Goes through a message as it is on the card, in whole blocks but for the last; `false` if it cannot be read, or if
/// it is not `each`.
fn all_of(
    pass: &Pass<'_>,
    row: &FileRow,
    mut each: impl FnMut(&[u8]) -> bool,
) -> Result<bool, JobError> {
    let Some(mailbox) = pass.mailbox(row.mailbox) else { return Ok(false) };
    let Ok(mut file) = mailbox.dir.open_message(&row.path()?) else { return Ok(false) };
    let (mut pieces, mut piece) = (Pieces::new(&mut file, u64::MAX), Vec::new());
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
    all_of(pass, row, |bytes| {
        found = any_nul_block(bytes);
        !found
    })?;
    Ok(found)
}

/// Whether a message is what the beginning of a copy is, block by block, but for those that are NUL.
fn is_all_but_nul(
    pass: &Pass<'_>,
    drive: &Replica,
    row: &FileRow,
    payload: PayloadName,
) -> Result<bool, JobError> {
    let at = drive.dir.join(&payload.to_rel());
    let Ok(mut source) = drive.volume.read(&at, 0, ReadFrom::Anywhere) else { return Ok(false) };
    let mut good = vec![0; COPY_BUFFER_BYTES];
    all_of(pass, row, |bytes| {
        let good = &mut good[..bytes.len()];
        let got = read_full(&mut *source, good);
        let blocks = bytes.chunks(NUL_BLOCK_BYTES).zip(good.chunks(NUL_BLOCK_BYTES));
        got.is_ok_and(|got| got == bytes.len()) && { blocks }
            .all(|(new, old)| new == old || new.iter().all(|&b| b == 0))
    })
}

/// What the first so many bytes of a copy are.
fn beginning(drive: &Replica, payload: PayloadName, bytes: u64) -> Result<Identity, DiskError> {
    let at = drive.dir.join(&payload.to_rel());
    let mut source = drive.volume.read(&at, 0, ReadFrom::Anywhere)?;
    let (mut pieces, mut piece) = (Pieces::new(&mut *source, bytes), Vec::new());
    let mut prefix = PrefixHash::new(bytes);
    while pieces.next(&mut piece)? {
        prefix.update(&piece);
    }
    Ok(prefix.finish())
}
