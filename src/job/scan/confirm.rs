//! The second half of a scan: reads files that stayed the same since they were first seen, and decides what became of
//! files that stayed away. Never reads a file that changed in between, and never calls a moved message lost.

use super::coarse_time;
use super::read_message::{MessageRead, read_message};
use super::rules::{PAGE, ScanReport, ScanRules};
use crate::disk::{DiskError, EntryStat, MailboxDir, ReadAhead};
use crate::job::JobError;
use crate::job::catalogue::{
    Catalogue, ContentRowId, FileRow, FileState, MailboxRowId, NewFile, millis,
};
use crate::model::ledger::Departed;
use crate::model::limits::{COPY_BUFFER_BYTES, MESSAGE_CACHE_BYTES};
use crate::model::{Finding, Identity, RelName, Suspicion, Timestamp};
use rustix::io::Errno;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// From this many files on, two threads read: below, a thread costs more than it saves.
const READ_TOGETHER: usize = 64;
/// Portions in which the messages in memory are read: drives take one while the next are read.
const PORTIONS: u64 = 4;
/// Messages that each of the two threads may have read before they are collected.
const READ_AHEAD_MESSAGES: usize = 32;

/// Reads files that have been unchanged for `settle`, then decides on missing ones.
pub fn confirm(
    catalogue: &Catalogue,
    mailbox: MailboxRowId,
    dir: &MailboxDir,
    rules: &ScanRules<'_>,
    report: &mut ScanReport,
) -> Result<(), JobError> {
    confirm_stable_files(catalogue, mailbox, dir, rules, report)?;
    confirm_missing_files(catalogue, mailbox, dir, rules)
}

/// Reads files that have been unchanged for `settle`, a portion at a time. Drives that follow take each portion from
/// memory, and the next one waits until there is room for it.
pub(super) fn confirm_stable_files(
    catalogue: &Catalogue,
    mailbox: MailboxRowId,
    dir: &MailboxDir,
    rules: &ScanRules<'_>,
    report: &mut ScanReport,
) -> Result<(), JobError> {
    let due = millis(rules.clock) - rules.stable_for;
    for state in [FileState::Changing, FileState::Fresh] {
        each_page(catalogue, mailbox, state, due, |page| {
            let (mut page, messages) = (page, catalogue.messages());
            while !page.is_empty() {
                let (files, bytes) = portion(page);
                messages.wait_for_room(bytes);
                read_stable_files(catalogue, dir, &page[..files], rules, report)?;
                messages.portion_recorded();
                page = &page[files..];
            }
            Ok(())
        })?;
    }
    Ok(())
}

/// How many of these files are read together, at least one, and how many bytes of them are kept in memory.
fn portion(files: &[FileRow]) -> (usize, u64) {
    let (mut count, mut bytes) = (0, 0);
    for file in files {
        let kept = Some(file.bytes).filter(|bytes| *bytes <= COPY_BUFFER_BYTES as u64);
        if count > 0 && bytes + kept.unwrap_or(0) > MESSAGE_CACHE_BYTES as u64 / PORTIONS {
            break;
        }
        (count, bytes) = (count + 1, bytes + kept.unwrap_or(0));
    }
    (count, bytes)
}

/// Decides on files that have been missing for `settle`.
pub(super) fn confirm_missing_files(
    catalogue: &Catalogue,
    mailbox: MailboxRowId,
    dir: &MailboxDir,
    rules: &ScanRules<'_>,
) -> Result<(), JobError> {
    let due = millis(rules.clock) - rules.stable_for;
    // A content that is at a new location by now has moved: one ledger line records both.
    let moved = catalogue.leaving_but_elsewhere(mailbox, PAGE)?;
    let at = rules.clock.event_time().time.seconds;
    catalogue.write_transaction(|| {
        moved.iter().try_for_each(|row| confirm_gone(catalogue, dir, row, at))
    })?;
    // A little later than for new files, so that a move is seen as one: the new location is known by the time the old
    // one is decided on.
    let due = if rules.stable_for > 0 { due - rules.stable_for / 4 } else { due };
    for state in [FileState::LeavingSeen, FileState::Leaving] {
        each_page(catalogue, mailbox, state, due, |page| {
            catalogue.write_transaction(|| {
                page.iter().try_for_each(|row| confirm_gone(catalogue, dir, row, at))
            })
        })?;
    }
    Ok(())
}

