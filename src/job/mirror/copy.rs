//! Writes the copies of a batch: messages are read ahead from the card while others are written to the drive. Commits
//! nothing, and never uses a name twice.

use super::batch::{CopyItem, LeftOutFiles, PeerCopy};
use super::pass::Pass;
use crate::disk::{Chunks, DiskError, ErrorKind, MailboxDir, MessageFile, ReadAhead, ReadFrom};
use crate::job::JobError;
use crate::job::catalogue::{FileState, MessageCache, millis};
use crate::job::replica::{NewCopy, Replica};
use crate::model::limits::{NUMBER_MAX, READ_AHEAD_COPIES, SEGMENT_MAX, SEGMENT_MESSAGES};
use crate::model::message::FileFacts;
use crate::model::{Hasher, Identity, PayloadName, Reason};
use std::sync::Arc;

/// A file that was written to the drive and not yet read back.
pub(super) struct WrittenFile<'a> {
    pub copy: NewCopy,
    /// The message it is a copy of; none if the message changed while it was read.
    pub item: Option<&'a CopyItem>,
}

impl<'a> WrittenFile<'a> {
    /// One that was too long to be kept in memory.
    fn hashed(payload: PayloadName, identity: Identity, item: Option<&'a CopyItem>) -> Self {
        Self { copy: NewCopy { payload, identity, bytes: None }, item }
    }
}

/// A message as read from the card.
enum CardRead {
    /// The whole message, with the content that the scan found.
    Whole(Arc<[u8]>),
    /// A message too long for memory: the open file, and the bytes already read.
    Long(MessageFile, Vec<u8>),
    /// A copy on another drive that is too long for memory: whoever writes it also reads it.
    LongPeerCopy,
    /// The copy on the other drive is not what it should be.
    NoPeerCopy,
    /// The message has changed since the scan; these are its facts now.
    Changed(FileFacts),
    /// The message cannot be read.
    Unreadable(DiskError),
    /// The mailbox is not part of this pass.
    NotOurs,
}

/// Writes the copies of a batch. Returns `true` if the drive refused one for want of room although there seemed to be
/// some: the copies written before it stay in the batch; that one and those after it are left out.
pub(super) fn write_copies<'a>(
    pass: &Pass<'_>,
    drive: &mut Replica,
    copies: &'a [CopyItem],
    left_out: &mut LeftOutFiles,
) -> Result<(Vec<WrittenFile<'a>>, bool), JobError> {
    let dir_of = |item: &CopyItem| {
        let row = item.row.as_ref()?;
        pass.mailbox(row.mailbox).map(|mailbox| &mailbox.dir)
    };
    let messages = pass.catalogue.messages();
    let jobs: Vec<_> = copies.iter().map(|item| (item, dir_of(item))).collect();
    let (mut done, mut written, mut full) = (0, Vec::with_capacity(copies.len()), false);
    // What is in memory needs no thread that waits for the card.
    let is_here = |item: &CopyItem| messages.get(&item.identity).is_some();
    let readers = usize::from(!copies.iter().all(is_here));
    ReadAhead { readers, window: READ_AHEAD_COPIES }.run(
        &jobs,
        |_| (),
        |(item, dir), ()| match &item.peer_copy {
            Some(peer_copy) => fetch_peer_copy(peer_copy, item),
            None => fetch(*dir, item, messages),
        },
        |(item, _), fetched| {
            match write_copy(pass, drive, item, fetched, left_out) {
                Ok(file) => written.extend(file),
                Err(error) if error.trouble() == ErrorKind::Full => full = true,
                Err(error) => return Err(error),
            }
            done += usize::from(!full);
            Ok(!full)
        },
    )?;
    let rest = copies[done..].iter().filter_map(|item| item.row.clone());
    left_out.extend(rest.map(|row| (row, Reason::DriveFull)));
    Ok((written, full))
}

