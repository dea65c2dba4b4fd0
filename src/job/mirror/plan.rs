//! Decides what one change of the mailbox means for one drive: a copy, a line, or nothing.
//! Reads the drive only to compare a shortened message with the version before.

use super::batch::{Batch, CopyItem};
use super::{OpenMailbox, Pass};
use crate::disk::{DiskError, ReadFrom, read_full};
use crate::job::JobError;
use crate::job::catalogue::{FileRow, FileState, GONE_VANISHED, Held, PlaceRow};
use crate::job::drive::{Admitted, Copy, hash_copy};
use crate::job::verify::READ_ERROR;
use crate::model::ledger::{Event, Place};
use crate::model::limits::{COPY_BUFFER_BYTES, NUL_TAIL_BYTES};
use crate::model::{Hasher, Identity, Order, PayloadName, Reason, Suspicion};

/// What is to be done.
pub(super) enum Step {
    /// The drive knows already.
    Nothing,
    /// After this batch: the same content is being copied in it.
    Wait,
    /// Record it; no copy is needed.
    Note(Event),
    /// Copy it.
    Copy(Box<CopyItem>),
    /// It cannot be copied to this drive.
    Refused(Reason),
}

pub(super) fn step(
    pass: &Pass<'_>,
    drive: &Admitted,
    row: &FileRow,
    batch: &mut Batch,
) -> Result<Step, JobError> {
    let Some(mailbox) = pass.mailbox(row.mailbox) else { return Ok(Step::Nothing) };
    let (known, held, identity) = pass.catalogue.at_once(|| {
        let known = pass.catalogue.place(drive.book.row, row.mailbox, &row.key)?;
        let held = row.content.map(|content| pass.catalogue.held(drive.book.row, content));
        let identity = row.content.map(|content| pass.catalogue.identity(content));
        Ok((known, held.transpose()?, identity.transpose()?))
    })?;
    match row.state {
        FileState::Present => {}
        FileState::Removed | FileState::Vanished | FileState::Moved => {
            return departure(pass, drive, row, known.as_ref(), batch);
        }
        // Told when it is settled; its tick is then a later one.
        _ => return Ok(Step::Nothing),
    }
    let (Some(content), Some(held), Some(identity)) = (row.content, held, identity) else {
        return Ok(Step::Nothing);
    };
    if batch.placed.contains(&(row.mailbox, row.key.clone())) {
        return Ok(Step::Nothing);
    }
    let here = known.as_ref().filter(|place| place.gone == 0);
    if let (Held::Good(_), Some(place)) = (held, here)
        && place.content == Some(content)
    {
        if let (None, Some(why), Some(good)) = (row.suspect, place.suspect, place.good) {
            // The catalogue was built anew since: the drive still knows what this version is.
            pass.catalogue.mark_suspect(row, good, why)?;
        }
        return Ok(Step::Nothing);
    }
    let suspect = match row.suspect {
        Some(why) => Some(why),
        // What was lost once and is back, as after a restore, may be damaged since then.
        None => {
            let before = known.as_ref().filter(|place| matches!(place.gone, 0 | GONE_VANISHED));
            damage(pass, drive, row, before, &identity, batch)?
        }
    };
    let place = place(batch, mailbox, row, suspect)?;
    let replaces = match held {
        Held::Good(_) => return note(pass, drive, batch, content, identity, place),
        Held::Lost(payload) => Some(payload),
        Held::No => None,
    };
    if batch.contents.contains(&identity) {
        return Ok(Step::Wait);
    }
    if identity.bytes > drive.volume.facts().longest_file {
        return Ok(Step::Refused(Reason::TooLarge));
    }
    Ok(Step::Copy(Box::new(CopyItem { row: row.clone(), identity, place, replaces, lent: None })))
}

