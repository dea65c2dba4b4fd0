//! The commit: how a batch of messages becomes safe. The order of the steps in [`commit`] is the
//! promise of the whole program; nothing else writes copies to a drive.

use super::{Pass, is_gone};
use crate::disk::{DiskError, MessageFile, Trouble, read_full, read_known};
use crate::job::JobError;
use crate::job::catalogue::{FileRow, FileState, millis};
use crate::job::drive::{Admitted, Copy, append_ledger, append_manifest, hash_copies};
use crate::model::ledger::{Event, Place};
use crate::model::limits::{
    COPY_BUFFER_BYTES, NUMBER_MAX, OVERHEAD_BYTES, RESERVE_BYTES, SEGMENT_MAX, SEGMENT_MESSAGES,
};
use crate::model::{Extension, Hasher, Identity, PayloadName, Reason, bag};
use std::collections::HashSet;
use std::os::unix::ffi::OsStrExt as _;

/// A message to be copied.
pub(super) struct CopyItem {
    pub row: FileRow,
    /// What it was when it was last read; anything else is not committed.
    pub identity: Identity,
    pub place: Place,
    pub replaces: Option<PayloadName>,
}

/// What is committed together.
pub(super) struct Batch {
    pub copies: Vec<CopyItem>,
    /// What is being copied, to find the same content twice.
    pub contents: HashSet<Identity>,
    pub bytes: u64,
    /// Lines that need no copy.
    pub notes: Vec<Event>,
    /// Places that one of these lines says a message has left.
    pub left: HashSet<(i64, Vec<u8>)>,
    /// Places that one of these lines says a message has gone to.
    pub placed: HashSet<(i64, Vec<u8>)>,
    /// The era of this card, for the order of the lines.
    pub era: u64,
    /// Room left on the drive, in octets, after everything planned.
    pub room: u64,
}

impl Batch {
    pub(super) fn new(era: u64, room: u64) -> Self {
        Self {
            copies: Vec::new(),
            contents: HashSet::new(),
            bytes: 0,
            notes: Vec::new(),
            left: HashSet::new(),
            placed: HashSet::new(),
            era,
            room,
        }
    }

    /// Whether a message fits, with everything planned and the reserve.
    pub(super) fn has_room_for(&self, item: &CopyItem) -> bool {
        item.identity.bytes + OVERHEAD_BYTES + RESERVE_BYTES <= self.room
    }

    pub(super) fn add(&mut self, item: CopyItem) {
        self.room -= item.identity.bytes + OVERHEAD_BYTES;
        self.bytes += item.identity.bytes;
        self.contents.insert(item.identity);
        self.copies.push(item);
    }

    pub(super) fn is_empty(&self) -> bool {
        self.copies.is_empty() && self.notes.is_empty()
    }
}

/// What a commit achieved.
#[derive(Default)]
pub(super) struct Committed {
    pub copied: u64,
    pub bytes: u64,
    /// Messages left out, and why.
    pub failed: Vec<(FileRow, Reason)>,
}

/// A file written on the drive and not yet proven.
struct Written {
    payload: PayloadName,
    identity: Identity,
    /// The message it is a copy of; none if the message changed while it was read.
    item: Option<CopyItem>,
}