fn each_page(
    catalogue: &Catalogue,
    mailbox: MailboxRowId,
    state: FileState,
    due: i64,
    mut each: impl FnMut(&[FileRow]) -> Result<(), JobError>,
) -> Result<(), JobError> {
    let mut after = Vec::new();
    loop {
        let page = catalogue.files_in_state(mailbox, state, due, &after, PAGE)?;
        let Some(last) = page.last() else { return Ok(()) };
        after.clone_from(&last.key);
        each(&page)?;
    }
}

/// Reads a page of files, then records their contents: the catalogue is not locked while a slow card is read.
fn read_stable_files(
    catalogue: &Catalogue,
    dir: &MailboxDir,
    page: &[FileRow],
    rules: &ScanRules<'_>,
    report: &mut ScanReport,
) -> Result<(), JobError> {
    let mut held = Vec::new();
    let mut due = Vec::new();
    for row in page {
        let path = row.path()?;
        let replaced = row.content.is_some_and(|_| row.change_no > 0);
        match replaced && (rules.hold)(&path, row.state) {
            true => held.push(row),
            false => {
                // A later version replaces the message itself, not what the card made of it.
                let before = row.good.filter(|_| row.suspect.is_some()).or(row.content);
                let before = before.map(|content| catalogue.identity(content)).transpose()?;
                due.push((row, path, before));
            }
        }
    }
    let begun = rules.clock.event_time().time;
    let readers = if due.len() < READ_TOGETHER { 0 } else { 2 };
    let mut read = Vec::with_capacity(due.len());
    let ended = ReadAhead { readers, window: READ_AHEAD_MESSAGES }.run(
        &due,
        |_| (),
        |(row, path, before), ()| read_message(dir, path, row, *before),
        |(row, ..), mut message| {
            if let Ok(MessageRead::Whole(new, _, bytes)) = &mut message
                && let Some(bytes) = bytes.take()
                && coarse_time::shows_changes(row, begun)
            {
                catalogue.messages().add(new.identity, bytes);
            }
            read.push(message);
            Ok::<_, JobError>(true)
        },
    );
    if let Err(error) = ended {
        // The files that were not read stay as they are until the next scan.
        tracing::warn!(%error, "not every changed file could be read");
    }
    catalogue.write_transaction(|| {
        for row in held.iter().filter(|row| row.state != FileState::Changing) {
            catalogue.set_state(row, FileState::Changing, row.first_statted)?;
        }
        for ((row, path, _), read) in due.into_iter().zip(read) {
            confirm_file(catalogue, (dir, row), path, (read, begun), rules, report)?;
        }
        Ok(())
    })
}