/// The message is gone from its path. A drive that knows so, or never had it there, is told nothing.
fn departure(
    pass: &Pass<'_>,
    drive: &Admitted,
    row: &FileRow,
    known: Option<&PlaceRow>,
    batch: &mut Batch,
) -> Result<Step, JobError> {
    // A move takes along what the card made of a message, and nobody knows where its last good version went:
    // that one is wanted back where it was.
    let damaged = row.suspect.is_some()
        || known.is_some_and(|place| place.suspect.is_some() && place.content == row.content);
    let vanished = row.state == FileState::Vanished || row.state == FileState::Moved && damaged;
    let told = match known {
        Some(place) => place.gone != 0,
        // A drive that has it would bring it back, so the departure is told here too; what vanished
        // is wanted back anyway.
        None => {
            vanished
                || !pass.catalogue.is_there_by_another(drive.book.row, row.mailbox, &row.key)?
        }
    };
    let Some(mailbox) = pass.mailbox(row.mailbox) else { return Ok(Step::Nothing) };
    if told || batch.left.contains(&(row.mailbox, row.key.clone())) {
        return Ok(Step::Nothing);
    }
    if row.state == FileState::Moved
        && !damaged
        && let Some(event) = moved_away(pass, drive, row, known, batch)?
    {
        return Ok(Step::Note(event));
    }
    let (mailbox, path, order) = (mailbox.name.clone(), row.path()?, order(batch, row));
    Ok(Step::Note(match vanished {
        true => Event::Vanished { mailbox, path, order },
        false => Event::Removed { mailbox, path, order },
    }))
}

fn order(batch: &Batch, row: &FileRow) -> Order {
    Order { era: batch.era, tick: row.tick }
}

fn place(
    batch: &Batch,
    mailbox: &OpenMailbox,
    row: &FileRow,
    suspect: Option<Suspicion>,
) -> Result<Place, JobError> {
    Ok(Place {
        mailbox: mailbox.name.clone(),
        path: row.path()?,
        modified: row.modified,
        mode: row.mode,
        first_seen: row.first_seen,
        suspect,
        order: order(batch, row),
    })
}

/// The message left this path for one that the drive is yet to be told of: one line tells of both.
/// Told apart, a ledger torn between the two would call the message removed and nowhere else.
fn moved_away(
    pass: &Pass<'_>,
    drive: &Admitted,
    row: &FileRow,
    known: Option<&PlaceRow>,
    batch: &mut Batch,
) -> Result<Option<Event>, JobError> {
    let book = drive.book.row;
    let Some(content) =
        row.content.filter(|c| known.is_some_and(|place| place.content == Some(*c)))
    else {
        return Ok(None);
    };
    let Held::Good(_) = pass.catalogue.held(book, content)? else { return Ok(None) };
    let Some(to) = pass.catalogue.untold_place(book, content)? else { return Ok(None) };
    let (Some(from), Some(mailbox)) = (pass.mailbox(row.mailbox), pass.mailbox(to.mailbox)) else {
        return Ok(None);
    };
    if !batch.placed.insert((to.mailbox, to.key.clone())) {
        return Ok(None);
    }
    batch.left.insert((row.mailbox, row.key.clone()));
    Ok(Some(Event::Moved {
        identity: pass.catalogue.identity(content)?,
        place: place(batch, mailbox, &to, to.suspect)?,
        from_mailbox: from.name.clone(),
        from: row.path()?,
    }))
}

/// The content is on the drive; only its place is new. If the drive has it at a place that the mailbox
/// has left, it was moved.
fn note(
    pass: &Pass<'_>,
    drive: &Admitted,
    batch: &mut Batch,
    content: i64,
    identity: Identity,
    place: Place,
) -> Result<Step, JobError> {
    let left = pass.catalogue.place_left(drive.book.row, content)?;
    Ok(Step::Note(match left {
        Some(from) if !batch.left.insert(from.clone()) => Event::Placed { identity, place },
        Some((mailbox, key)) => {
            let (from_mailbox, _) = pass.catalogue.mailbox_name(mailbox)?;
            let from = crate::model::RelName::from_key(&key)
                .map_err(|e| JobError::Broken(format!("catalogue: {e}")))?;
            Event::Moved { identity, place, from_mailbox, from }
        }
        None => Event::Placed { identity, place },
    }))
}