/// Commits a batch. On any error the whole batch is void: the caller drops the volume, nothing is
/// synced a second time, and the next admission mends what was left.
pub(super) fn commit(
    pass: &Pass<'_>,
    drive: &mut Admitted,
    batch: Batch,
) -> Result<Committed, JobError> {
    let mut done = Committed::default();

    // 1. Is it still the drive that was admitted? Survives: a pulled stick, a mount point without it.
    drive.volume.present()?;
    let session = drive.book.session.take();
    pass.catalogue.save_book(&drive.book)?;

    // 2. Write every copy under a name never used before. Survives: a cut anywhere in here, since no
    //    line tells of these files yet and no old file is touched.
    let Batch { copies, notes, .. } = batch;
    let (written, full) = write_copies(pass, drive, copies, &mut done)?;
    if written.is_empty() && notes.is_empty() {
        return Ok(done);
    }

    // 3. Hand all of it to the device. Survives: nothing yet; but an error here is reported once only
    //    and makes the batch void, so that no lost page is ever taken for a written one.
    if !written.is_empty() {
        drive.volume.sync_all()?;
    }

    // 4. Read every copy back from the medium. Survives: a device that took the octets and did not
    //    keep them, or kept others.
    read_back(drive, &written)?;

    // 5a. The manifest, synced; on FAT this is what flushes the device's own cache. Survives: a cut
    //     between here and the ledger, after which recovery finds the copies listed and adopts them.
    let lines: String =
        written.iter().map(|f| bag::manifest_line(&f.identity.digest, f.payload)).collect();
    if !lines.is_empty() {
        append_manifest(&*drive.volume, &drive.dir, &mut drive.book, &lines)?;
    }

    // 5b. The ledger, synced: the commit point. Survives: everything from here on.
    let events = events(pass, drive, written, notes, &mut done)?;
    // After a refused write there may be a file that no line tells of: the next admission looks for it.
    drive.book.session = session.filter(|_| !full);
    drive.book.opened = true;
    let stamp = pass.clock.stamp();
    append_ledger(
        pass.catalogue,
        &*drive.volume,
        &drive.dir,
        &mut drive.book,
        &stamp,
        events,
        false,
    )?;

    // 6. Only now may anyone be told.
    pass.progress.advance(done.copied, done.bytes);
    Ok(done)
}

/// Writes the copies of a batch. `true` if the drive refused one for want of room, though there seemed to
/// be some: those written before it are whole and go on; it and those after it are left out.
fn write_copies(
    pass: &Pass<'_>,
    drive: &mut Admitted,
    copies: Vec<CopyItem>,
    done: &mut Committed,
) -> Result<(Vec<Written>, bool), JobError> {
    let mut written = Vec::with_capacity(copies.len());
    let mut copies = copies.into_iter();
    for item in copies.by_ref() {
        let row = item.row.clone();
        match write_copy(pass, drive, item, done) {
            Ok(file) => written.extend(file),
            Err(error) if error.trouble() == Trouble::Full => {
                done.failed.push((row, Reason::DriveFull));
                done.failed.extend(copies.map(|item| (item.row, Reason::DriveFull)));
                return Ok((written, true));
            }
            Err(error) => return Err(error),
        }
    }
    Ok((written, false))
}

fn read_back(drive: &Admitted, written: &[Written]) -> Result<(), JobError> {
    let copies: Vec<_> = written.iter().map(|file| (file.payload, file.identity.bytes)).collect();
    let found = hash_copies(&*drive.volume, &drive.dir, &copies)?;
    match written.iter().zip(found).find(|(file, copy)| *copy != Copy::Is(file.identity)) {
        None => Ok(()),
        Some((file, _)) => {
            let at = drive.volume.facts().shown.clone();
            Err(JobError::NotAsWritten { at, payload: file.payload })
        }
    }
}

fn events(
    pass: &Pass<'_>,
    drive: &Admitted,
    written: Vec<Written>,
    notes: Vec<Event>,
    done: &mut Committed,
) -> Result<Vec<Event>, JobError> {
    let mut events = Vec::with_capacity(written.len() + notes.len() + 2);
    if !drive.book.opened {
        events.push(Event::Opened {
            card: pass.catalogue.card()?,
            era: pass.catalogue.era()?,
            program: concat!("counterfoil ", env!("CARGO_PKG_VERSION")).to_owned(),
        });
        for mailbox in pass.mailboxes {
            let root = crate::disk::host::resolved(mailbox.dir.path());
            let root = root.as_os_str().as_bytes();
            if !pass.catalogue.book_knows_root(drive.book.row, mailbox.row, root)? {
                events.push(Event::Mailbox { mailbox: mailbox.name.clone(), root: root.to_vec() });
            }
        }
    }
    for Written { payload, identity, item } in written {
        events.push(match item {
            Some(CopyItem { place, replaces, .. }) => {
                done.copied += 1;
                done.bytes += identity.bytes;
                Event::Mirrored { payload, identity, place, replaces }
            }
            None => Event::Debris { payload, identity },
        });
    }
    events.extend(notes);
    Ok(events)
}