/// Gets a message if its file is still what the scan read: from memory, or else from the card. For a `mirror` by hand,
/// this is the second look that a file needs before it counts as stable; only what is old enough for its times to show
/// every change is in memory.
fn fetch(dir: Option<&MailboxDir>, item: &CopyItem, messages: &MessageCache) -> CardRead {
    let (Some(dir), Some(row)) = (dir, &item.row) else { return CardRead::NotOurs };
    let read = || -> Result<CardRead, DiskError> {
        let Some(assertion) = &item.assertion else { return Ok(CardRead::NotOurs) };
        let path = &assertion.location.path;
        if let Some(bytes) = messages.get(&item.identity)
            && dir.is_still(path, |facts| row.file_stat().has_facts(facts))
        {
            return Ok(CardRead::Whole(bytes));
        }
        let mut file = dir.open_seen_message(path)?;
        if !row.has_same_bytes(&file.facts_at_open()) {
            return Ok(CardRead::Changed(file.current_facts()?));
        }
        let bytes = item.identity.bytes;
        let mut buffer = Vec::new();
        let mut chunks = Chunks::new(&mut file, bytes);
        chunks.next(&mut buffer)?;
        if !chunks.is_at_end() {
            return Ok(CardRead::Long(file, buffer));
        }
        // The content is checked before a name on the drive is used for it.
        match Identity::of(&buffer) == item.identity && is_unchanged(&file) {
            true => Ok(CardRead::Whole(buffer.into())),
            false => Ok(CardRead::Changed(file.current_facts()?)),
        }
    };
    read().unwrap_or_else(CardRead::Unreadable)
}

/// Reads a copy on another drive, and checks its hash on the way.
fn fetch_peer_copy(peer_copy: &PeerCopy, item: &CopyItem) -> CardRead {
    let read = || -> Result<CardRead, DiskError> {
        let at = peer_copy.dir.join(&peer_copy.payload.to_rel());
        let mut source = peer_copy.volume.read(&at, 0, ReadFrom::Medium)?;
        let bytes = item.identity.bytes;
        let mut buffer = Vec::new();
        let mut chunks = Chunks::new(&mut *source, bytes);
        chunks.next(&mut buffer)?;
        if !chunks.is_at_end() {
            return Ok(CardRead::LongPeerCopy);
        }
        Ok(match Identity::of(&buffer) == item.identity {
            true => CardRead::Whole(buffer.into()),
            false => CardRead::NoPeerCopy,
        })
    };
    read().unwrap_or(CardRead::NoPeerCopy)
}

/// Marks the other drive's copy as unverified until that drive is read again.
fn no_peer_copy(pass: &Pass<'_>, item: &CopyItem) -> Result<(), JobError> {
    match &item.peer_copy {
        Some(peer_copy) => {
            pass.catalogue.mark_copy_unverified(peer_copy.replica, peer_copy.payload.number)
        }
        None => Ok(()),
    }
}

/// Copies one message. Returns `None` if nothing was written. A message that changed meanwhile is left out, and what
/// was written of it is recorded as debris, so that the bag stays valid.
fn write_copy<'a>(
    pass: &Pass<'_>,
    drive: &mut Replica,
    item: &'a CopyItem,
    fetched: CardRead,
    left_out: &mut LeftOutFiles,
) -> Result<Option<WrittenFile<'a>>, JobError> {
    match fetched {
        CardRead::Whole(bytes) => {
            let payload = next_name(drive, item.extension())?;
            let mut sink = drive.volume.create(&drive.dir.join(&payload.to_rel()))?;
            sink.write(&bytes)?;
            let copy = NewCopy { payload, identity: item.identity, bytes: Some(bytes) };
            Ok(Some(WrittenFile { copy, item: Some(item) }))
        }
        CardRead::Long(file, start) => {
            write_long(pass, drive, item, file, start, left_out).map(Some)
        }
        CardRead::LongPeerCopy => write_peer_copy(pass, drive, item),
        CardRead::NoPeerCopy => no_peer_copy(pass, item).map(|()| None),
        CardRead::Changed(facts) => changed(pass, item, &facts, left_out).map(|()| None),
        CardRead::Unreadable(error) => unreadable(pass, item, &error, left_out).map(|()| None),
        CardRead::NotOurs => {
            left_out.extend(item.row.clone().map(|row| (row, Reason::MailboxAway)));
            Ok(None)
        }
    }
}