/// What a new version looks like beside the one the drive has: what a card leaves of a file whose blocks
/// were never written. The scan sees some of it by the catalogue; one built anew knows no version before.
fn damage(
    pass: &Pass<'_>,
    drive: &Admitted,
    row: &FileRow,
    here: Option<&PlaceRow>,
    new: &Identity,
    batch: &mut Batch,
) -> Result<Option<Suspicion>, JobError> {
    let Some(before) = here else { return Ok(None) };
    let good = if before.suspect.is_some() { before.good } else { before.content };
    let Some(good) = good else { return Ok(None) };
    let old = pass.catalogue.identity(good)?;
    let why = match new.bytes {
        _ if old.bytes == 0 || old == *new => None,
        0 => Some(Suspicion::Emptied),
        _ if ends_in_nul(pass, row, new.bytes)? => Some(Suspicion::NulFilled),
        _ if new.bytes < old.bytes => {
            is_beginning(pass, drive, good, new, batch)?.then_some(Suspicion::CutShort)
        }
        _ => None,
    };
    if let Some(why) = why {
        pass.catalogue.mark_suspect(row, good, why)?;
    }
    Ok(why)
}

/// Whether a message's last octets are those of blocks never written. One that cannot be read is not
/// judged: the copy will tell.
fn ends_in_nul(pass: &Pass<'_>, row: &FileRow, bytes: u64) -> Result<bool, JobError> {
    let Some(mailbox) = pass.mailbox(row.mailbox) else { return Ok(false) };
    let Ok(mut file) = mailbox.dir.open_message(&row.path()?) else { return Ok(false) };
    file.skip_to(bytes.saturating_sub(NUL_TAIL_BYTES as u64));
    let mut tail = [1; NUL_TAIL_BYTES];
    Ok(match read_full(|into| file.read(into), &mut tail) {
        Ok(got) => got > 0 && tail[..got].iter().all(|&b| b == 0),
        Err(_) => false,
    })
}

/// Whether a shorter content is the beginning of one whose copy the drive has. Where that copy cannot be read nobody
/// knows: the new version is copied like any other, and the ledger is told that the old copy is lost.
fn is_beginning(
    pass: &Pass<'_>,
    drive: &Admitted,
    good: i64,
    new: &Identity,
    batch: &mut Batch,
) -> Result<bool, JobError> {
    let Held::Good(payload) = pass.catalogue.held(drive.book.row, good)? else { return Ok(false) };
    if let Ok(beginning) = beginning(drive, payload, new.bytes) {
        return Ok(beginning == *new);
    }
    // Whether that is the copy's trouble alone: one of the drive ends the pass.
    let old = pass.catalogue.identity(good)?;
    let found = hash_copy(&*drive.volume, &drive.dir, payload, old.bytes)?;
    if found.is_failing() {
        pass.catalogue.mark_worn(drive.book.drive, READ_ERROR)?;
    }
    if found != Copy::Is(old) {
        batch.notes.push(found.event(payload));
    }
    Ok(false)
}

/// What the first so many bytes of a copy are.
fn beginning(drive: &Admitted, payload: PayloadName, bytes: u64) -> Result<Identity, DiskError> {
    let at = drive.dir.join(&payload.to_rel());
    let mut source = drive.volume.read(&at, 0, ReadFrom::Anywhere)?;
    let mut hasher = Hasher::default();
    let mut left = bytes;
    let mut buffer = vec![0; COPY_BUFFER_BYTES];
    while left > 0 {
        let want = buffer.len().min(left as usize);
        let got = read_full(|into| source.read(into), &mut buffer[..want])?;
        if got == 0 {
            break;
        }
        hasher.update(&buffer[..got]);
        left -= got as u64;
    }
    Ok(hasher.finish())
}