/// Decides whether a file that is gone was seen to go, has moved, or is missing.
fn confirm_gone(
    catalogue: &Catalogue,
    dir: &MailboxDir,
    row: &FileRow,
    at: i64,
) -> Result<(), JobError> {
    let path = row.path()?;
    if !matches!(dir.stat(&path), Ok(EntryStat::Gone | EntryStat::Folder)) {
        // Back again, or not visible just now: the next scan decides.
        return catalogue.set_state(row, FileState::Fresh, row.first_statted);
    }
    let seen = row.state == FileState::LeavingSeen;
    let Some(content) = row.content else { return catalogue.forget(row) };
    let place = catalogue.new_location(row, content)?;
    let to = place.as_ref().map(|(mailbox, key)| (*mailbox, key.as_slice(), content));
    let of = (row.mailbox, row.key.as_slice(), content);
    let state = match (to, seen) {
        (Some(_), _) => {
            catalogue.set_departed(of, Departed::Moved, to, at)?;
            FileState::Moved
        }
        (None, true) => {
            catalogue.set_departed(of, Departed::Deleted, None, at)?;
            FileState::Removed
        }
        // What the card made of a message is nobody's message; or it is an older version, on another card of the
        // station. Where the good version is not, it is better than nothing.
        (None, false) if row.suspect.is_some() => {
            let successor = row.good.map(|good| (row.mailbox, row.key.as_slice(), good));
            catalogue.set_departed(of, Departed::Replaced, successor, at)?;
            FileState::Vanished
        }
        // It is elsewhere too, and was before: nobody knows what became of this one.
        (None, false) if catalogue.is_present(content)? => FileState::Moved,
        (None, false) => {
            catalogue.set_missing(row, content, false)?;
            FileState::Vanished
        }
    };
    if let Some(good) = row.good.filter(|_| row.suspect.is_some()) {
        match state {
            FileState::Removed => {
                let of = (row.mailbox, row.key.as_slice(), good);
                catalogue.set_departed(of, Departed::Deleted, None, at)?;
            }
            // When a damaged message is moved, its last good version is still required at the old location.
            _ => catalogue.damage_is_gone(row.mailbox, &row.key)?,
        }
    }
    catalogue.set_gone(row, state)
}

/// Decides what becomes of a content that another one has replaced at its path.
fn superseded(
    catalogue: &Catalogue,
    row: &FileRow,
    before: ContentRowId,
    new: &NewFile,
    at: i64,
) -> Result<(), JobError> {
    let of = |content| (row.mailbox, row.key.as_slice(), content);
    // What the card made of a message is nobody's message: the good version takes its place.
    let dropped = |content| {
        let successor = row.good.map(|good| (row.mailbox, row.key.as_slice(), good));
        catalogue.set_departed(of(content), Departed::Replaced, successor, at).map(drop)
    };
    let replaced = |content| {
        let successor = Some((row.mailbox, row.key.as_slice(), catalogue.content(&new.identity)?));
        catalogue.set_departed(of(content), Departed::Replaced, successor, at).map(drop)
    };
    match (new.suspect.is_some(), row.suspect.is_some()) {
        // What the card made of a message does not replace it.
        (true, false) => catalogue.set_missing(row, before, true),
        (true, true) => dropped(before),
        (false, true) => {
            dropped(before)?;
            let Some(good) = row.good else { return Ok(()) };
            if catalogue.identity(good)? == new.identity {
                return Ok(());
            }
            match is_later_version(catalogue, row, good, new)? {
                true => replaced(good),
                false => catalogue.damage_is_gone(row.mailbox, &row.key),
            }
        }
        (false, false) => {
            if new.continues || is_later_version(catalogue, row, before, new)? {
                return replaced(before);
            }
            match catalogue.new_location(row, before)? {
                Some((mailbox, key)) => {
                    let to = Some((mailbox, key.as_slice(), before));
                    catalogue.set_departed(of(before), Departed::Moved, to, at).map(drop)
                }
                None if catalogue.is_present(before)? => Ok(()),
                None => catalogue.set_missing(row, before, false),
            }
        }
    }
}

/// Whether a new content is a later version of the one before: it was seen being written, or both have one Message-ID.
/// A content that was on this card before is none: an earlier version that turns up again replaces no later one. Nor is
/// a content that nobody saw being written, and that is shorter or has a block of NUL: it may be what the card left of
/// the one before. Only a drive that has that one can decide (`mirror/damage.rs`); until then it is missing, and
/// nothing withholds it.
fn is_later_version(
    catalogue: &Catalogue,
    row: &FileRow,
    before: ContentRowId,
    new: &NewFile,
) -> Result<bool, JobError> {
    let is_doubtful = new.has_nul_block || new.identity.bytes < catalogue.identity(before)?.bytes;
    let id = &new.headers.message_id;
    let is_same = || -> Result<bool, JobError> {
        Ok(!id.is_empty() && catalogue.message_id(before)?.as_ref() == Some(id))
    };
    let is_new = || -> Result<bool, JobError> {
        Ok(!catalogue.was_here(row.mailbox, catalogue.content(&new.identity)?)?)
    };
    Ok(row.hinted || !is_doubtful && is_same()? && is_new()?)
}