/// Copies one message. `None` if nothing was written; a message that changed meanwhile is left out,
/// and what was written of it is recorded as debris, so that the bag stays whole.
fn write_copy(
    pass: &Pass<'_>,
    drive: &mut Admitted,
    item: CopyItem,
    done: &mut Committed,
) -> Result<Option<Written>, JobError> {
    let Some(mailbox) = pass.mailbox(item.row.mailbox) else { return Ok(None) };
    let mut file = match mailbox.dir.open_message(&item.place.path) {
        Ok(file) => file,
        Err(error) => return unreadable(pass, item, &error, done),
    };
    // The second look: the file must still be what was read and settled.
    if !item.row.has_octets_of(&file.opened_as()) {
        return changed(pass, item, &file, done);
    }
    let mut buffer = vec![0; COPY_BUFFER_BYTES.min(item.identity.bytes as usize + 1)];
    let mut got = match read_known(|into| file.read(into), &mut buffer, item.identity.bytes) {
        Ok(got) => got,
        Err(error) => return unreadable(pass, item, &error, done),
    };
    if got < buffer.len() {
        // The whole message is in memory: whether it is the right one is known before a name is used.
        let same = Identity::of(&buffer[..got]) == item.identity;
        if !same || !is_unchanged(&file) {
            return changed(pass, item, &file, done);
        }
    }
    let payload = next_name(drive, Extension::of(&item.place.path))?;
    let mut sink = drive.volume.create(&drive.dir.join(&payload.to_rel()))?;
    let mut hasher = Hasher::default();
    let mut total = 0;
    while got > 0 {
        hasher.update(&buffer[..got]);
        sink.write(&buffer[..got])?;
        total += got as u64;
        if total > item.identity.bytes {
            break;
        }
        if got < buffer.len() {
            break;
        }
        got = match read_full(|into| file.read(into), &mut buffer) {
            Ok(got) => got,
            Err(error) => {
                let identity = hasher.finish();
                unreadable(pass, item, &error, done)?;
                return Ok(Some(Written { payload, identity, item: None }));
            }
        };
    }
    let identity = hasher.finish();
    if identity == item.identity && is_unchanged(&file) {
        return Ok(Some(Written { payload, identity, item: Some(item) }));
    }
    changed(pass, item, &file, done)?;
    Ok(Some(Written { payload, identity, item: None }))
}

fn is_unchanged(file: &MessageFile) -> bool {
    file.facts_now().is_ok_and(|now| now == file.opened_as())
}

fn changed(
    pass: &Pass<'_>,
    item: CopyItem,
    file: &MessageFile,
    done: &mut Committed,
) -> Result<Option<Written>, JobError> {
    let facts = file.facts_now()?;
    let now = pass.clock.stamp().time;
    let looked = millis(pass.clock);
    pass.catalogue.look(item.row.mailbox, &item.row.key, &facts, FileState::Fresh, looked, now)?;
    done.failed.push((item.row, Reason::Changing));
    Ok(None)
}

fn unreadable(
    pass: &Pass<'_>,
    item: CopyItem,
    error: &DiskError,
    done: &mut Committed,
) -> Result<Option<Written>, JobError> {
    if !is_gone(error) {
        pass.catalogue.set_state(&item.row, FileState::Unreadable, item.row.looked)?;
        done.failed.push((item.row, Reason::Unreadable));
    }
    Ok(None)
}

/// The next name, in a new segment where the last is full.
fn next_name(drive: &mut Admitted, extension: Extension) -> Result<PayloadName, JobError> {
    let book = &mut drive.book;
    if book.segment == 0 || book.segment_used >= SEGMENT_MESSAGES {
        book.segment += 1;
        book.segment_used = 0;
        if book.segment <= SEGMENT_MAX {
            drive.volume.make_dir(&drive.dir.join(&PayloadName::segment_dir(book.segment)))?;
        }
    }
    if book.segment > SEGMENT_MAX || book.next_number > NUMBER_MAX {
        return Err(JobError::NumbersUsedUp { at: drive.volume.facts().shown.clone() });
    }
    let payload = PayloadName { segment: book.segment, number: book.next_number, extension };
    book.next_number += 1;
    book.segment_used += 1;
    Ok(payload)
}