/// Copies a message too long for memory; only at its end is it known to be the right one.
fn write_long<'a>(
    pass: &Pass<'_>,
    drive: &mut Replica,
    item: &'a CopyItem,
    mut file: MessageFile,
    mut chunk: Vec<u8>,
    left_out: &mut LeftOutFiles,
) -> Result<WrittenFile<'a>, JobError> {
    let payload = next_name(drive, item.extension())?;
    let mut sink = drive.volume.create(&drive.dir.join(&payload.to_rel()))?;
    let mut hasher = Hasher::default();
    let mut chunks = Chunks::resume(&mut file, chunk.len() as u64, item.identity.bytes);
    loop {
        hasher.update(&chunk);
        sink.write(&chunk)?;
        match chunks.next(&mut chunk) {
            Ok(true) => {}
            Ok(false) => break,
            Err(error) => {
                let identity = hasher.finish();
                unreadable(pass, item, &error, left_out)?;
                return Ok(WrittenFile::hashed(payload, identity, None));
            }
        }
    }
    let identity = hasher.finish();
    if identity == item.identity && is_unchanged(&file) {
        return Ok(WrittenFile::hashed(payload, identity, Some(item)));
    }
    changed(pass, item, &file.current_facts()?, left_out)?;
    Ok(WrittenFile::hashed(payload, identity, None))
}

/// Copies a long message from another drive, in the same way.
fn write_peer_copy<'a>(
    pass: &Pass<'_>,
    drive: &mut Replica,
    item: &'a CopyItem,
) -> Result<Option<WrittenFile<'a>>, JobError> {
    let Some(peer_copy) = &item.peer_copy else { return Ok(None) };
    let from = peer_copy.dir.join(&peer_copy.payload.to_rel());
    let Ok(mut source) = peer_copy.volume.read(&from, 0, ReadFrom::Medium) else {
        return no_peer_copy(pass, item).map(|()| None);
    };
    let payload = next_name(drive, item.extension())?;
    let mut sink = drive.volume.create(&drive.dir.join(&payload.to_rel()))?;
    let mut hasher = Hasher::default();
    let (mut chunks, mut chunk) = (Chunks::new(&mut *source, item.identity.bytes), Vec::new());
    // A copy that cannot be read to its end is not the right one.
    while let Ok(true) = chunks.next(&mut chunk) {
        hasher.update(&chunk);
        sink.write(&chunk)?;
    }
    let identity = hasher.finish();
    if identity == item.identity {
        return Ok(Some(WrittenFile::hashed(payload, identity, Some(item))));
    }
    no_peer_copy(pass, item)?;
    Ok(Some(WrittenFile::hashed(payload, identity, None)))
}

fn is_unchanged(file: &MessageFile) -> bool {
    file.current_facts().is_ok_and(|now| now == file.facts_at_open())
}

fn changed(
    pass: &Pass<'_>,
    item: &CopyItem,
    facts: &FileFacts,
    left_out: &mut LeftOutFiles,
) -> Result<(), JobError> {
    let now = pass.clock.event_time().claim();
    let looked_at = (millis(pass.clock), now);
    let Some(row) = &item.row else { return Ok(()) };
    let location = (row.mailbox, row.key.as_slice());
    pass.catalogue.record_look(location, facts, FileState::Fresh, looked_at, false)?;
    left_out.push((row.clone(), Reason::Changing));
    Ok(())
}

fn unreadable(
    pass: &Pass<'_>,
    item: &CopyItem,
    error: &DiskError,
    left_out: &mut LeftOutFiles,
) -> Result<(), JobError> {
    let Some(row) = &item.row else { return Ok(()) };
    // A message that is gone may be back, unchanged, at the next scan, so this change stays unrecorded on the drive.
    let reason = if is_gone(error) { Reason::Changing } else { Reason::Unreadable };
    if reason == Reason::Unreadable {
        pass.catalogue.set_state(row, FileState::Unreadable, row.first_statted)?;
    }
    left_out.push((row.clone(), reason));
    Ok(())
}

/// The next unused name, in a new segment if the last one is full.
fn next_name(
    drive: &mut Replica,
    extension: crate::model::Extension,
) -> Result<PayloadName, JobError> {
    let replica = &mut drive.state;
    if replica.segment == 0 || replica.segment_used >= SEGMENT_MESSAGES {
        replica.segment += 1;
        replica.segment_used = 0;
        if replica.segment <= SEGMENT_MAX {
            drive.volume.make_dir(&drive.dir.join(&PayloadName::segment_dir(replica.segment)))?;
        }
    }
    if replica.segment > SEGMENT_MAX || replica.next_number > NUMBER_MAX {
        return Err(JobError::NumbersUsedUp { path: drive.volume.facts().shown.clone() });
    }
    let payload = PayloadName { segment: replica.segment, number: replica.next_number, extension };
    replica.next_number += 1;
    replica.segment_used += 1;
    Ok(payload)
}

/// Whether an error of the mailbox means that the file no longer exists.
fn is_gone(error: &DiskError) -> bool {
    error.trouble == ErrorKind::Gone
}