fn confirm_file(
    catalogue: &Catalogue,
    (dir, row): (&MailboxDir, &FileRow),
    path: RelName,
    (read, begun): (Result<MessageRead, DiskError>, Timestamp),
    rules: &ScanRules<'_>,
    report: &mut ScanReport,
) -> Result<(), JobError> {
    match read {
        Ok(MessageRead::Whole(new, last_bytes, _)) => {
            let now = rules.clock.event_time().claim();
            // What the card made of a message that is missing here may be back, from a drive that has nothing else.
            let again = match row.content {
                None => catalogue.missing_original_of(row, &new.identity)?,
                Some(_) => None,
            };
            let suspect = match row.content.or(again) {
                Some(before) => suspicion(catalogue, before, &new.identity, &last_bytes)?,
                None => None,
            };
            let row = &FileRow {
                content: row.content.or(again.filter(|_| suspect.is_some())),
                ..row.clone()
            };
            let new = NewFile { suspect, ..new };
            if let Some(before) = row.content
                && catalogue.identity(before)? != new.identity
            {
                superseded(catalogue, row, before, &new, now.time.seconds)?;
            }
            let (content, was_known) = catalogue.confirm_file(row, &new, now)?;
            if was_known && new.suspect.is_none() && row.content != Some(content) {
                note_other_locations(catalogue, dir, row, content)?;
            }
            coarse_time::recheck_if_hidden(catalogue, row, &new.identity, begun)
        }
        Ok(MessageRead::Changed(facts)) => {
            let now = rules.clock.event_time().claim();
            let looked_at = (millis(rules.clock), now);
            catalogue.record_look(
                (row.mailbox, &row.key),
                &facts,
                FileState::Fresh,
                looked_at,
                row.hinted,
            )
        }
        // The file no longer exists, nor perhaps its folder: a message may have the folder's name now.
        Err(DiskError { errno: Errno::NOENT | Errno::NOTDIR, .. }) => match row.content {
            Some(_) => catalogue.set_state(row, FileState::Leaving, millis(rules.clock)),
            None => catalogue.forget(row),
        },
        Err(error) => {
            report.problem(Finding::MessageUnreadable { path, why: error.errno.to_string() });
            catalogue.set_state(row, FileState::Unreadable, row.first_statted)
        }
    }
}

/// Notes that a content which is new at a location also lies elsewhere: the other one did not move here, whatever
/// becomes of it later.
fn note_other_locations(
    catalogue: &Catalogue,
    dir: &MailboxDir,
    row: &FileRow,
    content: ContentRowId,
) -> Result<(), JobError> {
    let here = (row.mailbox, row.key.as_slice());
    for other in catalogue.files_of(content)? {
        if (other.mailbox, other.key.as_slice()) == here {
            continue;
        }
        let path = other.path()?;
        let look = match other.mailbox == row.mailbox {
            true => dir.stat(&path),
            false => match catalogue.mailbox_name(other.mailbox)?.1 {
                Some(root) => MailboxDir::open(Path::new(OsStr::from_bytes(&root)))
                    .and_then(|dir| dir.stat(&path)),
                None => continue,
            },
        };
        if matches!(look, Ok(EntryStat::File(_))) {
            catalogue.note_twin_seen(&other)?;
        }
    }
    Ok(())
}

/// Whether a new version looks damaged: emptied, or ending in bytes that were never written. (One cut short is found
/// when it is copied, by comparison with the drive's copy.)
fn suspicion(
    catalogue: &Catalogue,
    before: ContentRowId,
    new: &Identity,
    last_bytes: &[u8],
) -> Result<Option<Suspicion>, JobError> {
    let before = catalogue.identity(before)?;
    Ok(match new.bytes {
        _ if before.bytes == 0 || before == *new => None,
        0 => Some(Suspicion::Emptied),
        _ if last_bytes.iter().all(|&b| b == 0) => Some(Suspicion::NulFilled),
        _ => None,
    })
}
