//! Decides what one change of the mailbox means for one drive: a copy, a line, or nothing.
//! Reads the drive only to compare a shortened message with the version before.

use super::Pass;
use super::commit::{Batch, CopyItem};
use crate::disk::{ReadFrom, read_full};
use crate::job::JobError;
use crate::job::catalogue::{FileRow, FileState, Held, PlaceRow};
use crate::job::drive::Admitted;
use crate::model::ledger::{Event, Place};
use crate::model::limits::COPY_BUFFER_BYTES;
use crate::model::{Hasher, Identity, Order, Reason, Suspicion};

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
    let (known, era, held, identity) = pass.catalogue.at_once(|| {
        let known = pass.catalogue.place(drive.book.row, row.mailbox, &row.key)?;
        let era = pass.catalogue.era()?;
        let held = row.content.map(|content| pass.catalogue.held(drive.book.row, content));
        let identity = row.content.map(|content| pass.catalogue.identity(content));
        Ok((known, era, held.transpose()?, identity.transpose()?))
    })?;
    let order = Order { era, tick: row.tick };
    match row.state {
        FileState::Present => {}
        FileState::Removed | FileState::Vanished | FileState::Moved => {
            let told = match known {
                Some(place) => place.gone != 0,
                // Never here. A drive that has it would bring it back, so the departure is told here
                // too; what vanished is wanted back anyway.
                None => {
                    let (book, vanished) = (drive.book.row, row.state == FileState::Vanished);
                    vanished || !pass.catalogue.is_there_by_another(book, row.mailbox, &row.key)?
                }
            } || batch.left.contains(&(row.mailbox, row.key.clone()));
            let (mailbox, path) = (mailbox.name.clone(), row.path()?);
            return Ok(match row.state {
                _ if told => Step::Nothing,
                FileState::Vanished => Step::Note(Event::Vanished { mailbox, path, order }),
                _ => Step::Note(Event::Removed { mailbox, path, order }),
            });
        }
        // Told when it is settled; its tick is then a later one.
        _ => return Ok(Step::Nothing),
    }
    let (Some(content), Some(held), Some(identity)) = (row.content, held, identity) else {
        return Ok(Step::Nothing);
    };
    let here = known.as_ref().filter(|place| place.gone == 0);
    if matches!(held, Held::Good(_)) && here.is_some_and(|place| place.content == Some(content)) {
        return Ok(Step::Nothing);
    }
    let suspect = match row.suspect {
        Some(why) => Some(why),
        None => cut_short(pass, drive, row, here, &identity)?,
    };
    let place = Place {
        mailbox: mailbox.name.clone(),
        path: row.path()?,
        modified: row.modified,
        mode: row.mode,
        first_seen: row.first_seen,
        suspect,
        order,
    };
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
    Ok(Step::Copy(Box::new(CopyItem { row: row.clone(), identity, place, replaces })))
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

/// Whether a new, shorter version is the beginning of the one before: what a card leaves of a file
/// whose last blocks it lost. Held against the copy of the version before.
fn cut_short(
    pass: &Pass<'_>,
    drive: &Admitted,
    row: &FileRow,
    here: Option<&PlaceRow>,
    new: &Identity,
) -> Result<Option<Suspicion>, JobError> {
    let Some(before) = here else { return Ok(None) };
    let good = if before.suspect.is_some() { before.good } else { before.content };
    let Some(good) = good else { return Ok(None) };
    let old = pass.catalogue.identity(good)?;
    if new.bytes == 0 || new.bytes >= old.bytes {
        return Ok(None);
    }
    let Held::Good(payload) = pass.catalogue.held(drive.book.row, good)? else { return Ok(None) };
    let mut source =
        drive.volume.read(&drive.dir.join(&payload.to_rel()), 0, ReadFrom::Anywhere)?;
    let mut hasher = Hasher::default();
    let mut left = new.bytes;
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
    if hasher.finish() != *new {
        return Ok(None);
    }
    pass.catalogue.mark_suspect(row, good, Suspicion::CutShort)?;
    Ok(Some(Suspicion::CutShort))
}
